"""Connections to SQLite: engines, pragmas, faults, sessions, and statements run as written.

A cold path opens a session on the connection of its caller (`session_on`). A hot path runs its
statement on the driver (`find_rows` and the others), because SQLAlchemy costs several times what
SQLite needs for a row. Both use the transaction of the caller, and neither begins nor ends one.
The driver takes and returns SQLite's own types: a date is its ISO text.
"""

import errno
import hashlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import date
from functools import cache, partial
from pathlib import Path
from typing import Any, Final, TypeVar
from urllib.parse import quote

from sqlalchemy import CTE, Connection, FromClause, Select, create_engine, event
from sqlalchemy import Engine as Engine
from sqlalchemy.dialects.sqlite.base import SQLiteCompiler
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlmodel import Session, SQLModel

from kbapi.errors import (
    DiskError,
    KbapiError,
    StorageBroken,
    StorageBusy,
    StorageDamaged,
    StorageFull,
    StorageUnwritable,
    UnsafeSetup,
)
from kbapi.storage.files import is_read_only, is_read_only_medium, log_of
from kbapi.storage.sqlite.driver import dbapi2

Found = TypeVar("Found")

CHECKSUM_DIGITS: Final = 32
"""The length of what `checksum_of` returns."""

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


@contextmanager
def unwritable_as(detail: str) -> Iterator[None]:
    """Replace the text of StorageUnwritable, for commands that no server answers beside."""
    try:
        yield
    except StorageUnwritable as fault:
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
        text = str(getattr(error, "orig", error)).lower()
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


OLDEST_LIBRARY: Final = (3, 40, 0)
"""The oldest SQLite that the tests run with."""
BUSY_TIMEOUT_MS: Final = 5_000
_CHECKPOINT_TIMEOUT_MS: Final = 100

_TRUSTS_NO_SCHEMA: Final = "PRAGMA trusted_schema=OFF"
# In this order: the wait must be set before anything that can meet a lock.
_PRAGMAS: Final = (
    f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}",
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",  # an acknowledged result survives a power cut
    "PRAGMA foreign_keys=ON",
    _TRUSTS_NO_SCHEMA,
    "PRAGMA cell_size_check=ON",
    "PRAGMA mmap_size=0",  # an I/O error must be an error code, not a signal
    f"PRAGMA journal_size_limit={64 * 1024 * 1024}",
    "PRAGMA secure_delete=ON",  # what is withdrawn is overwritten, not only forgotten
)
_READS_ONLY: Final = "PRAGMA query_only=ON"


class _Compiler(SQLiteCompiler):
    """Compiles statements as SQLAlchemy does, with hints such as INDEXED BY after a table."""

    def get_from_hint_text(self, table: FromClause, text: str | None) -> str | None:
        """The hint as it is."""
        return text


