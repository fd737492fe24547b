"""Evidence rows: written after each change, read as units with their conditions."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain, groupby
from typing import Any, Final

import numpy as np
import orjson
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage.pools import EvidenceKey, WhatIf, with_what_if
from kbapi.storage.sqlite.engine import add_rows, change_rows, find_number, find_rows, walk_rows


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """One counted setting of a unit, as `evidence/merge.py` takes it."""

    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int
    measured_month: str
    confirmed_by_curator: int = 0
    """1 where a curator's word makes it count."""


@dataclass(frozen=True, slots=True)
class EvidenceLevel:
    """One evidence row without its place."""

    stable_steps: int
    unstable_steps: int
    early_stop_steps: int
    latest_month: str
    confirmed_by_curator: int = 0
    """1 where a curator's word makes its pass, or its failure, count."""


# What became of a setting later goes the way that a curator sends the setting: of several in one
# pool it may be about any, so that all of them must go there.
_ALL_ITS_SETTINGS: Final = """
    COALESCE((
        SELECT MIN({}) FROM setting_result AS setting
        WHERE setting.submission_id = follow_up.submission_id
          AND setting.pool_id = follow_up.pool_id
    ), 0)
    """
_CONFIRMED_BY_CURATOR: Final = _ALL_ITS_SETTINGS.format("setting.decision = 'include'")
TAKEN_OUT: Final = _ALL_ITS_SETTINGS.format("setting.decision IN ('exclude', 'invalidate')")
"""Whether a row of follow_up left the evidence with the setting that it is about."""

_COUNTED_SETTINGS: Final = """
    SELECT unit_id, pool_id, conditions_id, stable_steps, unstable_steps, early_stop_steps,
           measured_month, decision = 'include' AS confirmed_by_curator
    FROM setting_result WHERE status = 'counted'
    """
_COUNTED_FOLLOW_UPS: Final = f"""
    SELECT unit_id, pool_id, conditions_id, stable_steps, unstable_steps, early_stop_steps,
           measured_month, {_CONFIRMED_BY_CURATOR} AS confirmed_by_curator
    FROM follow_up WHERE status = 'counted' AND NOT {TAKEN_OUT}
    """  # noqa: S608 - put together from constants of this file
_HERE: Final = "AND unit_id = ?1 AND pool_id = ?2 AND conditions_id = ?3"
_COUNTED: Final = f"""
    SELECT stable_steps, unstable_steps, early_stop_steps, measured_month, confirmed_by_curator
    FROM ({_COUNTED_SETTINGS} {_HERE} UNION ALL {_COUNTED_FOLLOW_UPS} {_HERE})
    """  # noqa: S608 - put together from constants of this file
COUNTED_EVERYWHERE: Final = f"""
    {_COUNTED_SETTINGS} UNION ALL {_COUNTED_FOLLOW_UPS} ORDER BY 1, 2, 3
    """
"""What counts of all units, place by place."""
_FORGET: Final = "DELETE FROM evidence_row WHERE pool_id = ? AND unit_id = ? AND conditions_id = ?"
_ADD: Final = """
    INSERT INTO evidence_row (pool_id, unit_id, conditions_id, contributor_id, stable_steps,
                              unstable_steps, early_stop_steps, latest_month, confirmed_by_curator)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
    """


def load_counted_outcomes(
    connection: Connection, key: EvidenceKey, what_if: WhatIf | None = None
) -> list[OutcomeRow]:
    """Every counted setting and follow-up of this unit in this pool under these conditions."""
    place = (key.unit_id, key.pool_id, key.conditions_id)
    return [
        OutcomeRow(*row) for row in find_rows(connection, with_what_if(what_if, _COUNTED), place)
    ]


_CONDITIONS: Final = (
    "SELECT DISTINCT conditions_id FROM evidence_row WHERE pool_id = ? AND unit_id = ?"
)


def find_evidence_conditions(connection: Connection, key: EvidenceKey) -> list[int]:
    """The conditions under which this unit has evidence in this pool."""
    return [row[0] for row in find_rows(connection, _CONDITIONS, (key.pool_id, key.unit_id))]


def replace_evidence(
    connection: Connection, key: EvidenceKey, contributor_id: int, levels: Iterable[EvidenceLevel]
) -> None:
    """Put these rows in place of whatever stood at this place before."""
    place = (key.pool_id, key.unit_id, key.conditions_id)
    change_rows(connection, _FORGET, place)
    rows = [
        (
            *place,
            contributor_id,
            level.stable_steps,
            level.unstable_steps,
            level.early_stop_steps,
            level.latest_month,
            level.confirmed_by_curator,
        )
        for level in levels
    ]
    add_rows(connection, _ADD, rows)


