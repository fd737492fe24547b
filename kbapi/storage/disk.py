"""What the file system says: how much room there is, what may be written, what is written."""

import os
from pathlib import Path


def free_bytes(folder: Path) -> int:
    """How much more may be written to the file system of this folder, in bytes."""
    room = os.statvfs(folder)
    return room.f_bavail * room.f_frsize


def is_read_only(path: Path) -> bool:
    """Whether a file or folder that is there may not be written, by its mode or its file system."""
    return path.exists() and not os.access(path, os.W_OK)


def is_withheld(path: Path) -> bool:
    """Whether a file that is there may not be both read and written."""
    return path.exists() and not os.access(path, os.R_OK | os.W_OK)


def is_sealed(database: Path) -> bool:
    """Whether a database lies, whole and without a log, where nothing at all may be written.

    SQLite needs a file of its own beside a database even to read it, unless it is told that
    nobody will change it.
    """
    return is_read_only(database.parent) and not _has_log(database)


def is_locked_in(database: Path) -> bool:
    """Whether a database lies where nothing may be written, beside a log that needs an index.

    The log holds results, and SQLite cannot read it without the index.
    """
    has_index = index_of(database).exists()
    return is_read_only(database.parent) and _has_log(database) and not has_index


def _has_log(database: Path) -> bool:
    log = log_of(database)
    return log.exists() and log.stat().st_size > 0


def log_of(database: Path) -> Path:
    """Where SQLite keeps the log of changes: beside the file itself, not beside a link to it."""
    return _beside(database, "-wal")


def index_of(database: Path) -> Path:
    """Where SQLite keeps the index of that log, which all who read share."""
    return _beside(database, "-shm")


def _beside(database: Path, ending: str) -> Path:
    file = database.resolve()
    return file.with_name(file.name + ending)


def flush(path: Path) -> None:
    """Bring what is in a file, or which names are in a folder, to the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
