"""Stored answers and what they found about a pool; one computation at a time per question."""

import time
from collections import OrderedDict
from collections.abc import Callable, Hashable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from datetime import date
from threading import Event, Lock
from typing import Final, TypeVar, cast

import orjson
from sqlalchemy import Connection, delete, func, insert, or_, select
from sqlmodel import Session, col
from sqlmodel import select as select_rows

from kbapi.errors import TooCostly
from kbapi.metrics.counters import Served, count_answer
from kbapi.storage.pools import LineRow, load_lines, raise_line_revision
from kbapi.storage.sql import HotReads, checksum_of, session_on, upsert
from kbapi.storage.tables import Chip, Conditions, Line, Pool
from kbapi.storage.tables_evidence import (
    CONTRIBUTOR_CODES,
    DifferingContributor,
    OutlierUnit,
    PoolCheck,
    PoolPeers,
    StoredAnswer,
)
from kbapi.storage.tables_reports import LockReport
from kbapi.vocabulary import PoolCode

ANSWERS_PER_CHIP: Final = 64
"""Beyond this many different questions about one chip the oldest answers are deleted."""
PICTURES: Final = "pictures"
"""What stands in the place of a chip for every picture: their number is limited together."""
MOST_PICTURES: Final = 256
"""Beyond this many the oldest pictures are deleted; each has about 50 to 190 kB."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a stored answer depends on; it is right while all of it is unchanged."""

    line_revision: int
    version: str
    day: date
    of_all_lines: str | None = None
    """The `lines_stamp` of an answer that results of any line outdate; stored as its version."""


_NO_REVISION: Final = b'"revision":""'


@dataclass(frozen=True, slots=True)
class AnswerBytes:
    """A finished answer, as it goes over the wire."""

    body: bytes
    etag: str
    age_s: int | None = None
    """Seconds since it was right, where a newer one is being computed at this moment."""
    is_of_all_lines: bool = field(default=False, compare=False)
    """Whether it is stored, and results of any line outdate it."""

    @classmethod
    def from_stored(cls, body: bytes, etag: str) -> "AnswerBytes":
        """The answer with its ETag as its revision; stored bytes have an empty one.

        >>> AnswerBytes.from_stored(b'{"revision":"","units":7}', "3f").body
        b'{"revision":"3f","units":7}'
        """
        if not body.startswith(b"{"):
            # A picture has no revision, and looking for one takes a third of its reading.
            return cls(body, etag)
        return cls(body.replace(_NO_REVISION, b'"revision":"%s"' % etag.encode(), 1), etag)


# The one statement of a hot read: it compares the stamp instead of fetching it. The revisions of
# all lines are read only for an answer that any of them outdates.
_FRESH_ANSWER: Final = """
    SELECT answer.body, answer.etag, answer.stamp_version,
      CASE WHEN answer.stamp_version <> ?2 THEN (
        SELECT group_concat(id || ':' || revision) FROM (SELECT * FROM line ORDER BY id) AS lines
      ) END
    FROM stored_answer AS answer
    JOIN line ON line.id = answer.line_id
    WHERE answer.question = ?1 AND answer.stamp_revision = line.revision
      AND (answer.stamp_version = ?2 OR answer.stamp_version LIKE '*%') AND answer.stamp_day = ?3
"""
_OF_ALL_LINES: Final = "*"
_LINES_STAMP_DIGITS: Final = 16


def find_fresh_answer(
    reads: HotReads, question: str, version: str, today: date
) -> AnswerBytes | None:
    """The stored answer to this question, if nothing that it depends on has changed."""
    rows = reads.rows(_FRESH_ANSWER, (question, version, today.isoformat()))
    if not rows:
        return None
    body, etag, stamp, revisions = rows[0]
    if stamp not in (version, _stamp_of(version, revisions)):
        return None
    return replace(AnswerBytes.from_stored(body, etag), is_of_all_lines=stamp != version)


def lines_stamp(version: str, lines: Sequence[LineRow]) -> str:
    """A text that changes with the version, and with the revision of any of these lines.

    >>> lines_stamp("1.1", [LineRow(7, 3)]) == lines_stamp("1.1", [LineRow(7, 4)])
    False
    """
    return _stamp_of(version, ",".join(f"{line.id}:{line.revision}" for line in lines))


def _stamp_of(version: str, revisions: str | None) -> str:
    return _OF_ALL_LINES + checksum_of(f"{version} {revisions}")[:_LINES_STAMP_DIGITS]


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
    """The question of an answer, its chip or `PICTURES`, and the line that outdates it."""

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
            stamp_version=stamp.of_all_lines or stamp.version,
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
    most = MOST_PICTURES if chip_key == PICTURES else ANSWERS_PER_CHIP
    if stored < most:
        return
    oldest = (
        select(col(StoredAnswer.id))
        .where(of_chip)
        .order_by(col(StoredAnswer.id))
        .limit(stored - most + 1)
    )
    connection.execute(delete(StoredAnswer).where(col(StoredAnswer.id).in_(oldest)))


