"""Writers of one process share commits: each alone in what it writes, together in what is kept."""

import errno
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from threading import Barrier, Event, Lock

import pytest
from sqlalchemy import Connection, Engine, event

from kbapi.errors import StorageBusy
from kbapi.metrics.folder import exposition_of_counts
from kbapi.storage.sqlite.database import SharedCommit, write_lock_held
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.engine import make_writing_engine

pytestmark = pytest.mark.sqlite("its write queue")

TIMEOUT_S = 20.0


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    (tmp_path / "some.sqlite3").touch()
    made = make_writing_engine(tmp_path / "some.sqlite3")
    with made.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE kept (number INTEGER PRIMARY KEY)")
    yield made
    made.dispose()


@pytest.fixture
def commits(engine: Engine, tmp_path: Path) -> SharedCommit:
    return SharedCommit(tmp_path / "write.lock", engine.connect)


@pytest.fixture
def commit_count(engine: Engine) -> list[int]:
    counted = [0]

    def count(_: Connection) -> None:
        counted[0] += 1

    event.listen(engine, "commit", count)
    return counted


def kept(tmp_path: Path) -> list[int]:
    # By the library of the writers: two in one process take away each other's locks.
    with closing(dbapi2.connect(tmp_path / "some.sqlite3")) as other:
        return [row[0] for row in other.execute("SELECT number FROM kept ORDER BY number")]


def write(commits: SharedCommit, number: int, then: Callable[[], object] = lambda: None) -> None:
    with commits.taking_part(TIMEOUT_S) as connection:
        connection.exec_driver_sql("INSERT INTO kept VALUES (?)", (number,))
        then()


def counted() -> tuple[float, float]:
    """Commits, and the writers that they were shared by, as they are counted."""
    counts = dict(line.rsplit(" ", 1) for line in exposition_of_counts().decode().splitlines())
    commits, writers = (f"kbapi_commit_writers_{part}" for part in ("count", "sum"))
    return float(counts[commits]), float(counts[writers])


def while_one_writes(commits: SharedCommit, others: list[Callable[[], None]]) -> list[Future[None]]:
    """Begin the others while writer 0 is at it, let it go on when all of them wait."""
    inside, may_go_on = Event(), Event()

    def hold() -> None:
        inside.set()
        assert may_go_on.wait(TIMEOUT_S)

    with ThreadPoolExecutor(1 + len(others)) as pool:
        first = pool.submit(write, commits, 0, hold)
        assert inside.wait(TIMEOUT_S)
        rest = [pool.submit(other) for other in others]
        while commits._waiting < len(others):
            time.sleep(0.001)
        # The turn passes while the transaction is young, however slow this machine is.
        commits._shared._begun_s = time.monotonic()
        may_go_on.set()
        return [first, *rest]


def test_one_writer_commits_by_itself(
    commits: SharedCommit, commit_count: list[int], tmp_path: Path
) -> None:
    write(commits, 1)
    assert (commit_count, kept(tmp_path)) == ([1], [1])


def test_waiting_writers_share_a_commit(
    commits: SharedCommit, commit_count: list[int], tmp_path: Path
) -> None:
    before = counted()
    results = while_one_writes(commits, [lambda n=n: write(commits, n) for n in range(1, 6)])
    assert [one.result() for one in results] == [None] * 6
    assert kept(tmp_path) == [0, 1, 2, 3, 4, 5]
    assert commit_count[0] < 6
    assert counted() == (before[0] + commit_count[0], before[1] + 6)


def test_a_failed_writer_undoes_its_own_work_alone(commits: SharedCommit, tmp_path: Path) -> None:
    def fail() -> None:
        raise ValueError("mine alone")

    results = while_one_writes(
        commits,
        [
            lambda: write(commits, 1),
            lambda: write(commits, 2, fail),
            lambda: write(commits, 0),  # the key is taken
            lambda: write(commits, 3),
        ],
    )
    faults = [type(one.exception()).__name__ for one in results]
    assert faults == ["NoneType", "NoneType", "ValueError", "IntegrityError", "NoneType"]
    assert kept(tmp_path) == [0, 1, 3]


def test_no_writer_returns_before_the_commit(commits: SharedCommit, engine: Engine) -> None:
    returned: list[int] = []
    at_commit: list[int] = []

    def note(_: Connection) -> None:
        at_commit.append(len(returned))

    event.listen(engine, "commit", note)

    def one(number: int) -> None:
        write(commits, number)
        returned.append(number)

    for result in while_one_writes(commits, [lambda n=n: one(n) for n in range(1, 5)]):
        result.result()
    committed_by_then = [0, *at_commit]
    assert len(returned) == 4
    assert committed_by_then[1] == 0


