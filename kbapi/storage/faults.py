"""The one place that turns what a database driver raises into errors that a person can read."""

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from pysqlite3 import dbapi2
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from kbapi.errors import (
    KbapiError,
    StorageBroken,
    StorageBusy,
    StorageFull,
    StorageUnwritable,
)

# SQLite's own words for its result codes; the driver hands on no code.
_FAULTS: Final[tuple[tuple[str, type[KbapiError]], ...]] = (
    ("database is locked", StorageBusy),
    ("database table is locked", StorageBusy),
    ("database or disk is full", StorageFull),
    ("readonly database", StorageUnwritable),
    ("disk i/o error", StorageUnwritable),
    ("unable to open database file", StorageBroken),
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
        for said, fault in _FAULTS:
            if said in words:
                raise fault from error
        raise
    except OSError as error:
        fault = StorageFull if error.errno in _NO_ROOM else StorageUnwritable
        raise fault from error
