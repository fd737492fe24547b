"""Texts that another reader might take for a path, SQL, a page or a template, in every place.

In every path, query parameter, header field and text of a body: no server error, no answer that the
document does not tell, no schema or row changed but those of results that were taken, nothing of
the files beside the pages, and nothing that was sent in any page.
"""

import re
import tempfile
from collections import Counter
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any
from urllib.parse import quote

from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from tests.house.write_openapi import generated
from tests.intake.whole_document import a_whole_document
from tests.makers import rows_of
from tests.outside.demo_instance import CHIPS, Known, fill, opened
from tests.report import Row, measured

TEXTS = (
    "' OR '1'='1",
    "'; DROP TABLE submission; --",
    '"; DELETE FROM access_key; --',
    "') UNION SELECT key_hash, name, 1 FROM access_key --",
    "1 AND (SELECT randomblob(1000000000))",
    "norvane-sable-7-4820mx' --",
    "%' ESCAPE '\\",
    "%",
    "_" * 9,
    "\\",
    "`id`",
    "$(id)",
    "${7*7}",
    "{{7*7}}{% for a in b %}",
    "%(code)s %s %n",
    "{0.__class__.__init__.__globals__}",
    "<script>alert(7)</script>",
    "\"><img src=x onerror='alert(7)'>",
    "</main><h1>taken over</h1>",
    "javascript:alert(7)",
    "../../../../etc/passwd",
    "..\\..\\secret.key",
    "/etc/passwd",
    "file:///etc/passwd",
    "secret.key\0.css",
    "a\r\nSet-Cookie: taken=1",
    "a\u2028b\u2029c",
    "\u202egpj.exe",
    "norvane-ѕable-7-4820mx",
    "ｎｏｒｖａｎｅ－ｓａｂｌｅ－７－４８２０ｍｘ",
    "ınstance ſable K",
    "e" + "\u0301" * 300,
    "\ufeff\u200b\u00a0",
    "👩‍🔧" * 20,
    "-0",
    "1e309",
    "NaN",
    "٤٨٢٠",
    "\ud800",
)
PATHS = (
    "../secret.key",
    "../../../../../../../../etc/passwd",
    "..%2f..%2f..%2f..%2fetc%2fpasswd",
    "%2e%2e/%2e%2e/secret.key",
    "%252e%252e%252fsecret.key",
    "..%5c..%5csecret.key",
    "....//....//secret.key",
    "..;/secret.key",
    "%c0%ae%c0%ae%c0%afetc/passwd",
    "%e0%80%ae%e0%80%ae/etc/passwd",
    "%uff0e%uff0e/secret.key",
    "%ed%a0%80",
    "%ff%fe",
    "%00",
    "kbapi.css%00.html",
    "kbapi.css/..%2f..%2fviews.py",
    "../views.py",
    "../templates/base.html",
    "swagger-ui/../../templates/base.html",
    "%2Fetc%2Fpasswd",
    "//etc/passwd",
    "/%09/other.example",
    "%0d%0aSet-Cookie:%20taken=1",
    "%3Cscript%3Ealert(7)%3C%2Fscript%3E",
    "{{7*7}}",
    ".",
    "..",
    "",
)
FOLDERS = ("/", "/static/", "/static/swagger-ui/", "/problems/", "/docs/", "/v1/", "/v1/chips/")
FOLDERS += ("/v1/submissions/", "/v1/review/", "/health/", "/openapi.json/", "/metrics/")
HEADERS = ("Authorization", "Kbapi-Contributor", "Idempotency-Key", "If-None-Match", "Origin")
HEADERS += ("Content-Type", "Accept", "Cookie", "Host", "X-Forwarded-For", "Referer", "Range")
_COMPUTED = {
    "stored_answer",
    "pool_peers",
    "pool_check",
    "outlier_unit",
    "differing_contributor",
    "health_probe",
}
"""Tables that a question fills with what it finds, and the row of readiness."""
_FROM_FILES = re.compile(rb"root:|\[project\]|blueprint = Blueprint|{% block|SQLite format")


