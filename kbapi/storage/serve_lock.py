"""One server serves a folder: a second one would empty what the workers of the first count in."""

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
from kbapi.storage.disk import is_read_only
from kbapi.storage.sqlite import in_dots, library_version


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
