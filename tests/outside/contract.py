"""Requests that a fuzzer makes of the OpenAPI document, each answer held against the document.

In each join mode, with and without keys. Every second request names what is really there: ids
with their receipts, chips of the club, its members' documents with one changed field.
"""

import json
import tempfile
import warnings
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from copy import deepcopy
from dataclasses import dataclass, field
from itertools import islice, product
from pathlib import Path
from random import Random
from typing import Any

import schemathesis
from flask import Flask
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import APIOperation, BaseSchema, Case, GenerationMode
from schemathesis.checks import load_all_checks, not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import (
    allow_header_conformance,
    content_type_conformance,
    negative_data_rejection,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
    unsupported_method,
)

from kbapi.app import create_app
from kbapi.demo.members import Club, bundled_club
from kbapi.demo.results import club_results
from tests.outside.demo_instance import CHIPS, Known, fill, opened
from tests.report import Row, measured

JOINS = ("open", "invite", "closed")
TAKE_A_RESULT = (
    "POST /v1/submissions",
    "POST /v1/submissions/batch",
    "PUT /v1/submissions/{submission_id}",
)
"""Operations whose body is a result, or several."""
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    unsupported_method,
    allow_header_conformance,
]
"""Whether sound data is taken is no check here: what a rule refuses, no shape can say. That
unsound data is refused is one, unless the request was made to name what is there."""


@schemathesis.serializer("application/x-ndjson")
def lines_of(_: Any, value: Any) -> bytes:
    """What is drawn as a text of lines, as it is; what is a list, a document a line."""
    if isinstance(value, list):
        return "\n".join(map(json.dumps, value)).encode()
    return (
        value.encode("utf-8", "replace") if isinstance(value, str) else json.dumps(value).encode()
    )


@dataclass
class Seen:
    """The answers, and every answer that the document does not describe."""

    answers: Counter[int] = field(default_factory=Counter)
    faults: dict[str, str] = field(default_factory=dict)

    def note(self, status: int, scene: str, case: Case, failures: list[Any]) -> None:
        self.answers[status] += 1
        for failure in failures:
            name = f"{case.operation.label} {type(failure).__name__} {status}"
            self.faults.setdefault(name, f"{scene}: {failure} {case.as_curl_command()[:400]}")


def measure(*, short: bool) -> list[Row]:
    """How many answers the document does not describe, and how many there were."""
    seen = look(results=300 if short else 1_500, most=3 if short else 60)
    for name, fault in seen.faults.items():
        print(name, fault, sep="\n  ")
    return [
        measured("requests that a fuzzer made", seen.answers.total(), "", "> 1000"),
        measured("of them taken (2xx)", _between(seen, 200, 300), "", "> 100"),
        measured("server errors", _between(seen, 500, 600), "", "== 0"),
        measured("answers that the document does not tell", len(seen.faults), "kinds", "== 0"),
    ]


def _between(seen: Seen, first: int, end: int) -> int:
    return sum(many for status, many in seen.answers.items() if first <= status < end)


def look(results: int, most: int) -> Seen:
    """All that was seen with at most so many drawn requests of a kind for each operation."""
    seen = Seen()
    load_all_checks()
    with tempfile.TemporaryDirectory() as name, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        known = fill(Path(name), results)
        with ExitStack() as stack:
            apps = {
                join: create_app(stack.enter_context(opened(Path(name), join))) for join in JOINS
            }
            _look_at(apps, known, most, seen)
    return seen


def _look_at(apps: dict[str, Flask], known: Known, most: int, seen: Seen) -> None:
    schema = schemathesis.openapi.from_wsgi("/openapi.json", apps[JOINS[0]])
    club = bundled_club()
    for operation in (found.ok() for found in schema.get_all_operations()):
        # Drawn once: in each scene the same would be drawn again.
        drawn = _drawn(operation, most)
        for join, key in product(JOINS, (None, known.keys["admin"])):
            asker = Asker(known, key, club, Random(f"{join} {operation.label}"))
            scene = f"{join}, {'a' if key else 'no'} key"
            at_bounds = _at_bounds(schema, operation) if key and join == "open" else ()
            for case in (*at_bounds, *map(_copy_of, drawn)):
                is_real, headers = asker.prepare(case)
                response = case.call(headers=headers, app=apps[join])
                checks = CHECKS if is_real else [*CHECKS, negative_data_rejection]
                try:
                    case.validate_response(response, checks=checks, headers=headers)
                    failures = []
                except FailureGroup as group:
                    failures = list(group.exceptions)
                seen.note(response.status_code, scene, case, failures)


