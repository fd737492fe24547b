"""File locks of an instance folder: who uses it, and the one server that serves it.

A database file that is exchanged under an open connection is lost: SQLite goes on writing to the
old one, or mixes its log with the new one. The kernel frees the lock of whoever dies.
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


def share(lock_file: Path) -> int | None:
    """A descriptor that holds the shared lock until it is closed, in forked processes too.

    None in a folder that may not be written and holds no lock: nothing can be put in place there
    either.

    Raises
    ------
    InstanceInUse
        While another database is being put in place.
    UnsafeSetup
        When the lock may not be opened.
    OSError
        When there is none and it can't be made, for want of room for instance.
    """
    if is_read_only(lock_file.parent) and not lock_file.exists():
        return None
    descriptor = _open(lock_file)
    _lock(descriptor, fcntl.LOCK_SH)
    return descriptor


@contextmanager
def sharing(lock_file: Path) -> Iterator[None]:
    """The shared lock for as long as this lasts."""
    descriptor = share(lock_file)
    try:
        yield
    finally:
        if descriptor is not None:
            os.close(descriptor)


@contextmanager
def alone(lock_file: Path) -> Iterator[None]:
    """Nobody else has the instance open, nor can open it meanwhile.

    Raises
    ------
    InstanceInUse
        When somebody has.
    UnsafeSetup
        When the lock may not be opened.
    """
    descriptor = _open(lock_file)
    _lock(descriptor, fcntl.LOCK_EX)
    try:
        yield
    finally:
        os.close(descriptor)


def _open(lock_file: Path) -> int:
    try:
        return os.open(lock_file, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return open_or_make(lock_file)
    except PermissionError as error:
        if not lock_file.exists():
            raise
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


def serve_alone(home: Path) -> int | None:
    """A descriptor that holds the folder for one server until it is closed, forked or not.

    The folder itself is locked, so that no file is needed and whoever dies leaves none. None where
    nothing may be written: servers share nothing there, and may be several.

    Raises
    ------
    InstanceInUse
        While another server, or what is left of one, serves the folder.
    UnsafeSetup
        When its file system knows no locks.
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
    """The folder's lock in this process, and how many there have a use for it."""

    descriptor: int | None
    uses: int = 0


_holds: Final[dict[tuple[int, int], _Hold]] = {}
_changing_holds: Final = Lock()


def hold_as_only_process(home: Path) -> Callable[[], None]:
    """A function that ends this hold; until the last one ends no other process gets the folder.

    Forked processes inherit the hold: the server's only worker has it from its master, which itself
    does not write.

    Raises
    ------
    InstanceInUse
        While another process has the folder.
    UnsafeSetup
        When its file system has no locks.
    """
    found = home.stat()
    place = found.st_dev, found.st_ino
    with _changing_holds:
        hold = _holds.get(place) or _Hold(_serve_or_use_alone(home))
        hold.uses += 1
        _holds[place] = hold
    return partial(_end_hold, place)


def _serve_or_use_alone(home: Path) -> int | None:
    try:
        return serve_alone(home)
    except InstanceInUse:
        raise InstanceInUse(
            f"SQLite {in_dots(library_version())} can damage a database that two processes use. "
            f"Another server or command uses {home}. Stop it first, or send the question to the "
            "server with --to."
        ) from None


def _end_hold(place: tuple[int, int]) -> None:
    with _changing_holds:
        hold = _holds[place]
        hold.uses -= 1
        if hold.uses == 0:
            del _holds[place]
            if hold.descriptor is not None:
                os.close(hold.descriptor)


@contextmanager
def as_only_process(home: Path) -> Iterator[None]:
    """No other process gets the folder for as long as this lasts."""
    end = hold_as_only_process(home)
    try:
        yield
    finally:
        end()
