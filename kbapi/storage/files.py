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
    """Whether a database without a log is in a folder that may not be written.

    SQLite needs a file of its own beside a database even to read it, unless it is opened as
    immutable.
    """
    return is_read_only(database.parent) and not _has_log(database)


def is_locked_in(database: Path) -> bool:
    """Whether a database has a log without an index in a folder that may not be written.

    The log holds results, and SQLite cannot read it without the index.
    """
    has_index = index_of(database).exists()
    return is_read_only(database.parent) and _has_log(database) and not has_index


def _has_log(database: Path) -> bool:
    log = log_of(database)
    return log.exists() and log.stat().st_size > 0


def log_of(database: Path) -> Path:
    """Path of SQLite's log of changes: beside the file itself, not beside a link to it."""
    return _beside(database, "-wal")


def index_of(database: Path) -> Path:
    """Path of SQLite's index of that log, which all readers share."""
    return _beside(database, "-shm")


def _beside(database: Path, ending: str) -> Path:
    file = database.resolve()
    return file.with_name(file.name + ending)


def flush(path: Path) -> None:
    """Write the content of a file, or the names in a folder, to the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@dataclass(frozen=True, slots=True)
class Owner:
    """The user and the group that a file belongs to."""

    uid: int
    gid: int


def owner_at(path: Path) -> Owner:
    """The owner of this file, or of its folder where there is no file.

    For a file of root it is the owner of the folder too, because no other user could read it.
    """
    there = (path if path.exists() else path.parent).stat()
    if there.st_uid == 0:
        there = path.parent.stat()
    return Owner(there.st_uid, there.st_gid)


def give(place: Path | int, owner: Owner) -> None:
    """Change the owner of a file or descriptor if this user is root; otherwise do nothing.

    Raises
    ------
    UnsafeSetup
        When the system does not let this root user change the owner.
    """
    there = place.stat() if isinstance(place, Path) else os.fstat(place)
    if os.geteuid() != 0 or (there.st_uid, there.st_gid) == (owner.uid, owner.gid):
        return
    try:
        os.chown(place, owner.uid, owner.gid)
    except PermissionError as error:
        raise UnsafeSetup(_run_as("This user may not give a file to {}", owner.uid)) from error


def give_files(settings: Settings, owner: Owner) -> None:
    """Change the owner of database, secret and locks to the user that serves them.

    Raises
    ------
    UnsafeSetup
        When the system does not let this root user change the owner.
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
    """A descriptor of a side file, which is made with its owner if there is none."""
    try:
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:
        owner = owner_at(path)
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    give(descriptor, owner)
    return descriptor


def require_may_replace(path: Path) -> None:
    """Nothing, unless the file that would replace this one would have another owner.

    Raises
    ------
    UnsafeSetup
        Naming its owner.
    """
    if path.exists() and os.geteuid() not in (0, owner_at(path).uid):
        reason = f"{path.name} belongs to {{}}, who could not read a file of this user"
        raise UnsafeSetup(_run_as(reason, owner_at(path).uid))


def require_may_open(path: Path) -> None:
    """Nothing, unless there is a file that this user may not open.

    Raises
    ------
    UnsafeSetup
        Naming the file and its owner.
    """
    for place, need in ((path.parent, os.X_OK), (path, os.R_OK)):
        try:
            uid = place.stat().st_uid
        except PermissionError as error:
            reason = f"This user ({_name_of(os.geteuid())}) may not open the folder of {place}."
            raise UnsafeSetup(reason) from error
        except OSError:
            return
        if not os.access(place, need, effective_ids=True):
            reason = (
                f"This user ({_name_of(os.geteuid())}) may not open {place.name}, which belongs to "
            )
            raise UnsafeSetup(_run_as(reason + "{}", uid))


def _run_as(reason: str, uid: int) -> str:
    name = _name_of(uid)
    if uid == 0:
        return f"{reason.format(name)}. As root, give it to the user of the server (chown)."
    return f"{reason.format(name)}. Run this as {name} (sudo -u {name} kbapi ...)."


def _name_of(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"the user of number {uid}"
