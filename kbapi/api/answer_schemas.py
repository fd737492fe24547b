"""Schemas, headers and examples of answers in the OpenAPI document."""

import ast
import inspect
import re
import sys
from collections.abc import Iterable, Mapping
from functools import cache
from itertools import pairwise
from typing import Any, Final, Literal

from marshmallow import Schema, fields
from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from kbapi.advice.cautions import CODES as CAUTION_CODES
from kbapi.advice.cautions import Caution
from kbapi.advice.diagnosis.query import DiagnosisRequestSchema
from kbapi.advice.next_step.query import NextStepRequestSchema
from kbapi.curation.decisions import DecisionsSchema
from kbapi.documents.follow_ups import FollowUpSchema
from kbapi.documents.readings import READING_RULES
from kbapi.documents.refusal_rules import DOCUMENT_REFUSALS, NOT_ON_THIS_CHIP, REFUSALS
from kbapi.documents.results import SubmissionSchema
from kbapi.errors import FAULTS, JsonUnreadable, SettingUnknown, TooCostly
from kbapi.intake.batch import CODES_OF_BATCHES, BatchItemError
from kbapi.intake.decision_reasons import LEFT_WITH_SETTING
from kbapi.intake.follow_up_rules import SENTENCES as SENTENCES_OF_FOLLOW_UPS
from kbapi.intake.my_submissions import ENDED, RETESTS_DUE, FollowUpDetail
from kbapi.intake.responses import SENTENCES_OF_REASONS, TOKEN_WARNINGS, IgnoredReading, Reason


def answer_shapes(answers: tuple[type, ...]) -> dict[str, Any]:
    """The shapes of these answers and of all their parts, by the name of their class."""
    adapters: list[tuple[str, Literal["serialization"], TypeAdapter[Any]]] = [
        (answer.__name__, "serialization", TypeAdapter(answer)) for answer in answers
    ]
    _, shapes = TypeAdapter.json_schemas(
        adapters, ref_template="#/components/schemas/{model}", schema_generator=_Shapes
    )
    parts: dict[str, Any] = shapes["$defs"]
    for part in parts.values():
        part.pop("title", None)
    return parts


PROBLEM_CODES: Final = tuple(
    dict.fromkeys(
        (
            *FAULTS,
            *(rule.code for rule in (*REFUSALS, *DOCUMENT_REFUSALS)),
            *SENTENCES_OF_FOLLOW_UPS,
            NOT_ON_THIS_CHIP,
            JsonUnreadable.code,
            SettingUnknown.code,
            TooCostly.code,
        )
    )
)
"""The code of every fault of a document, a query or an item of a batch."""
_REASONS: Final = tuple(
    dict.fromkeys(
        (
            *SENTENCES_OF_REASONS,
            *SENTENCES_OF_FOLLOW_UPS,
            *TOKEN_WARNINGS,
            *RETESTS_DUE,
            *ENDED,
            *CODES_OF_BATCHES,
        )
    )
)
_CODES: Final[dict[tuple[type, str], tuple[str, ...]]] = {
    (Caution, "code"): CAUTION_CODES,
    (IgnoredReading, "code"): tuple(rule.code for rule in READING_RULES),
    (FollowUpDetail, "reasons"): (*SENTENCES_OF_FOLLOW_UPS, LEFT_WITH_SETTING),
    (BatchItemError, "code"): PROBLEM_CODES,
    (Reason, "code"): _REASONS,
}


class _Shapes(GenerateJsonSchema):
    """Shapes with a description for each field and nothing that repeats its name."""

    def dataclass_schema(self, schema: core_schema.DataclassSchema) -> JsonSchemaValue:
        """The shape of a class; each field is described by the docstring below it."""
        shape = super().dataclass_schema(schema)
        cls = schema["cls"]
        shape["description"] = one_line(inspect.getdoc(cls) or "")
        for name, field in shape["properties"].items():
            if codes := _CODES.get((cls, name)):
                field.get("items", field)["enum"] = list(codes)
            if described := description_of(cls, name):
                field["description"] = described
        return shape

    def field_title_should_be_set(self, schema: Any) -> bool:
        """False: a title would repeat the field's name."""
        return False

    def field_is_required(self, field: Any, total: bool) -> bool:
        """True: an answer has every field, also one with a default."""
        return True

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        """The shape without its default, which no answer needs."""
        return self.generate_inner(schema["schema"])

    def tuple_schema(self, schema: core_schema.TupleSchema) -> JsonSchemaValue:
        """A list of one kind, where all items are of one kind: pairs above all."""
        shape = super().tuple_schema(schema)
        kinds = shape.get("prefixItems", [])
        if kinds and all(one == other for one, other in pairwise(kinds)):
            del shape["prefixItems"]
            shape["items"] = kinds[0]
        return shape


def description_of(cls: type, name: str) -> str:
    """The docstring below a field of the class, or of its nearest base class with one."""
    for owner in cls.__mro__:
        if found := _field_docstrings(owner.__module__).get((owner.__qualname__, name)):
            return found
    return ""


def one_line(text: str) -> str:
    r"""A docstring without its line breaks; paragraphs stay apart.

    >>> one_line("What comes\nback.\n\nAnd why.")
    'What comes back.\n\nAnd why.'
    """
    return "\n\n".join(" ".join(part.split()) for part in re.split(r"\n\s*\n", text.strip()))


