"""The one place that turns what a database driver raises into errors that a person can read."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from kbapi.errors import (
    KbapiError,
    StorageBroken,
    StorageBusy,
    StorageFull,
    StorageUnwritable,
)
from kbapi.storage.sqlite_driver import dbapi2

# SQLite's own words for its result codes; the driver hands on no code.
_FAULTS: Final[tuple[tuple[str, type[KbapiError]], ...]] = (
    ("database is locked", StorageBusy),
    ("database table is locked", StorageBusy),
    ("database or disk is full", StorageFull),
    ("readonly database", StorageUnwritable),
    ("disk i/o error", StorageUnwritable),
    ("file is not a database", StorageBroken),
    ("malformed", StorageBroken),
    ("no such table", StorageBroken),
)


@contextmanager
def unwritable_told_as(detail: str) -> Iterator[None]:
    """Say this of what cannot be written, where nobody serves and reading does not go on."""
    try:
        yield
    except StorageUnwritable as fault:
        raise type(fault)(detail) from fault


_NOT_OPENED: Final = (
    "The database file is missing, or this program may not open it. Tell the person who hosts "
    "this instance."
)
_TOO_MANY_OPEN: Final = (
    "Too many files or connections are open. Nothing was stored: try again in a few seconds."
)
_NO_FILES: Final = (errno.EMFILE, errno.ENFILE)
_NO_ROOM: Final = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@contextmanager
def readable_faults() -> Iterator[None]:
    """Raise an error of storage in place of what a driver or the operating system raised."""
    try:
        yield
    except PoolTimeout as error:
        raise StorageBusy from error
    except (DBAPIError, dbapi2.Error) as error:
        words = str(getattr(error, "orig", error)).lower()
        if "unable to open database file" in words:
            raise _why_not_opened() from error
        for said, fault in _FAULTS:
            if said in words:
                raise fault from error
        raise
    except OSError as error:
        if error.errno in _NO_FILES:
            raise StorageBusy(_TOO_MANY_OPEN) from error
        fault = StorageFull if error.errno in _NO_ROOM else StorageUnwritable
        raise fault from error


def _why_not_opened() -> KbapiError:
    """What SQLite does not tell apart: whether anything could be opened at this moment."""
    try:
        os.close(os.open("/", os.O_RDONLY | os.O_CLOEXEC))
    except OSError as error:
        if error.errno in _NO_FILES:
            return StorageBusy(_TOO_MANY_OPEN)
    return StorageBroken(_NOT_OPENED)
