"""One computes, the others wait or take what was right a moment ago: many ask the same at once."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from threading import Event, Lock
from typing import Final

from kbapi.metrics.counters import count_answer
from kbapi.storage.answers import AnswerBytes

LONGEST_AGE_S: Final = 2.0
"""Nobody is given an answer that was last right longer than this before they asked."""

_MOST_REMEMBERED: Final = 256


@dataclass(frozen=True, slots=True)
class _Remembered:
    answer: AnswerBytes
    right_at: float


class _Flight:
    """A computation under way."""

    def __init__(self, begun: float) -> None:
        self.begun = begun
        self.landed = Event()
        self.answer: AnswerBytes | None = None


class Flights:
    """The computations of one process, and the answers that were right last."""

    def __init__(self, elapsed_s: Callable[[], float] = time.monotonic) -> None:
        self._elapsed_s = elapsed_s
        self._lock = Lock()
        self._under_way: dict[str, _Flight] = {}
        self._remembered: dict[str, _Remembered] = {}

    def was_right(self, question: str, answer: AnswerBytes) -> AnswerBytes:
        """The answer, remembered as right at this moment."""
        self._remember(question, answer, self._elapsed_s())
        return answer

    def fly(self, question: str, compute: Callable[[], AnswerBytes]) -> AnswerBytes:
        """The answer to a question whose kept answer is no longer right.

        Whoever comes first computes. Others are given the previous answer, with its age, or wait
        where that is too old; where the first one fails, or had read too long before they asked,
        the next one computes.
        """
        asked = self._elapsed_s()
        while True:
            with self._lock:
                flight = self._under_way.get(question)
                if flight is None:
                    mine = self._under_way[question] = _Flight(self._elapsed_s())
                previous = self._remembered.get(question)
            if flight is None:
                return self._compute(question, mine, compute)
            if previous is not None:
                age_s = self._elapsed_s() - previous.right_at
                if age_s <= LONGEST_AGE_S:
                    count_answer("previous")
                    return replace(previous.answer, age_s=int(age_s))
            flight.landed.wait()
            if flight.answer is not None and asked - flight.begun <= LONGEST_AGE_S:
                count_answer("waited")
                return flight.answer

    def _compute(
        self, question: str, flight: _Flight, compute: Callable[[], AnswerBytes]
    ) -> AnswerBytes:
        try:
            flight.answer = compute()
            # Right as of its begin: what changed while it was computed may not be in it.
            self._remember(question, flight.answer, flight.begun)
            count_answer("computed")
            return flight.answer
        finally:
            with self._lock:
                del self._under_way[question]
            flight.landed.set()

    def _remember(self, question: str, answer: AnswerBytes, right_at: float) -> None:
        with self._lock:
            self._remembered.pop(question, None)
            self._remembered[question] = _Remembered(answer, right_at)
            if len(self._remembered) > _MOST_REMEMBERED:
                del self._remembered[next(iter(self._remembered))]
