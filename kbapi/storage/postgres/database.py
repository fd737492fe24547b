"""An instance's database on a PostgreSQL server: transactions that run beside each other.

Writers do not stand in one line. Results of different lines are written at the same time: a row of
`line` is locked from the rise of its revision to the commit, and constraints keep each row once.
What deletes or changes rows that others may refer to runs alone (`shared=False`).
"""

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from functools import cached_property
from threading import BoundedSemaphore
from typing import Final, TypeVar

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from kbapi.clock import steady_s
from kbapi.errors import BEING_MOVED, MOVED, InstanceReadOnly, KbapiError, StorageBusy
from kbapi.metrics.counters import count_commit, count_write_wait
from kbapi.storage.postgres.engine import (
    READ_ONE_STATE,
    WRITE,
    PostgresReads,
    begin_alone,
    has_within,
    make_engine,
    open_connection,
    run_together,
)
from kbapi.storage.schema import FIND_WRITERS_MARKS, MOVED_TO, RULES_MARK, save_mark
from kbapi.versions import RULES_VERSION

_WRITERS: Final = 8
_READERS: Final = 8
_FLIGHTS: Final = 4
"""Connections of each process; most threads wait for clients, so few suffice."""

WRITERS_LOCK: Final = 0x6B62617069
"""The advisory lock that every writer holds: most of them together, some alone."""
MOVE_LOCK: Final = 0x6B6261706D
"""The advisory lock that every writer holds together with others; a move holds it alone."""
_LONGEST_IDLE_MS: Final = 10_000
"""After that the server ends the transaction of a host that is gone or hangs, with its locks.

Writers of other hosts wait longer than that, so they are not refused.
"""
_LONGEST_LAG_S: Final = 0.1
"""How long a question waits for a replica that is behind."""
_LONGEST_SILENCE_S: Final = 1.0
"""A replica that gives no answer for as long hangs."""
_LEFT_LAGGING_S: Final = 1.0
_LEFT_FAILED_S: Final = 5.0
"""So long a replica that was behind, or failed, is not asked again."""


Read = TypeVar("Read")


class PostgresDatabase:
    """The connections of one process to the database."""

    def __init__(
        self,
        url: str,
        *,
        has_pooler: bool,
        replica: str = "",
        faults: Callable[[], AbstractContextManager[None]],
        note_written: Callable[[], None],
    ) -> None:
        self._url, self._has_pooler = url, has_pooler
        self._note_written = note_written
        self._turns = BoundedSemaphore(_WRITERS)
        self._flights = BoundedSemaphore(_FLIGHTS)
        self._replica = Replica(replica, has_pooler=has_pooler) if replica else None
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
                _take_back_mark(connection)
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

    @contextmanager
    def alone_with(self, question: str, wait_s: float) -> Iterator[bool]:
        """Holds a question; whether no other host does, after a wait of at most so many seconds.

        The lock ends with the transaction of a connection of its own, so it ends with a host that
        dies. Where no connection is left, the question is not held: two hosts may compute it.
        """
        with ExitStack() as held:
            yield self._is_alone(held, question, wait_s)

    def _is_alone(self, held: ExitStack, question: str, wait_s: float) -> bool:
        if not self._flights.acquire(blocking=False):
            return True
        held.callback(self._flights.release)
        try:
            driver = self.hot_reads.take()
        except KbapiError:
            return True
        held.callback(self.hot_reads.end_and_keep, driver)
        return begin_alone(driver, _lock_of(bytes.fromhex(question)), wait_s, _LONGEST_IDLE_MS)

    def read_evidence(self, read: Callable[[Connection], Read]) -> Read:
        """What this reads in one state of the database, or of a replica that has all of it."""
        if self._replica is not None and self._replica.is_asked_now():
            ((position,),) = self.hot_reads.rows("SELECT pg_current_wal_insert_lsn()", ())
            found = self._replica.read(position, read)
            if found is not None:
                return found[0]
        with self.reading() as connection:
            return read(connection)

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
        if self._replica is not None:
            self._replica.close()


class Replica:
    """A read replica: what it lacks or fails to answer is read from the database itself."""

    def __init__(self, url: str, *, has_pooler: bool) -> None:
        self._url, self._has_pooler = url, has_pooler
        self._left_until_s = 0.0

    def is_asked_now(self) -> bool:
        """Whether it did not fail a moment ago."""
        return steady_s() >= self._left_until_s

    def read(self, position: str, read: Callable[[Connection], Read]) -> tuple[Read] | None:
        """What this reads in a state that has the log up to here; None where it cannot."""
        try:
            with self._engine.connect() as connection:
                if not self._has_soon(connection, position):
                    self._left_until_s = steady_s() + _LEFT_LAGGING_S
                    return None
                with connection.begin():
                    return (read(connection),)
        except (DBAPIError, PoolTimeout):
            self._left_until_s = steady_s() + _LEFT_FAILED_S
            return None

    @staticmethod
    def _has_soon(connection: Connection, position: str) -> bool:
        has = f"SELECT pg_last_wal_replay_lsn() >= '{position}'::pg_lsn"
        until_s = steady_s() + _LONGEST_LAG_S
        while not has_within(connection, has, _LONGEST_SILENCE_S):
            if steady_s() > until_s:
                return False
            time.sleep(_LONGEST_LAG_S / 20)
        return True

    @cached_property
    def _engine(self) -> Engine:
        return make_engine(
            self._url, READ_ONE_STATE, pool_size=_READERS, has_pooler=self._has_pooler
        )

    def close(self) -> None:
        """Close the connections."""
        if "_engine" in vars(self):
            self._engine.dispose()


def _take_back_mark(connection: Connection) -> None:
    """Let the mark of the rules say that results may be screened by these, which are older.

    A host of a later version has screened all results again, and what is written here is not.
    """
    mark = connection.info[RULES_MARK]
    if mark is not None and int(mark) > RULES_VERSION:
        save_mark(connection, RULES_VERSION)


def _lock_of(hashed: bytes) -> int:
    """The number of the advisory lock of a hash."""
    return int.from_bytes(hashed[:8], "big", signed=True)


def _begin(connection: Connection, timeout_s: float, *, shared: bool, once: bytes | None) -> None:
    """Begin the transaction, set its time limits and take its locks, in one way to the server.

    The marks are read by a statement of its own, after the locks: who changes one of them holds
    the lock of all writers alone.

    Raises
    ------
    InstanceReadOnly
        During a move to another database, and after it.
    """
    lock = "pg_advisory_xact_lock_shared" if shared else "pg_advisory_xact_lock"
    locks = f"{lock}({WRITERS_LOCK})"
    if once is not None:
        locks += f", pg_advisory_xact_lock({_lock_of(once)})"
    locked, marks = run_together(
        connection,
        # The columns are computed in their order: the locks are waited for within the limit.
        f"{WRITE}; SELECT set_config('lock_timeout', '{max(1, round(timeout_s * 1_000))}', true), "
        f"set_config('idle_in_transaction_session_timeout', '{_LONGEST_IDLE_MS}', true), {locks} "
        # A move holds its lock alone, and no writer waits for its end.
        f"WHERE pg_try_advisory_xact_lock_shared({MOVE_LOCK}); "
        # A statement of its own sees what was committed before it got the locks.
        f"{FIND_WRITERS_MARKS}",
    )
    if not locked:
        raise InstanceReadOnly(BEING_MOVED)
    found = dict(marks)
    if MOVED_TO in found:
        raise InstanceReadOnly(MOVED)
    connection.info[RULES_MARK] = found.get(RULES_MARK)