def _is_current(connection: Connection, line_id: int, stamp: Stamp) -> bool:
    """Whether the line, or any line, has not changed since the stamp."""
    if stamp.of_all_lines is not None:
        return stamp.of_all_lines == lines_stamp(stamp.version, load_lines(connection))
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


@dataclass(frozen=True, slots=True)
class ExcludedUnit:
    """A unit that an outlier check excluded, and why."""

    unit_id: int
    code: str


@dataclass(frozen=True, slots=True)
class StoredOutliers:
    """The units and the contributors that a check excluded, ascending."""

    units: tuple[ExcludedUnit, ...]
    differing: tuple[int, ...]


def load_outliers(connection: Connection, pool_id: int) -> StoredOutliers:
    """What the last stored check of a pool excluded."""
    with session_on(connection) as session:
        return StoredOutliers(
            tuple(ExcludedUnit(row.unit_id, row.code) for row in _units(session, pool_id)),
            tuple(row.contributor_id for row in _contributors(session, pool_id)),
        )


def save_outliers(connection: Connection, pool_id: int, found: StoredOutliers) -> None:
    """Store what a check excluded; only rows that differ are written."""
    with session_on(connection) as session:
        units = {ExcludedUnit(row.unit_id, row.code): row for row in _units(session, pool_id)}
        contributors = {row.contributor_id: row for row in _contributors(session, pool_id)}
        for unit in units.keys() - set(found.units):
            session.delete(units[unit])
        for contributor in contributors.keys() - set(found.differing):
            session.delete(contributors[contributor])
        session.add_all(
            OutlierUnit(pool_id=pool_id, unit_id=one.unit_id, code=one.code)
            for one in found.units
            if one not in units
        )
        session.add_all(
            DifferingContributor(pool_id=pool_id, contributor_id=one, code=CONTRIBUTOR_CODES[0])
            for one in found.differing
            if one not in contributors
        )
        session.flush()


def _units(session: Session, pool_id: int) -> Sequence[OutlierUnit]:
    return session.exec(
        select_rows(OutlierUnit)
        .where(OutlierUnit.pool_id == pool_id)
        .order_by(col(OutlierUnit.unit_id))
    ).all()


def _contributors(session: Session, pool_id: int) -> Sequence[DifferingContributor]:
    return session.exec(
        select_rows(DifferingContributor)
        .where(DifferingContributor.pool_id == pool_id)
        .order_by(col(DifferingContributor.contributor_id))
    ).all()


@dataclass(frozen=True, slots=True)
class PoolFinding:
    """What an answer found about a pool that a curator should know."""

    has_start: bool
    codes: tuple[PoolCode, ...]
    """Why a curator should look at it, the main reason first."""
    contributor_id: int | None
    """The contributor that moves the start by much; None where none does."""
    moves_by: float | None
    evidence: str
    """A short text of the units behind the codes; empty without a code."""


def had_start(connection: Connection, pool_id: int) -> bool:
    """Whether the pool had a start when it was checked last, or lost it and has none since."""
    row = connection.execute(
        select(col(PoolCheck.has_start), col(PoolCheck.codes)).where(
            col(PoolCheck.pool_id) == pool_id
        )
    ).one_or_none()
    return row is not None and (row.has_start == 1 or "start_lost" in orjson.loads(row.codes))


def save_pool_check(
    connection: Connection, pool_id: int, revision: int, today: date, found: PoolFinding
) -> None:
    """Store a finding; what a curator decided before stays."""
    values = {
        "revision": revision,
        "day": today,
        "has_start": int(found.has_start),
        "codes": orjson.dumps(list(found.codes)).decode(),
        "contributor_id": found.contributor_id,
        "moves_by": found.moves_by,
        "evidence": found.evidence,
    }
    added = upsert(connection, PoolCheck)
    added = added.values(pool_id=pool_id, settled="", reason_code="", **values)
    connection.execute(added.on_conflict_do_update(index_elements=["pool_id"], set_=values))


def outdate_answers_of_line(connection: Connection, line_id: int) -> None:
    """Delete every answer and count that may depend on results that are gone from this line.

    Answers that any line outdates are among them. Its revision is raised as well: an answer that is
    being computed meanwhile is not stored.
    """
    chips = select(col(Chip.id)).where(col(Chip.line_id) == line_id)
    pools = select(col(Pool.id)).where(col(Pool.chip_id).in_(chips))
    of_all_lines = col(StoredAnswer.stamp_version).startswith(_OF_ALL_LINES)
    depends = or_(col(StoredAnswer.line_id) == line_id, of_all_lines)
    connection.execute(delete(StoredAnswer).where(depends))
    connection.execute(delete(PoolPeers).where(col(PoolPeers.pool_id).in_(pools)))
    raise_line_revision(connection, line_id)


LONGEST_AGE_S: Final = 2.0
"""No request gets an answer that was last right longer ago than this."""

_MOST_REMEMBERED: Final = 256
_BYTES_OF_ENTRY: Final = 1024
"""Of a key with what points to it."""
_Read = TypeVar("_Read")


