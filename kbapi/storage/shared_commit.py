"""Writers of one process that meet share a commit, and with it the wait for the disk.

A commit that survives a power cut costs more than all that a result writes. Each writer has a
savepoint of its own, so that who fails undoes nobody else's work, and nobody is told that
something is stored before the commit has returned.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Event, Lock
from typing import Final

from sqlalchemy import Connection

from kbapi.errors import StorageBusy
from kbapi.metrics.counters import count_commit, count_write_wait
from kbapi.storage.write_queue import waiting_in_line

_LONGEST_S: Final = 0.05
"""Nobody joins a transaction that is older: its first writer and other processes wait."""

_LOOK_AFTER_S: Final = 0.05


class _Shared:
    """An open transaction with the place at the front of the queue, and who waits for its end."""

    def __init__(self, lock_file: Path, connect: Callable[[], Connection], patience_s: float):
        with ExitStack() as opened:
            opened.enter_context(waiting_in_line(lock_file, patience_s))
            self.connection = opened.enter_context(connect())
            self._transaction = self.connection.begin()
            self._held = opened.pop_all()
        self._begun_s = time.monotonic()
        self._writers = 0
        self._fault: BaseException | None = None
        self.ended = Event()

    @property
    def takes_more(self) -> bool:
        """Whether another writer may join."""
        return self._fault is None and time.monotonic() - self._begun_s < _LONGEST_S

    @contextmanager
    def part(self) -> Iterator[Connection]:
        """The connection, for one writer: what it wrote stands or falls by itself."""
        savepoint = self.connection.begin_nested()
        try:
            yield self.connection
        except BaseException as fault:
            driver = self.connection.connection.driver_connection
            if driver is not None and driver.in_transaction:
                savepoint.rollback()
            else:  # a disk that is full makes SQLite undo everybody's work
                self._fault = fault
            raise
        savepoint.commit()
        self._writers += 1

    def end(self) -> None:
        """Commit, give back the place in the queue, and tell all who wait."""
        try:
            with self._held, self._transaction:
                if self._fault is not None:
                    self._transaction.rollback()
            if self._writers and self._fault is None:
                count_commit(self._writers)
        except BaseException as fault:
            self._fault = fault
            raise
        finally:
            self.ended.set()

    def require_stored(self) -> None:
        """Nothing, where the commit has returned; else what went wrong."""
        if self._fault is not None:
            raise self._fault


class SharedCommit:
    """The write transactions of one process, one after another."""

    def __init__(self, lock_file: Path, connect: Callable[[], Connection]) -> None:
        self._lock_file = lock_file
        self._connect = connect
        self._turn = Lock()
        self._counting = Lock()
        self._waiting = 0
        self._shared: _Shared | None = None

    @contextmanager
    def taking_part(self, patience_s: float) -> Iterator[Connection]:
        """A connection in a transaction; what was written is on the disk when this returns.

        Raises
        ------
        StorageBusy
            When no turn comes within `patience_s` seconds.
        """
        came_s = time.perf_counter()
        self._wait_for_turn(patience_s)
        shared = None
        try:
            if self._shared is None:
                self._shared = _Shared(self._lock_file, self._connect, patience_s)
            shared = self._shared
            count_write_wait(time.perf_counter() - came_s)
            with shared.part() as connection:
                yield connection
        finally:
            self._pass_on(shared)
        while not shared.ended.wait(_LOOK_AFTER_S):
            self._end_if_left(shared)
        shared.require_stored()

    def _wait_for_turn(self, patience_s: float) -> None:
        with self._counting:
            self._waiting += 1
        has_turn = False
        try:
            has_turn = self._turn.acquire(timeout=patience_s)
        finally:
            with self._counting:
                self._waiting -= 1
        if not has_turn:
            left = self._shared
            if left is not None:
                self._end_if_left(left)
            raise StorageBusy

    def _pass_on(self, shared: _Shared | None) -> None:
        """Leave the transaction to whoever waits, or end it; either way the turn is over."""
        if shared is not None and self._is_left_to_others(shared):
            return
        try:
            if shared is not None:
                self._shared = None
                shared.end()
        finally:
            self._turn.release()

    def _is_left_to_others(self, shared: _Shared) -> bool:
        """Whether somebody waits who may join; then the turn is theirs."""
        with self._counting:
            if self._waiting == 0 or not shared.takes_more:
                return False
            # Before the count goes on: who loses patience now still finds the turn free, and ends
            # what was left. A writer that failed does not come back to do so.
            self._turn.release()
            return True

    def _end_if_left(self, shared: _Shared) -> None:
        """End a transaction that was left to somebody who then lost patience."""
        if self._turn.acquire(blocking=False):
            self._pass_on(shared if self._shared is shared else None)
