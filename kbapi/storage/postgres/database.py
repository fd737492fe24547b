"""An instance's database on a PostgreSQL server: transactions that run beside each other.

Writers do not stand in one line. Results of different lines are written at the same time: a row of
`line` is locked from the rise of its revision to the commit, and constraints keep each row once.
What deletes or changes rows that others may refer to runs alone (`shared=False`).
"""

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import cached_property
from threading import BoundedSemaphore
from typing import Final

from sqlalchemy import Connection, Engine

from kbapi.errors import BEING_MOVED, MOVED, InstanceReadOnly, StorageBusy
from kbapi.metrics.counters import count_commit, count_write_wait
from kbapi.storage.postgres.engine import (
    READ_ONE_STATE,
    WRITE,
    PostgresReads,
    make_engine,
    open_connection,
    run_together,
)
from kbapi.storage.schema import FIND_MOVED_TO

_WRITERS: Final = 8
_READERS: Final = 8
"""Connections of each process; most threads wait for clients, so few suffice."""

WRITERS_LOCK: Final = 0x6B62617069
"""The advisory lock that every writer holds: most of them together, some alone."""
MOVE_LOCK: Final = 0x6B6261706D
"""The advisory lock that every writer holds together with others; a move holds it alone."""
_LONGEST_IDLE_MS: Final = 20_000
"""After that the server ends the transaction of a host that is gone, with its locks."""


class PostgresDatabase:
    """The connections of one process to the database."""

    def __init__(
        self,
        url: str,
        *,
        has_pooler: bool,
        faults: Callable[[], AbstractContextManager[None]],
        note_written: Callable[[], None],
    ) -> None:
        self._url, self._has_pooler = url, has_pooler
        self._note_written = note_written
        self._turns = BoundedSemaphore(_WRITERS)
        self.hot_reads = PostgresReads(lambda: open_connection(url, has_pooler=has_pooler), faults)

    @contextmanager
    def writing(
        self, timeout_s: float, *, shared: bool, once: bytes | None, is_counted: bool
    ) -> Iterator[Connection]:
        """A connection in a transaction that is committed when this returns.

        Writers of the same `once` follow one another.

        Raises
        ------
        StorageBusy
            When it cannot begin within `timeout_s` seconds.
        """
        begun_s = time.perf_counter()
        with self._transaction(timeout_s, shared=shared, once=once) as connection:
            if is_counted:
                count_write_wait(time.perf_counter() - begun_s)
            yield connection
        if is_counted:
            count_commit(1)
        self._note_written()

    @contextmanager
    def dry_run(self, timeout_s: float) -> Iterator[Connection]:
        """A connection in a transaction that is always rolled back."""
        with self._transaction(timeout_s, shared=True, once=None, keeps=False) as connection:
            yield connection

    @contextmanager
    def _transaction(
        self, timeout_s: float, *, shared: bool, once: bytes | None, keeps: bool = True
    ) -> Iterator[Connection]:
        if not self._turns.acquire(timeout=timeout_s):
            raise StorageBusy
        try:
            with self._writing_engine.connect() as connection, connection.begin() as transaction:
                _begin(connection, timeout_s, shared=shared, once=once)
                yield connection
                if not keeps:
                    transaction.rollback()
        finally:
            self._turns.release()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A read-only connection that sees one state of the database."""
        with self._reading_engine.begin() as connection:
            yield connection

    def overwrite_withdrawn(self) -> None:
        """Do nothing: the server overwrites what was deleted when it vacuums the table."""

    def is_checkpoint_blocked(self) -> bool:
        """Whether a reader prevents that the log is emptied; here the server sees to its log."""
        return False

    @cached_property
    def _writing_engine(self) -> Engine:
        # `_begin` sends the beginning together with what follows it.
        return make_engine(self._url, "", pool_size=_WRITERS, has_pooler=self._has_pooler)

    @cached_property
    def _reading_engine(self) -> Engine:
        return make_engine(
            self._url, READ_ONE_STATE, pool_size=_READERS, has_pooler=self._has_pooler
        )

    def close(self) -> None:
        """Close the connections."""
        for name in ("_writing_engine", "_reading_engine"):
            if name in vars(self):
                vars(self)[name].dispose()
        self.hot_reads.close()


def _begin(connection: Connection, timeout_s: float, *, shared: bool, once: bytes | None) -> None:
    """Begin the transaction, set its time limits and take its locks, in one way to the server.

    Raises
    ------
    InstanceReadOnly
        During a move to another database, and after it.
    """
    lock = "pg_advisory_xact_lock_shared" if shared else "pg_advisory_xact_lock"
    locks = f"set_config('kbapi.is_locked', 'yes', true), {lock}({WRITERS_LOCK})"
    if once is not None:
        number = int.from_bytes(once[:8], "big", signed=True)
        locks += f", pg_advisory_xact_lock({number})"
    found = run_together(
        connection,
        f"{WRITE}; SET LOCAL lock_timeout = {max(1, round(timeout_s * 1_000))}; "
        f"SET LOCAL idle_in_transaction_session_timeout = {_LONGEST_IDLE_MS}; "
        "SET LOCAL kbapi.is_locked = ''; "
        # A move holds its lock alone, and no writer waits for its end.
        f"SELECT {locks} WHERE pg_try_advisory_xact_lock_shared({MOVE_LOCK}); "
        # A statement of its own sees what was committed before it got the locks.
        f"SELECT current_setting('kbapi.is_locked'), ({FIND_MOVED_TO})",
    )
    ((is_locked, moved_to),) = found
    if not is_locked:
        raise InstanceReadOnly(BEING_MOVED)
    if moved_to is not None:
        raise InstanceReadOnly(MOVED)
