"""Stored answers: bytes with ETag and stamp; one computation at a time for each question."""

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from threading import Event, Lock
from typing import Final

import orjson
from sqlalchemy import Connection, delete, func, insert, select, update

from kbapi.metrics.counters import count_answer
from kbapi.storage.pools import raise_line_revision
from kbapi.storage.sqlite.engine import HotReads
from kbapi.storage.tables import Chip, Line, Pool
from kbapi.storage.tables_evidence import PoolPeers, StoredAnswer

ANSWERS_PER_CHIP: Final = 64
"""More different questions about one chip than this push the least used answers out."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What must not have changed for a stored answer to be still right."""

    line_revision: int
    version: str
    day: date


@dataclass(frozen=True, slots=True)
class AnswerBytes:
    """A finished answer, as it goes over the wire."""

    body: bytes
    etag: str
    age_s: int | None = None
    """Seconds since it was right, where a newer one is being computed at this moment."""


# The one statement of a hot read: it compares the stamp instead of fetching it.
_FRESH_ANSWER: Final = """
    SELECT answer.body, answer.etag
    FROM stored_answer AS answer
    JOIN line ON line.id = answer.line_id
    WHERE answer.question = ? AND answer.stamp_revision = line.revision
      AND answer.stamp_version = ? AND answer.stamp_day = ?
"""


def find_fresh_answer(
    reads: HotReads, question: str, version: str, today: date
) -> AnswerBytes | None:
    """The stored answer to this question, if nothing that it stands on has changed."""
    rows = reads.rows(_FRESH_ANSWER, (question, version, today.isoformat()))
    return AnswerBytes(*rows[0]) if rows else None


@dataclass(frozen=True, slots=True)
class Place:
    """Whose answer it is, and whose revision makes it stale."""

    question: str
    chip_key: str
    line_id: int


def save_answer(connection: Connection, place: Place, stamp: Stamp, answer: AnswerBytes) -> bool:
    """Whether the answer was kept: one that went stale while it was computed is not.

    Beyond the limit, the chip's least used answers are forgotten.
    """
    if not _is_current(connection, place.line_id, stamp):
        return False
    connection.execute(delete(StoredAnswer).where(StoredAnswer.question == place.question))
    _make_room(connection, place.chip_key)
    latest = connection.execute(select(func.coalesce(func.max(StoredAnswer.last_used), 0)))
    connection.execute(
        insert(StoredAnswer).values(
            question=place.question,
            line_id=place.line_id,
            chip_key=place.chip_key,
            stamp_revision=stamp.line_revision,
            stamp_version=stamp.version,
            stamp_day=stamp.day,
            last_used=latest.scalar_one() + 1,
            etag=answer.etag,
            body=answer.body,
        )
    )
    return True


def note_uses(connection: Connection, questions: Iterable[str]) -> None:
    """Remember that these answers were served, in this order, since uses were last noted."""
    for question in questions:
        latest = select(func.max(StoredAnswer.last_used)).scalar_subquery()
        connection.execute(
            update(StoredAnswer)
            .where(StoredAnswer.question == question)
            .values(last_used=latest + 1)
        )


def _make_room(connection: Connection, chip_key: str) -> None:
    of_chip = StoredAnswer.chip_key == chip_key
    kept = connection.execute(
        select(func.count()).select_from(StoredAnswer).where(of_chip)
    ).scalar_one()
    if kept < ANSWERS_PER_CHIP:
        return
    least_used = (
        select(StoredAnswer.question)
        .where(of_chip)
        .order_by(StoredAnswer.last_used)
        .limit(kept - ANSWERS_PER_CHIP + 1)
    )
    connection.execute(delete(StoredAnswer).where(StoredAnswer.question.in_(least_used)))


def _is_current(connection: Connection, line_id: int, stamp: Stamp) -> bool:
    revision = connection.execute(
        select(Line.revision).where(Line.id == line_id)
    ).scalar_one_or_none()
    return revision == stamp.line_revision


def save_peers(
    connection: Connection, pool_id: int, known: Sequence[int], stable: Sequence[int]
) -> None:
    """Keep how many units were known and stable at each depth of a pool, by steps from 0."""
    connection.execute(delete(PoolPeers).where(PoolPeers.pool_id == pool_id))
    connection.execute(
        insert(PoolPeers).values(
            pool_id=pool_id,
            known=orjson.dumps(list(known)).decode(),
            stable=orjson.dumps(list(stable)).decode(),
        )
    )


def outdate_answers_of_line(connection: Connection, line_id: int) -> None:
    """Forget every answer and count that may have stood on results that are gone from this line.

    Its revision is raised as well: an answer being computed meanwhile is not kept.
    """
    chips = select(Chip.id).where(Chip.line_id == line_id)
    pools = select(Pool.id).where(Pool.chip_id.in_(chips))
    connection.execute(delete(StoredAnswer).where(StoredAnswer.line_id == line_id))
    connection.execute(delete(PoolPeers).where(PoolPeers.pool_id.in_(pools)))
    raise_line_revision(connection, line_id)


LONGEST_AGE_S: Final = 2.0
"""Nobody is given an answer that was last right longer than this before they asked."""

_MOST_REMEMBERED: Final = 256


@dataclass(frozen=True, slots=True)
class _Remembered:
    answer: AnswerBytes
    right_at: float


class _Computation:
    """A computation under way."""

    def __init__(self, begun: float) -> None:
        self.begun = begun
        self.landed = Event()
        self.answer: AnswerBytes | None = None


class SingleFlight:
    """The computations of one process, and the answers that were right last."""

    def __init__(self, elapsed_s: Callable[[], float] = time.monotonic) -> None:
        self._elapsed_s = elapsed_s
        self._lock = Lock()
        self._under_way: dict[str, _Computation] = {}
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
                computation = self._under_way.get(question)
                if computation is None:
                    mine = self._under_way[question] = _Computation(self._elapsed_s())
                previous = self._remembered.get(question)
            if computation is None:
                return self._compute(question, mine, compute)
            if previous is not None:
                age_s = self._elapsed_s() - previous.right_at
                if age_s <= LONGEST_AGE_S:
                    count_answer("previous")
                    return replace(previous.answer, age_s=int(age_s))
            computation.landed.wait()
            if computation.answer is not None and asked - computation.begun <= LONGEST_AGE_S:
                count_answer("waited")
                return computation.answer

    def _compute(
        self, question: str, computation: _Computation, compute: Callable[[], AnswerBytes]
    ) -> AnswerBytes:
        try:
            computation.answer = compute()
            # Right as of its begin: what changed while it was computed may not be in it.
            self._remember(question, computation.answer, computation.begun)
            count_answer("computed")
            return computation.answer
        finally:
            with self._lock:
                del self._under_way[question]
            computation.landed.set()

    def _remember(self, question: str, answer: AnswerBytes, right_at: float) -> None:
        with self._lock:
            self._remembered.pop(question, None)
            self._remembered[question] = _Remembered(answer, right_at)
            if len(self._remembered) > _MOST_REMEMBERED:
                del self._remembered[next(iter(self._remembered))]
