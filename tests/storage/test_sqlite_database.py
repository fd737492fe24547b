"""The queue of writers: across threads, across processes, and after a death."""

import fcntl
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from kbapi.advice.start.answer import advise_start
from kbapi.errors import StorageBusy
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import withdraw_own_result
from kbapi.storage.files import log_of
from kbapi.storage.sqlite.database import write_lock_held
from tests.makers import a_question, a_submission, send

pytestmark = pytest.mark.sqlite("its write queue")

# Reads, dawdles, writes: two at once lose an increment.
COUNT_UP = """
import sys, threading, time
from pathlib import Path
from kbapi.intake.my_submissions import withdraw_own_result
from kbapi.storage.files import log_of
from kbapi.storage.sqlite.database import write_lock_held

lock, counter = Path(sys.argv[1]), Path(sys.argv[2])

def count_up():
    for _ in range(25):
        with write_lock_held(lock):
            seen = int(counter.read_text())
            time.sleep(0.0005)
            counter.write_text(str(seen + 1))

threads = [threading.Thread(target=count_up) for _ in range(2)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
"""

HOLD = """
import sys
from pathlib import Path
from kbapi.intake.my_submissions import withdraw_own_result
from kbapi.storage.files import log_of
from kbapi.storage.sqlite.database import write_lock_held

with write_lock_held(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def a_process(source: str, *arguments: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", source, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


def is_free(lock: Path) -> bool:
    descriptor = os.open(lock, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    finally:
        os.close(descriptor)
    return True


def test_threads_of_two_processes_never_write_at_once(tmp_path: Path) -> None:
    counter = tmp_path / "counter"
    counter.write_text("0")
    processes = [a_process(COUNT_UP, tmp_path / "write.lock", counter) for _ in range(2)]
    for process in processes:
        process.communicate()
    assert [process.returncode for process in processes] == [0, 0]
    assert counter.read_text() == "100"


def test_two_threads_never_hold_the_lock_at_once(tmp_path: Path) -> None:
    inside: list[int] = []
    most: list[int] = []

    def take_turns() -> None:
        for _ in range(50):
            with write_lock_held(tmp_path / "write.lock"):
                inside.append(1)
                most.append(len(inside))
                inside.pop()

    threads = [threading.Thread(target=take_turns) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(most), max(most)) == (200, 1)


def test_the_lock_is_free_again_when_its_holder_is_killed(tmp_path: Path) -> None:
    lock = tmp_path / "write.lock"
    with a_process(HOLD, lock) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        assert not is_free(lock)
        holder.send_signal(signal.SIGKILL)
        holder.wait()
    assert is_free(lock)


def test_the_lock_is_free_again_after_an_error(tmp_path: Path) -> None:
    lock = tmp_path / "write.lock"

    def fail_while_holding() -> None:
        with write_lock_held(lock):
            assert not is_free(lock)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_while_holding()
    assert is_free(lock)


def test_the_lock_file_is_for_the_owner_alone_and_stays_empty(tmp_path: Path) -> None:
    lock = tmp_path / "write.lock"
    with write_lock_held(lock):
        assert lock.stat().st_mode & 0o777 == 0o600
    assert lock.read_bytes() == b""


def test_a_lock_that_is_never_free_ends_in_storage_busy(tmp_path: Path) -> None:
    lock = tmp_path / "write.lock"
    with write_lock_held(lock):
        with pytest.raises(StorageBusy), write_lock_held(lock, timeout_s=0.05):
            raise AssertionError("two holders of the lock")
        with pytest.raises(StorageBusy), write_lock_held(lock, timeout_s=0.05):
            raise AssertionError("two holders of the lock")
    # Those who gave up must not hold the place when it comes to them after all.
    with write_lock_held(lock, timeout_s=5):
        pass


def test_a_question_is_answered_while_another_process_holds_the_queue(instance: Instance) -> None:
    send(instance, a_submission())
    with write_lock_held(instance.settings.write_lock_path):
        answer = advise_start(instance, a_question(instance))
    assert b'"cautions"' in answer.body


def fill_log(instance: Instance) -> None:
    """Commit more pages than SQLite leaves in the log."""
    with instance.writing() as connection:
        connection.exec_driver_sql("CREATE TABLE filler (content BLOB)")
    for _ in range(12):
        with instance.writing() as connection:
            connection.exec_driver_sql("INSERT INTO filler VALUES (zeroblob(400000))")


def frames_begin(database: Path) -> bytes:
    """The header of the log, which changes whenever it is written from its begin again."""
    return log_of(database).read_bytes()[:32]


@pytest.fixture
def copied(instance: Instance) -> Iterator[Instance]:
    """An instance beside which Litestream keeps its folder."""
    database = instance.settings.database_path
    folder = database.with_name(f".{database.name}-litestream")
    folder.mkdir()
    yield instance
    folder.rmdir()


def test_the_log_of_a_copied_database_is_left_to_litestream(copied: Instance) -> None:
    database = copied.settings.database_path
    mine = send(copied, a_submission())
    first, file = frames_begin(database), database.read_bytes()
    fill_log(copied)
    withdraw_own_result(copied, mine.id, mine.receipt)
    assert copied.is_checkpoint_blocked()
    send(copied, a_submission(number=2))
    assert frames_begin(database) == first
    assert database.read_bytes() == file


def test_a_log_that_was_left_is_emptied_once_the_folder_of_litestream_is_gone(
    instance: Instance,
) -> None:
    database = instance.settings.database_path
    folder = database.with_name(f".{database.name}-litestream")
    folder.mkdir()
    fill_log(instance)
    instance.overwrite_withdrawn()
    assert log_of(database).stat().st_size > 1_000 * 4_096
    folder.rmdir()
    assert not instance.is_checkpoint_blocked()
    instance.overwrite_withdrawn()
    assert log_of(database).stat().st_size == 0