@cache
def _field_docstrings(module: str) -> dict[tuple[str, str], str]:
    """The docstrings below the fields of a module's classes."""
    found = {}
    for cls in ast.walk(ast.parse(_source_of(module))):
        if not isinstance(cls, ast.ClassDef):
            continue
        for field, below in pairwise(cls.body):
            if (
                isinstance(field, ast.AnnAssign)
                and isinstance(field.target, ast.Name)
                and isinstance(below, ast.Expr)
                and isinstance(below.value, ast.Constant)
                and isinstance(below.value.value, str)
            ):
                found[cls.name, field.target.id] = one_line(below.value.value)
    return found


def _source_of(module: str) -> str:
    return "" if module == "builtins" else inspect.getsource(sys.modules[module])


HEADERS: Final[dict[str, dict[str, Any]]] = {
    "Kbapi-Request-Id": {
        "description": "The id of this request. The host can find its log line with it.",
        "required": True,
        "schema": {"type": "string", "pattern": "^[0-9a-f]{32}$"},
        "example": "8f14e45fceea467f9d7f5a3b2c1d0e9f",
    },
    "Cache-Control": {
        "description": "`no-cache` for an answer with an ETag: send If-None-Match before each "
        "use. `no-store` for all others.",
        "required": True,
        "schema": {"type": "string", "enum": ["no-cache", "no-store"]},
        "example": "no-store",
    },
    "ETag": {
        "description": "The version of this answer, for If-None-Match.",
        "required": True,
        "schema": {"type": "string"},
        "example": '"d29127d1ec0966f1430466fc432ab0dd"',
    },
    "Age": {
        "description": "Seconds since the evidence of this answer changed. Present only while a "
        "newer answer is computed.",
        "schema": {"type": "integer", "minimum": 0},
        "example": 1,
    },
    "Location": {
        "description": "Path of the result that was stored or followed up.",
        "required": True,
        "schema": {"type": "string"},
        "example": "/v1/submissions/01a21000-8800-736b-8fa7-7e16bf7f60fd",
    },
    "Link": {
        "description": "The next page of a list (RFC 8288); absent on the last page.",
        "schema": {"type": "string"},
        "example": '</v1/chips?cursor=WyJhIiwxXQ>; rel="next"',
    },
    "RateLimit-Policy": {
        "description": "The limit: requests (q) in a window of seconds (w).",
        "schema": {"type": "string"},
        "example": '"burst";q=300;w=60',
    },
    "RateLimit": {
        "description": "Requests that remain (r), and seconds until the window ends (t).",
        "schema": {"type": "string"},
        "example": '"burst";r=299;t=41',
    },
    "Retry-After": {
        "description": "Seconds to wait before the next attempt. Absent where waiting does not "
        "help.",
        "schema": {"type": "integer", "minimum": 1},
        "example": 17,
    },
    "WWW-Authenticate": {
        "description": "How to authenticate.",
        "schema": {"type": "string"},
        "example": 'Bearer realm="kbapi"',
    },
}
_BEFORE_THE_APP: Final = frozenset({"414", "431"})
"""Statuses that a worker answers before any endpoint; they count against no limit."""


def headers_of(status: str, statuses: Iterable[str]) -> dict[str, Any]:
    """References to the header fields of the answer with this status.

    The other statuses show its kind: with 429 it is counted, with 304 it has ETags.
    """
    names = ["Kbapi-Request-Id", "Cache-Control"]
    if "304" in statuses and status in ("200", "304"):
        names.append("ETag")
    if "429" in statuses and status not in _BEFORE_THE_APP:
        names += ["RateLimit-Policy", "RateLimit"]
    if status in ("429", "503"):
        names.append("Retry-After")
    if status == "401":
        names.append("WWW-Authenticate")
    return references_of(names)


def references_of(names: Iterable[str]) -> dict[str, Any]:
    """References to described header fields."""
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}


LEFT_OUT: Final[Mapping[type[Schema], frozenset[str]]] = {
    SubmissionSchema: frozenset(
        {
            "chip_ids",
            "settings.clock_mhz",
            "settings.stock_mv",
            "settings.effect.rail_mv",
            "trials.failure",
        }
    ),
    FollowUpSchema: frozenset({"clock_mhz", "load", "failure", "effect.rail_mv"}),
    NextStepRequestSchema: frozenset(
        {"clock_mhz", "stock_mv", "resolution_counts", "trials.failure"}
    ),
    DiagnosisRequestSchema: frozenset({"effect.rail_mv"}),
    DecisionsSchema: frozenset({"decisions.contributor", "decisions.origin", "decisions.pool"}),
}
"""Fields that contradict the others, such as the clock of a control that has none."""


def example_of(schema: type[Schema]) -> dict[str, Any]:
    """A complete document of this shape that is accepted."""
    return _assembled(schema(), LEFT_OUT.get(schema, frozenset()), "")


def _assembled(schema: Schema, left_out: frozenset[str], within: str) -> dict[str, Any]:
    return {
        name: _one(field, left_out, f"{within}{name}")
        for name, field in schema.fields.items()
        if f"{within}{name}" not in left_out
    }


def _one(field: fields.Field[Any], left_out: frozenset[str], place: str) -> Any:
    if isinstance(field, fields.Nested):
        return _assembled(field.schema, left_out, f"{place}.")
    if isinstance(field, fields.List) and "example" not in field.metadata:
        return [_one(field.inner, left_out, place)]
    return field.metadata["example"]
