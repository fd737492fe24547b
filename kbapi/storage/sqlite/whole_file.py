"""A database file as a whole: checked, and copied while others write to it.

A check finds each changed bit: SQLite compares the indexes with the rows, which repeat each value
between them. Longer values have a checksum beside them (`columns.py`).
"""

import hashlib
import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import orjson
from sqlalchemy import Column, Connection, LargeBinary, Select, cast, column, inspect, table
from sqlalchemy import select as select_columns
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlmodel import col, func, or_, select

from kbapi.errors import StorageBroken
from kbapi.storage.columns import CHECKSUM_OF
from kbapi.storage.files import flush, give, owner_at
from kbapi.storage.schema import (
    METADATA,
    current_revision,
    find_changed_definitions,
    find_key_id,
    head_revision,
    tables_of_a_secret,
    upgrade_file,
)
from kbapi.storage.sql import checksum_of, driver_of, is_sqlite, readable_faults, session_on
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.engine import (
    library_version,
    make_filling_engine,
    reading_untouched,
)
from kbapi.storage.tables import Submission

Row = TypeVar("Row", bound=Sequence[Any])
Progress = Callable[[str, int, int], None]
"""Called with the name of a step, and how much of how much is done."""

_MOST_FAULTS: Final = 20
_COMPARES_INDEXES: Final = (3, 45, 0)
"""Older libraries take an index entry that was cut off for one that fits (seen in 3.40)."""
_MOST_RESULTS_NAMED: Final = 3
_PAGES_AT_ONCE: Final = 1_000
_ROWS_AT_ONCE: Final = 1_000


def no_progress(_step: str, _done: int, _total: int) -> None:
    """Report nothing."""


@dataclass(frozen=True, slots=True)
class TableRows:
    """How many rows a table has."""

    table: str
    rows: int


@dataclass(frozen=True, slots=True)
class TableDigest:
    """How many rows a table has, and the SHA-256 of all of them."""

    table: str
    rows: int
    sha256: str


@dataclass(frozen=True, slots=True)
class ChangedRows:
    """Rows of a table that differ from their checksum or their index."""

    table: str
    rows: int
    results: tuple[str, ...]
    """Ids of the first few results that they belong to."""


