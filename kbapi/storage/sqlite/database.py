"""The database in a file: write queue, shared commits, checkpoints that overwrite withdrawn data.

SQLite's own busy handler sleeps and tries again. Under load, the slowest 1 % of its writers wait
tens of times longer than the median. Writers therefore take a file lock first: the kernel wakes a
waiting writer when the lock is free, and no writer finds SQLite busy.

A commit that survives a power cut costs more than all statements of a result, so writers share one.
Each writer has a savepoint: a writer that fails undoes only its own work. No writer returns before
the commit.
"""

import fcntl
import os
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from functools import cached_property
from pathlib import Path
from threading import Event, Lock, Thread, Timer
from typing import Final, TypeVar

from sqlalchemy import Connection, Engine

from kbapi.errors import KbapiError, StorageBusy
from kbapi.metrics.counters import count_commit, count_write_wait
from kbapi.storage.files import open_or_make
from kbapi.storage.sql import driver_of, readable_faults
from kbapi.storage.sqlite.engine import (
    HotReads,
    checkpoint,
    is_checkpoint_blocked,
    make_reading_engine,
    make_writing_engine,
    needs_one_process,
)

WRITE_LOCK_TIMEOUT_S: Final = 15.0
"""Longer than any transaction of kbapi; a process that holds the lock for longer has stopped."""


@contextmanager
def write_lock_held(lock_file: Path, timeout_s: float = WRITE_LOCK_TIMEOUT_S) -> Iterator[int]:
    """Hold the write lock of the instance; the kernel frees it if this process dies.

    Gives the descriptor of the lock file.

    Raises
    ------
    StorageBusy
        When the lock is not free within `timeout_s` seconds.
    """
    # A new descriptor for each request: flock belongs to the open file, so threads exclude each
    # other as well as processes.
    descriptor = open_or_make(lock_file)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        # flock has no timeout: another thread blocks in flock, and this thread waits for it.
        _LockRequest(descriptor).wait(timeout_s)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def require_working_disk(descriptor: int) -> None:
    """Raise OSError if the file system of an open file has stopped writing; changes its length.

    Where Linux finds an error in a file system while it stores a commit, it may call the commit
    stored: ext4 lost such data in 6 of 120 trials. The change of a length needs its journal, which
    has stopped by then, and costs no access to the disk. With it, ext4 lost none in 160 trials.
    """
    os.ftruncate(descriptor, 0 if os.fstat(descriptor).st_size else 1)


