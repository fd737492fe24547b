"""What counts in a pool, read as arrays, with the conditions that it was found under."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from itertools import chain
from typing import Final

import numpy as np
import orjson
from numpy.typing import NDArray
from sqlalchemy import Connection, or_, select
from sqlmodel import col

from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage.pools import COUNTED, WhatIf, with_what_if
from kbapi.storage.results import StoredSetting
from kbapi.storage.sql import Find, each_of, find_firsts, find_row, find_rows
from kbapi.storage.tables import Conditions, Contributor, SettingResult
from kbapi.storage.tables_reports import FollowUp

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Recent:
    """Which results arrived on a day."""

    day: date
    last_before: int
    """No submission up to this number arrived on the day."""


NOTHING_RECENT: Final = Recent(date.max, 1 << 62)


@dataclass(frozen=True)
class ResultRows:
    """Counted settings and follow-ups of one pool, shape (n,) each, in no order."""

    unit: Integers
    contributor: Integers
    conditions: Integers
    stable_steps: Integers
    """-1 where nothing passed."""
    unstable_steps: Integers
    """`NEVER_FAILED` where no failure was seen."""
    early_stop_steps: Integers
    confirmed_by_curator: NDArray[np.bool_]
    """Where a curator included it."""
    is_follow_up: NDArray[np.bool_]
    is_stock_unproven: NDArray[np.bool_]
    """Where the first setting failed and no test at stock passed."""
    month: Integers
    """Twelve times the year and the month of the year, 1 to 12."""
    arrival: Integers
    """The order of the recent ones; 0 for the others."""

    def some(self, places: Integers) -> "ResultRows":
        """Those at these places."""
        return ResultRows(*(getattr(self, field.name)[places] for field in fields(self)))


# A hundred thousand rows are read at once: small values are packed into one number, because
# each value that crosses from SQLite to Python costs more than the arithmetic. A pass is packed
# one step deeper, so that 0 is no pass.
_FAILED, _EARLY, _FLAG = 2048, 1024, 2
_MONTHS, _AFTER_RESULTS = 1 << 20, 1 << 40
_RESULTS: Final = f"""
    SELECT counted.unit_id, unit.contributor_id, conditions_id,
           (((((COALESCE(stable_steps, -1) + 1) * {_FAILED}
              + COALESCE(unstable_steps, {_FAILED - 1})) * {_EARLY}
             + early_stop_steps) * {_FLAG} + confirmed_by_curator) * {_FLAG} + is_follow_up)
           * {_FLAG} + is_stock_unproven,
           CAST(substr(measured_month, 1, 4) AS INTEGER) * 12
             + CAST(substr(measured_month, 6) AS INTEGER) + {_MONTHS} * CASE
               WHEN is_follow_up = 1 AND received_day >= ?2 THEN {_AFTER_RESULTS}
               WHEN is_follow_up = 0 AND submission_id > ?3 THEN submission_id - ?3
               ELSE 0
           END
    FROM ({COUNTED}) AS counted JOIN unit ON unit.id = counted.unit_id
    WHERE counted.pool_id = ?1
    """  # noqa: S608 - put together from constants


def read_results(
    connection: Connection,
    pool_id: int,
    what_if: WhatIf | None = None,
    recent: Recent = NOTHING_RECENT,
) -> ResultRows:
    """Everything that counts in a pool, or would count after the decision."""
    values = (pool_id, recent.day.isoformat(), recent.last_before)
    rows = find_rows(connection, with_what_if(connection, what_if, _RESULTS), values)
    flat = np.fromiter(chain.from_iterable(rows), dtype=np.int64, count=5 * len(rows))
    unit, contributor, conditions, packed, month = flat.reshape(len(rows), 5).T
    packed, is_stock_unproven = np.divmod(packed, _FLAG)
    packed, is_follow_up = np.divmod(packed, _FLAG)
    packed, confirmed_by_curator = np.divmod(packed, _FLAG)
    packed, early_stop = np.divmod(packed, _EARLY)
    passed, failed = np.divmod(packed, _FAILED)
    arrival, month = np.divmod(month, _MONTHS)
    return ResultRows(
        unit=unit,
        contributor=contributor,
        conditions=conditions,
        stable_steps=passed - 1,
        unstable_steps=np.where(failed == _FAILED - 1, NEVER_FAILED, failed),
        early_stop_steps=early_stop,
        confirmed_by_curator=confirmed_by_curator == 1,
        is_follow_up=is_follow_up == 1,
        is_stock_unproven=is_stock_unproven == 1,
        month=month,
        arrival=arrival,
    )


_NEXT: Final = "SELECT received_day FROM submission WHERE id >= ? ORDER BY id LIMIT 1"


def find_recent(connection: Connection, day: date) -> Recent:
    """Which results arrived on this day or later: numbers of submissions rise with the days."""

    def is_earlier(number: int) -> bool:
        """Whether the next submission from this number on arrived before the day."""
        row = find_row(connection, _NEXT, (number,))
        return row is not None and row[0] < day.isoformat()

    low, high = 0, 1
    while is_earlier(high):
        low, high = high, 2 * high
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if is_earlier(middle) else (low, middle)
    return Recent(day, low - 1)


_SHALLOWEST_FAILURE: Final = f"""
    SELECT MIN(unstable_steps) FROM ({COUNTED}) AS counted
    JOIN conditions AS own ON own.id = ?3
    JOIN conditions AS other ON other.id = counted.conditions_id
     AND other.firmware = own.firmware AND other.microcode = own.microcode
    JOIN unit ON unit.id = ?2
    WHERE counted.pool_id = ?1 AND counted.unit_id = ?2 AND is_stock_unproven = 0
      AND (unit.token_hash IS NOT NULL OR counted.submission_id = ?4)
    """  # noqa: S608 - put together from constants
_OUTLIER_CODES: Final = """
    SELECT group_concat(code) FROM (
        SELECT code FROM outlier_unit WHERE pool_id = ?1 AND unit_id = ?2
        UNION ALL
        SELECT code FROM differing_contributor WHERE pool_id = ?1 AND contributor_id = ?3
    ) AS found
    """
_PEERS: Final = """
    SELECT '[' || known || ',' || stable || ']' FROM pool_peers WHERE pool_id = ?
    """


@dataclass(frozen=True, slots=True)
class Peers:
    """How many units of the same pool are stable at a setting."""

    known: int
    """Units of which it is known whether they are stable at this setting."""
    stable: int
    """How many of these units are stable at this setting."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is stored about a unit and its pool that the answer to a setting says."""

    outlier_codes: tuple[str, ...]
    """Why the latest outlier check of the pool excluded a counted setting without a decision."""
    shallowest_failure: int | None
    """Where the unit of a counted pass failed first in this pool and firmware era, None if never.

    Failures of a first setting without a passed test at stock contradict no pass. Without a unit
    token, only by this submission: equal documents of others are no one's business.
    """
    known_peers: Sequence[int]
    """By depth, as of their day; empty before the first, and of few units."""
    stable_peers: Sequence[int]

    def peers(self, steps: int) -> Peers | None:
        """The pool's peers at this depth."""
        if not self.known_peers:
            return None
        # Deeper settings than any in the pool are like the deepest one: all known, none stable.
        place = min(steps, len(self.known_peers) - 1)
        return Peers(self.known_peers[place], self.stable_peers[place])


