"""How many files a worker may have open, and how many of them are left for connections."""

import resource
from contextlib import suppress
from typing import Final

from kbapi.errors import UnsafeSetup

MOST_CONNECTIONS: Final = 1_000
_OF_A_WORKER: Final = 128
_OF_A_THREAD: Final = 4
"""A connection to the database by each of two ways, each with the file and its log."""


def files_wanted(threads: int) -> int:
    """How many files a worker with so many threads and as many connections as it takes opens.

    >>> files_wanted(64)
    1384
    """
    return _OF_A_WORKER + _OF_A_THREAD * threads + MOST_CONNECTIONS


def room_for_connections(threads: int) -> int:
    """How many connections a worker takes, so that files are left for what it answers from.

    This process, and what it forks, may have as many open from now on as that needs, as far as it
    is allowed to.

    Raises
    ------
    UnsafeSetup
        When that is not even one for each thread, and one more that waits.
    """
    wanted = files_wanted(threads)
    allowed, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    if 0 <= allowed < wanted:
        raised = wanted if most == resource.RLIM_INFINITY else min(wanted, most)
        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (raised, most))
        allowed, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    room = MOST_CONNECTIONS if allowed < 0 else MOST_CONNECTIONS - max(0, wanted - allowed)
    if room <= threads:
        raise UnsafeSetup(
            f"A process may open only {allowed} files here, too few for {threads} threads. Raise "
            f"the limit (ulimit -n, LimitNOFILE=) to {wanted}, or use fewer --threads."
        )
    return room
