"""Files and folders on disk: free room, read-only media, owners and permissions."""

import os
import pwd
from dataclasses import dataclass
from pathlib import Path

from kbapi.errors import UnsafeSetup
from kbapi.settings import Settings


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


def is_read_only_medium(database: Path) -> bool:
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


@dataclass(frozen=True, slots=True)
class Owner:
    """To whom a file belongs."""

    uid: int
    gid: int


def owner_at(path: Path) -> Owner:
    """Whose the file at this place is, or is to be: as the folder, where there is none.

    One of root's is told as the folder's too: root reads it either way, and nobody else could.
    """
    there = (path if path.exists() else path.parent).stat()
    if there.st_uid == 0:
        there = path.parent.stat()
    return Owner(there.st_uid, there.st_gid)


def give(place: Path | int, owner: Owner) -> None:
    """Let a file or descriptor of ours belong to its owner; only root can, and only root need.

    Raises
    ------
    UnsafeSetup
        When this root may not.
    """
    there = place.stat() if isinstance(place, Path) else os.fstat(place)
    if os.geteuid() != 0 or (there.st_uid, there.st_gid) == (owner.uid, owner.gid):
        return
    try:
        os.chown(place, owner.uid, owner.gid)
    except PermissionError as error:
        raise UnsafeSetup(_run_as("This user may not give a file to {}", owner.uid)) from error


def give_files(settings: Settings, owner: Owner) -> None:
    """Let database, secret and locks belong to whoever is to serve them.

    Raises
    ------
    UnsafeSetup
        When this root may not.
    """
    for path in (
        settings.database_path,
        settings.secret_path,
        settings.use_lock_path,
        settings.write_lock_path,
    ):
        if path.exists():
            give(path, owner)


def open_or_make(path: Path) -> int:
    """A descriptor of a side file that is made where there is none, whoever makes it."""
    try:
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:
        owner = owner_at(path)
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    give(descriptor, owner)
    return descriptor


def require_may_replace(path: Path) -> None:
    """Nothing, unless what would come in the place of a file would belong to somebody else.

    Raises
    ------
    UnsafeSetup
        Naming whose it is.
    """
    if path.exists() and os.geteuid() not in (0, owner_at(path).uid):
        told = f"{path.name} belongs to {{}}, who could not read a file of this user"
        raise UnsafeSetup(_run_as(told, owner_at(path).uid))


def require_may_open(path: Path) -> None:
    """Nothing, unless there is a file that this user may not open: that is no damage of it.

    Raises
    ------
    UnsafeSetup
        Naming what may not be opened, and whose it is.
    """
    for place, need in ((path.parent, os.X_OK), (path, os.R_OK)):
        try:
            uid = place.stat().st_uid
        except PermissionError as error:
            told = f"This user ({_name_of(os.geteuid())}) may not open the folder of {place}."
            raise UnsafeSetup(told) from error
        except OSError:
            return
        if not os.access(place, need, effective_ids=True):
            told = (
                f"This user ({_name_of(os.geteuid())}) may not open {place.name}, which belongs to "
            )
            raise UnsafeSetup(_run_as(told + "{}", uid))


def _run_as(told: str, uid: int) -> str:
    name = _name_of(uid)
    if uid == 0:
        return f"{told.format(name)}. As root, give it to the user of the server (chown)."
    return f"{told.format(name)}. Run this as {name} (sudo -u {name} kbapi ...)."


def _name_of(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"the user of number {uid}"
