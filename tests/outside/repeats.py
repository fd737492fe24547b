"""One Idempotency-Key sent a hundred times at once, against a real server with two workers."""

import json
import sqlite3
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

from tests.makers import a_setting, a_submission
from tests.report import Row, measured
from tests.system.server import Server

AT_ONCE = 100


_AGAIN_S = 0.5


@dataclass(frozen=True)
class Answer:
    status: int
    problem: str
    body: bytes


@dataclass
class Crowd:
    """A hundred clients of one server, and all faults of their answers."""

    server: Server
    answers: int = 0
    faults: list[str] = field(default_factory=list)

    def at_once(self, path: str, bodies: Sequence[Any], headers: dict[str, str]) -> list[Answer]:
        """The answers to bodies that each are sent on a connection of its own, at one moment."""
        answers: list[Answer] = []
        moment = threading.Barrier(len(bodies))

        def send(body: Any) -> None:
            connection = HTTPConnection("127.0.0.1", self.server.port, timeout=60)
            connection.connect()
            moment.wait()
            while True:
                connection.request("POST", path, json.dumps(body), headers)
                reply = connection.getresponse()
                content = reply.read()
                # On a slow machine some of so many wait too long: a client asks again then.
                if reply.status != 503 or reply.getheader("Retry-After") is None:
                    break
                time.sleep(_AGAIN_S)
            kind = json.loads(content).get("type", "").removeprefix("/problems/")
            answers.append(Answer(reply.status, kind, content))
            connection.close()

        clients = [threading.Thread(target=send, args=(body,)) for body in bodies]
        for client in clients:
            client.start()
        for client in clients:
            client.join()
        self.answers += len(answers)
        return answers

    def expect_one(self, answers: list[Answer]) -> None:
        statuses, bodies = Counter(one.status for one in answers), {one.body for one in answers}
        if set(statuses) != {201} or len(bodies) != 1:
            self.faults.append(f"equal: {statuses}, {len(bodies)} bodies")

    def expect_first(self, answers: list[Answer]) -> None:
        kinds = Counter((one.status, one.problem) for one in answers)
        if kinds != {(201, ""): 1, (422, "idempotency_key_reused"): AT_ONCE - 1}:
            self.faults.append(f"unequal: {kinds}")


def a_result(number: int, depth: int = 80) -> dict[str, Any]:
    """A result without a unit, so that only its key can identify a repeat."""
    setting = a_setting(stable_at=-depth, unstable_at=-depth - 8)
    return a_submission(setting, number=number, unit_token=...)


def measure(*, short: bool) -> list[Row]:
    """How many rows and kinds of answers a hundred equal, and a hundred unequal requests leave."""
    rounds = 1 if short else 20
    with tempfile.TemporaryDirectory() as name, Server(Path(name) / "home") as server:
        crowd = Crowd(server)
        for place in range(rounds):
            _try_submissions(crowd, place)
            _try_batch(crowd, place)
            _try_follow_ups(crowd, place)
        server.end()
        rows = rows_of(server.home)
    for fault in crowd.faults:
        print(fault)
    return [
        measured("answers", crowd.answers, "", f"== {rounds * AT_ONCE * 6}"),
        measured("answers that should not be", len(crowd.faults), "kinds", "== 0"),
        # One of the equal, one of the unequal, one and two in batches, one that is followed up.
        measured("results stored", rows["submission"], "", f"== {6 * rounds}"),
        measured("follow-ups stored", rows["follow_up"], "", f"== {2 * rounds}"),
    ]


def _headers(key: str, receipt: str = "") -> dict[str, str]:
    sent = {"Content-Type": "application/json", "Idempotency-Key": f'"{key}"'}
    return {**sent, "Authorization": f"Bearer {receipt}"} if receipt else sent


def _try_submissions(crowd: Crowd, place: int) -> None:
    same = [a_result(place)] * AT_ONCE
    crowd.expect_one(crowd.at_once("/v1/submissions", same, _headers(f"same-{place}")))
    # Of one contributor: a key of another is another key.
    unlike = [a_result(place, 60 + number) for number in range(AT_ONCE)]
    crowd.expect_first(crowd.at_once("/v1/submissions", unlike, _headers(f"unlike-{place}")))


def _try_batch(crowd: Crowd, place: int) -> None:
    path, number = "/v1/submissions/batch", 10_000 + place
    same = [[a_result(number)]] * AT_ONCE
    crowd.expect_one(crowd.at_once(path, same, _headers(f"same-{place}")))
    unlike = [[a_result(number, 60 + more), a_result(number, 61)] for more in range(AT_ONCE)]
    crowd.expect_first(crowd.at_once(path, unlike, _headers(f"unlike-{place}")))


def _try_follow_ups(crowd: Crowd, place: int) -> None:
    followed = crowd.server.ask("POST", "/v1/submissions", a_result(20_000 + place)).json
    path = f"{followed['links']['self']}/follow-ups"
    setting = {"domain": "core", "control": "voltage_offset", "setting": -80}
    same = [{**setting, "outcome": "still_stable", "days": 30}] * AT_ONCE
    crowd.expect_one(crowd.at_once(path, same, _headers(f"same-{place}", followed["receipt"])))
    failed = {**setting, "outcome": "failed_later", "failure": "system_hang"}
    unlike = [{**failed, "days": 40 + number} for number in range(AT_ONCE)]
    crowd.expect_first(
        crowd.at_once(path, unlike, _headers(f"unlike-{place}", followed["receipt"]))
    )


def rows_of(home: Path) -> dict[str, int]:
    """How many rows the tables hold, once the server has ended."""
    with closing(sqlite3.connect(home / "kbapi.sqlite3")) as database:
        return {
            table: database.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]
            for table in ("submission", "follow_up")
        }
