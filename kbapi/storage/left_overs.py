"""What a killed command left in an instance's folder: half-made files that nobody will finish."""

from contextlib import suppress
from pathlib import Path
from typing import Final

from kbapi.settings import Settings
from kbapi.storage.disk import is_read_only
from kbapi.storage.secret import remove_drafts

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