def make_writing_engine(database: Path, *, checks_foreign_keys: bool = True) -> Engine:
    """An engine whose every transaction is a writer from its first statement on.

    A deferred transaction that turns writer half-way gets SQLITE_BUSY at once, and the
    driver's own transaction control would leave half of a failed migration behind.
    One connection: writers of a process queue before they take it (`write_queue.py`).
    Only a migration leaves foreign keys unchecked, because dropping a table that it has copied
    would delete what refers to it; it checks them all before it commits.
    """
    last = "PRAGMA foreign_keys=ON" if checks_foreign_keys else "PRAGMA foreign_keys=OFF"
    engine = _make_engine(database, pool_size=1, last_pragma=last, opened=_open)

    @event.listens_for(engine, "begin")
    def begin_immediate(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def checkpoint(engine: Engine) -> bool:
    """Whether the log was written into the database file and emptied; readers may prevent it.

    It waits for them no longer than a short question takes, because all writers wait meanwhile.
    """
    connection = engine.raw_connection()  # no transaction may be open
    try:
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout={_CHECKPOINT_TIMEOUT_MS}")
        ((is_kept, _, _),) = cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        cursor.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
    finally:
        connection.close()
    return not is_kept


def is_checkpoint_blocked(engine: Engine) -> bool:
    """Whether a part of the log cannot be written into the database file now.

    It writes what no reader prevents, and waits for none.
    """
    connection = engine.raw_connection()  # no transaction may be open
    try:
        cursor = connection.cursor()
        ((_, in_log, written),) = cursor.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
    finally:
        connection.close()
    return bool(written < in_log)


def fold_in_log(database: Path) -> None:
    """Write the log that a dead process left into the file, and remove it."""
    engine = make_writing_engine(database)
    try:
        with readable_faults():
            checkpoint(engine)
    finally:
        engine.dispose()


def make_reading_engine(
    database: Path, pool_size: int = 32, *, is_read_only_medium: bool = False
) -> Engine:
    """An engine that cannot write; most threads wait for clients, so few connections suffice.

    On a read-only medium it reads the state of its first connection.
    """
    opened = open_untouched if is_read_only_medium else _open
    engine = _make_engine(database, pool_size, last_pragma=_READS_ONLY, opened=opened)

    @event.listens_for(engine, "begin")
    def begin_deferred(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN")

    return engine


def _make_engine(
    database: Path, pool_size: int, last_pragma: str, opened: Callable[[Path], Any]
) -> Engine:
    engine = create_engine(
        f"sqlite+pysqlite:///{database}",
        module=dbapi2,
        pool_size=pool_size,
        max_overflow=0,
        creator=partial(opened, database),
        hide_parameters=True,  # an error is logged, and a value may be a document
    )
    engine.dialect.statement_compiler = _Compiler

    @event.listens_for(engine, "connect")
    def set_pragmas(dbapi_connection: Any, _record: object) -> None:
        _make_ready(dbapi_connection, last_pragma)

    return engine


def open_reading_connection(database: Path, *, is_read_only_medium: bool = False) -> Any:
    """A connection of the driver itself that cannot write, for the one statement of a hot read."""
    # Opened to write as the engines' are, because only so can it join the log of changes.
    connection = open_untouched(database) if is_read_only_medium else _open(database)
    _make_ready(connection, _READS_ONLY)
    return connection


def _make_ready(connection: Any, last_pragma: str) -> None:
    # Off, so that nothing but the transaction events of the engines begins anything.
    connection.isolation_level = None
    for pragma in (*_PRAGMAS, last_pragma):
        if pragma != _TRUSTS_NO_SCHEMA or has_strict_checks():
            connection.execute(pragma)
    if not has_strict_checks():
        connection.create_function("date", 1, _day_or_none, deterministic=True)


@cache
def has_strict_checks() -> bool:
    """Whether the CHECK constraints of our tables hold with this SQLite as it is.

    SQLite 3.40 refuses `json_valid` in a table of a schema that it does not trust, and lets
    `date('2026-02-30')` pass. There the schema is trusted, and `date` is replaced.
    """
    with closing(dbapi2.connect(":memory:")) as connection:
        connection.execute(_TRUSTS_NO_SCHEMA)
        try:
            connection.execute("CREATE TABLE probe (document TEXT CHECK (json_valid(document)))")
        except dbapi2.OperationalError:
            return False
        (day,) = connection.execute("SELECT date('2026-02-30')").fetchone()
    return bool(day != "2026-02-30")


def _day_or_none(value: object) -> str | None:
    try:
        return date.fromisoformat(str(value)).isoformat()
    except ValueError:
        return None


def _open(database: Path) -> Any:
    """A connection of the driver to an existing file; a missing one is never replaced.

    SQLite would make an empty file, and then delete a log that does not belong to it.
    """
    require_known_library()
    address = f"file:{quote(str(database))}?mode=rw"
    return dbapi2.connect(address, uri=True, check_same_thread=False)


def open_untouched(database: Path) -> Any:
    """A connection of the driver that reads a file as it is, and changes nothing of it."""
    require_known_library()
    address = f"file:{quote(str(database))}?mode={_mode_to_look(database)}"
    connection = dbapi2.connect(address, uri=True, isolation_level=None, check_same_thread=False)
    connection.execute(_READS_ONLY)
    return connection


def _mode_to_look(database: Path) -> str:
    """The mode to open a file in so that it and the files beside it do not change.

    A connection that may write moves a log into the file when it closes. Without a log, SQLite
    makes an empty one even to read, and only a connection that may write removes it. (A log without
    its index, as in a copy by hand, gets one. The journal of a killed transaction is undone,
    because nothing could be read before.)
    """
    if is_read_only_medium(database):
        return "ro&immutable=1"
    return "ro" if log_of(database).exists() or is_read_only(database) else "rw"


@contextmanager
def reading_untouched(database: Path) -> Iterator[Connection]:
    """A connection that sees one state of a file, and changes nothing of it."""
    engine = create_engine(
        f"sqlite+pysqlite:///{database}",
        module=dbapi2,
        creator=partial(open_untouched, database),
        hide_parameters=True,
    )
    try:
        with readable_faults(), engine.connect() as connection:
            connection.exec_driver_sql("BEGIN")
            yield connection
    finally:
        engine.dispose()


def is_wal_reset_affected(version: tuple[int, int, int]) -> bool:
    """Whether this SQLite can corrupt a WAL database that two connections write at once.

    The race came with 3.7.0 and went with 3.51.3, and with the patch releases 3.50.7 and 3.44.6.

    >>> is_wal_reset_affected((3, 40, 1)), is_wal_reset_affected((3, 53, 4))
    (True, False)
    """
    if version < (3, 7, 0) or version >= (3, 51, 3):
        return False
    mended_in = {(3, 50): 7, (3, 44): 6}
    patch = mended_in.get(version[:2])
    return patch is None or version[2] < patch


def needs_one_process() -> bool:
    """Whether one process alone may open a database to write, for which this library is affected.

    The race needs two connections, one of which checkpoints while another writes or checkpoints.
    The lock of `write_queue.py` admits one at a time: a writer, whose commit may checkpoint, the
    emptying of the log, or the end of an instance. The last connection to close checkpoints too,
    under SQLite's exclusive lock on the file. A reading connection does neither: `kbapi backup`
    and `kbapi check` may read beside a server.
    """
    return is_wal_reset_affected(library_version())


def require_known_library() -> None:
    """Nothing, unless this SQLite is older than any that kbapi is tested with.

    Raises
    ------
    UnsafeSetup
        Saying which version is needed.
    """
    if library_version() < OLDEST_LIBRARY:
        raise UnsafeSetup(
            f"SQLite {in_dots(library_version())} is too old. Install SQLite "
            f"{in_dots(OLDEST_LIBRARY)} or newer, or a newer Python."
        )


def in_dots(version: tuple[int, int, int]) -> str:
    """A version in the usual notation.

    >>> in_dots((3, 40, 1))
    '3.40.1'
    """
    return ".".join(map(str, version))


def library_version() -> tuple[int, int, int]:
    """The version of the SQLite library that the engines use."""
    major, minor, patch = dbapi2.sqlite_version_info
    return major, minor, patch


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
            if isinstance(first, DBAPIError) and not driver_of(connection).in_transaction:
                raise first from None
            raise


def hold_state(connection: Connection) -> None:
    """Begin to read: from now on the connection sees the present state, until it ends."""
    # Reads a number of the file, which begins the transaction.
    connection.exec_driver_sql("PRAGMA schema_version")


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
    """A common table expression that SQLite computes once, and does not merge into its query."""
    return statement.cte(name).prefix_with("MATERIALIZED", dialect="sqlite")


def checksum_of(content: str | bytes) -> str:
    """The first half of a SHA-256 in hexadecimal, for contents too long to be in an index.

    >>> checksum_of("{}")
    '44136fa355b3678a1146ad16f7e8649e'
    """
    content = content.encode() if isinstance(content, str) else content
    return hashlib.sha256(content).hexdigest()[:CHECKSUM_DIGITS]


def insert_statement(table: type[SQLModel], columns: Sequence[str]) -> str:
    """The INSERT for these columns of a table, for `add_row` and `add_rows`."""
    values = ", ".join("?" * len(columns))
    return f"INSERT INTO {table.__tablename__} ({', '.join(columns)}) VALUES ({values})"  # noqa: S608


def _run(connection: Connection, statement: str, values: Sequence[Any]) -> Any:
    try:
        return driver_of(connection).execute(statement, values)
    except dbapi2.Error as error:
        raise _as_sqlalchemy_error(statement, error) from error


def driver_of(connection: Connection) -> Any:
    """The connection of the driver under a connection of SQLAlchemy."""
    return connection.connection.driver_connection


def _as_sqlalchemy_error(statement: str, error: Exception) -> BaseException:
    # One family of errors for every statement, without its values, as from the engines.
    return DBAPIError.instance(statement, (), error, dbapi2.Error, hide_parameters=True)


def find_rows(
    connection: Connection, statement: str, values: Sequence[Any]
) -> list[tuple[Any, ...]]:
    """All rows of a statement."""
    rows: list[tuple[Any, ...]] = _run(connection, statement, values).fetchall()
    return rows


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
    """The number of the new row."""
    number: int = _run(connection, statement, values).lastrowid
    return number


def change_rows(connection: Connection, statement: str, values: Sequence[Any]) -> None:
    """Run an UPDATE or a DELETE."""
    _run(connection, statement, values)


def add_rows(connection: Connection, statement: str, rows: Iterable[Sequence[Any]]) -> None:
    """Add these rows; there may be none."""
    try:
        driver_of(connection).executemany(statement, rows)
    except dbapi2.Error as error:
        raise _as_sqlalchemy_error(statement, error) from error


class HotReads:
    """Single statements on one database; a connection for each that reads at the same time."""

    def __init__(
        self,
        database: Path,
        *,
        is_read_only_medium: bool = False,
        faults: Callable[[], AbstractContextManager[None]] = readable_faults,
    ) -> None:
        self._database = database
        self._is_sealed = is_read_only_medium
        self._faults = faults
        self._idle: deque[Any] = deque()

    def rows(self, statement: str, asked: Sequence[Any]) -> list[Any]:
        """All rows of a statement, as they are at this moment.

        Raises
        ------
        StorageBusy, StorageBroken
            When the database can't be read now.
        """
        with self._faults():
            connection = self._take()
            # All rows, because a statement that is not finished holds its snapshot.
            rows: list[Any] = connection.execute(statement, asked).fetchall()
            self._idle.append(connection)
        return rows

    def _take(self) -> Any:
        try:
            return self._idle.pop()
        except IndexError:
            return open_reading_connection(self._database, is_read_only_medium=self._is_sealed)

    def close(self) -> None:
        """Close the connections."""
        while self._idle:
            self._idle.pop().close()
