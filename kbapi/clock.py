"""The only module that reads the time; other code gets the time as a parameter."""

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The present moment, aware, in UTC."""
    return datetime.now(UTC)