_SHALLOWEST_FAILURE: Final = """
    SELECT MIN(level.unstable_steps)
    FROM evidence_row AS level
    JOIN conditions AS own ON own.id = ?3
    JOIN conditions AS other ON other.id = level.conditions_id
     AND other.firmware = own.firmware AND other.microcode = own.microcode
    WHERE level.pool_id = ?1 AND level.unit_id = ?2 AND level.unstable_steps < ?4
    """


def find_shallowest_failure(connection: Connection, key: EvidenceKey) -> int | None:
    """Where the unit is known to fail in this pool and era, None where it never did."""
    values = (key.pool_id, key.unit_id, key.conditions_id, NEVER_FAILED)
    return find_number(connection, _SHALLOWEST_FAILURE, values)


Integers = NDArray[np.int64]


@dataclass(frozen=True)
class LevelRows:
    """Evidence rows of one pool, shape (n,) each, those of a unit side by side."""

    unit: Integers
    contributor: Integers
    conditions: Integers
    stable_steps: Integers
    unstable_steps: Integers
    early_stop_steps: Integers
    confirmed_by_curator: NDArray[np.bool_]
    month: Integers
    """Twelve times the year and the month of the year, 1 to 12."""


@dataclass(frozen=True, slots=True)
class ConditionsRow:
    """Filter values that rows were found under; empty where nothing was told."""

    id: int
    loads: str
    grade: str
    firmware: str
    microcode: str
    machine: str
    cooling: str
    supply: str


# A hundred thousand rows are read at once: what is small is packed into one number on the way,
# because each value that crosses costs more than the arithmetic.
_UNSTABLE, _EARLY, _FLAG = 2048, 1024, 2
_LEVELS: Final = f"""
    SELECT unit_id, contributor_id, conditions_id,
           ((stable_steps * {_UNSTABLE} + MIN(unstable_steps, {_UNSTABLE - 1})) * {_EARLY}
            + early_stop_steps) * {_FLAG} + confirmed_by_curator,
           substr(latest_month, 1, 4) * 12 + substr(latest_month, 6)
    FROM evidence_row WHERE pool_id = ? ORDER BY unit_id, conditions_id, stable_steps
    """  # noqa: S608 - put together from constants of this file


def months_since_year_0(month: str) -> int:
    """A month as evidence is read with it.

    >>> months_since_year_0("2026-09")
    24321
    """
    return int(month[:4]) * 12 + int(month[5:])


def load_level_rows(connection: Connection, pool_id: int) -> LevelRows:
    """Every evidence row of a pool."""
    rows = find_rows(connection, _LEVELS, (pool_id,))
    flat = np.fromiter(chain.from_iterable(rows), dtype=np.int64, count=5 * len(rows))
    unit, contributor, conditions, packed, month = flat.reshape(len(rows), 5).T
    packed, confirmed_by_curator = np.divmod(packed, _FLAG)
    packed, early_stop = np.divmod(packed, _EARLY)
    stable, unstable = np.divmod(packed, _UNSTABLE)
    return LevelRows(
        unit=unit,
        contributor=contributor,
        conditions=conditions,
        stable_steps=stable,
        unstable_steps=np.where(unstable == _UNSTABLE - 1, NEVER_FAILED, unstable),
        early_stop_steps=early_stop,
        confirmed_by_curator=confirmed_by_curator == 1,
        month=month,
    )


_CONDITIONS_OF_UNITS: Final = """
    SELECT id, loads, grade, firmware, microcode, machine, cooling, supply FROM conditions
    WHERE id IN (SELECT value FROM json_each(?)) ORDER BY id
    """


def load_conditions(connection: Connection, ids: Sequence[int]) -> tuple[ConditionsRow, ...]:
    """The conditions with these numbers, ascending."""
    rows = find_rows(connection, _CONDITIONS_OF_UNITS, (orjson.dumps(list(ids)).decode(),))
    return tuple(ConditionsRow(*row) for row in rows)


_FIRST_SEEN_BY: Final = """
    SELECT contributor.id
    FROM json_each(?) AS asked JOIN contributor ON contributor.id = asked.value
    WHERE first_seen_day <= ? AND token_hash <> ?
    """


def find_first_seen_by(
    connection: Connection, contributors: Integers, day: date, without_token: bytes
) -> Integers:
    """Those of the contributors that were here by a day, the one hash left out."""
    asked = orjson.dumps(contributors.tolist()).decode()
    rows = find_rows(connection, _FIRST_SEEN_BY, (asked, day.isoformat(), without_token))
    return np.array([row[0] for row in rows], dtype=np.int64)


_EVIDENCE: Final = """
    SELECT unit_id, pool_id, conditions_id, stable_steps, unstable_steps, early_stop_steps,
           latest_month, confirmed_by_curator
    FROM evidence_row ORDER BY 1, 2, 3, 4
    """
