"""The error of storage in place of what a driver or the operating system raised."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from kbapi.errors import (
    BEING_MOVED,
    MOVED,
    DiskError,
    KbapiError,
    StorageBroken,
    StorageBusy,
    StorageDamaged,
    StorageFull,
    StorageUnreachable,
    StorageUnwritable,
)
from kbapi.storage.sqlite.driver import dbapi2

# SQLite's texts for its result codes; the driver passes on no code.
_FAULTS: Final[tuple[tuple[str, type[KbapiError]], ...]] = (
    ("database is locked", StorageBusy),
    ("database table is locked", StorageBusy),
    ("database or disk is full", StorageFull),
    ("readonly database", StorageUnwritable),
    ("disk i/o error", DiskError),
    ("file is not a database", StorageBroken),
    ("malformed", StorageDamaged),
    ("could not decode to utf-8", StorageDamaged),
    ("no such table", StorageBroken),
)
# The longest beginning of PostgreSQL's SQLSTATE that is here decides (its manual, appendix A).
_POSTGRES_FAULTS: Final[dict[str, type[KbapiError]]] = {
    "08": StorageUnreachable,  # connection exception
    "57P": StorageUnreachable,  # the server stops or starts
    "57014": StorageBusy,  # a time limit ended the statement
    "25P": StorageBusy,  # a time limit ended the transaction
    "53": StorageBusy,  # too many connections, out of memory
    "531": StorageFull,  # disk full
    "40": StorageBusy,  # deadlock, serialization failure
    "23505": StorageBusy,  # another writer added the same row at the same time
    "55": StorageBusy,  # lock not available
    "25006": StorageUnwritable,  # a replica, or a database that is set to read only
    "28": StorageUnreachable,  # the role or its password is refused
    "3D": StorageUnreachable,  # no such database
    "42501": StorageUnwritable,  # the role lacks a privilege
    "42P01": StorageBroken,  # no such table
    "58": DiskError,  # error of the file system
    "XX": StorageDamaged,  # damaged data or index
}


@contextmanager
def unwritable_as(detail: str) -> Iterator[None]:
    """Replace the text of StorageUnwritable, for commands that no server answers beside.

    That an instance was moved stays as it is.
    """
    try:
        yield
    except StorageUnwritable as fault:
        if fault.detail in (BEING_MOVED, MOVED):
            raise
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
        if not isinstance(getattr(error, "orig", error), dbapi2.Error):
            found = fault_of_postgres(getattr(error, "orig", None) or error)
            if found is None:
                raise
            raise found from error
        text = str(getattr(error, "orig", error)).lower()
        if "unable to open database file" in text:
            raise _why_not_opened() from error
        for part, fault in _FAULTS:
            if part in text:
                raise fault from error
        raise
    except UnicodeDecodeError as error:  # only damage makes a text that is not UTF-8
        raise StorageBroken from error
    except OSError as error:
        if error.errno in _NO_FILES:
            raise StorageBusy(_TOO_MANY_OPEN) from error
        raise fault_of_system(error)() from error


def fault_of_postgres(error: BaseException) -> type[KbapiError] | None:
    """The error of storage for one of the driver of PostgreSQL; None where kbapi is at fault.

    An error without a code is about the connection.
    """
    code: str | None = getattr(error, "sqlstate", None)
    if code is None:
        return StorageUnreachable if type(error).__name__ == "OperationalError" else None
    beginnings = (code[:length] for length in range(len(code), 0, -1))
    return next((_POSTGRES_FAULTS[one] for one in beginnings if one in _POSTGRES_FAULTS), None)


def fault_of_system(error: OSError) -> type[StorageUnwritable]:
    """The error of storage for one of the operating system that is about a disk."""
    if error.errno in _NO_ROOM:
        return StorageFull
    return DiskError if error.errno == errno.EIO else StorageUnwritable


def _why_not_opened() -> KbapiError:
    """Why SQLite opened no file: too many are open, or this one is missing."""
    try:
        os.close(os.open("/", os.O_RDONLY | os.O_CLOEXEC))
    except OSError as error:
        if error.errno in _NO_FILES:
            return StorageBusy(_TOO_MANY_OPEN)
    return StorageBroken(_NOT_OPENED)
