"""Statements on a connection to either database, and the error of storage for each of its faults.

A cold path opens a session on the connection of its caller (`session_on`). A hot path runs its
statement on the driver (`find_rows` and the others), because SQLAlchemy costs several times what
the database needs for a row. Both use the transaction of the caller, and neither begins nor ends
one. The driver takes and returns a date as its ISO text. A written statement marks its values with
`?` or `?1`, and both databases understand it.
"""

import errno
import hashlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final, Protocol, TypeVar

import orjson
from sqlalchemy import (
    CTE,
    Connection,
    Integer,
    Select,
    SQLColumnExpression,
    String,
    TableValuedAlias,
    column,
    literal_column,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.elements import ColumnElement
from sqlalchemy.sql.functions import GenericFunction
from sqlmodel import Session, SQLModel

from kbapi.errors import (
    DiskError,
    KbapiError,
    StorageBroken,
    StorageBusy,
    StorageDamaged,
    StorageFull,
    StorageUnreachable,
    StorageUnwritable,
)
from kbapi.storage.sqlite.driver import dbapi2

Found = TypeVar("Found")

CHECKSUM_DIGITS: Final = 32
"""The length of what `checksum_of` returns."""


Find = tuple[str, Sequence[Any]]
"""A written statement with one column and at most one row, and its values."""
Rows = tuple[str, Sequence[Sequence[Any]]]
"""A written INSERT, and the values of each row."""


class HotReads(Protocol):
    """Single statements without a transaction."""

    def rows(self, statement: str, asked: Sequence[Any]) -> list[Any]:
        """All rows of a statement, as they are at this moment."""


class Written(Protocol):
    """How one database runs a written statement on its driver, in the transaction it is in."""

    errors: type[Exception]
    """What its driver raises."""

    def rows(self, driver: Any, statement: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
        """All rows of a statement."""

    def firsts(self, driver: Any, finds: Sequence[Find]) -> list[Any]:
        """What each of these statements finds, None where it finds nothing."""

    def add(self, driver: Any, statement: str, values: Sequence[Any]) -> int:
        """The number of the row that an INSERT added."""

    def change(self, driver: Any, statement: str, values: Sequence[Any]) -> int:
        """The number of rows that a statement changed."""

    def add_each(self, driver: Any, parts: Sequence[Rows]) -> None:
        """Add the rows of several INSERTs."""


class _OnSqlite:
    """Statements are written for SQLite, so its driver runs them as they are."""

    errors: type[Exception] = dbapi2.Error

    def rows(self, driver: Any, statement: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
        rows: list[tuple[Any, ...]] = driver.execute(statement, values).fetchall()
        return rows

    def firsts(self, driver: Any, finds: Sequence[Find]) -> list[Any]:
        rows = (driver.execute(*find).fetchone() for find in finds)
        return [None if row is None else row[0] for row in rows]

    def add(self, driver: Any, statement: str, values: Sequence[Any]) -> int:
        number: int = driver.execute(statement, values).lastrowid
        return number

    def change(self, driver: Any, statement: str, values: Sequence[Any]) -> int:
        changed: int = driver.execute(statement, values).rowcount
        return changed

    def add_each(self, driver: Any, parts: Sequence[Rows]) -> None:
        for statement, rows in parts:
            driver.executemany(statement, rows)


WRITTEN: Final[dict[str, Written]] = {"sqlite": _OnSqlite()}
"""By the name of the dialect; that of PostgreSQL is added when its engines are imported."""


@contextmanager
def session_on(connection: Connection) -> Iterator[Session]:
    """A session in the transaction of this connection: it flushes at its end, and never commits."""
    with Session(
        connection,
        # Any other mode would end a savepoint of its own, and with it what the session wrote.
        join_transaction_mode="rollback_only",
        # Sessions are short: none reads again what one of its statements has changed.
        expire_on_commit=False,
        execution_options={"synchronize_session": False},
    ) as session:
        try:
            yield session
            session.flush()
        except DBAPIError as fault:
            # A full disk makes SQLite undo the whole transaction, and then the session cannot roll
            # back to its savepoint: the first fault is the one to report.
            first = fault.__context__
            if isinstance(first, DBAPIError) and not _is_in_transaction(connection):
                raise first from None
            raise


def _is_in_transaction(connection: Connection) -> bool:
    return not is_sqlite(connection) or driver_of(connection).in_transaction


def hold_state(connection: Connection) -> None:
    """Begin to read: from now on the connection sees the present state, until it ends."""
    # SQLite takes its state at the first read: of a number of the file. PostgreSQL does so too.
    connection.exec_driver_sql("PRAGMA schema_version" if is_sqlite(connection) else "SELECT 1")


def load_as(
    connection: Connection,
    kind: Callable[..., Found],
    statement: Select[*tuple[Any, ...]],
    values: Mapping[str, Any] | None = None,
) -> list[Found]:
    """An object for each row of a statement whose columns are named after the fields of `kind`."""
    result = connection.execute(statement, values)
    names = tuple(result.keys())
    return [kind(**dict(zip(names, row, strict=True))) for row in result.all()]


def load_columns(
    connection: Connection,
    kind: Callable[..., Found],
    statement: Select[*tuple[Any, ...]],
    values: Mapping[str, Any] | None = None,
) -> Found | None:
    """One object with a tuple for each column of a statement, named alike; None without rows."""
    result = connection.execute(statement, values)
    columns = zip(*result.all(), strict=True)
    found = dict(zip(result.keys(), columns, strict=False))
    return kind(**found) if found else None


def materialized(statement: Select[*tuple[Any, ...]], name: str) -> CTE:
    """A common table expression that is computed once, and not merged into its query."""
    return statement.cte(name).prefix_with("MATERIALIZED")


def checksum_of(content: str | bytes) -> str:
    """The first half of a SHA-256 in hexadecimal, for contents too long to be in an index.

    >>> checksum_of("{}")
    '44136fa355b3678a1146ad16f7e8649e'
    """
    content = content.encode() if isinstance(content, str) else content
    return hashlib.sha256(content).hexdigest()[:CHECKSUM_DIGITS]


def insert_statement(table: type[SQLModel], columns: Sequence[str]) -> str:
    """The INSERT for these columns of a table, for `add_row` and `add_parts`."""
    values = ", ".join("?" * len(columns))
    return f"INSERT INTO {table.__tablename__} ({', '.join(columns)}) VALUES ({values})"  # noqa: S608


def driver_of(connection: Connection) -> Any:
    """The connection of the driver under a connection of SQLAlchemy."""
    return connection.connection.driver_connection


def is_sqlite(connection: Connection) -> bool:
    """Whether this is a connection to SQLite."""
    return connection.dialect.name == "sqlite"


def number_by(table: str, column: str) -> str:
    """The statement for the number of the row of a table with one value in this column."""
    return f"SELECT id FROM {table} WHERE {column} = ?"  # noqa: S608


def _run(connection: Connection, statement: str, run: Callable[[Written, Any], Found]) -> Found:
    """What this gives on the driver of the connection."""
    own = WRITTEN[connection.dialect.name]
    try:
        return run(own, driver_of(connection))
    except own.errors as error:
        raise as_sqlalchemy_error(statement, error, own.errors) from error


def as_sqlalchemy_error(statement: str, error: Exception, errors: type[Exception]) -> BaseException:
    """An error of a driver, of this kind, as one of the family that the engines raise.

    It has none of the values of the statement.
    """
    return DBAPIError.instance(statement, (), error, errors, hide_parameters=True)


def find_rows(
    connection: Connection, statement: str, values: Sequence[Any]
) -> list[tuple[Any, ...]]:
    """All rows of a statement."""
    return _run(connection, statement, lambda own, driver: own.rows(driver, statement, values))


def find_row(
    connection: Connection, statement: str, values: Sequence[Any]
) -> tuple[Any, ...] | None:
    """The row of a statement that has at most one."""
    rows = find_rows(connection, statement, values)
    return rows[0] if rows else None


def find_number(connection: Connection, statement: str, values: Sequence[Any]) -> int | None:
    """The only column of a statement that has at most one row."""
    rows = find_rows(connection, statement, values)
    return rows[0][0] if rows else None


def add_row(connection: Connection, statement: str, values: Sequence[Any]) -> int:
    """The number of the new row, of a table whose rows have an `id`."""
    return _run(connection, statement, lambda own, driver: own.add(driver, statement, values))


def find_firsts(connection: Connection, finds: Sequence[Find]) -> list[Any]:
    """What each of these statements finds, None where it finds nothing.

    PostgreSQL finds them together: a way to it costs more than most statements.
    """
    if not finds:
        return []
    return _run(connection, finds[0][0], lambda own, driver: own.firsts(driver, finds))


def find_or_add(
    connection: Connection, find: Find, add: Callable[[], tuple[str, Sequence[Any]]]
) -> int:
    """The number of the row that `find` finds, else of the one that the INSERT of `add` adds."""
    number = find_number(connection, *find)
    return add_if_missing(connection, find, *add()) if number is None else number


def add_if_missing(
    connection: Connection, find: Find, statement: str, values: Sequence[Any]
) -> int:
    """The number of the row that the INSERT adds; `find` has not found it.

    Where another writer adds the same row first, which only PostgreSQL allows, its number.
    """
    if is_sqlite(connection):
        return add_row(connection, statement, values)
    added = find_number(connection, f"{statement} ON CONFLICT DO NOTHING RETURNING id", values)
    if added is None:
        added = find_number(connection, *find)
    if added is None:  # it went again meanwhile
        raise StorageBusy
    return added


def change_rows(connection: Connection, statement: str, values: Sequence[Any]) -> int:
    """How many rows an UPDATE, a DELETE or an INSERT changed."""
    return _run(connection, statement, lambda own, driver: own.change(driver, statement, values))


def add_parts(connection: Connection, parts: Sequence[Rows]) -> None:
    """Add the rows of several INSERTs, in one way to PostgreSQL; there may be none."""
    parts = [part for part in parts if part[1]]
    if parts:
        _run(connection, parts[0][0], lambda own, driver: own.add_each(driver, parts))


class position_of(GenericFunction[int]):  # noqa: N801 - it reads as a function of SQL
    """The place of a text in another one from 1 on, 0 where it is not in it."""

    inherit_cache = True


@compiles(position_of)
def _position(element: Any, compiler: SQLCompiler, **options: Any) -> str:
    name = "instr" if compiler.dialect.name == "sqlite" else "strpos"
    return f"{name}({compiler.process(element.clauses, **options)})"


class joined(GenericFunction[str]):  # noqa: N801 - it reads as a function of SQL
    """The numbers of a group, joined by commas."""

    inherit_cache = True


@compiles(joined)
def _joined(element: Any, compiler: SQLCompiler, **options: Any) -> str:
    of = compiler.process(element.clauses, **options)
    if compiler.dialect.name == "sqlite":
        return f"group_concat({of})"
    return f"string_agg(CAST({of} AS TEXT), ',')"


class _TextIn(GenericFunction[str]):
    name = "text_in"
    inherit_cache = True
    type = String()


def text_in(column: SQLColumnExpression[str], *names: str) -> ColumnElement[str]:
    """The text under these names in a column of JSON text, NULL where there is none.

    The names are written into the statement: they never come from outside.
    """
    return _TextIn(column, *(literal_column(name) for name in names))


@compiles(_TextIn)
def _text_in(element: Any, compiler: SQLCompiler, **options: Any) -> str:
    column, *names = (compiler.process(one, **options) for one in element.clauses)
    if compiler.dialect.name == "sqlite":
        path = "".join(f'."{name}"' for name in names)
        return f"json_extract({column}, '${path}')"
    return f"(CAST({column} AS JSON) #>> '{{{','.join(names)}}}')"


class days_between(GenericFunction[int]):  # noqa: N801 - it reads as a function of SQL
    """How many days the first day is after the second."""

    inherit_cache = True


@compiles(days_between)
def _days_between(element: Any, compiler: SQLCompiler, **options: Any) -> str:
    later, earlier = (compiler.process(one, **options) for one in element.clauses)
    if compiler.dialect.name == "sqlite":
        return f"(julianday({later}) - julianday({earlier}))"
    return f"({later} - {earlier})"


class _EachNumber(GenericFunction[int]):
    name = "each_number"
    inherit_cache = True


@compiles(_EachNumber)
def _each_number(element: Any, compiler: SQLCompiler, **options: Any) -> str:
    listed = compiler.process(element.clauses, **options)
    if compiler.dialect.name == "sqlite":
        return f"json_each({listed})"
    return f"(SELECT unnest(CAST(translate({listed}, '[]', '{{}}') AS BIGINT[])) AS value)"


def each_of(numbers: Sequence[int]) -> TableValuedAlias:
    """The numbers as a table of one column: any number of them is one value of a statement."""
    return _EachNumber(json_of(numbers)).table_valued(column("value", Integer), name="wanted")


def upsert(connection: Connection, table: type[SQLModel]) -> "sqlite.Insert | postgresql.Insert":
    """An INSERT that may change the row that is there instead; both databases write it alike."""
    return sqlite.insert(table) if is_sqlite(connection) else postgresql.insert(table)


def json_of(numbers: Sequence[int]) -> str:
    """The numbers as JSON, for a statement that takes any number of them as one value."""
    return orjson.dumps(list(numbers)).decode()


# SQLite's texts for its result codes; the driver passes on no code.
_FAULTS: Final[tuple[tuple[str, type[KbapiError]], ...]] = (
    ("database is locked", StorageBusy),
    ("database table is locked", StorageBusy),
    ("database or disk is full", StorageFull),
    ("readonly database", StorageUnwritable),
    ("disk i/o error", DiskError),
    ("file is not a database", StorageBroken),
    ("malformed", StorageDamaged),
    ("could not decode to utf-8", StorageDamaged),
    ("no such table", StorageBroken),
)
# The longest beginning of PostgreSQL's SQLSTATE that is here decides (its manual, appendix A).
_POSTGRES_FAULTS: Final[dict[str, type[KbapiError]]] = {
    "08": StorageUnreachable,  # connection exception
    "57P": StorageUnreachable,  # the server stops or starts
    "57014": StorageBusy,  # a time limit ended the statement
    "25P": StorageBusy,  # a time limit ended the transaction
    "53": StorageBusy,  # too many connections, out of memory
    "531": StorageFull,  # disk full
    "40": StorageBusy,  # deadlock, serialization failure
    "23505": StorageBusy,  # another writer added the same row at the same time
    "55": StorageBusy,  # lock not available
    "25006": StorageUnwritable,  # a replica, or a database that is set to read only
    "28": StorageUnreachable,  # the role or its password is refused
    "3D": StorageUnreachable,  # no such database
    "42501": StorageUnwritable,  # the role lacks a privilege
    "42P01": StorageBroken,  # no such table
    "58": DiskError,  # error of the file system
    "XX": StorageDamaged,  # damaged data or index
}


@contextmanager
def unwritable_as(detail: str) -> Iterator[None]:
    """Replace the general text of StorageUnwritable, for commands that no server answers beside.

    A text that says more, such as that an instance was moved, stays as it is.
    """
    try:
        yield
    except StorageUnwritable as fault:
        if fault.detail != fault.explanation:
            raise
        raise type(fault)(detail) from fault


_NOT_OPENED: Final = (
    "The database file is missing, or this program may not open it. Tell the person who hosts "
    "this instance."
)
_TOO_MANY_OPEN: Final = (
    "Too many files or connections are open. Nothing was stored: try again in a few seconds."
)
_NO_FILES: Final = (errno.EMFILE, errno.ENFILE)
_NO_ROOM: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@contextmanager
def readable_faults() -> Iterator[None]:
    """Raise an error of storage in place of what a driver or the operating system raised."""
    try:
        yield
    except PoolTimeout as error:
        raise StorageBusy from error
    except (DBAPIError, dbapi2.Error) as error:
        cause = getattr(error, "orig", None) or error
        if not isinstance(cause, dbapi2.Error):
            found = fault_of_postgres(cause)
            if found is None:
                raise
            raise found from error
        text = str(cause).lower()
        if "unable to open database file" in text:
            raise _why_not_opened() from error
        for part, fault in _FAULTS:
            if part in text:
                raise fault from error
        raise
    except UnicodeDecodeError as error:  # only damage makes a text that is not UTF-8
        raise StorageBroken from error
    except OSError as error:
        if error.errno in _NO_FILES:
            raise StorageBusy(_TOO_MANY_OPEN) from error
        raise fault_of_system(error)() from error


def fault_of_postgres(error: BaseException) -> type[KbapiError] | None:
    """The error of storage for one of the driver of PostgreSQL; None where kbapi is at fault.

    An error without a code is about the connection.
    """
    code: str | None = getattr(error, "sqlstate", None)
    if code is None:
        return StorageUnreachable if type(error).__name__ == "OperationalError" else None
    beginnings = (code[:length] for length in range(len(code), 0, -1))
    return next((_POSTGRES_FAULTS[one] for one in beginnings if one in _POSTGRES_FAULTS), None)


def fault_of_system(error: OSError) -> type[StorageUnwritable]:
    """The error of storage for one of the operating system that is about a disk."""
    if error.errno in _NO_ROOM:
        return StorageFull
    return DiskError if error.errno == errno.EIO else StorageUnwritable


def _why_not_opened() -> KbapiError:
    """Why SQLite opened no file: too many are open, or this one is missing."""
    try:
        os.close(os.open("/", os.O_RDONLY | os.O_CLOEXEC))
    except OSError as error:
        if error.errno in _NO_FILES:
            return StorageBusy(_TOO_MANY_OPEN)
    return StorageBroken(_NOT_OPENED)
