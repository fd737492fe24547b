"""142 identities in each field, header, query, path and label are kept nowhere and never repeated.

Each statement of the guide "Privacy" names the test that shows it; the last test reads these names.
"""

import copy
import json
import logging
import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from flask.testing import FlaskClient

from kbapi.access.keys import give_key
from kbapi.app import create_app
from kbapi.errors import KeyRefused
from kbapi.instance.backup import make_backup
from kbapi.instance.instance import Instance
from kbapi.logs import JsonLines
from tests.documents.test_personal_data_strings import strings
from tests.intake.whole_document import a_whole_document
from tests.makers import a_submission, rows_of

TESTS = Path(__file__).parents[1]
GUIDE = TESTS.parent / "kbapi" / "pages" / "guides" / "privacy.md"
HEADERS = (
    "Accept-Language",
    "Cookie",
    "From",
    "If-None-Match",
    "Origin",
    "Referer",
    "User-Agent",
    "X-Forwarded-For",
    "X-Request-Id",
)
QUERIES = (
    ("/v1/start", ("chip", "machine", "firmware", "microcode", "domain", "client")),
    ("/v1/stability", ("machine",)),
    ("/v1/locks", ("machine", "firmware_month")),
    ("/v1/gains", ("load",)),
    ("/v1/identify", ("text", "pci_id")),
    ("/v1/chips", ("search", "series", "line", "cursor")),
    ("/v1/my-submissions", ("cursor",)),
)
PAGES = (
    "/",
    "/metrics",
    "/v1",
    "/v1/chips",
    "/docs",
    "/health/ready",
    "/v1/start?chip=",
    "/guides",
)
WITHOUT_A_LIST = {
    *("chip", "unit_token", "contributor_token", "machine", "firmware", "firmware_month"),
    *("microcode", "driver", "measured_in", "client"),
}
NO_IDENTITY = {"name or sentence"}
SHORTEST = 10
"""Shorter texts can be part of a hash by chance."""


