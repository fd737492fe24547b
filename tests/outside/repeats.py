"""One Idempotency-Key sent a hundred times at once, against a real server with two workers."""

import json
import sqlite3
import tempfile
import threading
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

from tests.makers import a_setting, a_submission
from tests.report import Row, measured
from tests.system.server import Server

AT_ONCE = 100


@dataclass(frozen=True)
class Told:
    status: int
    problem: str
    body: bytes


def at_once(
    server: Server, path: str, bodies: Sequence[Any], headers: dict[str, str]
) -> list[Told]:
    """The answers to bodies that each are sent on a connection of its own, at one moment."""
    told: list[Told] = []
    moment = threading.Barrier(len(bodies))

    def send(body: Any) -> None:
        connection = HTTPConnection("127.0.0.1", server.port, timeout=60)
        connection.connect()
        moment.wait()
        connection.request("POST", path, json.dumps(body), headers)
        reply = connection.getresponse()
        content = reply.read()
        kind = json.loads(content).get("type", "").removeprefix("/problems/")
        told.append(Told(reply.status, kind, content))
        connection.close()

    clients = [threading.Thread(target=send, args=(body,)) for body in bodies]
    for client in clients:
        client.start()
    for client in clients:
        client.join()
    return told


def a_result(number: int, depth: int = 80) -> dict[str, Any]:
    """A result without a unit, so that nothing but its key can tell that it is a repeat."""
    setting = a_setting(stable_at=-depth, unstable_at=-depth - 8)
    return a_submission(setting, number=number, unit_token=...)


def measure(*, short: bool) -> list[Row]:
    """How many rows and kinds of answers a hundred equal, and a hundred unequal requests leave."""
    rounds = 1 if short else 20
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as name, Server(Path(name) / "home") as server:
        for place in range(rounds):
            _try_submissions(server, place, faults)
            _try_batch(server, place, faults)
            _try_follow_ups(server, place, faults)
        server.end()
        rows = rows_of(server.home)
    for fault in faults:
        print(fault)
    return [
        measured("requests", rounds * AT_ONCE * 5, "", f"== {rounds * AT_ONCE * 5}"),
        measured("answers that should not be", len(faults), "", "== 0"),
        # One of the equal, one of the unequal, one in the batch, one that is followed up.
        measured("results stored", rows["submission"], "", f"== {4 * rounds}"),
        measured("follow-ups stored", rows["follow_up"], "", f"== {2 * rounds}"),
    ]


def _headers(key: str, receipt: str = "") -> dict[str, str]:
    sent = {"Content-Type": "application/json", "Idempotency-Key": f'"{key}"'}
    return {**sent, "Authorization": f"Bearer {receipt}"} if receipt else sent


def _try_submissions(server: Server, place: int, faults: list[str]) -> None:
    same = [a_result(place)] * AT_ONCE
    _expect_one(at_once(server, "/v1/submissions", same, _headers(f"same-{place}")), faults)
    # Of one contributor: a key of another is another key.
    unlike = [a_result(place, 60 + number) for number in range(AT_ONCE)]
    _expect_first(at_once(server, "/v1/submissions", unlike, _headers(f"unlike-{place}")), faults)


def _try_batch(server: Server, place: int, faults: list[str]) -> None:
    same = [[a_result(10_000 + place)]] * AT_ONCE
    told = at_once(server, "/v1/submissions/batch", same, _headers(f"batch-{place}"))
    if {one.status for one in told} != {201}:
        faults.append(f"batch: {Counter(one.status for one in told)}")
    if len({json.loads(one.body)["items"][0]["id"] for one in told}) != 1:
        faults.append("batch: not one result")


def _try_follow_ups(server: Server, place: int, faults: list[str]) -> None:
    followed = server.ask("POST", "/v1/submissions", a_result(20_000 + place)).json
    path = f"{followed['links']['self']}/follow-ups"
    setting = {"domain": "core", "control": "voltage_offset", "setting": -80}
    same = [{**setting, "outcome": "still_stable", "days": 30}] * AT_ONCE
    headers = _headers(f"same-{place}", followed["receipt"])
    _expect_one(at_once(server, path, same, headers), faults)
    failed = {**setting, "outcome": "failed_later", "failure": "system_hang"}
    unlike = [{**failed, "days": 40 + number} for number in range(AT_ONCE)]
    headers = _headers(f"unlike-{place}", followed["receipt"])
    _expect_first(at_once(server, path, unlike, headers), faults)


def _expect_one(told: list[Told], faults: list[str]) -> None:
    if {one.status for one in told} != {201} or len({one.body for one in told}) != 1:
        bodies = len({one.body for one in told})
        faults.append(f"equal: {Counter(one.status for one in told)}, {bodies} bodies")


def _expect_first(told: list[Told], faults: list[str]) -> None:
    kinds = Counter((one.status, one.problem) for one in told)
    if kinds != {(201, ""): 1, (422, "idempotency_key_reused"): AT_ONCE - 1}:
        faults.append(f"unequal: {kinds}")


def rows_of(home: Path) -> dict[str, int]:
    """How many rows the tables hold, once the server has ended."""
    with sqlite3.connect(home / "kbapi.sqlite3") as database:
        return {
            table: database.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]
            for table in ("submission", "follow_up")
        }
