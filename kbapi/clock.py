"""The only module that reads the time; other code gets the time as a parameter."""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import Final

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The present moment, aware, in UTC."""
    return datetime.now(UTC)


steady_s: Final[Callable[[], float]] = partial(time.clock_gettime, time.CLOCK_BOOTTIME)
"""Seconds since the machine started, suspended ones included; a change of the clock moves none."""
