"""An instance's database in a SQLite file: writers in one line, readers beside them."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from functools import cached_property
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine

from kbapi.errors import KbapiError
from kbapi.storage.faults import readable_faults
from kbapi.storage.sqlite.engine import (
    HotReads,
    is_checkpoint_blocked,
    make_reading_engine,
    make_writing_engine,
    needs_one_process,
)
from kbapi.storage.sqlite.write_queue import CheckpointRetry, SharedCommit, write_lock_held

_CLOSING_LOCK_TIMEOUT_S: Final = 5.0
"""After that, closing continues: SQLite's own lock on the file also protects a last checkpoint."""


class SqliteDatabase:
    """The connections of one process to the file; made at their first use."""

    def __init__(
        self,
        file: Path,
        write_lock: Path,
        *,
        is_read_only_medium: bool,
        faults: Callable[[], AbstractContextManager[None]],
        note_written: Callable[[], None],
    ) -> None:
        self._file, self._write_lock = file, write_lock
        self._is_read_only_medium = is_read_only_medium
        self._note_written = note_written
        self.hot_reads = HotReads(file, is_read_only_medium=is_read_only_medium, faults=faults)

    @contextmanager
    def writing(
        self, timeout_s: float, *, shared: bool, once: bytes | None, is_counted: bool
    ) -> Iterator[Connection]:
        """A connection in a transaction that is on the disk when this returns.

        All writers follow one another, so that `shared` and `once` change nothing.

        Raises
        ------
        StorageBusy
            When it cannot begin within `timeout_s` seconds.
        """
        _ = shared, once
        with self._commits.taking_part(timeout_s, is_counted=is_counted) as connection:
            yield connection

    @contextmanager
    def dry_run(self, timeout_s: float) -> Iterator[Connection]:
        """A connection in a write transaction that is always rolled back."""
        with (
            write_lock_held(self._write_lock, timeout_s),
            self._writing_engine.connect() as connection,
            connection.begin() as transaction,
        ):
            yield connection
            transaction.rollback()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A read-only connection that sees one state of the database."""
        with self._reading_engine.begin() as connection:
            yield connection

    def alone_with(self, question: str, wait_s: float) -> AbstractContextManager[bool]:
        """Always true: no other host opens the file."""
        _ = question, wait_s
        return nullcontext(True)

    def overwrite_withdrawn(self) -> None:
        """Fold the write-ahead log into the database file and empty it, now or soon.

        Deleted rows are overwritten in the file (`secure_delete`), but the log keeps them until
        then. A reader that is active now delays this; the caller does not wait for it.
        """
        self._checkpoint_retry.begin()

    def is_checkpoint_blocked(self) -> bool:
        """Whether a reader or a fault prevents that the log is written into the database file."""
        with readable_faults(), write_lock_held(self._write_lock, _CLOSING_LOCK_TIMEOUT_S):
            return is_checkpoint_blocked(self._writing_engine)

    @cached_property
    def _commits(self) -> SharedCommit:
        return SharedCommit(self._write_lock, self._writing_engine.connect, self._note_written)

    @cached_property
    def _checkpoint_retry(self) -> CheckpointRetry:
        return CheckpointRetry(self._write_lock, self._writing_engine)

    @cached_property
    def _writing_engine(self) -> Engine:
        return make_writing_engine(self._file)

    @cached_property
    def _reading_engine(self) -> Engine:
        return make_reading_engine(self._file, is_read_only_medium=self._is_read_only_medium)

    def close(self) -> None:
        """Close the connections; SQLite folds the log into the file when the last one closes."""
        self._checkpoint_retry.close()
        with self._closing_lock():
            self._writing_engine.dispose()
            self._reading_engine.dispose()
            self.hot_reads.close()

    @contextmanager
    def _closing_lock(self) -> Iterator[None]:
        """The write lock, if SQLite is affected and the lock is free soon."""
        with ExitStack() as held:
            if needs_one_process():
                with suppress(KbapiError), readable_faults():
                    lock = write_lock_held(self._write_lock, _CLOSING_LOCK_TIMEOUT_S)
                    held.enter_context(lock)
            yield
