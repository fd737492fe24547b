"""Connections to SQLite: engines, pragmas, faults, sessions, and statements run as written.

A cold path opens a session on the connection of its caller (`session_on`). A hot path runs its
statement on the driver (`find_rows` and the others), because SQLAlchemy costs several times what
SQLite needs for a row. Both use the transaction of the caller, and neither begins nor ends one.
The driver takes and returns SQLite's own types: a date is its ISO text.
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import date
from functools import cache, partial
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from sqlalchemy import Connection, FromClause, create_engine, event
from sqlalchemy import Engine as Engine
from sqlalchemy.dialects.sqlite.base import SQLiteCompiler

from kbapi.errors import (
    UnsafeSetup,
)
from kbapi.storage.files import (
    is_copied_by_litestream,
    is_read_only,
    is_read_only_medium,
    log_of,
)
from kbapi.storage.sql import driver_of, readable_faults
from kbapi.storage.sqlite.driver import dbapi2

OLDEST_LIBRARY: Final = (3, 40, 0)
"""The oldest SQLite that the tests run with."""
BUSY_TIMEOUT_MS: Final = 5_000
_CHECKPOINT_TIMEOUT_MS: Final = 100
_CHECKPOINT_AFTER_PAGES: Final = 1_000
"""A commit that makes the log longer moves it into the file, as SQLite does by itself."""

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
    One connection: writers of a process queue before they take it (`database.py`).
    Only a migration leaves foreign keys unchecked, because dropping a table that it has copied
    would delete what refers to it; it checks them all before it commits.
    """
    last = "PRAGMA foreign_keys=ON" if checks_foreign_keys else "PRAGMA foreign_keys=OFF"
    engine = _make_engine(database, pool_size=1, last_pragma=last, opened=_open)

    @event.listens_for(engine, "begin")
    def begin_immediate(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        # Each time, because Litestream may have been started meanwhile.
        after_pages = 0 if is_copied_by_litestream(database) else _CHECKPOINT_AFTER_PAGES
        driver_of(connection).execute(f"PRAGMA wal_autocheckpoint={after_pages}").fetchall()

    return engine


def checkpoint(engine: Engine, database: Path) -> bool:
    """Whether the log was written into the database file and emptied; readers may prevent it.

    It waits for them no longer than a short question takes, because all writers wait meanwhile.
    Where Litestream copies the database, it does nothing.
    """
    if is_copied_by_litestream(database):
        return False
    connection = engine.raw_connection()  # no transaction may be open
    try:
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout={_CHECKPOINT_TIMEOUT_MS}")
        ((is_kept, _, _),) = cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        cursor.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
    finally:
        connection.close()
    return not is_kept


def is_checkpoint_blocked(engine: Engine, database: Path) -> bool:
    """Whether a part of the log cannot be written into the database file now.

    It writes what no reader prevents, and waits for none. Where Litestream copies the database,
    all of the log is left to it.
    """
    if is_copied_by_litestream(database):
        return True
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
            checkpoint(engine, database)
    finally:
        # Closing does it too where no other program has the file open.
        engine.dispose()


def make_filling_engine(database: Path) -> Engine:
    """An engine that fills a new file, which is thrown away if that breaks off."""
    engine = make_writing_engine(database, checks_foreign_keys=False)

    @event.listens_for(engine, "connect")
    def keep_no_journal(dbapi_connection: Any, _record: object) -> None:
        for pragma in ("journal_mode=DELETE", "journal_mode=OFF", "synchronous=OFF"):
            dbapi_connection.execute(f"PRAGMA {pragma}").fetchall()

    return engine


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
    The lock of `database.py` admits one at a time: a writer, whose commit may checkpoint, the
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
