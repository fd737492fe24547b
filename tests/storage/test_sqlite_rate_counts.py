"""The file that requests are counted in is a storage of `limits` like others, and exact."""

import multiprocessing
from datetime import timedelta
from pathlib import Path

import pytest
from limits.errors import StorageError
from limits.storage import MemoryStorage, Storage, storage_from_string

from kbapi.clock import Clock, utc_now
from kbapi.storage.sqlite.driver import dbapi2 as sqlite3
from kbapi.storage.sqlite.rate_counts import RateFile, rate_file_uri, renew_rate_file
from tests.makers import HandMovedClock

pytestmark = pytest.mark.sqlite("its file of request counts")

PROCESSES, EACH = 3, 400


def counts_in(path: Path, now: Clock) -> Storage:
    """As Flask-Limiter makes it."""
    storage = storage_from_string(rate_file_uri(path), now=now, wrap_exceptions=True)
    assert isinstance(storage, RateFile)
    return storage


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A file in a folder whose name is no plain address."""
    folder = tmp_path / "the club's #1 folder, 100% ours?"
    folder.mkdir()
    return folder / "rates.sqlite3"


def count_many(path: Path, results: "multiprocessing.Queue[list[int]]") -> None:
    counts = counts_in(path, utc_now)
    results.put([counts.incr("key", 600) for _ in range(EACH)])


def test_several_processes_count_each_time_once(path: Path) -> None:
    renew_rate_file(path)  # as `kbapi serve` does
    context = multiprocessing.get_context("spawn")
    results: multiprocessing.Queue[list[int]] = context.Queue()
    workers = [context.Process(target=count_many, args=(path, results)) for _ in range(PROCESSES)]
    for worker in workers:
        worker.start()
    seen = [number for _ in workers for number in results.get(timeout=60)]
    for worker in workers:
        worker.join()
    assert sorted(seen) == list(range(1, PROCESSES * EACH + 1))


def test_it_answers_as_the_library_s_own_storage_does(path: Path, clock: HandMovedClock) -> None:
    def walk(counts: Storage) -> list[object]:
        numbers: list[object] = [counts.check(), counts.get("one")]
        numbers += [
            counts.incr("one", 60),
            counts.incr("one", 60, amount=3),
            counts.incr("two", 60),
        ]
        numbers += [counts.get("one"), counts.get("two"), counts.get("three")]
        counts.clear("one")
        counts.clear("three")
        numbers += [counts.get("one"), counts.incr("one", 60), counts.reset(), counts.get("two")]
        return numbers

    assert walk(counts_in(path, clock)) == walk(MemoryStorage())


def test_a_window_lasts_from_its_first_count_and_not_longer(
    path: Path, clock: HandMovedClock
) -> None:
    counts = counts_in(path, clock)
    began = clock.moment.timestamp()
    assert counts.get_expiry("key") == began
    counts.incr("key", 60)
    clock.moment += timedelta(seconds=59.5)
    assert counts.incr("key", 60) == 2
    assert counts.get_expiry("key") == began + 60
    clock.moment += timedelta(seconds=0.5)
    assert (counts.get("key"), counts.get_expiry("key")) == (0, began + 60)
    assert counts.incr("key", 60) == 1
    assert counts.get_expiry("key") == began + 120


def test_a_window_that_is_over_begins_again_before_it_is_pruned(
    path: Path, clock: HandMovedClock
) -> None:
    counts = counts_in(path, clock)
    counts.incr("long", 600)  # prunes, and not again for a minute
    assert [counts.incr("key", 5) for _ in range(2)] == [1, 2]
    clock.moment += timedelta(seconds=5)
    with sqlite3.connect(path) as beside:
        numbers = beside.execute("SELECT hits FROM counted_window WHERE key = 'key'").fetchall()
    assert numbers == [(2,)]
    assert [counts.incr("key", 5) for _ in range(2)] == [1, 2]


def test_a_window_that_has_not_begun_is_over_as_the_clock_was_set_back(
    path: Path, clock: HandMovedClock
) -> None:
    counts = counts_in(path, clock)
    for key in ("key", "other"):
        assert [counts.incr(key, 60) for _ in range(3)] == [1, 2, 3]
    clock.moment -= timedelta(hours=2)
    back = clock.moment.timestamp()
    assert (counts.get("key"), counts.get_expiry("key")) == (0, back)
    assert [counts.incr("key", 60) for _ in range(2)] == [1, 2]
    assert counts.get_expiry("key") == back + 60
    with sqlite3.connect(path) as beside:
        kept = beside.execute("SELECT key FROM counted_window").fetchall()
    assert kept == [("key",)], "the other is pruned at the new time, not two hours later"
    clock.moment += timedelta(seconds=61)
    assert counts.incr("key", 60) == 1


def test_an_earlier_request_may_be_counted_after_a_later_one(
    path: Path, clock: HandMovedClock
) -> None:
    counts = counts_in(path, clock)
    counts.incr("key", 60)
    ends = counts.get_expiry("key")
    clock.moment -= timedelta(seconds=1)
    assert (counts.incr("key", 60), counts.get_expiry("key")) == (2, ends)


def test_each_run_begins_with_an_empty_file(path: Path) -> None:
    path.write_bytes(b"broken" * 1_000)
    broken = counts_in(path, HandMovedClock())
    for ask in (lambda: broken.incr("key", 60), lambda: broken.get("key"), broken.reset):
        with pytest.raises(StorageError):
            ask()
    assert not broken.check()
    for _ in range(2):
        renew_rate_file(path)
        counts = counts_in(path, HandMovedClock())
        assert [counts.incr("key", 60) for _ in range(3)] == [1, 2, 3]
        assert path.stat().st_mode & 0o077 == 0
    assert broken.check()


def test_a_run_begins_even_if_no_file_can_be_made(tmp_path: Path) -> None:
    path = tmp_path / "rates.sqlite3"
    (path / "in the way").mkdir(parents=True)
    renew_rate_file(path)
    counts = counts_in(path, HandMovedClock())
    with pytest.raises(StorageError):
        counts.incr("key", 60)
    assert not counts.check()


def test_a_locked_file_is_an_error_after_the_timeout(path: Path) -> None:
    counts = counts_in(path, HandMovedClock())
    counts.incr("key", 60)
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with pytest.raises(StorageError, match="locked"):
        counts.incr("key", 60)
    assert counts.get("key") == 1  # who holds it for writing lets others read
    assert not counts.check()
    holder.execute("ROLLBACK")
    holder.close()
    assert counts.check()
    assert counts.incr("key", 60) == 2
