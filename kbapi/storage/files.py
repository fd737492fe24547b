"""Files and folders on disk: free space, read-only media, owners and permissions.

SQLite makes and removes its log at any time, so one look at a file decides: a file that is gone is
a missing file, and no error.
"""

import os
import pwd
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from kbapi.errors import UnsafeSetup
from kbapi.settings import Settings


def free_bytes(folder: Path) -> int:
    """How much more may be written to the file system of this folder, in bytes."""
    room = os.statvfs(folder)
    return room.f_bavail * room.f_frsize


def size_of(file: Path) -> int:
    """Size of a file in bytes, 0 where there is none."""
    try:
        return file.stat().st_size
    except FileNotFoundError:
        return 0


def is_read_only(path: Path) -> bool:
    """Whether a file or folder that is there may not be written, by its mode or its file system."""
    return _is_denied(path, os.W_OK)


def is_withheld(path: Path) -> bool:
    """Whether a file that is there may not be both read and written."""
    return _is_denied(path, os.R_OK | os.W_OK)


def _is_denied(path: Path, mode: int) -> bool:
    if os.access(path, mode):
        return False
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
    # `access` also refuses a missing file, and this one may have been made since.
    return not os.access(path, mode)


def require_disk_writable(side_file: Path) -> None:
    """Nothing, if the system writes a byte to a side file; SQLite does not pass on why it failed.

    Raises
    ------
    OSError
        With the reason of the system, such as a file system that became read-only by itself.
    """
    descriptor = open_or_make(side_file)
    try:
        os.pwrite(descriptor, b"\n", 0)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def is_read_only_medium(database: Path) -> bool:
    """Whether a database without a log is in a folder that may not be written.

    SQLite needs a file of its own beside a database even to read it, unless it is opened as
    immutable.
    """
    return is_read_only(database.parent) and not size_of(log_of(database))


def is_locked_in(database: Path) -> bool:
    """Whether a database has a log without an index in a folder that may not be written.

    The log holds results, and SQLite cannot read it without the index.
    """
    has_index = index_of(database).exists()
    return is_read_only(database.parent) and size_of(log_of(database)) > 0 and not has_index


def log_of(database: Path) -> Path:
    """Path of SQLite's log of changes: beside the file itself, not beside a link to it."""
    return _beside(database, "-wal")


def index_of(database: Path) -> Path:
    """Path of SQLite's index of that log, which all readers share."""
    return _beside(database, "-shm")


def _beside(database: Path, ending: str) -> Path:
    file = database.resolve()
    return file.with_name(file.name + ending)


def is_copied_by_litestream(database: Path) -> bool:
    """Whether Litestream copies this database: it keeps a folder beside it, also while it is down.

    It copies frames out of the log, and must be the only one to empty it: it does not see what
    others moved into the file, and the copy then has some pages of an earlier state.
    """
    return any(map(os.path.exists, _litestream_folders(database)))


@lru_cache(maxsize=16)
def _litestream_folders(database: Path) -> tuple[Path, ...]:
    # Beside the file or a link to it, whichever the settings of Litestream name.
    paths = {database, database.resolve()}
    return tuple(path.with_name(f".{path.name}-litestream") for path in paths)


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
    try:
        there = path.stat()
    except FileNotFoundError:
        there = path.parent.stat()
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
        with suppress(FileNotFoundError):
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
    if os.geteuid() == 0:
        return
    try:
        uid = path.stat().st_uid
    except FileNotFoundError:
        return
    # A file of root goes to the owner of its folder.
    uid = uid or owner_at(path).uid
    if os.geteuid() != uid:
        reason = f"{path.name} belongs to {{}}, who could not read a file of this user"
        raise UnsafeSetup(_run_as(reason, uid))


def require_may_open(path: Path) -> None:
    """Nothing, unless there is a file that this user may not open.

    Raises
    ------
    UnsafeSetup
        Naming the file and its owner.
    """
    for place, need in ((path.parent, os.X_OK), (path, os.R_OK)):
        if os.access(place, need, effective_ids=True):
            continue
        this_user = f"This user ({_name_of(os.geteuid())}) may not open"
        try:
            uid = place.stat().st_uid
        except PermissionError as error:
            raise UnsafeSetup(f"{this_user} the folder of {place}.") from error
        except OSError:
            return
        if not os.access(place, need, effective_ids=True):  # it may have been made since
            raise UnsafeSetup(_run_as(f"{this_user} {place.name}, which belongs to {{}}", uid))


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
