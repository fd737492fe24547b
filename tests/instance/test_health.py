"""Health says what a write meets now, in every process, and what the host must look at."""

import logging
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.errors import DiskError, StorageDamaged
from kbapi.instance import health, write_gate
from kbapi.instance.check import check_instance
from kbapi.instance.instance import Instance, open_instance
from kbapi.instance.write_gate import share_health
from kbapi.storage.files import log_of
from kbapi.storage.health import find_probe
from kbapi.storage.sqlite import engine
from kbapi.storage.sqlite.database import write_lock_held
from kbapi.storage.sqlite.driver import dbapi2
from tests.makers import HandMovedClock, a_submission, an_instance, send

START = "/v1/start?chip=norvane-sable-7-4820mx"


class Steady:
    """The time since the machine started, moved by hand."""

    def __init__(self) -> None:
        self.now_s = 1_000.0

    def __call__(self) -> float:
        return self.now_s


THE_DISK_OF_ITS_FILE = "the disk of its file; tests/durability/postgres.py fills that of a server"


@pytest.fixture
def steady(monkeypatch: pytest.MonkeyPatch) -> Steady:
    made = Steady()
    for module in (health, write_gate):
        monkeypatch.setattr(module, "steady_s", made)
    # However slow the machine: a probe that can end is waited for.
    monkeypatch.setattr(health, "PROBE_WAIT_S", 60)
    return made


@pytest.fixture
def served(tmp_path: Path, steady: Steady, clock: HandMovedClock) -> Iterator[Instance]:
    assert steady.now_s
    made = an_instance(tmp_path, clock)
    send(made, a_submission(number=1))
    yield made
    made.close()


def lines(caplog: pytest.LogCaptureFixture) -> list[tuple[str, str, str]]:
    return [
        (record.levelname, record.getMessage(), getattr(record, "problem", ""))
        for record in caplog.records
        if record.name == "kbapi.instance.write_gate"
    ]


def probes(instance: Instance) -> int:
    with instance.reading() as connection:
        return find_probe(connection)


def ready(client: FlaskClient) -> tuple[str, list[str]]:
    answer = client.get("/health/ready")
    assert answer.status_code == 200
    return answer.get_json()["writes"], answer.get_json()["conditions"]


def shown(client: FlaskClient) -> set[str]:
    """The codes that metrics show as present."""
    text = client.get("/metrics").get_data(as_text=True)
    held = [line for line in text.splitlines() if line.endswith(" 1.0")]
    return {
        line.split('"')[1] for line in held if line.startswith(("kbapi_writes{", "kbapi_condition"))
    }


def test_readiness_writes_and_reads_a_row_at_most_every_five_seconds(
    served: Instance, steady: Steady
) -> None:
    client = create_app(served).test_client()
    for _ in range(10):
        assert ready(client) == ("accepted", [])
        client.get("/metrics")
    assert probes(served) == 1
    steady.now_s += 4.9
    ready(client)
    assert probes(served) == 1
    steady.now_s += 0.2
    ready(client)
    assert probes(served) == 2


def test_all_processes_of_a_server_probe_together(served: Instance) -> None:
    share_health(served.settings.home)
    workers = [open_instance(served.settings, HandMovedClock()) for _ in range(3)]
    for worker in workers:
        assert worker.present_health().writes == "accepted"
    assert probes(served) == 1
    for worker in workers:
        worker.close()


def test_a_read_only_instance_is_not_probed(served: Instance) -> None:
    settings = served.settings.model_copy(update={"read_only": True})
    closed = open_instance(settings, HandMovedClock())
    assert closed.present_health().writes == "read_only"
    assert probes(closed) == 0
    closed.close()


@contextmanager
def a_file_that_cannot_grow(instance: Instance) -> Iterator[None]:
    """Writes of SQLite fail with an error that is not that of a full disk."""
    size = log_of(instance.settings.database_path).stat().st_size
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.sqlite(THE_DISK_OF_ITS_FILE)
def test_a_failed_write_is_the_state_until_one_succeeds_and_logged_once(
    served: Instance, steady: Steady, caplog: pytest.LogCaptureFixture
) -> None:
    client = create_app(served).test_client()
    client.get(START)
    caplog.set_level(logging.INFO, "kbapi.instance.write_gate")
    with a_file_that_cannot_grow(served):
        for number in range(2, 12):
            refused = client.post("/v1/submissions", json=a_submission(number=number))
            assert refused.status_code == 503
            assert refused.get_json()["type"] == "/problems/disk_error"
            steady.now_s += 10
            assert ready(client) == ("disk_error", [])
            assert client.get(START).status_code == 200
        assert shown(client) == {"disk_error"}
    assert lines(caplog) == [("ERROR", "trouble_began", "disk_error")]
    assert client.post("/v1/submissions", json=a_submission(number=2)).status_code == 201
    assert ready(client) == ("accepted", [])
    assert lines(caplog)[1:] == [("ERROR", "trouble_ended", "writes")]


