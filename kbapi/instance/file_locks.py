"""File locks of an instance folder: one for its users, one for its single server.

Replacing a database file under an open connection destroys data: SQLite continues to write to the
old file, or mixes its log with the new one. The kernel frees the locks of a process that ends.
"""

import fcntl
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Final

from kbapi.errors import InstanceInUse, UnsafeSetup
from kbapi.storage.files import is_read_only, open_or_make
from kbapi.storage.sqlite.engine import in_dots, library_version


def acquire_shared_lock(lock_file: Path, *, makes_file: bool = True) -> int | None:
    """A descriptor that holds the shared lock until it is closed, in forked processes too.

    None in a read-only folder without a lock file: no restore is possible there. Without
    `makes_file` also None in any other folder that has none: no process has the instance open.

    Raises
    ------
    InstanceInUse
        While a restore or an upgrade holds the exclusive lock.
    UnsafeSetup
        When this user may not open the lock file.
    OSError
        When the lock file cannot be created, for example on a full disk.
    """
    try:
        descriptor = _open(lock_file)
    except FileNotFoundError:
        if not makes_file or is_read_only(lock_file.parent):
            return None
        descriptor = open_or_make(lock_file)
    _lock(descriptor, fcntl.LOCK_SH)
    return descriptor


@contextmanager
def shared_lock(lock_file: Path, *, makes_file: bool = True) -> Iterator[None]:
    """Hold the shared lock in a `with` block; raises as `acquire_shared_lock`."""
    descriptor = acquire_shared_lock(lock_file, makes_file=makes_file)
    try:
        yield
    finally:
        if descriptor is not None:
            os.close(descriptor)


@contextmanager
def exclusive_lock(lock_file: Path) -> Iterator[None]:
    """Hold the exclusive lock in a `with` block: no other process has the instance open.

    Raises
    ------
    InstanceInUse
        When another process has the instance open.
    UnsafeSetup
        When this user may not open the lock file.
    """
    try:
        descriptor = _open(lock_file)
    except FileNotFoundError:
        descriptor = open_or_make(lock_file)
    _lock(descriptor, fcntl.LOCK_EX)
    try:
        yield
    finally:
        os.close(descriptor)


def _open(lock_file: Path) -> int:
    try:
        return os.open(lock_file, os.O_RDONLY | os.O_CLOEXEC)
    except PermissionError as error:
        raise UnsafeSetup(
            f"{lock_file.name} cannot be opened ({error.strerror}), so another program could "
            f"replace the database. Run 'chown {os.geteuid()} {lock_file}' and 'chmod 600 "
            f"{lock_file}'."
        ) from None


def _lock(descriptor: int, kind: int) -> None:
    try:
        fcntl.flock(descriptor, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise InstanceInUse from None


def acquire_server_lock(home: Path) -> int | None:
    """A descriptor that reserves the folder for one server until it is closed, forked or not.

    The lock is on the folder itself, so that it needs no file and leaves none. None in a read-only
    folder: servers change no file there, so several may run.

    Raises
    ------
    InstanceInUse
        While another server, or a worker that it left, serves the folder.
    UnsafeSetup
        When the file system has no file locks.
    """
    if is_read_only(home):
        return None
    descriptor = os.open(home, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise InstanceInUse(
            f"Another server uses {home}, or is still answering its last requests. Stop it "
            "first, or serve another folder."
        ) from None
    except OSError:
        os.close(descriptor)
        raise UnsafeSetup(
            f"The file system of {home} has no file locks. Use a folder on a local disk."
        ) from None
    return descriptor


@dataclass(slots=True)
class _Hold:
    """The server lock of a folder in this process, and the number of its users there."""

    descriptor: int | None
    uses: int = 0


_holds: Final[dict[tuple[int, int], _Hold]] = {}
_changing_holds: Final = Lock()


def hold_as_only_process(home: Path) -> Callable[[], None]:
    """A function that ends this hold; no other process can use the folder before the last end.

    Forked processes inherit the hold: the only worker of a server has it from its master.

    Raises
    ------
    InstanceInUse
        While another process has the folder.
    UnsafeSetup
        When the file system has no file locks.
    """
    found = home.stat()
    folder = found.st_dev, found.st_ino
    with _changing_holds:
        hold = _holds.get(folder) or _Hold(_acquire_folder(home))
        hold.uses += 1
        _holds[folder] = hold
    return partial(_end_hold, folder)


def _acquire_folder(home: Path) -> int | None:
    try:
        return acquire_server_lock(home)
    except InstanceInUse:
        raise InstanceInUse(
            f"SQLite {in_dots(library_version())} can damage a database that two processes use. "
            f"Another server or command uses {home}. Stop it first, or send the question to the "
            "server with --to."
        ) from None


def _end_hold(folder: tuple[int, int]) -> None:
    with _changing_holds:
        hold = _holds[folder]
        hold.uses -= 1
        if hold.uses == 0:
            del _holds[folder]
            if hold.descriptor is not None:
                os.close(hold.descriptor)


@contextmanager
def as_only_process(home: Path) -> Iterator[None]:
    """Hold the folder in a `with` block: no other process can use it."""
    end = hold_as_only_process(home)
    try:
        yield
    finally:
        end()
