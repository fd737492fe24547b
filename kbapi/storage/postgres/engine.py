"""Connections to PostgreSQL: engines, and statements written for SQLite run on its driver.

The driver is an extra (`kbapi[postgres]`), and only an instance on PostgreSQL imports this file.
Nothing is kept in a session between transactions, so a pooler in transaction mode may stand before
the server.
"""

import re
import select
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import cache
from typing import Any, Final

from kbapi.errors import StorageUnreachable, UnsafeSetup

try:
    import psycopg
except ModuleNotFoundError:
    raise UnsafeSetup(
        "KBAPI_DATABASE needs the driver of PostgreSQL. Install it with "
        "\"pip install 'kbapi[postgres]'\"."
    ) from None
from psycopg.adapt import Dumper, Loader
from psycopg.pq import Format
from psycopg.types.numeric import Int8Dumper
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.dialects.postgresql.base import PGTypeCompiler
from sqlalchemy.exc import DisconnectionError

from kbapi.storage.sql import (
    WRITTEN,
    Find,
    Rows,
    as_sqlalchemy_error,
    driver_of,
    fault_of_postgres,
    readable_faults,
)

_MARK: Final = re.compile(r"\?(\d*)")
_NUMBERED: Final = re.compile(r"\?\d")
# Where the databases name a function differently, written statements use SQLite's name.
_FUNCTIONS: Final = (
    (re.compile(r"group_concat\(([^()]*)\)"), r"string_agg(\1, ',')"),
    (
        re.compile(r"SELECT value FROM json_each\((\?\d*)\)"),
        r"SELECT unnest(CAST(translate(\1, '[]', '{}') AS BIGINT[]))",
    ),
)


@cache
def in_postgres(statement: str) -> str:
    """A statement that was written for SQLite, as the driver of PostgreSQL takes it.

    >>> in_postgres("SELECT 1 WHERE a = ? AND b LIKE '*%'")
    "SELECT 1 WHERE a = %s AND b LIKE '*%%'"
    >>> in_postgres("SELECT ?2, ?1, ?2")
    'SELECT %(v2)s, %(v1)s, %(v2)s'
    """
    for pattern, by in _FUNCTIONS:
        statement = pattern.sub(by, statement)
    return _MARK.sub(
        lambda found: f"%(v{found[1]})s" if found[1] else "%s", statement.replace("%", "%%")
    )


@cache
def _is_numbered(statement: str) -> bool:
    return _NUMBERED.search(statement) is not None


def _values(statement: str, values: Sequence[Any]) -> Any:
    if _is_numbered(statement):
        return {f"v{place}": value for place, value in enumerate(values, 1)}
    return values


def run_together(connection: Connection, statements: str) -> list[list[tuple[Any, ...]]]:
    """The rows of each SELECT among several statements, which go to the server together."""
    with faults_of(statements):
        return _rows_of_each(driver_of(connection).execute(statements))


def _rows_of_each(cursor: psycopg.Cursor[Any]) -> list[list[tuple[Any, ...]]]:
    return [one.fetchall() for one in cursor.results() if one.description is not None]


@contextmanager
def faults_of(statement: str) -> Iterator[None]:
    """Errors of the driver as those of SQLAlchemy, without the values of rows."""
    try:
        yield
    except psycopg.Error as error:
        raise as_sqlalchemy_error(statement, error, psycopg.Error) from error


class _IsoDay(Loader):
    """A day as PostgreSQL writes it."""

    def load(self, data: Any) -> str:
        return bytes(data).decode()


class _Number(Loader):
    """A sum or a mean as Python's own number: SQLite has no others."""

    def load(self, data: Any) -> float:
        text = bytes(data)
        return float(text) if b"." in text else int(text)