@pytest.mark.sqlite(THE_DISK_OF_ITS_FILE)
def test_a_probe_alone_finds_that_writes_fail_and_that_they_succeed_again(
    served: Instance, steady: Steady
) -> None:
    client = create_app(served).test_client()
    with a_file_that_cannot_grow(served):
        assert ready(client) == ("disk_error", [])
    assert ready(client) == ("disk_error", [])
    steady.now_s += 5
    assert ready(client) == ("accepted", [])


@pytest.mark.sqlite(THE_DISK_OF_ITS_FILE)
def test_the_reason_of_the_system_for_a_disk_error_is_reported(
    served: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> int:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("kbapi.storage.files.os.pwrite", refuse)
    with a_file_that_cannot_grow(served):
        with pytest.raises(DiskError):
            send(served, a_submission(number=2))
        assert served.present_health().writes == "storage_unwritable"


def with_pragmas(instance: Instance, monkeypatch: pytest.MonkeyPatch, *further: str) -> Instance:
    pragmas = ("PRAGMA busy_timeout=20", *engine._PRAGMAS[1:], *further)
    monkeypatch.setattr(engine, "_PRAGMAS", pragmas)
    return Instance(instance.settings, HandMovedClock())


@pytest.mark.sqlite(THE_DISK_OF_ITS_FILE)
def test_a_state_that_comes_and_goes_is_no_flood_of_lines(
    served: Instance,
    steady: Steady,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO, "kbapi.instance.write_gate")
    for number in range(2, 22):
        with a_file_that_cannot_grow(served), pytest.raises(DiskError):
            send(served, a_submission(number=number))
        send(served, a_submission(number=number))
        steady.now_s += 1
    assert len(lines(caplog)) == 2
    steady.now_s += 60
    with a_file_that_cannot_grow(served), pytest.raises(DiskError):
        send(served, a_submission(number=99))
    assert len(lines(caplog)) == 3


@pytest.mark.sqlite(THE_DISK_OF_ITS_FILE)
def test_a_commit_without_a_change_does_not_end_the_state(served: Instance) -> None:
    with a_file_that_cannot_grow(served), pytest.raises(DiskError):
        send(served, a_submission(number=2))
    with served.writing() as connection:  # as for a result that is stored already
        connection.exec_driver_sql("SELECT 1").all()
    assert served.present_health().writes == "accepted"  # by a probe
    with a_file_that_cannot_grow(served):
        with pytest.raises(DiskError):
            send(served, a_submission(number=2))
        with served.writing() as connection:
            connection.exec_driver_sql("SELECT 1").all()
        assert served.present_health().writes == "disk_error"


@pytest.mark.sqlite("the lock of its file")
def test_a_database_that_another_program_holds_is_busy(
    served: Instance, steady: Steady, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = with_pragmas(served, monkeypatch)
    with closing(dbapi2.connect(served.settings.database_path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert held.present_health().writes == "storage_busy"
    steady.now_s += 5
    assert held.present_health().writes == "accepted"
    held.close()


@pytest.mark.sqlite("the lock of its file")
def test_a_busy_write_lock_leaves_the_last_known_state_and_no_request_waits_for_it(
    served: Instance, steady: Steady, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(health, "PROBE_WAIT_S", 0.01)
    with write_lock_held(served.settings.write_lock_path):
        for _ in range(3):
            assert served.present_health().writes == "accepted"
        assert served._probing._running.is_alive()
        steady.now_s += 16  # a result would be refused by now
        assert served.present_health().writes == "storage_busy"
    served._probing._running.join(60)
    assert served.present_health().writes == "accepted"


_FORKED = """
import os, sys
from pathlib import Path
from kbapi.instance.write_gate import health_of, share_health
home = Path(sys.argv[1])
share_health(home)
if os.fork() == 0:
    health_of(home).note_write_failed("storage_full")
    health_of(home).note_condition("storage_damaged", True)
    os._exit(0)
os.wait()
before = health_of(home)
share_health(home)
print(before.writes, *before.conditions, health_of(home).writes, *health_of(home).conditions)
"""


def test_forked_processes_share_the_state_until_the_server_is_reloaded(tmp_path: Path) -> None:
    command = [sys.executable, "-c", _FORKED, str(tmp_path)]
    shared = subprocess.run(command, capture_output=True, text=True, check=True)
    assert shared.stdout.split() == ["storage_full", "storage_damaged", "accepted"]


def damage_table(instance: Instance, table: str) -> None:
    """Overwrite the first page of a table in the file."""
    database = instance.settings.database_path
    with closing(dbapi2.connect(database)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        ((page, size),) = connection.execute(
            "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_schema"
            " WHERE name = ?",
            (table,),
        ).fetchall()
    with database.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)


@pytest.mark.sqlite("a page of its file")
def test_a_damaged_page_that_a_question_meets_is_reported(
    served: Instance, steady: Steady, caplog: pytest.LogCaptureFixture
) -> None:
    served.close()
    damage_table(served, "setting_result")
    damaged = Instance(served.settings, HandMovedClock())
    client = create_app(damaged).test_client()
    caplog.set_level(logging.INFO, "kbapi.instance.write_gate")
    assert ready(client) == ("accepted", [])
    for _ in range(3):
        refused = client.get(START)
        assert refused.get_json()["type"] == "/problems/storage_damaged"
        assert refused.status_code == 503
    assert ready(client) == ("accepted", ["storage_damaged"])
    assert shown(client) == {"accepted", "storage_damaged"}
    assert lines(caplog) == [("ERROR", "trouble_began", "storage_damaged")]
    wrong = {one.subject: one.detail for one in check_instance(served.settings) if not one.is_ok}
    assert "kbapi restore" in (wrong.get("integrity") or wrong["database"])
    damaged.close()
    restarted = Instance(served.settings, HandMovedClock())
    assert restarted.present_health().conditions == ()
    restarted.close()


@pytest.mark.sqlite("it stores a value of another type")
def test_a_row_of_readiness_that_cannot_be_read_is_damage(served: Instance) -> None:
    served.close()
    damage_table(served, "health_probe")
    damaged = Instance(served.settings, HandMovedClock())
    found = damaged.present_health()
    assert found.writes == "storage_damaged"
    assert found.conditions == ("storage_damaged",)
    with pytest.raises(StorageDamaged):
        probes(damaged)
    damaged.close()


@pytest.mark.parametrize("jump", [timedelta(hours=2), timedelta(days=-400)])
def test_a_clock_that_jumped_is_reported_until_it_is_right_again(
    served: Instance,
    clock: HandMovedClock,
    steady: Steady,
    caplog: pytest.LogCaptureFixture,
    jump: timedelta,
) -> None:
    caplog.set_level(logging.INFO, "kbapi.instance.write_gate")
    assert "clock_jumped" not in served.present_health().conditions
    steady.now_s += 90_000
    clock.moment += timedelta(seconds=90_000)
    assert "clock_jumped" not in served.present_health().conditions
    clock.moment += jump
    send(served, a_submission(number=2, measured_in=...))  # no request for health is needed
    assert ("ERROR", "trouble_began", "clock_jumped") in lines(caplog)
    assert "clock_jumped" in served.present_health().conditions
    clock.moment -= jump
    assert "clock_jumped" not in served.present_health().conditions
    assert lines(caplog).count(("ERROR", "trouble_began", "clock_jumped")) == 1
    assert lines(caplog).count(("ERROR", "trouble_ended", "clock_jumped")) == 1


def test_rows_from_tomorrow_are_reported_until_their_day_has_come(
    served: Instance, clock: HandMovedClock, steady: Steady
) -> None:
    clock.moment += timedelta(days=1)
    send(served, a_submission(number=2))
    clock.moment -= timedelta(days=1)
    assert served.present_health().conditions == ("dates_in_future",)
    send(served, a_submission(number=3))
    steady.now_s += 61
    # It is no longer the last row, but every row is read.
    assert served.present_health().conditions == ("dates_in_future",)
    clock.moment += timedelta(days=1)
    steady.now_s += 86_400
    assert served.present_health().conditions == ()


def a_reader(database: Path) -> Callable[[], None]:
    """A connection that reads an old state until it is closed."""
    other = dbapi2.connect(database, isolation_level=None)
    other.execute("BEGIN")
    other.execute("SELECT COUNT(*) FROM submission").fetchall()
    return other.close


@pytest.mark.sqlite("its log")
def test_a_log_that_a_reader_holds_open_is_reported_until_it_ends(
    served: Instance,
    steady: Steady,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    for module in ("health", "check"):
        monkeypatch.setattr(f"kbapi.instance.{module}.LARGE_LOG_BYTES", 10_000)
    caplog.set_level(logging.INFO, "kbapi.instance.write_gate")
    client = create_app(served).test_client()
    send(served, a_submission(number=2))
    assert log_of(served.settings.database_path).stat().st_size > 10_000
    assert ready(client) == ("accepted", [])  # large, but nothing prevents a checkpoint
    end_reader = a_reader(served.settings.database_path)
    send(served, a_submission(number=3))
    for _ in range(3):
        steady.now_s += 5
        assert ready(client) == ("accepted", ["checkpoint_blocked"])
    assert shown(client) == {"accepted", "checkpoint_blocked"}
    (wrong,) = [one for one in check_instance(served.settings) if not one.is_ok]
    assert wrong.subject == "log"
    assert "end the one" in wrong.detail
    end_reader()
    steady.now_s += 5
    assert ready(client) == ("accepted", [])
    assert lines(caplog) == [
        ("ERROR", "trouble_began", "checkpoint_blocked"),
        ("ERROR", "trouble_ended", "checkpoint_blocked"),
    ]
