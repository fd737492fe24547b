"""Requests counted by a Redis server that several hosts share, through the `limits` library."""

from importlib.util import find_spec
from typing import Any, Final

from kbapi.errors import UnsafeSetup
from kbapi.storage.rate_counts import CountsUnavailable

_PATIENCE_S: Final = 0.25
"""A server on another host takes longer than a file; what waits longer goes on uncounted."""


def require_rate_library() -> None:
    """Nothing, when what speaks to a Redis server is installed.

    Raises
    ------
    UnsafeSetup
        Saying what to install.
    """
    if find_spec("limits") is None or find_spec("redis") is None:
        raise UnsafeSetup(
            "KBAPI_RATE_STORAGE names a Redis server, but what speaks to one is not installed: "
            "install kbapi[redis], or leave the setting out."
        )


class RateServer:
    """Counts on a Redis server; nothing is sent there before the first request."""

    def __init__(self, url: str) -> None:
        require_rate_library()
        # Imported here: whoever counts in a file need not have it, nor pay for it.
        from limits.storage import storage_from_string

        self._storage: Any = storage_from_string(
            url,
            wrap_exceptions=True,
            key_prefix="kbapi",
            socket_timeout=_PATIENCE_S,
            socket_connect_timeout=_PATIENCE_S,
        )

    def incr(self, key: str, expiry: int) -> int:
        """How often this key was counted by now, this time included; one call of a script.

        Raises
        ------
        CountsUnavailable
            When the server does not answer in time, or not as one should.
        """
        from limits.errors import StorageError

        try:
            return int(self._storage.incr(key, expiry))
        except StorageError as fault:
            raise CountsUnavailable from fault
