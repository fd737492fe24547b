"""The database of an instance: what the one in a file and the one on a server have in common."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Protocol

from sqlalchemy import Connection

from kbapi.settings import Settings
from kbapi.storage.sql import HotReads
from kbapi.storage.sqlite.database import SqliteDatabase


class Database(Protocol):
    """The connections of one process; each is made at its first use, so never before a fork."""

    @property
    def hot_reads(self) -> HotReads:
        """Reads of single statements without a transaction."""

    def writing(
        self, timeout_s: float, *, shared: bool, once: bytes | None, is_counted: bool
    ) -> AbstractContextManager[Connection]:
        """A connection in a transaction that is stored for good when this returns."""

    def dry_run(self, timeout_s: float) -> AbstractContextManager[Connection]:
        """A connection in a write transaction that is always rolled back."""

    def reading(self) -> AbstractContextManager[Connection]:
        """A read-only connection that sees one state of the database."""

    def alone_with(self, question: str, wait_s: float) -> AbstractContextManager[bool]:
        """Holds a question; whether no other host does, after a wait of at most so many seconds."""

    def overwrite_withdrawn(self) -> None:
        """Overwrite what was deleted, now or soon, as far as the database does that at all."""

    def is_checkpoint_blocked(self) -> bool:
        """Whether a reader or a fault prevents that SQLite's log is emptied."""

    def close(self) -> None:
        """Close the connections."""


def open_database(
    settings: Settings,
    *,
    is_read_only_medium: bool,
    faults: Callable[[], AbstractContextManager[None]],
    note_written: Callable[[], None],
) -> Database:
    """The database that the settings name; nothing is opened yet."""
    if settings.database:
        from kbapi.storage.postgres.database import PostgresDatabase

        return PostgresDatabase(
            settings.database,
            has_pooler=settings.database_pooler,
            faults=faults,
            note_written=note_written,
        )
    return SqliteDatabase(
        settings.database_path,
        settings.write_lock_path,
        is_read_only_medium=is_read_only_medium,
        faults=faults,
        note_written=note_written,
    )
