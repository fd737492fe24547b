"""Answers to repeated requests are kept to a full hour, and deleted when it has come."""

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from kbapi.errors import StorageBusy
from kbapi.instance.instance import Instance
from tests.makers import NOON, HandMovedClock, a_submission, an_instance, rows_of, send
from tests.postgres import settings_at

DAY = timedelta(days=1)
A_MINUTE = timedelta(minutes=1)


class Waits:
    """In place of the event that ends the thread: notes each wait, and closes after the last."""

    def __init__(self, instance: Instance, clock: HandMovedClock, moves: list[timedelta]) -> None:
        self.instance, self.clock, self.moves = instance, clock, moves
        self.seconds: list[float] = []
        self.records: list[int] = []

    def wait(self, seconds: float) -> bool:
        self.seconds.append(seconds)
        self.records.append(len(rows_of(self.instance)["idempotency_record"]))
        if not self.moves:
            return True
        self.clock.moment += self.moves.pop(0)
        return False

    def set(self) -> None:
        """Nothing waits."""


def test_the_time_of_a_stored_answer_is_a_full_hour(tmp_path: Path) -> None:
    clock = HandMovedClock(NOON + timedelta(minutes=17, seconds=4, microseconds=3))
    instance = an_instance(tmp_path, clock)
    first = send(instance, a_submission(), "some-key")
    times = [one for row in rows_of(instance)["idempotency_record"] for one in row if is_time(one)]
    assert times == [int((NOON + DAY + timedelta(hours=1)).timestamp())]
    clock.moment += DAY
    assert send(instance, a_submission(), "some-key").id == first.id
    instance.close()


def is_time(value: Any) -> bool:
    return isinstance(value, int) and value > 1_000_000_000


def test_each_full_hour_deletes_what_is_due_without_a_request(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = HandMovedClock(NOON + 17 * A_MINUTE)
    instance = an_instance(tmp_path, clock)
    send(instance, a_submission(), "some-key")
    moves = [43 * A_MINUTE, DAY - A_MINUTE, A_MINUTE]
    waits = Waits(instance, clock, moves)
    monkeypatch.setattr(instance._deleting, "_is_closed", waits)
    instance._deleting._run()
    assert waits.seconds == [43 * 60, 3_600, 60, 3_600]
    assert waits.records == [1, 1, 1, 0]
    instance.close()


def test_a_deletion_that_fails_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = HandMovedClock()
    instance = an_instance(tmp_path, clock)
    send(instance, a_submission(), "some-key")
    clock.moment += 2 * DAY
    taken: list[StorageBusy] = [StorageBusy()]
    delete = instance.delete_expired

    def busy_once() -> None:
        if taken:
            raise taken.pop()
        delete()

    monkeypatch.setattr(instance, "delete_expired", busy_once)
    waits = Waits(instance, clock, [A_MINUTE])
    monkeypatch.setattr(instance._deleting, "_is_closed", waits)
    instance._deleting._run()
    assert waits.seconds == [60, 3_540]
    assert waits.records == [1, 0]
    instance.close()


SERVE = """
import sys, time
from kbapi.wsgi import application
instance = application().extensions["kbapi"]
for _ in range(600):
    with instance.reading() as connection:
        left = connection.exec_driver_sql("SELECT count(*) FROM idempotency_record").scalar()
    if not left:
        break
    time.sleep(0.1)
print(left)
"""


def test_a_process_that_serves_deletes_at_its_start(tmp_path: Path) -> None:
    instance = an_instance(tmp_path, HandMovedClock(datetime(2026, 1, 5, tzinfo=UTC)))
    send(instance, a_submission(measured_in="2025-12"), "some-key")
    assert len(rows_of(instance)["idempotency_record"]) == 1
    instance.close()
    home = tmp_path / "home"
    environment = {"KBAPI_HOME": str(home), "PATH": "/usr/bin:/bin", **settings_at(home)}
    run = subprocess.run(
        [sys.executable, "-c", SERVE], env=environment, capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "0"