class _Driver(psycopg.Connection[Any]):
    """A connection of the driver with a cursor for written statements.

    The cursor gives a day as its ISO text. There is one for each connection, because its own
    loaders cost more than a statement.
    """

    written: psycopg.Cursor[Any]
    adding: psycopg.Cursor[Any]
    """For rows: it leaves the type of each value to the column, also that of an empty one.

    So rows with other columns empty are the same statement, which is planned once.
    """


class _Untyped(Dumper):
    """A number as the text that the column reads."""

    def dump(self, obj: Any) -> bytes:
        return repr(obj).encode()


class _UntypedBytes(Dumper):
    """Bytes as they are."""

    format = Format.BINARY

    def dump(self, obj: Any) -> bytes:
        return bytes(obj)


@cache
def _as_one_select(statements: tuple[str, ...]) -> tuple[str, tuple[tuple[int, ...], ...]]:
    """One statement with a column for each of these, and which values each takes in turn.

    >>> _as_one_select(("SELECT a FROM b WHERE c = ?", "SELECT ?2 + ?1"))
    ('SELECT (SELECT a FROM b WHERE c = %s), (SELECT %s + %s)', ((0,), (1, 0)))
    """
    columns, orders = [], []
    for statement in statements:
        marks = _MARK.findall(statement)
        orders.append(tuple(int(mark or place) - 1 for place, mark in enumerate(marks, 1)))
        columns.append(f"({in_postgres(_MARK.sub('?', statement))})")
    return f"SELECT {', '.join(columns)}", tuple(orders)


@cache
def _as_one_insert(parts: tuple[tuple[str, int], ...]) -> str:
    """One statement for so many rows of each of these INSERTs.

    >>> _as_one_insert((("INSERT INTO a (b) VALUES (?)", 1), ("INSERT INTO c (d) VALUES (?)", 2)))
    'WITH part_0 AS (INSERT INTO a (b) VALUES (%s)) INSERT INTO c (d) VALUES (%s), (%s)'
    """
    *others, last = (
        f"{into} VALUES {', '.join([row] * number)}"
        for (into, _, row), number in (
            (in_postgres(statement).partition(" VALUES "), number) for statement, number in parts
        )
    )
    before = ", ".join(f"part_{place} AS ({one})" for place, one in enumerate(others))
    return f"WITH {before} {last}" if before else last


_MOST_VALUES: Final = 30_000
"""Of one statement; the protocol allows twice as many."""


