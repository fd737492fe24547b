"""What counts requests: a file of the instance, or a server that several hosts share."""

from typing import Protocol


class CountsUnavailable(Exception):
    """Nothing can be counted now: locked, broken, or nobody answers."""


class Counts(Protocol):
    """Numbers that only go up and are forgotten after a while, the same for all processes."""

    def incr(self, key: str, expiry: int) -> int:
        """How often this key was counted by now, this time included.

        Raises CountsUnavailable where that cannot be known. What was not counted for `expiry`
        seconds since its first time is forgotten.
        """
        ...
