"""The few statements that every result runs, handed to the driver as they are written.

SQLAlchemy's care for a statement costs several times what SQLite needs to run one of these. The
caller's transaction holds for them too: they use its own connection, and begin and end nothing.
What goes in and comes out are SQLite's own types: a date is handed over as its ISO text.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from kbapi.storage.sqlite_driver import dbapi2


def _run(connection: Connection, statement: str, values: Sequence[Any]) -> Any:
    try:
        return _driver(connection).execute(statement, values)
    except dbapi2.Error as error:
        raise _as_sqlalchemy_tells(statement, error) from error


def _driver(connection: Connection) -> Any:
    return connection.connection.driver_connection


def _as_sqlalchemy_tells(statement: str, error: Exception) -> BaseException:
    # One family of errors for every statement; the values may be a document, and stay unsaid.
    return DBAPIError.instance(statement, (), error, dbapi2.Error, hide_parameters=True)


def find_rows(
    connection: Connection, statement: str, values: Sequence[Any]
) -> list[tuple[Any, ...]]:
    """All rows that a question brings."""
    rows: list[tuple[Any, ...]] = _run(connection, statement, values).fetchall()
    return rows


def walk_rows(connection: Connection, statement: str) -> Iterator[tuple[Any, ...]]:
    """All rows of a question, one after the other: more than fit into memory are no trouble."""
    try:
        yield from _run(connection, statement, ())
    except dbapi2.Error as error:
        raise _as_sqlalchemy_tells(statement, error) from error


def find_row(
    connection: Connection, statement: str, values: Sequence[Any]
) -> tuple[Any, ...] | None:
    """The row of a question that has at most one."""
    rows = find_rows(connection, statement, values)
    return rows[0] if rows else None


def find_number(connection: Connection, statement: str, values: Sequence[Any]) -> int | None:
    """The only column of a question that has at most one row."""
    rows = find_rows(connection, statement, values)
    return rows[0][0] if rows else None


def add_row(connection: Connection, statement: str, values: Sequence[Any]) -> int:
    """The number that SQLite gave the new row."""
    number: int = _run(connection, statement, values).lastrowid
    return number


def change_rows(connection: Connection, statement: str, values: Sequence[Any]) -> None:
    """Update or delete."""
    _run(connection, statement, values)


def add_rows(connection: Connection, statement: str, rows: Iterable[Sequence[Any]]) -> None:
    """Add every row; none is no fault."""
    try:
        _driver(connection).executemany(statement, rows)
    except dbapi2.Error as error:
        raise _as_sqlalchemy_tells(statement, error) from error