class OnPostgres:
    """Written statements, each read to its end before the next one begins."""

    errors: type[Exception] = psycopg.Error

    def rows(self, driver: Any, statement: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
        """All rows of a statement."""
        return _run(driver, statement, values).fetchall()

    def firsts(self, driver: Any, finds: Sequence[Find]) -> list[Any]:
        """The only column of the only row of each of these, in one way to the server."""
        text, orders = _as_one_select(tuple(statement for statement, _ in finds))
        values = [
            own[place] for (_, own), order in zip(finds, orders, strict=True) for place in order
        ]
        (found,) = driver.written.execute(text, values).fetchall()
        return [*found]

    def add(self, driver: Any, statement: str, values: Sequence[Any]) -> int:
        """The number of the row that an INSERT added."""
        ((number,),) = _run(driver, f"{statement} RETURNING id", values).fetchall()
        return int(number)

    def change(self, driver: Any, statement: str, values: Sequence[Any]) -> int:
        """The number of rows that a statement changed."""
        return _run(driver, statement, values).rowcount

    def add_each(self, driver: Any, parts: Sequence[Rows]) -> None:
        """Add the rows of several INSERTs, in one way to the server."""
        values = [value for _, rows in parts for row in rows for value in row]
        if len(values) > _MOST_VALUES:
            for statement, rows in parts:
                driver.adding.executemany(in_postgres(statement), rows)
            return
        shape = tuple((statement, len(rows)) for statement, rows in parts)
        driver.adding.execute(_as_one_insert(shape), values)


def _run(driver: _Driver, statement: str, values: Sequence[Any]) -> psycopg.Cursor[Any]:
    # The text comes from constants of this program only.
    return driver.written.execute(in_postgres(statement), _values(statement, values))


WRITTEN["postgresql"] = OnPostgres()

_CONNECT_TIMEOUT_S: Final = 5
_OPTIONS: Final[dict[str, Any]] = {
    "connect_timeout": _CONNECT_TIMEOUT_S,
    "application_name": "kbapi",
    # A server that is gone without a word is noticed within this time, not after two hours.
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 2,
    "tcp_user_timeout": 15_000,
}


def open_connection(url: str, *, has_pooler: bool = False) -> _Driver:
    """A connection of the driver that commits each statement unless a BEGIN is sent.

    Raises
    ------
    StorageUnreachable
        When the server does not answer.
    """
    # A statement prepared on one connection of a pooler is unknown on its others.
    prepares_after = None if has_pooler else 5
    driver = _Driver.connect(url, autocommit=True, prepare_threshold=prepares_after, **_OPTIONS)
    driver.adapters.register_loader("numeric", _Number)
    driver.written = driver.cursor()
    driver.written.adapters.register_loader("date", _IsoDay)
    # One type for every number: else the server would plan a statement for each length of it.
    driver.written.adapters.register_dumper(int, Int8Dumper)
    driver.adding = driver.cursor()
    for kind, dumper in ((int, _Untyped), (float, _Untyped), (bytes, _UntypedBytes)):
        driver.adding.adapters.register_dumper(kind, dumper)
    return driver


def is_lost(driver: Any) -> bool:
    """Whether the server has ended this idle connection; costs no way to the server."""
    if driver.closed:
        return True
    waiting = select.poll()
    waiting.register(driver.fileno(), select.POLLIN)
    try:
        while waiting.poll(0):  # something came: a word of the server, or its end
            driver.pgconn.consume_input()
    except psycopg.Error:
        return True
    return bool(driver.pgconn.status != psycopg.pq.ConnStatus.OK)


class _Types(PGTypeCompiler):
    """Every whole number has 64 bits, as in SQLite."""

    def visit_INTEGER(self, type_: object, **options: object) -> str:  # noqa: N802
        """The name of the type."""
        return "BIGINT"


def make_engine(url: str, begin: str, *, pool_size: int, has_pooler: bool = False) -> Engine:
    """An engine whose transactions begin with this statement; empty if the caller sends it."""
    engine = create_engine(
        "postgresql+psycopg://",
        creator=lambda: open_connection(url, has_pooler=has_pooler),
        isolation_level="AUTOCOMMIT",  # nothing but the statement below begins a transaction
        pool_size=pool_size,
        max_overflow=0,
        pool_timeout=_POOL_TIMEOUT_S,
        hide_parameters=True,  # an error is logged, and a value may be a document
    )

    engine.dialect.type_compiler_instance = _Types(engine.dialect)

    @event.listens_for(engine, "checkout")
    def require_alive(dbapi_connection: Any, _record: object, _proxy: object) -> None:
        if is_lost(dbapi_connection):
            raise DisconnectionError

    @event.listens_for(engine, "begin")
    def begin_transaction(connection: Connection) -> None:
        if begin:
            connection.exec_driver_sql(begin)

    return engine


_POOL_TIMEOUT_S: Final = 5.0
READ_ONE_STATE: Final = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
"""Begins a transaction that sees one state of the database."""
WRITE: Final = "BEGIN ISOLATION LEVEL READ COMMITTED"


def reading_once(url: str) -> AbstractContextManager[Connection]:
    """A connection of its own that sees one state of the database, and changes nothing of it."""
    return _once(url, READ_ONE_STATE)


def writing_once(url: str) -> AbstractContextManager[Connection]:
    """A connection of its own in a transaction, which is committed at the end."""
    return _once(url, WRITE)


@contextmanager
def _once(url: str, begin: str) -> Iterator[Connection]:
    engine = make_engine(url, begin, pool_size=1, has_pooler=True)
    try:
        with readable_faults(), engine.begin() as connection:
            yield connection
    finally:
        engine.dispose()


class PostgresReads:
    """Single statements on one database; a connection for each that reads at the same time."""

    def __init__(
        self, opened: Callable[[], _Driver], faults: Callable[[], AbstractContextManager[None]]
    ) -> None:
        self._opened = opened
        self._faults = faults
        self._idle: deque[_Driver] = deque()

    def rows(self, statement: str, asked: Sequence[Any]) -> list[Any]:
        """All rows of a statement, as they are at this moment.

        Raises
        ------
        StorageBusy, StorageBroken
            When the database can't be read now.
        """
        with self._faults():
            driver = self.take()
            try:
                rows: list[Any] = _run(driver, statement, asked).fetchall()
            except psycopg.Error as error:
                driver.close()
                raise _fault_of(statement, error) from error
            self._idle.append(driver)
        return rows

    def take(self) -> _Driver:
        """A connection for one statement or one transaction; the caller gives it back.

        Raises
        ------
        StorageUnreachable
            When the server does not answer.
        """
        while self._idle:
            try:
                driver = self._idle.pop()
            except IndexError:
                break
            if not is_lost(driver):
                return driver
            driver.close()
        try:
            return self._opened()
        except psycopg.Error as error:
            raise StorageUnreachable from error

    def end_and_keep(self, driver: _Driver) -> None:
        """End the transaction of a connection that was taken, and keep the connection."""
        try:
            driver.execute("ROLLBACK")
        except psycopg.Error:
            driver.close()
        else:
            self._idle.append(driver)

    def close(self) -> None:
        """Close the connections."""
        while self._idle:
            self._idle.pop().close()


def has_within(connection: Connection, statement: str, timeout_s: float) -> bool:
    """Whether a statement without values gives true; outside of a transaction.

    The driver alone would wait for a server that hangs as long as its machine answers.
    """
    with faults_of(statement):
        try:
            return _ask_within(driver_of(connection).pgconn, statement, timeout_s)
        except psycopg.Error:
            connection.invalidate()
            raise


def _ask_within(server: Any, statement: str, timeout_s: float) -> bool:
    server.send_query(statement.encode())
    server.flush()
    waiting = select.poll()
    waiting.register(server.socket, select.POLLIN)
    while server.is_busy():
        if not waiting.poll(timeout_s * 1_000):
            raise psycopg.OperationalError
        server.consume_input()
    results = []
    while (result := server.get_result()) is not None:
        results.append(result)
    if results[-1].status != psycopg.pq.ExecStatus.TUPLES_OK:
        raise psycopg.OperationalError
    return bool(results[-1].get_value(0, 0) == b"t")


def begin_alone(driver: _Driver, number: int, wait_s: float, longest_idle_ms: int) -> bool:
    """Begin a transaction that holds an advisory lock; whether it got it in this time.

    Where the server fails the lock counts as held: what follows meets the fault itself.
    """
    limit = f"SET LOCAL lock_timeout = {max(1, round(wait_s * 1_000))}"
    # A function without a value gives an empty text, not NULL.
    waits = f"SELECT pg_advisory_xact_lock({number}) IS NOT NULL"
    took = f"{limit}; {waits}" if wait_s else f"SELECT pg_try_advisory_xact_lock({number})"
    idle = f"SET LOCAL idle_in_transaction_session_timeout = {longest_idle_ms}"
    try:
        (((is_held,),),) = _rows_of_each(driver.execute(f"BEGIN; {idle}; {took}", prepare=False))
    except psycopg.errors.LockNotAvailable:
        return False
    except psycopg.Error:
        return True
    return bool(is_held)


def _fault_of(statement: str, error: psycopg.Error) -> BaseException:
    fault = fault_of_postgres(error)
    return as_sqlalchemy_error(statement, error, psycopg.Error) if fault is None else fault()