def identities() -> list[str]:
    planted = (one for one in strings("strings_planted.jsonl") if one["shape"] not in NO_IDENTITY)
    texts = dict.fromkeys(one["text"] for one in planted if len(one["text"]) >= SHORTEST)
    return list(texts)[:: max(1, len(texts) // 142)][:142]


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of each text in a document."""
    if isinstance(value, str):
        yield path
    for key, member in value.items() if isinstance(value, dict) else ():
        yield from places(member, (*path, key))
    for index, member in enumerate(value if isinstance(value, list) else ()):
        yield from places(member, (*path, index))


def planted_at(document: dict[str, Any], path: tuple[Any, ...], text: str) -> None:
    holder: Any = document
    for part in path[:-1]:
        holder = holder[part]
    holder[path[-1]] = text


def places_of_results() -> tuple[list[tuple[Any, ...]], list[tuple[Any, ...]]]:
    """The texts of a whole document that have no list of words, and those that have one."""
    # A list has the same rules at each place.
    kinds = {
        tuple(part for part in path if isinstance(part, str)): path
        for path in places(a_whole_document())
    }
    free = [path for kind, path in kinds.items() if kind[-1] in WITHOUT_A_LIST]
    return free, [path for kind, path in kinds.items() if kind[-1] not in WITHOUT_A_LIST]


def documents_with(text: str) -> Iterator[dict[str, Any]]:
    """A whole document with the text in each of its texts in turn, and as the name of a field."""
    whole = a_whole_document()
    for path in places_of_results()[0]:
        document = copy.deepcopy(whole)
        planted_at(document, path, text)
        yield document
    yield {**whole, text: 1}
    yield {**whole, "platform": {text: text}}


def a_document_with_other_words(text: str) -> dict[str, Any]:
    """A whole document with the text wherever a word of a list is wanted."""
    document = copy.deepcopy(a_whole_document())
    for path in places_of_results()[1]:
        planted_at(document, path, text)
    return document


class Watched:
    """An app whose answers are looked through, with its log in a file."""

    def __init__(self, instance: Instance, log: Path) -> None:
        self.client: FlaskClient = create_app(instance).test_client()
        self.repeated: list[tuple[str, str]] = []
        self.handler = logging.FileHandler(log)
        self.handler.setFormatter(JsonLines())
        self.logger = logging.getLogger("kbapi")
        self.logger.addHandler(self.handler)

    def ask(self, text: str, method: str, path: str, **options: Any) -> int:
        answer = self.client.open(path, method=method, **options)
        self.look(text, path, answer.data)
        return answer.status_code

    def look(self, text: str, path: str, answer: bytes) -> None:
        if any(form in answer for form in forms_of(text)):
            self.repeated.append((path, text))


def forms_of(text: str) -> set[bytes]:
    return {form.encode() for form in (text, json.dumps(text)[1:-1], quote(text))}


def plant(watched: Watched, instance: Instance, text: str, receipt: dict[str, str]) -> None:
    for document in documents_with(text):
        watched.ask(text, "POST", "/v1/submissions", json=document)
    # No other word is accepted in any of these places, so that one document shows all of them.
    refused = watched.client.post("/v1/submissions", json=a_document_with_other_words(text))
    pointers = {error["pointer"] for error in refused.get_json()["errors"]}
    assert len(pointers) == len(places_of_results()[1])
    watched.look(text, "/v1/submissions", refused.data)
    watched.ask(text, "POST", "/v1/submissions/batch", json=[a_submission(client=text)])
    for path in ("/v1/diagnose", "/v1/next-step", "/v1/review/decisions"):
        watched.ask(text, "POST", path, json={"chip": text, "load": text, text: text})
    follow_up = {"domain": text, "control": text, "outcome": text, "failure": text}
    follow_ups = f"/v1/submissions/{receipt['id']}/follow-ups"
    bearer = {"Authorization": f"Bearer {receipt['receipt']}"}
    watched.ask(text, "POST", follow_ups, json=follow_up, headers=bearer)
    plain = text.encode("ascii", "replace").decode()
    # None of these fields ends a request early, so that it is read with all of them.
    fields = dict.fromkeys(HEADERS, plain)
    start = "/v1/start?chip=norvane-sable-7-4820mx"
    assert watched.ask(text, "GET", start, headers=fields) == 200
    assert watched.ask(text, "POST", "/v1/submissions", json=a_submission(), headers=fields) == 201
    key = {"Idempotency-Key": f'"{plain}"' if '"' not in plain else plain}
    for changed in (key, fields | key):
        watched.ask(text, "POST", "/v1/submissions", json=a_submission(), headers=changed)
    for header in ("Authorization", "Kbapi-Contributor"):
        watched.ask(text, "GET", "/v1/my-submissions", headers={header: f"Bearer {plain}"})
    for path, names in QUERIES:
        for name in (*names, text):
            query = {"chip": "norvane-sable-7-4820mx", name: text}
            watched.ask(text, "GET", path, query_string=query)
    for path in ("/v1/chips/", "/guides/", "/problems/", "/v1/submissions/", "/"):
        watched.ask(text, "GET", path + quote(text, safe=""))
    with suppress(KeyRefused):
        give_key(instance, text, ("submit",))


def test_an_identity_is_kept_in_no_file_and_repeated_in_no_answer(
    instance: Instance, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG, "kbapi")
    planted = identities()
    assert len(planted) == 142
    log = tmp_path / "log.jsonl"
    watched = Watched(instance, log)
    first = watched.client.post("/v1/submissions", json=a_whole_document())
    receipt = first.get_json()
    for text in planted:
        plant(watched, instance, text, receipt)
    watched.logger.removeHandler(watched.handler)
    watched.handler.close()
    assert watched.repeated == []
    key = {"Authorization": f"Bearer {give_key(instance, '', ('curate',)).key}"}
    pages = [watched.client.get(page).data for page in PAGES]
    of_the_host = ("/v1/submissions", "/v1/review", f"/v1/submissions/{receipt['id']}")
    pages += [watched.client.get(page, headers=key).data for page in of_the_host]
    make_backup(instance.settings, tmp_path / "backups", None)
    files = [file for file in tmp_path.rglob("*") if file.is_file() and file != log]
    assert log.read_bytes().count(b"\n") > 142
    kept = [(file.name, file.read_bytes()) for file in (*files, log)]
    kept += [("page", page) for page in pages]
    assert len(kept) > 8
    found = [
        (name, text)
        for text in planted
        for name, content in kept
        if any(form in content for form in forms_of(text))
    ]
    assert found == []


def test_a_question_in_a_body_is_not_stored(client: FlaskClient, instance: Instance) -> None:
    before = rows_of(instance)
    question = {"chip": "norvane-sable-7-4820mx", "domain": "core", "control": "voltage_offset"}
    assert client.post("/v1/diagnose", json={**question, "setting": -74}).status_code == 200
    trial = {"value": -40, "load": "all_core", "seconds": 600, "outcome": "stable"}
    client.post("/v1/next-step", json={**question, "trials": [trial]})
    assert rows_of(instance) == before


def test_each_statement_of_the_guide_names_its_test() -> None:
    guide = GUIDE.read_text(encoding="utf-8")
    rows = [line for line in guide.splitlines() if line.startswith("| ") and "`test" in line]
    named = re.findall(r"`(test_\w+\.py)::(test_\w+)`", guide)
    assert len(rows) >= 10
    for file, name in named:
        texts = [path.read_text(encoding="utf-8") for path in TESTS.rglob(file)]
        assert any(f"def {name}(" in text for text in texts), (file, name)
