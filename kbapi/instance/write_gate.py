"""What is in the folder of an instance, and whether anything can be written there now.

The file of the database is made first, then its tables, then the secret. So whatever is there
without what came before it has lost that, and nothing is made in its place.
"""

import time
from contextlib import suppress
from pathlib import Path
from threading import Lock
from typing import Final

from kbapi.errors import InstanceReadOnly, StorageFull, StorageUnwritable, UnsafeSetup
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

BESIDE: Final = ("-wal", "-shm", "-journal")
"""What SQLite keeps beside a database; of another database it would be poison."""


def draft_beside(database: Path) -> Path:
    """Where a restore writes what is not yet in place: beside the file itself."""
    file = database.resolve()
    return file.with_name(f"{file.name}.restoring")


def remove_database(file: Path) -> None:
    """Take a database away with everything that SQLite keeps beside it."""
    for ending in ("", *BESIDE):
        file.with_name(file.name + ending).unlink(missing_ok=True)


def remove_left_overs(settings: Settings) -> None:
    """Take away half a copy of the database and drafts of the secret, where that may be done.

    For whoever shares the use lock: a restore that goes on holds it alone.
    """
    draft = draft_beside(settings.database_path)
    if settings.read_only or is_read_only(settings.home) or is_read_only(draft.parent):
        return
    with suppress(OSError):  # nobody is kept from serving by them
        remove_database(draft)
        remove_drafts(settings.secret_path.resolve())


_LOST: Final = (
    "Nothing was changed. Put the file back together with its -wal file, or restore a backup. If "
    "nothing was ever stored here, empty the folder: a new instance needs an empty folder."
)


def require_nothing_lost(settings: Settings) -> None:
    """Nothing, unless something of an instance is here without its database.

    Raises
    ------
    UnsafeSetup
        Saying what is gone, and what is left, or that this user may not open it.
    StorageUnwritable
        When it cannot be read before its folder may be written.
    """
    database = settings.database_path
    require_may_open(database)
    log = log_of(database)
    if is_locked_in(database):
        raise StorageUnwritable
    left = [path.name for path in (settings.secret_path, log) if path.exists()]
    if (left or database.is_symlink()) and not database.exists():
        beside = f" beside {' and '.join(left)}" if left else ""
        raise UnsafeSetup(f"{database.name} is missing{beside}. {_LOST}")
    if settings.secret_path.name in left and not is_begun(database):
        raise UnsafeSetup(f"{database.name} is empty beside {settings.secret_path.name}. {_LOST}")


def is_begun(database: Path) -> bool:
    """Whether there is a database with tables, and not just an empty file."""
    return database.exists() and schema.current_revision(database) is not None


def is_whole(settings: Settings) -> bool:
    """Whether there is an instance, and not just the beginning of one.

    Raises
    ------
    UnsafeSetup
        When something is here without what came before it, or without its secret.
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


_LOOK_EVERY_S: Final = 1.0
"""A look costs ten calls of the kernel; nothing that it finds changes within a second by much."""

_FOR_TAKING_BACK: Final = 8
"""Which part of the room to keep stays untouched by what takes something back.

A withdrawal writes to the log before anything gets smaller, and a server that is started needs
some room even to read.
"""


class WriteGate:
    """Opens and closes by itself, with the host's word, the disk's room and the file's mode."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.is_read_only_medium = is_read_only_medium(settings.database_path)
        database = settings.database_path
        beside = log_of(database), index_of(database)
        self._needed = (database, settings.write_lock_path, *beside)
        self._lock = Lock()
        self._looked_at_s = float("-inf")
        self._found: type[StorageUnwritable] | None = None

    def require_open(self, *, takes_back: bool = False) -> None:
        """Nothing, while writes are taken; what takes something back may use most of the reserve.

        Raises
        ------
        InstanceReadOnly
            When the host has set it so.
        StorageFull
            When the disk has less room than is to be kept free.
        StorageUnwritable
            When the folder, the file, or one beside it that writing needs is not ours to write.
        """
        found = self.why_closed()
        if found is None or (takes_back and found is StorageFull and self._has_room_to_take_back()):
            return
        raise found

    def _has_room_to_take_back(self) -> bool:
        settings = self._settings
        return free_bytes(settings.home) >= settings.min_free_bytes // _FOR_TAKING_BACK

    def why_closed(self) -> type[StorageUnwritable] | None:
        """What a write is answered with, None while writes are taken; a second old at most."""
        with self._lock:
            now_s = time.monotonic()
            if now_s - self._looked_at_s >= _LOOK_EVERY_S:
                self._looked_at_s, self._found = now_s, self._look()
            return self._found

    def _look(self) -> type[StorageUnwritable] | None:
        if self._settings.read_only:
            return InstanceReadOnly
        home = self._settings.home
        # Readers of a sealed file would not see what is written: a reload brings new ones.
        if self.is_read_only_medium or is_read_only(home) or any(map(is_withheld, self._needed)):
            return StorageUnwritable
        if free_bytes(home) < self._settings.min_free_bytes:
            return StorageFull
        return None