_NO_UNIT: Final = 0
"""Less than the number of any unit."""


def find_surroundings(
    connection: Connection,
    submission_id: int,
    contributor_id: int,
    settings: Sequence[StoredSetting],
    *,
    is_new_unit: bool,
) -> list[Surroundings]:
    """What the answer to each of these settings of a document says, all found together.

    No outlier check has seen a new unit.
    """
    wanted: list[Find | None] = []
    for setting in settings:
        place, is_counted = setting.place, setting.status == "counted"
        has_passed = setting.stable_steps is not None
        outlier = place.pool_id, _NO_UNIT if is_new_unit else place.unit_id, contributor_id
        failure = place.pool_id, place.unit_id, place.conditions_id, submission_id
        wanted += (
            (_OUTLIER_CODES, outlier) if is_counted and not setting.decision else None,
            (_SHALLOWEST_FAILURE, failure) if is_counted and has_passed else None,
            (_PEERS, (place.pool_id,)) if has_passed else None,
        )
    firsts = iter(find_firsts(connection, [find for find in wanted if find is not None]))
    found = iter([None if find is None else next(firsts) for find in wanted])
    return [_surroundings(*of_setting) for of_setting in zip(found, found, found, strict=True)]


def _surroundings(codes: str | None, failure: int | None, peers: str | None) -> Surroundings:
    known, stable = orjson.loads(peers) if peers else ((), ())
    return Surroundings(tuple(codes.split(",")) if codes else (), failure, known, stable)


