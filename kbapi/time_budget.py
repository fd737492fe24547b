"""A time budget for each request: `check_time` ends work that took too long.

The budget of a document or a question is CPU time of its thread: a wait for a lock or a busy core
is no property of what was sent. The budget of a batch is elapsed time, which is never less than CPU
time: its sender waits, and the server must be able to end.
"""

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from time import monotonic, thread_time
from typing import Final

from kbapi.errors import TooCostly


@dataclass(frozen=True, slots=True)
class TimeLimit:
    """How long a kind of request may take, and what to change if it takes longer."""

    what: str
    seconds: float
    advice: str
    elapsed_s: Callable[[], float]


# Looked up at each call, so that a test can replace these clocks.
def _cpu_s() -> float:
    return thread_time()


def _wall_s() -> float:
    return monotonic()


DOCUMENT_TIME: Final = TimeLimit("document", 2.0, "Send a smaller document.", _cpu_s)
QUESTION_TIME: Final = TimeLimit("question", 5.0, "Ask for less.", _cpu_s)
BATCH_TIME: Final = TimeLimit("batch", 20.0, "Send a smaller batch.", _wall_s)


class _Budget:
    """A limit, and the time at which it is reached."""

    __slots__ = ("limit", "until_s")

    def __init__(self, limit: TimeLimit) -> None:
        self.limit = limit
        self.until_s = limit.elapsed_s() + limit.seconds

    def left_s(self) -> float:
        """Seconds until the limit; negative after it."""
        return self.until_s - self.limit.elapsed_s()


_BETWEEN_STEPS: Final[ContextVar[Callable[[], None] | None]] = ContextVar("pause", default=None)
_BUDGET: Final[ContextVar[_Budget | None]] = ContextVar("time budget", default=None)


def begin_time(limit: TimeLimit | None) -> None:
    """Give the work of this thread a new budget from now on, or none."""
    _BUDGET.set(None if limit is None else _Budget(limit))


@contextmanager
def between_steps(pause: Callable[[], None]) -> Iterator[None]:
    """Call `pause` after each step of the work."""
    token = _BETWEEN_STEPS.set(pause)
    try:
        yield
    finally:
        _BETWEEN_STEPS.reset(token)


@contextmanager
def limited_time(limit: TimeLimit) -> Iterator[None]:
    """Give a part of the work a budget of its own; afterwards the former one holds again."""
    former = _BUDGET.set(_Budget(limit))
    try:
        yield
    finally:
        _BUDGET.reset(former)


def time_left_s() -> float:
    """Seconds until the end of the budget, without end where there is none.

    >>> time_left_s()
    inf
    """
    budget = _BUDGET.get()
    return math.inf if budget is None else budget.left_s()


def check_time(step: str) -> None:
    """Nothing within the budget, or where there is none; `step` is the work that just ended.

    Raises
    ------
    TooCostly
        When the budget is used up; the detail names the step.
    """
    if (pause := _BETWEEN_STEPS.get()) is not None:
        pause()
    budget = _BUDGET.get()
    if budget is not None and budget.left_s() < 0:
        limit = budget.limit
        raise TooCostly(
            f"The {limit.what} took more than {limit.seconds:.0f} s at: {step}. {limit.advice}"
        )
