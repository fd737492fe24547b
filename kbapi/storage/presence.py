"""What is there of an instance: nothing, a half-made one, a whole one, or what a lost one left.

The file of the database is made first, then its tables, then the secret. So whatever is there
without what came before it has lost that, and nothing is made in its place.
"""

from pathlib import Path
from typing import Final

from kbapi.errors import StorageUnwritable, UnsafeSetup
from kbapi.settings import Settings
from kbapi.storage import migrations
from kbapi.storage.disk import is_locked_in, log_of
from kbapi.storage.owners import require_may_open

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
    return database.exists() and migrations.current_revision(database) is not None


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
    if is_begun(settings.database_path) and not migrations.holds_nothing(settings.database_path):
        raise UnsafeSetup(
            f"{settings.secret_path.name} is missing beside an existing database. Receipts and "
            "tokens need it. Put the backup of it back."
        )
    return False
