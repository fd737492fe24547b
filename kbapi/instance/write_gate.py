"""Which files of an instance exist, and whether the folder can be written now.

An instance is created in this order: database file, tables, secret. So a file without the one
before it means that a file was lost. A lost file is an error and is never created again.
"""

from contextlib import suppress
from pathlib import Path
from typing import Final

from kbapi.errors import (
    InstanceReadOnly,
    StorageBroken,
    StorageFull,
    StorageUnwritable,
    UnsafeSetup,
)
from kbapi.instance.secret import remove_drafts
from kbapi.settings import Settings
from kbapi.storage.files import (
    free_bytes,
    index_of,
    is_locked_in,
    is_read_only,
    is_read_only_medium,
    is_withheld,
    log_of,
    require_may_open,
)
from kbapi.storage.sqlite import schema

SIDE_FILE_ENDINGS: Final = ("-wal", "-shm", "-journal")
"""Endings of the files that SQLite keeps next to a database; they damage any other database."""


def draft_beside(database: Path) -> Path:
    """The path where a restore writes its copy, in the folder of the database file."""
    file = database.resolve()
    return file.with_name(f"{file.name}.restoring")


def remove_database(file: Path) -> None:
    """Remove a database and the files that SQLite keeps next to it."""
    for ending in ("", *SIDE_FILE_ENDINGS):
        file.with_name(file.name + ending).unlink(missing_ok=True)


def remove_partial_files(settings: Settings) -> None:
    """Remove an unfinished copy of the database and drafts of the secret, where that is allowed.

    The caller must hold the shared use lock: a running restore holds the exclusive one.
    """
    draft = draft_beside(settings.database_path)
    if settings.read_only or is_read_only(settings.home) or is_read_only(draft.parent):
        return
    with suppress(OSError):  # they do not prevent serving
        remove_database(draft)
        remove_drafts(settings.secret_path.resolve())


_LOST: Final = (
    "Nothing was changed. Put the file back together with its -wal file, or restore a backup. If "
    "nothing was ever stored here, empty the folder: a new instance needs an empty folder."
)


def require_nothing_lost(settings: Settings) -> None:
    """Raise if a file of the instance exists without its database.

    Raises
    ------
    UnsafeSetup
        When the database is missing or empty although other files exist, or when this user may not
        open it.
    StorageUnwritable
        When SQLite could read the database only if it could write to the folder.
    """
    database = settings.database_path
    require_may_open(database)
    log = log_of(database)
    if is_locked_in(database):
        raise StorageUnwritable
    left = [path.name for path in (settings.secret_path, log) if path.exists()]
    if (left or database.is_symlink()) and not database.exists():
        remaining = f" beside {' and '.join(left)}" if left else ""
        raise UnsafeSetup(f"{database.name} is missing{remaining}. {_LOST}")
    if settings.secret_path.name in left and not is_begun(database):
        raise UnsafeSetup(f"{database.name} is empty beside {settings.secret_path.name}. {_LOST}")


def is_begun(database: Path) -> bool:
    """Whether there is a database with tables, and not just an empty file."""
    try:
        return schema.current_revision(database) is not None
    except StorageBroken:
        if database.exists():
            raise
        return False


def is_whole(settings: Settings) -> bool:
    """Whether the folder has a complete instance.

    Raises
    ------
    UnsafeSetup
        When a file is lost: the database or the secret.
    """
    require_nothing_lost(settings)
    if settings.secret_path.exists():
        return True
    if is_begun(settings.database_path) and not schema.holds_nothing(settings.database_path):
        raise UnsafeSetup(
            f"{settings.secret_path.name} is missing beside an existing database. Receipts and "
            "tokens need it. Put the backup of it back."
        )
    return False


_RESERVE_DIVISOR: Final = 8
"""Withdrawals and revocations leave an eighth of the reserved disk space unused.

A withdrawal writes to the log before the database gets smaller, and a server needs some disk space
to start.
"""


class WriteGate:
    """Whether writes are allowed now: by the settings, the free disk space and the file modes."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.is_read_only_medium = is_read_only_medium(settings.database_path)
        database = settings.database_path
        self._needed = (
            database,
            settings.write_lock_path,
            log_of(database),
            index_of(database),
        )

    def require_open(self, *, takes_back: bool = False) -> None:
        """Raise unless writes are allowed; with `takes_back`, most of the reserve may be used.

        Raises
        ------
        InstanceReadOnly
            When the setting `read_only` is on.
        StorageFull
            When the disk has less free space than `min_free_bytes`.
        StorageUnwritable
            When this process may not write the folder or a file that a write needs.
        """
        found = self.why_closed()
        if found is None or (takes_back and found is StorageFull and self._can_take_back()):
            return
        raise found

    def _can_take_back(self) -> bool:
        settings = self._settings
        return free_bytes(settings.home) >= settings.min_free_bytes // _RESERVE_DIVISOR

    def why_closed(self) -> type[StorageUnwritable] | None:
        """The error that a write gets now, None while writes are allowed."""
        if self._settings.read_only:
            return InstanceReadOnly
        home = self._settings.home
        # Readers of a read-only medium open it as immutable and would not see a new write.
        if self.is_read_only_medium or is_read_only(home) or any(map(is_withheld, self._needed)):
            return StorageUnwritable
        if free_bytes(home) < self._settings.min_free_bytes:
            return StorageFull
        return None
