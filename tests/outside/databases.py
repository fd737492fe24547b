"""The demo club's results in a SQLite file and on PostgreSQL: every answer equal to the byte.

The same results are sent to both, one batch after another, with their follow-ups. Then every chip
is asked every question, in several forms, and the curator's queue is read.
"""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import open_instance
from kbapi.settings import Settings
from tests.makers import FAR_LIMITS, HandMovedClock
from tests.outside.demo_instance import fill
from tests.postgres import FEW_WRITES_TO_DISK, a_postgres_server
from tests.report import Row, measured

FEW, MANY = 300, 6_000
_EVERY = 12
"""Chips from one that is asked about to the next, in the short form."""
_QUESTIONS = ("start", "stability", "locks", "longevity", "gains", "power")
_FORMS = {
    "start": ("", "&detail=options", "&stable_share=0.8", "&loads=all_core", "&domain=gpu_core"),
    "stability": ("", "&domain=core"),
    "locks": ("", "&machine=Tidewater+Laptop+15"),
    "gains": ("", "&load=all_core"),
    "power": ("", "&load=all_core"),
}
_LISTS_OF_RESULTS = ("/v1/review",)
"""Their results have ids that are drawn anew for each."""
_CURATOR = ("/v1/review?limit=50", "/v1/chips?limit=100", "/v1/contributors/1")


@dataclass
class Compared:
    """How many answers were compared, and the first that differ."""

    answers: int = 0
    bytes: int = 0
    refused: int = 0
    different: tuple[str, ...] = ()


def measure(*, short: bool) -> list[Row]:
    """How many answers differ."""
    results = FEW if short else MANY
    with (
        tempfile.TemporaryDirectory() as folder,
        a_postgres_server(**FEW_WRITES_TO_DISK) as server,
    ):
        places = {"file": "", "server": server.create_database()}
        keys = {
            name: fill(Path(folder) / name, results, database=url).keys["curate"]
            for name, url in places.items()
        }
        found = _compare(Path(folder), places, keys, _EVERY if short else 1)
    return [
        measured("results", results, "", ""),
        measured("answers", found.answers, "", ">= 60", f"{found.bytes:,} bytes"),
        measured("answers that are refused", found.refused, "", f"<= {found.answers // 5}"),
        measured(
            "answers that differ", len(found.different), "", "== 0", " ".join(found.different[:9])
        ),
    ]


def _compare(folder: Path, places: dict[str, str], keys: dict[str, str], step: int) -> Compared:
    instances = [
        open_instance(
            Settings(home=folder / name / "home", database=url, **FAR_LIMITS), HandMovedClock()
        )
        for name, url in places.items()
    ]
    clients = [create_app(one).test_client() for one in instances]
    found = Compared()
    chips = [one["key"] for one in clients[0].get("/v1/chips?limit=100").get_json()["chips"]]
    for path, body in _requests(chips[::step]):
        of_key = [{"Authorization": f"Bearer {keys[name]}"} for name in places]
        answers = [
            _ask(client, path, body, headers)
            for client, headers in zip(clients, of_key, strict=True)
        ]
        found.answers += 1
        found.refused += answers[0][0] >= 400
        found.bytes += len(answers[0][1])
        if answers[0] != answers[1]:
            found.different += (path,)
    for one in instances:
        one.close()
    return found


def _requests(chips: list[str]) -> Iterator[tuple[str, bytes | None]]:
    for chip in chips:
        yield f"/v1/chips/{chip}", None
        for question in _QUESTIONS:
            for form in _FORMS.get(question, ("",)):
                yield f"/v1/{question}?chip={chip}{form}", None
        yield "/v1/next-step", orjson.dumps({"chip": chip, "trials": []})
    for path in _CURATOR:
        yield path, None


def _ask(
    client: FlaskClient, path: str, body: bytes | None, headers: dict[str, str]
) -> tuple[int, bytes]:
    if body is None:
        answer = client.get(path, headers=headers)
    else:
        answer = client.post(path, data=body, content_type="application/json", headers=headers)
    if answer.status_code == 200 and path.partition("?")[0] not in _LISTS_OF_RESULTS:
        return answer.status_code, answer.data
    return answer.status_code, _without_chance(answer.data)


def _without_chance(body: bytes) -> bytes:
    """The answer without what is drawn anew for each result or each problem."""
    parsed: Any = orjson.loads(body)
    return orjson.dumps(_cleaned(parsed))


_DRAWN = ("id", "submission", "receipt", "request_id", "links", "next_cursor")


def _cleaned(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _cleaned(one) for name, one in value.items() if name not in _DRAWN}
    return [_cleaned(one) for one in value] if isinstance(value, list) else value
