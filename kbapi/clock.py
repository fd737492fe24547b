"""The only place that reads the time; everything else is handed it."""

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The present moment, aware, in UTC."""
    return datetime.now(UTC)