@dataclass(frozen=True, slots=True)
class ConditionsRow:
    """Filter values that results were found under; empty where the sender gave none."""

    id: int
    loads: str
    grade: str
    firmware: str
    microcode: str
    machine: str
    cooling: str
    supply: str


def load_conditions(connection: Connection, ids: Sequence[int]) -> tuple[ConditionsRow, ...]:
    """The conditions with these numbers, ascending."""
    wanted = select(each_of(ids).c.value)
    rows = connection.execute(
        select(Conditions).where(col(Conditions.id).in_(wanted)).order_by(col(Conditions.id))
    )
    return tuple(
        ConditionsRow(
            id=row.id,
            loads=row.loads,
            grade=row.grade,
            firmware=row.firmware,
            microcode=row.microcode,
            machine=row.machine,
            cooling=row.cooling,
            supply=row.supply,
        )
        for row in rows
    )


def load_conditions_of_pool(connection: Connection, pool_id: int) -> tuple[ConditionsRow, ...]:
    """The conditions of all settings and follow-ups of a pool, counted or not, ascending."""
    tables = SettingResult, FollowUp
    statements = (select(col(of.conditions_id)).where(col(of.pool_id) == pool_id) for of in tables)
    found = (row[0] for one in statements for row in connection.execute(one.distinct()))
    return load_conditions(connection, sorted(set(found)))


def find_established(
    connection: Connection,
    contributors: Integers,
    established_by: date,
    known_by: date,
    without_token: bytes,
) -> tuple[Integers, Integers]:
    """The given contributors who are established, and those who are known.

    First seen by the first day, or vouched for by an access key; and first seen by the second day.
    The one for results without a token is neither.
    """
    wanted = each_of(contributors.tolist())
    first_seen = col(Contributor.first_seen_day)
    rows = connection.execute(
        select(
            col(Contributor.id),
            or_(first_seen <= established_by, col(Contributor.is_vouched) == 1),
            first_seen <= known_by,
        )
        .join(wanted, wanted.c.value == col(Contributor.id))
        .where(col(Contributor.token_hash) != without_token)
    ).all()
    flags = np.array([tuple(row) for row in rows], dtype=np.int64).reshape(-1, 3)
    return flags[flags[:, 1] == 1, 0], flags[flags[:, 2] == 1, 0]


def find_oldest_day(connection: Connection, without_token: bytes) -> date | None:
    """When the first contributor with a token was first seen, None without any."""
    return connection.execute(
        select(col(Contributor.first_seen_day))
        .where(col(Contributor.token_hash) != without_token)
        .order_by(col(Contributor.id))
        .limit(1)
    ).scalar_one_or_none()


def is_any_vouched(connection: Connection) -> bool:
    """Whether an access key vouched for any contributor."""
    vouched = select(col(Contributor.id)).where(col(Contributor.is_vouched) == 1).limit(1)
    return connection.execute(vouched).scalar_one_or_none() is not None