def _copy_of(case: Case) -> Case:
    """A request that can be changed and sent without changing this one."""
    parts = ("path_parameters", "headers", "cookies", "query", "body", "media_type")
    copied = {name: deepcopy(getattr(case, name)) for name in parts}
    return Case(case.operation, case.method, case.path, meta=deepcopy(case.meta), **copied)


def _at_bounds(schema: BaseSchema, operation: APIOperation) -> Iterator[Case]:
    """Requests at the bounds of the document, inside and outside.

    The operations that take a result read it with the same code: each gets its share of them.
    """
    cases = schema.iter_coverage_cases(
        operation,
        generation_modes=list(GenerationMode),
        generation_config=schema.config.generation_for(operation=operation),
    )
    if operation.label in TAKE_A_RESULT:
        return islice(cases, TAKE_A_RESULT.index(operation.label), None, len(TAKE_A_RESULT))
    return cases


def _drawn(operation: APIOperation, most: int) -> list[Case]:
    """Random requests: so many that fit the document, and so many that do not."""
    cases: list[Case] = []
    for mode in GenerationMode:

        @settings(
            max_examples=most,
            derandomize=True,
            database=None,
            deadline=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(operation.as_strategy(generation_mode=mode))
        def draw(case: Case) -> None:
            cases.append(case)

        try:
            draw()
        except Unsatisfiable:
            # Some operations take anything, so that nothing can be wrong with a request.
            assert mode is GenerationMode.NEGATIVE
    return cases


class Asker:
    """A client, with or without a key, whose requests sometimes name existing things."""

    def __init__(self, known: Known, key: str | None, club: Club, rng: Random) -> None:
        self.known, self.key, self.rng = known, key, rng
        self.results = club_results(10_000, Random(rng.random()), club)

    def prepare(self, case: Case) -> tuple[bool, dict[str, str]]:
        """Whether the case was made to name what is there, and the header fields to send."""
        headers = {"Authorization": f"Bearer {self.key}"} if self.key else {}
        is_real = self.rng.random() < 0.5
        if is_real:
            self._name_what_is_there(case)
        path = case.operation.path
        if path.startswith("/v1/submissions/{"):
            receipt = self.known.receipts.get(str(case.path_parameters["submission_id"]))
            headers = {"Authorization": f"Bearer {receipt or 'kbr_0'}"}
        if path == "/v1/my-submissions" and self.rng.random() < 0.9:
            headers["Kbapi-Contributor"] = self.rng.choice(self.known.contributors)
        return is_real, headers

    def _name_what_is_there(self, case: Case) -> None:
        chip = self.rng.choice(CHIPS)
        if "submission_id" in (case.path_parameters or {}):
            case.path_parameters["submission_id"] = self.rng.choice(list(self.known.receipts))
        if "chip" in (case.path_parameters or {}):
            case.path_parameters["chip"] = chip
        if "chip" in (case.query or {}):
            case.query["chip"] = chip
        if isinstance(case.body, dict) and "chip" in case.body:
            case.body = {**case.body, "chip": chip}
        if case.operation.path == "/v1/submissions" and isinstance(case.body, dict):
            case.body = self._a_result(case.body)
        if case.operation.path == "/v1/submissions/batch" and isinstance(case.body, list):
            case.body = [self._a_result(drawn) for drawn in case.body[:20]]
        if case.operation.path == "/v1/review/decisions" and isinstance(case.body, dict):
            case.body = {**case.body, "decisions": [self._a_decision()]}

    def _a_result(self, drawn: Any) -> dict[str, Any]:
        """A member's next result, in which one field may be as it was drawn."""
        document = next(self.results).document
        fields = list(drawn) if isinstance(drawn, dict) else []
        if fields and self.rng.random() < 0.7:
            name = self.rng.choice(fields)
            document = {**document, name: drawn[name]}
        return document

    def _a_decision(self) -> dict[str, Any]:
        submission = self.rng.choice(list(self.known.receipts))
        word = {"decision": "invalidate", "reason": "wrong_chip"}
        return {"submission": submission, "ordinal": self.rng.randrange(2), **word}