class _LockRequest:
    """A request for the file lock that can be given up after a timeout."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._acquired, self._state_lock, self._given_up = Event(), Lock(), False
        Thread(target=self._queue, daemon=True).start()

    def _queue(self) -> None:
        fcntl.flock(self._descriptor, fcntl.LOCK_EX)
        with self._state_lock:
            if self._given_up:
                os.close(self._descriptor)
            self._acquired.set()

    def wait(self, timeout_s: float) -> None:
        """Return when the lock is held; raise StorageBusy after the timeout."""
        if self._acquired.wait(timeout_s):
            return
        with self._state_lock:
            if self._acquired.is_set():
                return
            self._given_up = True
        raise StorageBusy


_LONGEST_S: Final = 0.05
"""No writer joins a transaction that is older: its first writer and other processes wait for it."""

_LOOK_AFTER_S: Final = 0.05


class _Shared:
    """An open transaction that holds the write lock, and the writers that wait for its end."""

    def __init__(self, lock_file: Path, connect: Callable[[], Connection], timeout_s: float):
        with ExitStack() as opened:
            self._lock = opened.enter_context(write_lock_held(lock_file, timeout_s))
            self.connection = opened.enter_context(connect())
            self._transaction = self.connection.begin()
            self._held = opened.pop_all()
        self._has_changes = False
        self._begun_s = time.monotonic()
        self._writers = 0
        self._fault: BaseException | None = None
        self.ended = Event()

    @property
    def takes_more(self) -> bool:
        """Whether another writer may join."""
        return self._fault is None and time.monotonic() - self._begun_s < _LONGEST_S

    @contextmanager
    def part(self, *, is_counted: bool) -> Iterator[Connection]:
        """The connection, for one writer, in a savepoint of its own."""
        savepoint = self.connection.begin_nested()
        changed_before = self._changed_rows
        try:
            yield self.connection
        except BaseException as fault:
            driver = self.connection.connection.driver_connection
            if driver is not None and driver.in_transaction:
                if savepoint.is_active:  # a session that cannot flush rolls it back itself
                    savepoint.rollback()
            else:  # a full disk makes SQLite undo the whole transaction
                self._fault = fault
            raise
        savepoint.commit()
        self._writers += is_counted
        self._has_changes = self._has_changes or self._changed_rows != changed_before

    def end(self) -> None:
        """Commit, release the lock, and wake all waiting writers."""
        try:
            with self._held:
                with self._transaction:
                    if self._fault is not None:
                        self._transaction.rollback()
                if self.has_written:
                    require_working_disk(self._lock)
            if self._writers and self._fault is None:
                count_commit(self._writers)
        except BaseException as fault:
            self._fault = fault
            raise
        finally:
            self.ended.set()

    @property
    def has_written(self) -> bool:
        """Whether it ended and changed rows: without changes it succeeds on a failed disk too."""
        return self._has_changes and self._fault is None

    @property
    def _changed_rows(self) -> int:
        rows: int = driver_of(self.connection).total_changes
        return rows

    def require_stored(self) -> None:
        """Nothing after a commit; raises its fault otherwise."""
        if self._fault is not None:
            raise self._fault


class SharedCommit:
    """The write transactions of one process, one after another."""

    def __init__(
        self,
        lock_file: Path,
        connect: Callable[[], Connection],
        note_written: Callable[[], None] = lambda: None,
    ) -> None:
        self._lock_file = lock_file
        self._connect = connect
        self._note_written = note_written
        self._turn = Lock()
        self._counting = Lock()
        self._waiting = 0
        self._shared: _Shared | None = None

    @contextmanager
    def taking_part(self, timeout_s: float, *, is_counted: bool = True) -> Iterator[Connection]:
        """A connection in a transaction; what was written is on the disk when this returns.

        Metrics count the writer if `is_counted`.

        Raises
        ------
        StorageBusy
            When the turn or the lock is not free within `timeout_s` seconds.
        """
        begun_s = time.perf_counter()
        self._wait_for_turn(timeout_s)
        shared = None
        try:
            if self._shared is None:
                self._shared = _Shared(self._lock_file, self._connect, timeout_s)
            shared = self._shared
            if is_counted:
                count_write_wait(time.perf_counter() - begun_s)
            with shared.part(is_counted=is_counted) as connection:
                yield connection
        finally:
            self._pass_on(shared)
        while not shared.ended.wait(_LOOK_AFTER_S):
            self._end_if_left(shared)
        shared.require_stored()

    def _wait_for_turn(self, timeout_s: float) -> None:
        with self._counting:
            self._waiting += 1
        has_turn = False
        try:
            has_turn = self._turn.acquire(timeout=timeout_s)
        finally:
            with self._counting:
                self._waiting -= 1
        if not has_turn:
            left = self._shared
            if left is not None:
                self._end_if_left(left)
            raise StorageBusy

    def _pass_on(self, shared: _Shared | None) -> None:
        """Leave the transaction to a waiting writer, or end it; the turn is over in both cases."""
        if shared is not None and self._is_left_to_others(shared):
            return
        try:
            if shared is not None:
                self._shared = None
                shared.end()
                if shared.has_written:
                    self._note_written()
        finally:
            self._turn.release()

    def _is_left_to_others(self, shared: _Shared) -> bool:
        """Whether a waiting writer may join; then the turn is passed on."""
        with self._counting:
            if self._waiting == 0 or not shared.takes_more:
                return False
            # The turn is released while the count is locked: a writer that times out now can then
            # acquire the turn and end the transaction. A writer that failed cannot end it later.
            self._turn.release()
            return True

    def _end_if_left(self, shared: _Shared) -> None:
        """End a transaction that was left to a writer which then timed out."""
        if self._turn.acquire(blocking=False):
            self._pass_on(shared if self._shared is shared else None)


_CHECKPOINT_LOCK_TIMEOUT_S: Final = 0.25
_SOONEST_S: Final = 1.0
_LATEST_S: Final = 60.0


class CheckpointRetry:
    """Checkpoints that empty the write-ahead log, tried again until one succeeds.

    The pauses between tries are 1, 2, 4 ... 60 s. A withdrawal does not wait for readers that
    prevent the checkpoint: a backup or a check may read for minutes.
    """

    def __init__(self, lock_file: Path, engine: Engine, database: Path) -> None:
        self._lock_file, self._database = lock_file, database
        self._engine = engine
        self._lock = Lock()
        self._next: Timer | None = None
        self._is_closed = False

    def begin(self) -> None:
        """Empty the log now, or try again later if a reader or the lock prevents it."""
        if not self._empty_log():
            self._try_after(_SOONEST_S)

    def _try_after(self, pause_s: float) -> None:
        with self._lock:
            if self._next is None and not self._is_closed:
                self._next = Timer(pause_s, self._try_again, (pause_s,))
                self._next.daemon = True
                self._next.start()

    def _try_again(self, pause_s: float) -> None:
        is_done = self._empty_log()
        with self._lock:
            self._next = None
        if not is_done:
            self._try_after(min(2 * pause_s, _LATEST_S))

    def _empty_log(self) -> bool:
        try:
            with readable_faults(), write_lock_held(self._lock_file, _CHECKPOINT_LOCK_TIMEOUT_S):
                return checkpoint(self._engine, self._database)
        except KbapiError:
            return False

    def close(self) -> None:
        """Stop trying: the last connection that closes writes the log into the file anyway."""
        with self._lock:
            self._is_closed = True
            waiting = self._next
        if waiting is not None:
            waiting.cancel()
            # A try that has begun holds the connection that is closed next.
            waiting.join()


_CLOSING_LOCK_TIMEOUT_S: Final = 5.0
"""After that, closing continues: SQLite's own lock on the file also protects a last checkpoint."""