_STRANGERS: Final = """
    SELECT COUNT(*) FROM evidence_row JOIN unit ON unit.id = evidence_row.unit_id
    WHERE unit.contributor_id <> evidence_row.contributor_id
    """


@dataclass(frozen=True, slots=True)
class PlaceOutcomes:
    """What counts of a unit in a pool under one set of conditions."""

    place: EvidenceKey
    outcomes: tuple[OutcomeRow, ...]


@dataclass(frozen=True, slots=True)
class PlaceLevels:
    """The evidence rows of a unit in a pool under one set of conditions."""

    place: EvidenceKey
    levels: tuple[EvidenceLevel, ...]


def walk_outcomes(connection: Connection) -> Iterator[PlaceOutcomes]:
    """Everything that counts, place by place in the order of their numbers."""
    for place, rows in _by_place(walk_rows(connection, COUNTED_EVERYWHERE)):
        yield PlaceOutcomes(place, tuple(OutcomeRow(*row[3:]) for row in rows))


def walk_levels(connection: Connection) -> Iterator[PlaceLevels]:
    """All evidence, place by place in the same order."""
    for place, rows in _by_place(walk_rows(connection, _EVIDENCE)):
        yield PlaceLevels(place, tuple(EvidenceLevel(*row[3:]) for row in rows))


def count_evidence_of_others(connection: Connection) -> int:
    """How many evidence rows name another contributor than their unit does."""
    return int(next(walk_rows(connection, _STRANGERS))[0])


def _by_place(
    rows: Iterator[tuple[Any, ...]],
) -> Iterator[tuple[EvidenceKey, Iterator[tuple[Any, ...]]]]:
    for (unit, pool, conditions), of_place in groupby(rows, key=lambda row: row[:3]):
        yield EvidenceKey(unit_id=unit, pool_id=pool, conditions_id=conditions), of_place


@dataclass(frozen=True)
class DatedRows:
    """The counted results of a pool, shape (n,) each, in no order."""

    unit: Integers
    contributor: Integers
    conditions: Integers
    stable_steps: Integers
    """0 where nothing passed."""
    unstable_steps: Integers
    """`NEVER_FAILED` where no failure was seen."""
    month: Integers
    """Twelve times the year and the month of the year, 1 to 12."""


# Results as they were sent: follow-ups tell of failures above all, and would make whatever is old
# look weak. Both ends cross in one number, as each value that crosses costs.
_DATED_UNSTABLE = 2048
_DATED: Final = f"""
    SELECT setting.unit_id, unit.contributor_id, setting.conditions_id,
           CASE WHEN setting.stable_steps IS NULL THEN 0
                WHEN setting.unstable_steps IS NOT NULL THEN setting.stable_steps
                ELSE MAX(0, setting.stable_steps - setting.early_stop_steps) END * {_UNSTABLE}
           + MIN(COALESCE(setting.unstable_steps, {_UNSTABLE - 1}), {_UNSTABLE - 1}),
           substr(setting.measured_month, 1, 4) * 12 + substr(setting.measured_month, 6)
    FROM setting_result AS setting JOIN unit ON unit.id = setting.unit_id
    WHERE setting.pool_id = ? AND setting.status = 'counted'
    """  # noqa: S608 - put together from constants of this file


def load_dated_rows(
    connection: Connection, pool_id: int, what_if: WhatIf | None = None
) -> DatedRows:
    """Every counted result of a pool."""
    rows = find_rows(connection, with_what_if(what_if, _DATED), (pool_id,))
    flat = np.fromiter(chain.from_iterable(rows), dtype=np.int64, count=5 * len(rows))
    unit, contributor, conditions, packed, month = flat.reshape(len(rows), 5).T
    stable, unstable = np.divmod(packed, _DATED_UNSTABLE)
    return DatedRows(
        unit=unit,
        contributor=contributor,
        conditions=conditions,
        stable_steps=stable,
        unstable_steps=np.where(unstable == _DATED_UNSTABLE - 1, NEVER_FAILED, unstable),
        month=month,
    )


_LARGEST: Final = """
    SELECT pool.id
    FROM pool
    JOIN chip ON chip.id = pool.chip_id
    JOIN setting_result AS setting ON setting.pool_id = pool.id AND setting.status = 'counted'
    WHERE chip.key = ? AND pool.control = ? AND instr('+' || pool.domains || '+', '+' || ? || '+')
    GROUP BY pool.id
    ORDER BY COUNT(DISTINCT setting.unit_id) DESC, pool.domains, pool.clock_band_mhz LIMIT 1
    """


def find_largest_pool(
    connection: Connection, chip_key: str, control: str, domain: str
) -> int | None:
    """The largest pool of a chip's control that holds the domain, if there is one."""
    rows = find_rows(connection, _LARGEST, (chip_key, control, domain))
    return rows[0][0] if rows else None