@dataclass
class Tries:
    """A client that sends such texts, and every fault of the answers."""

    client: FlaskClient
    known: Known
    document: dict[str, Any]
    rng: Random
    each: int
    answers: Counter[int] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    def some(self, of: tuple[str, ...]) -> list[str]:
        """So many of the texts as are tried in each place."""
        return self.rng.sample(of, min(self.each, len(of)))

    def send(self, method: str, address: str, documented: Any = None, **more: Any) -> int:
        """The status of the answer; `documented` are the statuses of the document, if any."""
        with self.client.open(address, method=method.upper(), **more) as answer:
            body, status = answer.get_data(), answer.status_code
        self.answers[status] += 1
        place = f"{method} {address[:200]!r} {more.get('json') or more.get('headers')!r}"
        if status >= 500 or (documented is not None and str(status) not in documented):
            self.faults.append(f"{status} {place[:600]}")
        if _FROM_FILES.search(body):
            self.faults.append(f"the content of a file is shown: {place[:600]}")
        if "Set-Cookie" in answer.headers or "other.example" in answer.headers.get("Location", ""):
            self.faults.append(f"a header was slipped in: {place[:600]}")
        if answer.mimetype == "text/html" and re.search(rb"alert\(7\)|taken over|49", body):
            self.faults.append(f"a page tells what was sent: {place[:600]}")
        return status

    def operations(self) -> Iterator[tuple[str, str, dict[str, Any], dict[str, str]]]:
        """Each operation but withdrawals: its method, an address, itself, what lets in."""
        result, receipt = next(iter(self.known.receipts.items()))
        for path, item in self.document["paths"].items():
            bearer = receipt if "/submissions/{" in path else self.known.keys["admin"]
            headers = {"Authorization": f"Bearer {bearer}"}
            headers["Kbapi-Contributor"] = self.known.contributors[0]
            address = path.replace("{submission_id}", result).replace("{ordinal}", "0")
            for method in {"get", "post"} & set(item):
                yield method, address.replace("{chip}", CHIPS[0]), item[method], headers


def measure(*, short: bool) -> list[Row]:
    """How many such texts did anything at all."""
    with tempfile.TemporaryDirectory() as name:
        known = fill(Path(name), 120)
        with opened(Path(name), "open") as instance:
            client = create_app(instance).test_client()
            each = 4 if short else 10_000
            tries = Tries(client, known, generated(), Random(15), each)
            before = _kept(instance)
            _in_paths(tries)
            _in_parameters(tries)
            _in_headers(tries)
            _in_questions(tries)
            changed = _differences(before, _kept(instance))
            taken = _in_results(tries)
            lost = _lost(before, _kept(instance), taken)
    for fault in [*tries.faults, *changed, *lost]:
        print(fault)
    return [
        measured("texts sent", tries.answers.total(), "", ">= 500"),
        measured(
            "of them refused", sum(n for s, n in tries.answers.items() if s >= 400), "", ">= 300"
        ),
        measured("results taken with one inside", taken, "", ">= 1"),
        measured("faults of answers", len(tries.faults), "", "== 0"),
        measured("tables that questions changed", len(changed), "", "== 0"),
        measured("tables that results changed otherwise", len(lost), "", "== 0"),
    ]


def _in_paths(tries: Tries) -> None:
    texts = PATHS + tuple(quote(text, errors="surrogatepass") for text in TEXTS)
    for folder in FOLDERS:
        for text in PATHS if folder in ("/static/", "/problems/") else tries.some(texts):
            tries.send("get", folder + text)


def _in_parameters(tries: Tries) -> None:
    for method, address, operation, headers in tries.operations():
        if method != "get":
            continue
        parameters = [
            one["name"] for one in operation.get("parameters", ()) if one["in"] == "query"
        ]
        for name in (*parameters, "nothing"):
            needed = "" if name == "chip" or "chip" not in parameters else f"chip={CHIPS[0]}&"
            for text in tries.some(TEXTS):
                sent = quote(text, errors="surrogatepass")
                asked = f"{address}?{needed}{quote(name)}={sent}"
                tries.send("get", asked, operation["responses"], headers=headers)
                tries.send(
                    "get",
                    f"{address}?{needed}{sent}={name}",
                    operation["responses"],
                    headers=headers,
                )