def test_a_failed_commit_is_an_error_for_each_of_its_writers(
    commits: SharedCommit, engine: Engine, tmp_path: Path
) -> None:
    def fail(_: Connection) -> None:
        raise OSError("no room")

    event.listen(engine, "commit", fail)
    results = while_one_writes(commits, [lambda n=n: write(commits, n) for n in range(1, 4)])
    assert {str(one.exception()) for one in results} == {"no room"}
    event.remove(engine, "commit", fail)
    assert kept(tmp_path) == []
    write(commits, 9)
    assert kept(tmp_path) == [9]


def test_a_commit_on_a_disk_that_stopped_meanwhile_is_an_error(
    commits: SharedCommit, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(descriptor: int, length: int) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as broken:
        broken.setattr(os, "ftruncate", stopped)
        with pytest.raises(OSError, match="Read-only"):
            write(commits, 1)
        # Without a change nothing was to be stored.
        with commits.taking_part(TIMEOUT_S):
            pass
    write(commits, 2)
    assert kept(tmp_path) == [1, 2]


def test_if_sqlite_undoes_the_whole_transaction_no_writer_reports_success(
    commits: SharedCommit, tmp_path: Path
) -> None:
    def undo_all() -> None:
        commits._shared.connection.connection.driver_connection.execute("ROLLBACK")
        raise OSError("the disk is full")

    results = while_one_writes(
        commits, [lambda: write(commits, 1), lambda: write(commits, 2, undo_all)]
    )
    assert "the disk is full" in {str(one.exception()) for one in results}
    stored = [number for number, one in enumerate(results) if one.exception() is None]
    assert kept(tmp_path) == stored
    write(commits, 9)
    assert 9 in kept(tmp_path)


def test_waiting_for_the_lock_times_out(commits: SharedCommit, tmp_path: Path) -> None:
    with (
        write_lock_held(tmp_path / "write.lock"),
        pytest.raises(StorageBusy),
        commits.taking_part(0.05),
    ):
        raise AssertionError("never reached")
    write(commits, 1)
    assert kept(tmp_path) == [1]


def test_a_transaction_left_to_a_writer_that_timed_out_is_ended(
    commits: SharedCommit, tmp_path: Path
) -> None:
    commits._waiting += 1  # a writer that waits, and never takes a turn
    write(commits, 1)
    assert kept(tmp_path) == [1]
    commits._waiting -= 1


class TurnGivenLate:
    """The turn of a process, given back only after a writer has timed out."""

    def __init__(self, turn: Lock) -> None:
        self.turn, self.timed_out = turn, Event()

    def acquire(self, blocking: bool = True, timeout: float = -1) -> bool:
        has_turn = self.turn.acquire(blocking, timeout)
        if not has_turn:
            self.timed_out.set()
        return has_turn

    def release(self) -> None:
        assert self.timed_out.wait(TIMEOUT_S)
        self.turn.release()


def test_a_failed_writer_leaves_nothing_open_when_the_next_writer_times_out(
    commits: SharedCommit, tmp_path: Path
) -> None:
    commits._turn = TurnGivenLate(commits._turn)
    inside = Event()

    def fail_when_a_writer_waits() -> None:
        inside.set()
        while not commits._waiting:
            time.sleep(0.001)
        commits._shared._begun_s = time.monotonic()
        raise ValueError("mine alone")

    def time_out() -> None:
        with commits.taking_part(0.5):
            raise AssertionError("never reached")

    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(write, commits, 0, fail_when_a_writer_waits)
        assert inside.wait(TIMEOUT_S)
        second = pool.submit(time_out)
        assert isinstance(first.exception(TIMEOUT_S), ValueError)
        assert isinstance(second.exception(TIMEOUT_S), StorageBusy)
    # Another process may write now.
    with write_lock_held(tmp_path / "write.lock", 1.0):
        assert kept(tmp_path) == []


def test_many_writers_lose_and_duplicate_nothing(commits: SharedCommit, tmp_path: Path) -> None:
    together = Barrier(16)

    def several(place: int) -> None:
        together.wait(TIMEOUT_S)
        for number in range(25):
            write(commits, place * 25 + number)

    with ThreadPoolExecutor(16) as pool:
        for done in [pool.submit(several, place) for place in range(16)]:
            done.result()
    assert kept(tmp_path) == list(range(400))
