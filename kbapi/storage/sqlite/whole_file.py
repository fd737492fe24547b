"""A database file as a whole: checked, and copied while others write to it."""

import os
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, inspect, table
from sqlmodel import func, select

from kbapi.errors import StorageBroken
from kbapi.storage.files import flush, give, owner_at
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.engine import driver_of, readable_faults, reading_untouched, session_on
from kbapi.storage.sqlite.schema import current_revision, find_key_id, tables_of_a_secret

_MOST_FAULTS: Final = 20


@dataclass(frozen=True, slots=True)
class TableRows:
    """How many rows a table has."""

    table: str
    rows: int


@dataclass(frozen=True, slots=True)
class Condition:
    """The result of a check of a whole file, in one state of the database."""

    revision: str | None
    rows: tuple[TableRows, ...]
    damage: tuple[str, ...]
    """SQLite's messages about faults of pages and indexes, the first twenty."""
    orphans: tuple[str, ...]
    """Tables that hold rows that refer to nothing."""
    key_ids: tuple[str, ...]
    """Which secrets keyed the hashes in it; none where there are none."""
    own_key_id: str | None
    """Which secret it is served with, None if not recorded."""

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong with it."""
        return not self.damage and not self.orphans

    def rows_of(self, table: str) -> int:
        """How many rows this table has, none where it does not exist."""
        return sum(counted.rows for counted in self.rows if counted.table == table)


def look_through(database: Path) -> Condition:
    """The condition of a database file, which is not touched; others may write meanwhile.

    Raises
    ------
    StorageBroken
        When it is not a database, that of another program, or too damaged to be looked through.
    """
    revision = current_revision(database)
    with reading_untouched(database) as connection:
        return _look(connection, revision)


def copy_whole(source: Path, copy: Path) -> Condition:
    """The condition of a copy of one state of the source, while others go on writing to it.

    The copy is one file, without a log beside it, and on the disk when this returns.

    Raises
    ------
    StorageBroken
        When the source is no database of kbapi, or the copy is unsound or differs from it.
    StorageFull, StorageUnwritable
        When there is no room for it.
    """
    with reading_untouched(source) as original:
        # The transaction holds one state: what is counted is what is copied.
        counted = _count_rows(original)
        with readable_faults(), closing(_open_for_copying(copy)) as copied:
            driver_of(original).backup(copied)
            copied.execute("PRAGMA journal_mode=DELETE").fetchall()
    found = look_through(copy)
    if not found.is_sound or found.rows != counted:
        raise StorageBroken(_reason_of(found))
    with readable_faults():
        flush(copy)
    return found


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


def _look(connection: Connection, revision: str | None) -> Condition:
    pages = connection.exec_driver_sql(f"PRAGMA integrity_check({_MOST_FAULTS})").scalars().all()
    orphans = set(connection.exec_driver_sql("PRAGMA foreign_key_check").scalars())
    return Condition(
        revision=revision,
        rows=_count_rows(connection),
        damage=() if pages == ["ok"] else tuple(pages),
        orphans=tuple(sorted(orphans)),
        key_ids=_key_ids(connection),
        own_key_id=find_key_id(connection),
    )


def _count_rows(connection: Connection) -> tuple[TableRows, ...]:
    return tuple(
        TableRows(
            name, connection.execute(select(func.count()).select_from(table(name))).scalar_one()
        )
        for name in sorted(inspect(connection).get_table_names())
    )


def _key_ids(connection: Connection) -> tuple[str, ...]:
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


def _reason_of(found: Condition) -> str:
    if found.damage:
        return f"The database is damaged: {found.damage[0]}"
    if found.orphans:
        return f"Rows of {', '.join(found.orphans)} have missing references."
    return "The copy has other rows than the database and was deleted. Try again."