@dataclass(frozen=True, slots=True)
class Condition:
    """The result of a check of a whole file, in one state of the database."""

    revision: str | None
    rows: tuple[TableRows, ...]
    damage: tuple[str, ...]
    """SQLite's messages about faults of pages and indexes, the first twenty."""
    changed: tuple[ChangedRows, ...]
    """Rows that were not written as they are now."""
    changed_definitions: tuple[str, ...]
    """Tables and indexes whose definition is not the one of this program."""
    orphans: tuple[str, ...]
    """Tables that hold rows that refer to nothing."""
    key_ids: tuple[str, ...]
    """Which secrets keyed the hashes in it; none where there are none."""
    own_key_id: str | None
    """Which secret it is served with, None if not recorded."""

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong with it."""
        return not (self.damage or self.changed or self.changed_definitions or self.orphans)

    def rows_of(self, table: str) -> int:
        """How many rows this table has, none where it does not exist."""
        return sum(counted.rows for counted in self.rows if counted.table == table)


def look_through(database: Path, progress: Progress = no_progress) -> Condition:
    """The condition of a database file, which is not touched; others may write meanwhile.

    Raises
    ------
    StorageBroken
        When it is not a database, that of another program, or too damaged to be looked through.
    """
    with _any_fault_as_damage():
        revision = current_revision(database)
        with reading_untouched(database) as connection:
            return _look(connection, revision, progress)


def copy_whole(source: Path, copy: Path, progress: Progress = no_progress) -> Condition:
    """The condition of a copy of one state of the source, while others go on writing to it.

    The copy is one file, without a log beside it, and on the disk when this returns.

    Raises
    ------
    StorageBroken
        When the source is no database of kbapi, or the copy is unsound or differs from it.
    StorageFull, StorageUnwritable
        When there is no room for it.
    """

    def copied_pages(_status: int, remaining: int, total: int) -> None:
        progress("copied pages", total - remaining, total)

    with reading_untouched(source) as original:
        # The transaction holds one state: what is counted is what is copied.
        counted = count_rows(original)
        with readable_faults(), closing(_open_for_copying(copy)) as copied:
            driver_of(original).backup(copied, pages=_PAGES_AT_ONCE, progress=copied_pages)
            copied.execute("PRAGMA journal_mode=DELETE").fetchall()
    found = look_through(copy, progress)
    if not found.is_sound or found.rows != counted:
        raise StorageBroken(reason_of(found))
    with readable_faults():
        flush(copy)
    return found


@contextmanager
def filling(file: Path, revision: str) -> Iterator[Connection]:
    """A connection that fills the tables of a new file, which is on the disk after the block."""
    with readable_faults():
        upgrade_file(file, revision)
        engine = make_filling_engine(file)
        try:
            with engine.begin() as connection:
                yield connection
        finally:
            engine.dispose()
        flush(file)


def digest_tables(database: Path, progress: Progress = no_progress) -> tuple[TableDigest, ...]:
    """The SHA-256 of the rows of each table, in the order of its primary key.

    A row is a JSON array and a line feed; bytes are a text of hexadecimal digits.

    Raises
    ------
    StorageBroken
        When the rows cannot be read.
    """
    with _any_fault_as_damage(), reading_untouched(database) as connection:
        counted = count_rows(connection)
        total, done, digests = sum(one.rows for one in counted), 0, []
        for one in counted:
            rows = counting(_rows_in_order(connection, one.table), "rows", done, total, progress)
            digests.append(digest_rows(one.table, rows))
            done += one.rows
        return tuple(digests)


class Digest:
    """The number and the SHA-256 of rows that are passed on."""

    def __init__(self) -> None:
        self.rows = 0
        self._sha256 = hashlib.sha256()

    def of(self, rows: Iterable[Row]) -> Iterator[Row]:
        """The same rows; each is a JSON array and a line feed, bytes are hexadecimal digits."""
        for row in rows:
            self._sha256.update(
                orjson.dumps(row, default=bytes.hex, option=orjson.OPT_APPEND_NEWLINE)
            )
            self.rows += 1
            yield row

    def of_table(self, table: str) -> TableDigest:
        """The digest of the table that had these rows."""
        return TableDigest(table, self.rows, self._sha256.hexdigest())


def digest_rows(table: str, rows: Iterable[Sequence[Any]]) -> TableDigest:
    """The digest of these rows of a table."""
    digest = Digest()
    for _ in digest.of(rows):
        pass
    return digest.of_table(table)


def counting(
    rows: Iterable[Row], step: str, done: int, total: int, progress: Progress
) -> Iterator[Row]:
    """The same rows; reports how many of all were taken."""
    for row in rows:
        yield row
        done += 1
        if done % _ROWS_AT_ONCE == 0 or done == total:
            progress(step, done, total)


def _rows_in_order(connection: Connection, name: str) -> Iterator[tuple[Any, ...]]:
    # Without the types of the tables, so that each value is as SQLite has it.
    names: list[Any] = [column(one["name"]) for one in inspect(connection).get_columns(name)]
    ordered: list[Any] = [column(one) for one in key_of(connection, name) or ["rowid"]]
    rows = connection.execute(select_columns(*names).select_from(table(name)).order_by(*ordered))
    return map(tuple, rows)


@contextmanager
def _any_fault_as_damage() -> Iterator[None]:
    """Raise StorageBroken for faults of SQLite that a sound file does not have."""
    try:
        with readable_faults():
            yield
    except (SQLAlchemyError, dbapi2.Error) as fault:
        raise StorageBroken from fault


def _open_for_copying(copy: Path) -> Any:
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    owner = owner_at(copy)
    os.close(os.open(copy, flags, 0o600))
    give(copy, owner)
    connection = dbapi2.connect(copy, isolation_level=None)
    # A copy that breaks off is thrown away, and a whole one is flushed at its end.
    connection.execute("PRAGMA journal_mode=OFF").fetchall()
    connection.execute("PRAGMA synchronous=OFF")
    return connection


def _look(connection: Connection, revision: str | None, progress: Progress) -> Condition:
    progress("pages and indexes", 0, 1)
    pages = connection.exec_driver_sql(f"PRAGMA integrity_check({_MOST_FAULTS})").scalars().all()
    damage = () if pages == ["ok"] else tuple(pages)
    progress("pages and indexes", 1, 1)
    is_current = revision == head_revision()
    return Condition(
        revision=revision,
        rows=count_rows(connection),
        damage=damage,
        changed=_changed_rows(connection, damage, progress),
        changed_definitions=find_changed_definitions(connection) if is_current else (),
        orphans=tuple(
            sorted(set(connection.exec_driver_sql("PRAGMA foreign_key_check").scalars()))
        ),
        key_ids=key_ids_in(connection),
        own_key_id=find_key_id(connection),
    )


def _changed_rows(
    connection: Connection, damage: tuple[str, ...], progress: Progress
) -> tuple[ChangedRows, ...]:
    """The rows that differ from their checksum, and those that differ from an index."""
    differing = {index for message in damage for index in re.findall(r"index (\w+)", message)}
    compares_all = library_version() >= _COMPARES_INDEXES
    found: list[ChangedRows] = []
    try:
        for name in sorted(inspect(connection).get_table_names()):
            keys = _unlike_checksums(connection, name, progress)
            indexes = _indexes_of(connection, name)
            for index in indexes & differing if compares_all else indexes:
                keys |= _unlike_index(connection, name, index)
            if keys:
                found.append(ChangedRows(name, len(keys), results_of(connection, name, keys)))
    except (DBAPIError, dbapi2.DatabaseError):
        if not damage:
            raise
    return tuple(found)  # where pages are damaged, only those that can be read


Keys = set[tuple[Any, ...]]


def _unlike_checksums(connection: Connection, name: str, progress: Progress) -> Keys:
    """The primary keys of rows with a content that its checksum does not fit."""
    known, stored = METADATA.tables.get(name), _columns_of(connection, name)
    keys: Keys = set()
    for checksum in known.columns if known is not None else ():
        content = checksum.info.get(CHECKSUM_OF)
        if content is not None and {checksum.name, content} <= stored:
            statement = _wrong_checksums(checksum, checksum.table.columns[content])
            with _counting_checksums(connection, name, progress):
                keys |= {tuple(row) for row in connection.execute(statement)}
    return keys


def _wrong_checksums(checksum: Column[Any], content: Column[Any]) -> Select[*tuple[Any, ...]]:
    of_type = "blob" if isinstance(content.type, LargeBinary) else "text"
    return select_columns(*checksum.table.primary_key).where(
        or_(
            func.typeof(content) != of_type,
            func.typeof(checksum) != "text",
            func.checksum(cast(content, LargeBinary)) != checksum,
        )
    )


@contextmanager
def _counting_checksums(connection: Connection, name: str, progress: Progress) -> Iterator[None]:
    """Let SQL call `checksum` while rows of this table are read; reports how many it read."""
    total = _rows_in(connection, name)
    done = 0

    def checksum(content: bytes) -> str:
        nonlocal done
        done += 1
        if done % _ROWS_AT_ONCE == 0 or done == total:
            progress(f"checksums of {name}", done, total)
        return checksum_of(content)

    driver_of(connection).create_function("checksum", 1, checksum)
    yield


def _unlike_index(connection: Connection, name: str, index: str) -> Keys:
    """The primary keys of rows whose values differ from those of the index, or are missing."""
    key = key_of(connection, name)
    parts = connection.exec_driver_sql(f"PRAGMA index_xinfo({index})").all()
    columns = [*key, *(str(part[2]) for part in parts if part[2] is not None)]
    wanted = ", ".join(f'"{column}"' for column in columns)
    rows = f"SELECT {wanted} FROM {name} NOT INDEXED"  # noqa: S608
    entries = f"SELECT {wanted} FROM {name} INDEXED BY {index}"  # noqa: S608
    return {
        tuple(row[: len(key)])
        for one, other in ((rows, entries), (entries, rows))
        for row in driver_of(connection).execute(f"{one} EXCEPT {other}")
    }


def key_of(connection: Connection, name: str) -> list[str]:
    """The columns of the primary key of a table."""
    if not is_sqlite(connection):
        return [column.name for column in METADATA.tables[name].primary_key]
    return inspect(connection).get_pk_constraint(name)["constrained_columns"]


def _columns_of(connection: Connection, name: str) -> set[str]:
    return {str(row[1]) for row in connection.exec_driver_sql(f"PRAGMA table_info({name})")}


def _indexes_of(connection: Connection, name: str) -> set[str]:
    """The indexes of a table with an entry for each row."""
    listed = connection.exec_driver_sql(f"PRAGMA index_list({name})").all()
    return {str(index[1]) for index in listed if not index[4]}


def results_of(connection: Connection, name: str, keys: Keys) -> tuple[str, ...]:
    """Public ids of the first few results that these rows belong to."""
    changed: Any = METADATA.tables[name].columns if name in METADATA.tables else {}
    of = "id" if name == Submission.__tablename__ else "submission_id"
    if of not in changed or key_of(connection, name) != ["id"]:
        return ()
    first = [key[0] for key in sorted(keys, key=repr)[:_MOST_RESULTS_NAMED]]
    numbers = select_columns(changed[of]).where(changed["id"].in_(first))
    ids = select(Submission.public_id).where(col(Submission.id).in_(numbers))
    return tuple(str(row[0]) for row in connection.execute(ids.order_by(col(Submission.id))))


def _rows_in(connection: Connection, name: str) -> int:
    count = connection.execute(select(func.count()).select_from(table(name))).scalar_one()
    return int(count)


def count_rows(connection: Connection) -> tuple[TableRows, ...]:
    """How many rows each table has, in the order of the names."""
    names = sorted(inspect(connection).get_table_names())
    return tuple(TableRows(name, _rows_in(connection, name)) for name in names)


def key_ids_in(connection: Connection) -> tuple[str, ...]:
    """Which secrets keyed the hashes of a database."""
    with session_on(connection) as session:
        return tuple(
            sorted(
                {
                    key_id
                    for table in tables_of_a_secret(connection)
                    for key_id in session.exec(select(table.key_id).distinct())
                }
            )
        )


def reason_of(found: Condition) -> str:
    """Why a database that is not sound is not used."""
    if found.changed:
        return f"The database is damaged: changed values in {found.changed[0].table}."
    if found.damage:
        return f"The database is damaged: {found.damage[0]}"
    if found.changed_definitions:
        return f"The database is damaged: the definition of {found.changed_definitions[0]} changed."
    if found.orphans:
        return f"Rows of {', '.join(found.orphans)} have missing references."
    return "The copy has other rows than the database and was deleted. Try again."
