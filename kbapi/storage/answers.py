"""Stored answers: bytes with ETag and stamp; one computation at a time for each question."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from threading import Event, Lock
from typing import Final

import orjson
from sqlalchemy import Connection, delete, func, insert, select
from sqlmodel import col

from kbapi.errors import TooCostly
from kbapi.metrics.counters import count_answer
from kbapi.storage.pools import raise_line_revision
from kbapi.storage.sqlite.engine import HotReads
from kbapi.storage.tables import Chip, Conditions, Line, Pool
from kbapi.storage.tables_evidence import PoolPeers, StoredAnswer
from kbapi.storage.tables_reports import LockReport

ANSWERS_PER_CHIP: Final = 64
"""Beyond this many different questions about one chip the oldest answers are deleted."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a stored answer depends on; it is right while all of it is unchanged."""

    line_revision: int
    version: str
    day: date


_NO_REVISION: Final = b'"revision":""'


@dataclass(frozen=True, slots=True)
class AnswerBytes:
    """A finished answer, as it goes over the wire."""

    body: bytes
    etag: str
    age_s: int | None = None
    """Seconds since it was right, where a newer one is being computed at this moment."""

    @classmethod
    def from_stored(cls, body: bytes, etag: str) -> "AnswerBytes":
        """The answer with its ETag as its revision; stored bytes have an empty one.

        >>> AnswerBytes.from_stored(b'{"revision":"","units":7}', "3f").body
        b'{"revision":"3f","units":7}'
        """
        return cls(body.replace(_NO_REVISION, b'"revision":"%s"' % etag.encode(), 1), etag)


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
    """The stored answer to this question, if nothing that it depends on has changed."""
    rows = reads.rows(_FRESH_ANSWER, (question, version, today.isoformat()))
    return AnswerBytes.from_stored(*rows[0]) if rows else None


def have_results(connection: Connection, chip_key: str, texts: Mapping[str, str]) -> bool:
    """Whether results, or lock reports of this chip, have each text in the column of its name."""
    of_chip = select(col(Chip.id)).where(col(Chip.key) == chip_key)
    for column, text in texts.items():
        tables = (
            select(Conditions.id).where(Conditions.__table__.c[column] == text),
            select(LockReport.id).where(
                col(LockReport.chip_id).in_(of_chip), LockReport.__table__.c[column] == text
            ),
        )
        if not any(connection.execute(rows.limit(1)).first() for rows in tables):
            return False
    return True


@dataclass(frozen=True, slots=True)
class Place:
    """The question of an answer, its chip, and the line whose revision outdates it."""

    question: str
    chip_key: str
    line_id: int


def save_answer(connection: Connection, place: Place, stamp: Stamp, answer: AnswerBytes) -> bool:
    """Whether the answer was stored: one that became outdated while it was computed is not.

    Its revision is empty. Beyond the limit, the chip's oldest answers are deleted.
    """
    if not _is_current(connection, place.line_id, stamp):
        return False
    connection.execute(delete(StoredAnswer).where(col(StoredAnswer.question) == place.question))
    _delete_oldest(connection, place.chip_key)
    connection.execute(
        insert(StoredAnswer).values(
            question=place.question,
            line_id=place.line_id,
            chip_key=place.chip_key,
            stamp_revision=stamp.line_revision,
            stamp_version=stamp.version,
            stamp_day=stamp.day,
            etag=answer.etag,
            body=answer.body,
        )
    )
    return True


def _delete_oldest(connection: Connection, chip_key: str) -> None:
    of_chip = col(StoredAnswer.chip_key) == chip_key
    stored = connection.execute(
        select(func.count()).select_from(StoredAnswer).where(of_chip)
    ).scalar_one()
    if stored < ANSWERS_PER_CHIP:
        return
    oldest = (
        select(col(StoredAnswer.id))
        .where(of_chip)
        .order_by(col(StoredAnswer.id))
        .limit(stored - ANSWERS_PER_CHIP + 1)
    )
    connection.execute(delete(StoredAnswer).where(col(StoredAnswer.id).in_(oldest)))


def _is_current(connection: Connection, line_id: int, stamp: Stamp) -> bool:
    revision = connection.execute(
        select(col(Line.revision)).where(col(Line.id) == line_id)
    ).scalar_one_or_none()
    return revision == stamp.line_revision


def save_peers(
    connection: Connection, pool_id: int, day: date, known: Sequence[int], stable: Sequence[int]
) -> None:
    """Store how many units were known and stable at each depth of a pool, by steps from 0.

    No depth of a pool that is too small to be shown.
    """
    connection.execute(delete(PoolPeers).where(col(PoolPeers.pool_id) == pool_id))
    connection.execute(
        insert(PoolPeers).values(
            pool_id=pool_id,
            day=day,
            known=orjson.dumps(list(known)).decode(),
            stable=orjson.dumps(list(stable)).decode(),
        )
    )


def outdate_answers_of_line(connection: Connection, line_id: int) -> None:
    """Delete every answer and count that may depend on results that are gone from this line.

    Its revision is raised as well: an answer that is being computed meanwhile is not stored.
    """
    chips = select(col(Chip.id)).where(col(Chip.line_id) == line_id)
    pools = select(col(Pool.id)).where(col(Pool.chip_id).in_(chips))
    connection.execute(delete(StoredAnswer).where(col(StoredAnswer.line_id) == line_id))
    connection.execute(delete(PoolPeers).where(col(PoolPeers.pool_id).in_(pools)))
    raise_line_revision(connection, line_id)


LONGEST_AGE_S: Final = 2.0
"""No request gets an answer that was last right longer ago than this."""

_MOST_REMEMBERED: Final = 256


@dataclass(frozen=True, slots=True)
class _Remembered:
    answer: AnswerBytes
    right_at: float


class _Computation:
    """A computation under way."""

    def __init__(self, begun: float) -> None:
        self.begun = begun
        self.ended = Event()
        self.answer: AnswerBytes | None = None
        self.too_costly: TooCostly | None = None


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
        """The answer to a question whose stored answer is outdated.

        The first request computes. Others get the previous answer, with its age, or wait where
        that is too old. Where the first one fails, or began too long before, the next computes.
        Where the first one takes too much time, all that wait get its error: the same question
        would take each of them as long.

        Raises
        ------
        TooCostly
            When the computation was ended by its time budget.
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
            computation.ended.wait()
            if computation.too_costly is not None:
                raise TooCostly(computation.too_costly.detail)
            if computation.answer is not None and asked - computation.begun <= LONGEST_AGE_S:
                count_answer("waited")
                return computation.answer

    def _compute(
        self, question: str, computation: _Computation, compute: Callable[[], AnswerBytes]
    ) -> AnswerBytes:
        try:
            computation.answer = compute()
            # Right as of its beginning: a change while it was computed may not be in it.
            self._remember(question, computation.answer, computation.begun)
            count_answer("computed")
            return computation.answer
        except TooCostly as too_costly:
            computation.too_costly = too_costly
            raise
        finally:
            with self._lock:
                del self._under_way[question]
            computation.ended.set()

    def _remember(self, question: str, answer: AnswerBytes, right_at: float) -> None:
        with self._lock:
            self._remembered.pop(question, None)
            self._remembered[question] = _Remembered(answer, right_at)
            if len(self._remembered) > _MOST_REMEMBERED:
                del self._remembered[next(iter(self._remembered))]
