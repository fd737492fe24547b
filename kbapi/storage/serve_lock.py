"""One server serves a folder: a second one would empty what the workers of the first count in."""

import fcntl
import os
from pathlib import Path

from kbapi.errors import InstanceInUse, UnsafeSetup
from kbapi.storage.disk import is_read_only


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