def _in_headers(tries: Tries) -> None:
    for method, address, _, headers in tries.operations():
        if method != "get":
            continue
        for name in HEADERS:
            for text in tries.some(TEXTS)[:2]:
                sent = text.replace("\r\n", " ").encode("utf-8", "replace").decode("latin-1")
                tries.send("get", address, headers={**headers, name: sent})


def _in_questions(tries: Tries) -> None:
    """Bodies that store nothing: queries, dry runs, impossible decisions."""
    search = {
        "chip": CHIPS[0],
        "trials": [{"load": "vector_heavy", "outcome": "failed", "failure": "wrong_result"}],
    }
    diagnosis = {"chip": CHIPS[0], "domain": "core", "control": "voltage_offset", "setting": -70}
    diagnosis |= {"changed": ["firmware"], "failure": "system_hang", "load": "vector_heavy"}
    decision = {"submission": "x", "ordinal": 0, "decision": "include", "reason": "depth_confirmed"}
    whole = a_whole_document()
    headers = {"Authorization": f"Bearer {tries.known.keys['admin']}"}
    for address, body in (
        ("/v1/next-step", search),
        ("/v1/diagnose", diagnosis),
        ("/v1/review/decisions", {"decisions": [decision]}),
        ("/v1/submissions?dry_run=true", whole),
        ("/v1/submissions/batch?dry_run=true", [whole]),
    ):
        operation = tries.document["paths"][address.partition("?")[0]]["post"]
        for changed in _with_texts(tries, body):
            tries.send("post", address, operation["responses"], json=changed, headers=headers)


_TAKEN = "javascript:alert(7)"
"""Some fields take it: most other texts are refused in all places, so that chance may find none."""


def _in_results(tries: Tries) -> int:
    """How many results were taken with one of the texts inside."""
    operation = tries.document["paths"]["/v1/submissions"]["post"]
    taken = 0
    for number, changed in enumerate(_with_texts(tries, a_whole_document(), (_TAKEN,))):
        if changed.get("unit_token", "").startswith("k3v9-demo"):
            changed["unit_token"] = f"k3v9-demo-unit-{number:06}"
        taken += tries.send("post", "/v1/submissions", operation["responses"], json=changed) == 201
    return taken


def _with_texts(tries: Tries, body: Any, always: tuple[str, ...] = ()) -> Iterator[Any]:
    """The body with one of its texts, or the name of a field, exchanged for one of ours."""
    for place in list(_texts_in(body)):
        for text in dict.fromkeys((*tries.some(TEXTS), *always)):
            changed = deepcopy(body)
            holder = changed
            for step in place[:-1]:
                holder = holder[step]
            holder[place[-1]] = text
            yield changed
    for text in tries.some(TEXTS):
        yield {**body, text: text} if isinstance(body, dict) else [{**body[0], text: text}]


def _texts_in(value: Any, place: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    members = value.items() if isinstance(value, dict) else enumerate(value)
    for key, member in members:
        if isinstance(member, str):
            yield (*place, key)
        elif isinstance(member, dict | list):
            yield from _texts_in(member, (*place, key))


Kept = dict[str, Counter[Any]]


def _kept(instance: Instance) -> Kept:
    """The schema and every row but what questions compute, each table as a bag."""
    with instance.reading() as connection:
        schema = connection.exec_driver_sql("SELECT type, name, tbl_name, sql FROM sqlite_schema")
        rows_by_table = {"sqlite_schema": Counter(map(tuple, schema))}
    rows = rows_of(instance)
    return rows_by_table | {name: Counter(rows[name]) for name in rows if name not in _COMPUTED}


def _differences(before: Kept, after: Kept) -> list[str]:
    return [f"{name} has changed" for name in before if before[name] != after[name]]


def _lost(before: Kept, after: Kept, taken: int) -> list[str]:
    """Tables that lost a row, and results that are more or fewer than were taken."""
    stored = ("sqlite_schema", "submission", "access_key", "setting_result", "contributor", "unit")
    lost = [f"{name} has lost rows" for name in stored if before[name] - after[name]]
    if before["sqlite_schema"] != after["sqlite_schema"]:
        lost.append("the schema has changed")
    if after["submission"].total() - before["submission"].total() != taken:
        lost.append("submission has other rows than were taken")
    return lost
