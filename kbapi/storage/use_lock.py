"""Who has an instance open holds a shared lock; who puts another database in place, the whole one.

A database file that is exchanged under an open connection is lost: SQLite goes on writing to the
old one, or mixes its log with the new one. The kernel frees the lock of whoever dies.
"""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from kbapi.errors import InstanceInUse, UnsafeSetup
from kbapi.storage.disk import is_read_only
from kbapi.storage.owners import open_or_make


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