Read = TypeVar("Read")


class SqliteDatabase:
    """The connections of one process to the file; made at their first use."""

    def __init__(
        self,
        file: Path,
        write_lock: Path,
        *,
        is_read_only_medium: bool,
        faults: Callable[[], AbstractContextManager[None]],
        note_written: Callable[[], None],
    ) -> None:
        self._file, self._write_lock = file, write_lock
        self._is_read_only_medium = is_read_only_medium
        self._note_written = note_written
        self.hot_reads = HotReads(file, is_read_only_medium=is_read_only_medium, faults=faults)

    @contextmanager
    def writing(
        self, timeout_s: float, *, shared: bool, once: bytes | None, is_counted: bool
    ) -> Iterator[Connection]:
        """A connection in a transaction that is on the disk when this returns.

        All writers follow one another, so that `shared` and `once` change nothing.

        Raises
        ------
        StorageBusy
            When it cannot begin within `timeout_s` seconds.
        """
        _ = shared, once
        with self._commits.taking_part(timeout_s, is_counted=is_counted) as connection:
            yield connection

    @contextmanager
    def dry_run(self, timeout_s: float) -> Iterator[Connection]:
        """A connection in a write transaction that is always rolled back."""
        with (
            write_lock_held(self._write_lock, timeout_s),
            self._writing_engine.connect() as connection,
            connection.begin() as transaction,
        ):
            yield connection
            transaction.rollback()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A read-only connection that sees one state of the database."""
        with self._reading_engine.begin() as connection:
            yield connection

    def read_evidence(self, read: Callable[[Connection], Read]) -> Read:
        """What this reads in one state of the database: a file has no replica."""
        with self.reading() as connection:
            return read(connection)

    def alone_with(self, question: str, wait_s: float) -> AbstractContextManager[bool]:
        """Always true: no other host opens the file."""
        _ = question, wait_s
        return nullcontext(True)

    def overwrite_withdrawn(self) -> None:
        """Fold the write-ahead log into the database file and empty it, now or soon.

        Deleted rows are overwritten in the file (`secure_delete`), but the log keeps them until
        then. A reader that is active now delays this; the caller does not wait for it. Where
        Litestream copies the database, it waits until the folder of Litestream is removed.
        """
        self._checkpoint_retry.begin()

    def is_checkpoint_blocked(self) -> bool:
        """Whether a reader or a fault prevents that the log is written into the database file."""
        with readable_faults(), write_lock_held(self._write_lock, _CLOSING_LOCK_TIMEOUT_S):
            return is_checkpoint_blocked(self._writing_engine, self._file)

    @cached_property
    def _commits(self) -> SharedCommit:
        return SharedCommit(self._write_lock, self._writing_engine.connect, self._note_written)

    @cached_property
    def _checkpoint_retry(self) -> CheckpointRetry:
        return CheckpointRetry(self._write_lock, self._writing_engine, self._file)

    @cached_property
    def _writing_engine(self) -> Engine:
        return make_writing_engine(self._file)

    @cached_property
    def _reading_engine(self) -> Engine:
        return make_reading_engine(self._file, is_read_only_medium=self._is_read_only_medium)

    def close(self) -> None:
        """Close the connections; SQLite folds the log into the file when the last one closes."""
        self._checkpoint_retry.close()
        with self._closing_lock():
            self._writing_engine.dispose()
            self._reading_engine.dispose()
            self.hot_reads.close()

    @contextmanager
    def _closing_lock(self) -> Iterator[None]:
        """The write lock, if SQLite is affected and the lock is free soon."""
        with ExitStack() as held:
            if needs_one_process():
                with suppress(KbapiError), readable_faults():
                    lock = write_lock_held(self._write_lock, _CLOSING_LOCK_TIMEOUT_S)
                    held.enter_context(lock)
            yield
