"""The only module that reads the time; other code gets the time as a parameter."""

import time
from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The present moment, aware, in UTC."""
    return datetime.now(UTC)


def steady_s() -> float:
    """Seconds since the machine started, suspended times included; no clock change moves them."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)