def _no_bytes(_: object) -> int:
    """For values that are no larger than their key."""
    return 0


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


class Memory:
    """What was read lately, up to so many bytes: what was used longest ago is dropped first.

    A key holds all that the value depends on, so an outdated value is never found again.
    """

    def __init__(self, most_bytes: int = 32 << 20) -> None:
        self._left = most_bytes
        self._lock = Lock()
        self._kept: OrderedDict[Hashable, tuple[object, int]] = OrderedDict()

    def once(
        self, key: Hashable, read: Callable[[], _Read], size: Callable[[_Read], int] = _no_bytes
    ) -> _Read:
        """The value of this key, read if it is not here; `size` gives its bytes."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return cast(_Read, self._kept[key][0])
        value = read()
        self._keep(key, value, _BYTES_OF_ENTRY + size(value))
        return value

    def _keep(self, key: Hashable, value: object, bytes_held: int) -> None:
        with self._lock:
            _, before = self._kept.pop(key, (None, 0))
            self._kept[key] = value, bytes_held
            self._left += before - bytes_held
            while self._left < 0:
                self._left += self._kept.popitem(last=False)[1][1]


LONGEST_WAIT_S: Final = 5.0
"""How long a request waits for another host that computes its answer, before it computes itself.

As long as a question may compute; a host that hangs delays a question no more than that.
"""


@dataclass(frozen=True, slots=True)
class OtherHosts:
    """What a computation needs so that one host alone does it."""

    alone: Callable[[float], AbstractContextManager[bool]]
    """Holds the question; whether no other host does, after a wait of at most so many seconds."""
    find: Callable[[], AnswerBytes | None]
    """The answer that another host has stored meanwhile."""


class SingleFlight:
    """The computations of one process, and the answers that were right last."""

    def __init__(
        self,
        elapsed_s: Callable[[], float] = time.monotonic,
        most_remembered: int = _MOST_REMEMBERED,
    ) -> None:
        self._elapsed_s = elapsed_s
        self._most_remembered = most_remembered
        self._lock = Lock()
        self._under_way: dict[str, _Computation] = {}
        self._remembered: dict[str, _Remembered] = {}

    def was_right(self, question: str, answer: AnswerBytes) -> AnswerBytes:
        """The answer, remembered as right at this moment."""
        self._remember(question, answer, self._elapsed_s())
        return answer

    def fly(
        self, question: str, compute: Callable[[], AnswerBytes], others: OtherHosts | None = None
    ) -> AnswerBytes:
        """The answer to a question whose stored answer is outdated.

        The first request computes. Others get the previous answer, with its age, or wait where
        that is too old. Where the first one fails, or began too long before, the next computes.
        Where the first one takes too much time, all that wait get its error: the same question
        would take each of them as long. With `others` the same holds over all hosts, but for a host
        that computes for more than some seconds: then each of the others computes as well.

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
            if computation is None:
                return self._compute(question, mine, compute, others)
            if (previous := self._previous(question)) is not None:
                count_answer("previous")
                return previous
            computation.ended.wait()
            if computation.too_costly is not None:
                raise TooCostly(computation.too_costly.detail)
            if computation.answer is not None and asked - computation.begun <= LONGEST_AGE_S:
                count_answer("waited")
                return computation.answer

    def _previous(self, question: str) -> AnswerBytes | None:
        """The answer that was right last, with its age, unless that is too long ago."""
        previous = self._remembered.get(question)
        if previous is None:
            return None
        age_s = self._elapsed_s() - previous.right_at
        return replace(previous.answer, age_s=int(age_s)) if age_s <= LONGEST_AGE_S else None

    def _compute(
        self,
        question: str,
        computation: _Computation,
        compute: Callable[[], AnswerBytes],
        others: OtherHosts | None,
    ) -> AnswerBytes:
        try:
            if others is None:
                computation.answer, served = compute(), "computed"
            else:
                found, served = self._once_over_hosts(question, compute, others)
                if served == "previous":
                    count_answer(served)
                    return found
                computation.answer = found
            # Right as of its beginning: a change while it was computed may not be in it.
            self._remember(question, computation.answer, computation.begun)
            count_answer(served)
            return computation.answer
        except TooCostly as too_costly:
            computation.too_costly = too_costly
            raise
        finally:
            with self._lock:
                del self._under_way[question]
            computation.ended.set()

    def _once_over_hosts(
        self, question: str, compute: Callable[[], AnswerBytes], others: OtherHosts
    ) -> tuple[AnswerBytes, Served]:
        previous = self._previous(question)
        with others.alone(LONGEST_WAIT_S if previous is None else 0.0) as is_alone:
            if not is_alone and previous is not None:
                return previous, "previous"
            if (stored := others.find()) is not None:
                return stored, "waited"
            return compute(), "computed"

    def _remember(self, question: str, answer: AnswerBytes, right_at: float) -> None:
        with self._lock:
            self._remembered.pop(question, None)
            self._remembered[question] = _Remembered(answer, right_at)
            if len(self._remembered) > self._most_remembered:
                del self._remembered[next(iter(self._remembered))]
