"""The only module that reads the time; other code gets the time as a parameter."""

import math
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import Final

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The present moment, aware, in UTC."""
    return datetime.now(UTC)


HOUR_S: Final = 3_600


def full_hour_s(moment: datetime) -> int:
    """The Unix seconds of the first full hour that is not before the moment.

    >>> full_hour_s(datetime(2026, 9, 15, 14, 0, 1, tzinfo=UTC)) % HOUR_S
    0
    """
    return math.ceil(moment.timestamp() / HOUR_S) * HOUR_S


steady_s: Final[Callable[[], float]] = partial(time.clock_gettime, time.CLOCK_BOOTTIME)
"""Seconds since the machine started, suspended ones included; a change of the clock moves none."""
