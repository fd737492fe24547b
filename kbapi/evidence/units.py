"""Units of a pool: an interval each, with weight, conditions and firmware era."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.evidence.pool_updates import merge_outcomes
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals
from kbapi.storage.decisions import SettingAt, find_places_of
from kbapi.storage.evidence import (
    ConditionsRow,
    EvidenceLevel,
    LevelRows,
    find_evidence_conditions,
    find_first_seen_by,
    load_conditions,
    load_counted_outcomes,
    load_level_rows,
    months_since_year_0,
)
from kbapi.storage.pools import PoolSize, WhatIf
from kbapi.vocabulary import GRADES, LOADS, Grade, Load


@dataclass(frozen=True)
class WhatIfEvidence:
    """A word about a setting, and the evidence of its unit as it would then be."""

    word: WhatIf
    setting: SettingAt
    levels: Mapping[int, tuple[EvidenceLevel, ...]]
    """By the number of the conditions; all others of the unit stand as they are."""
    units_more: int
    """How many units more its pool would have: 1, 0 or -1."""

    @property
    def pool_id(self) -> int:
        """The only pool that would be different."""
        return self.setting.place.pool_id

    def resized(self, pool: PoolSize) -> PoolSize:
        """A pool with as many units as it would have."""
        if pool.id != self.pool_id:
            return pool
        return replace(pool, units=pool.units + self.units_more)

    def put_into(self, rows: LevelRows) -> LevelRows:
        """The rows of the setting's pool as they would be."""
        replaced = (rows.unit == self.setting.place.unit_id) & np.isin(
            rows.conditions, list(self.levels)
        )
        new = self._rows()
        columns = [
            np.concatenate((getattr(rows, field.name)[~replaced], getattr(new, field.name)))
            for field in fields(LevelRows)
        ]
        together = LevelRows(*columns)
        order = np.lexsort((together.stable_steps, together.conditions, together.unit))
        return LevelRows(*(column[order] for column in columns))

    def _rows(self) -> LevelRows:
        told = [(number, level) for number, levels in self.levels.items() for level in levels]

        def whole(values: list[int]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
            return np.array(values, dtype=np.int64)

        return LevelRows(
            unit=whole([self.setting.place.unit_id] * len(told)),
            contributor=whole([self.setting.contributor_id] * len(told)),
            conditions=whole([number for number, _ in told]),
            stable_steps=whole([level.stable_steps for _, level in told]),
            unstable_steps=whole([min(level.unstable_steps, NEVER_FAILED) for _, level in told]),
            early_stop_steps=whole([level.early_stop_steps for _, level in told]),
            confirmed_by_curator=whole([level.confirmed_by_curator for _, level in told]) == 1,
            month=whole([months_since_year_0(level.latest_month) for _, level in told]),
        )


def what_if_evidence(connection: Connection, setting: SettingAt, word: WhatIf) -> WhatIfEvidence:
    """What the setting's pool would be if this word stood about it."""
    places = sorted(set(find_places_of(connection, setting)))
    levels = {
        place.conditions_id: merge_outcomes(load_counted_outcomes(connection, place, word))
        for place in places
    }
    now = find_evidence_conditions(connection, setting.place)
    stays = bool(set(now) - set(levels)) or any(levels.values())
    return WhatIfEvidence(word, setting, levels, int(stays) - int(bool(now)))


def decision_of(what_if: WhatIfEvidence | None) -> WhatIf | None:
    """The word that settings are read with, None where they are read as they stand."""
    return None if what_if is None else what_if.word


UNITS_OF_FULL_WEIGHT: Final = 3
"""One contributor's units weigh min(1, 3 / their number) each: a flood counts as three units."""
ESTABLISHED_AFTER: Final = timedelta(days=30)
OTHERS_NEEDED: Final = 5
"""With fewer other contributors in the pool nobody is established."""
MILLION: Final = 1_000_000

Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Filters:
    """Which conditions rows are read under; None is any."""

    load: str | None = None
    grade: str | None = None
    """At least this strength of testing."""
    cooling: str | None = None
    firmware: str | None = None
    microcode: str | None = None
    machine: str | None = None
    supply: str | None = None

    def admit(self, row: ConditionsRow) -> bool:
        """Whether rows under these conditions are read."""
        told = asdict(self)
        load, grade, cooling = (told.pop(name) for name in ("load", "grade", "cooling"))
        return (
            (load is None or load in row.loads.split(","))
            and (grade is None or GRADES.index(row.grade) >= GRADES.index(grade))
            and (cooling is None or cooling in row.cooling.split(","))
            and all(told[name] in (None, getattr(row, name)) for name in told)
        )


EVERYTHING: Final = Filters()


@dataclass(frozen=True, slots=True)
class Standing:
    """Whose word weighs in full from the first day on: today's view of who is known."""

    established_by: date
    """Who was first seen later is not established."""
    without_token: bytes
    """Hash that stands for all who send without a token; never established."""


def standing_on(today: date, without_token: bytes) -> Standing:
    """Who is known on this day."""
    return Standing(today - ESTABLISHED_AFTER, without_token)


@dataclass(frozen=True)
class PoolRows:
    """All that a pool's units are made of."""

    levels: LevelRows
    conditions: tuple[ConditionsRow, ...]
    established: Integers
    """Contributors that are."""


@dataclass(frozen=True)
class ChosenRows:
    """The rows that units were merged from, shape (m,) each, those of a unit side by side."""

    owner: Integers
    """Place of the row's unit."""
    place: Integers
    """Place of the row's conditions."""
    passed: Flags
    """Whether it tells of a pass."""


@dataclass(frozen=True)
class PoolUnits:
    """Units of a pool that were chosen, ascending, shape (n,) each."""

    unit: Integers
    contributor: Integers
    established: Flags
    """Sent by somebody who is, or confirmed_by_curator for."""
    confirmed_by_curator: Flags
    stable_steps: Integers
    unstable_steps: Integers
    weight_ppm: Integers
    month: Integers
    chosen: ChosenRows
    conditions: tuple[ConditionsRow, ...]

    @property
    def informative(self) -> Flags:
        """Which say something: the others passed too little to count, and never failed."""
        return np.asarray((self.stable_steps > 0) | (self.unstable_steps < NEVER_FAILED))

    def intervals(self, weight: NDArray[np.float64]) -> GroupedIntervals:
        """One interval a unit, so that flags keep their places."""
        return GroupedIntervals(self.stable_steps, self.unstable_steps, weight)


def load_pool_rows(
    connection: Connection,
    pool_id: int,
    standing: Standing,
    what_if: WhatIfEvidence | None = None,
) -> PoolRows:
    """Everything of a pool that answers are made of; `supposed` is about a setting of this pool."""
    levels = load_level_rows(connection, pool_id)
    if what_if is not None:
        levels = what_if.put_into(levels)
    contributors = np.unique(levels.contributor)
    # One counted unit in a pool with five others is asked for: this very pool, or it is too small
    # to have established weight anyway. Nothing is asked of other pools.
    company = len(contributors) > OTHERS_NEEDED
    return PoolRows(
        levels,
        load_conditions(connection, np.unique(levels.conditions).tolist()),
        find_first_seen_by(
            connection,
            contributors if company else contributors[:0],
            standing.established_by,
            standing.without_token,
        ),
    )


def units_of(rows: PoolRows, filters: Filters = EVERYTHING) -> PoolUnits:
    """The units of a pool under a filter, each merged over the rows of its latest era.

    Of an era, the shallowest failure counts and the deepest pass short of it; of one never
    failed, the pass less its early stop. Rows of any order give the same units.
    """
    admitted = np.array([row.id for row in rows.conditions if filters.admit(row)], dtype=np.int64)
    levels = rows.levels
    picked = np.flatnonzero(
        np.isin(levels.conditions, admitted)
        if len(admitted) < len(rows.conditions)
        else np.ones(len(levels.unit), dtype=np.bool_)
    )
    place = np.searchsorted([row.id for row in rows.conditions], levels.conditions[picked])
    unit, first, owner = _runs(levels.unit[picked])
    chosen = _of_latest_firmware_era(
        levels.month[picked], _firmware_eras(rows.conditions)[place], first, owner
    )
    # What is not chosen loses against everything that is.
    failed = _least(np.where(chosen, levels.unstable_steps[picked], NEVER_FAILED), first)
    stable, early_stop = _deepest_pass(
        np.where(chosen, levels.stable_steps[picked], 0),
        levels.early_stop_steps[picked],
        failed[owner],
        first,
    )
    contributor = levels.contributor[picked][first]
    confirmed_by_curator = (
        _most(np.where(chosen, levels.confirmed_by_curator[picked], 0), first) == 1
    )
    established = confirmed_by_curator | np.isin(contributor, rows.established)
    never = failed >= NEVER_FAILED
    return PoolUnits(
        unit=unit,
        contributor=contributor,
        established=established,
        confirmed_by_curator=confirmed_by_curator,
        stable_steps=np.where(never, np.maximum(stable - early_stop, 0), stable),
        unstable_steps=failed,
        weight_ppm=weight_ppm_of(contributor),
        month=_most(np.where(chosen, levels.month[picked], 0), first),
        chosen=ChosenRows(owner[chosen], place[chosen], levels.stable_steps[picked][chosen] > 0),
        conditions=rows.conditions,
    )


def _runs(unit: Integers) -> tuple[Integers, Integers, Integers]:
    """The distinct units, the place of each one's first row, and the unit's place by row."""
    starts = np.append(True, unit[1:] != unit[:-1])[: len(unit)]
    first = np.flatnonzero(starts)
    return unit[first], first, np.cumsum(starts) - 1


def _least(values: Integers, first: Integers) -> Integers:
    return np.minimum.reduceat(values, first) if len(first) else values


def _most(values: Integers, first: Integers) -> Integers:
    return np.maximum.reduceat(values, first) if len(first) else values


def _firmware_eras(conditions: tuple[ConditionsRow, ...]) -> Integers:
    """The place of each conditions' era, the one whose microcode and firmware sort last highest."""
    firmware_eras = sorted({(row.microcode, row.firmware) for row in conditions})
    place = {firmware_era: number for number, firmware_era in enumerate(firmware_eras)}
    return np.array([place[row.microcode, row.firmware] for row in conditions], dtype=np.int64)


def _of_latest_firmware_era(
    month: Integers, firmware_era: Integers, first: Integers, owner: Integers
) -> Flags:
    """Which rows are of their unit's latest era: of the latest month, and of several, the last."""
    firmware_eras = int(firmware_era.max(initial=0)) + 1
    newest = _most(month * firmware_eras + firmware_era, first) % firmware_eras
    return np.asarray(firmware_era == newest[owner]) if len(first) else np.zeros(0, dtype=np.bool_)


def _deepest_pass(
    stable: Integers, early_stop: Integers, failed: Integers, first: Integers
) -> tuple[Integers, Integers]:
    """Each unit's deepest pass short of its failure, 0 without one, and the least early stop."""
    packing = int(early_stop.max(initial=0)) + 1
    packed = np.where(stable < failed, stable * packing + (packing - 1 - early_stop), packing - 1)
    deepest, left = np.divmod(_most(packed, first), packing)
    return deepest, packing - 1 - left


def weight_ppm_of(contributor: Integers) -> Integers:
    """The weight of each unit by its contributor's number of them, shape (n,).

    In millionths: integers add up the same in any order.

    >>> weight_ppm_of(np.array([7, 7, 7, 7, 8])).tolist()
    [750000, 750000, 750000, 750000, 1000000]
    """
    owner = np.unique(contributor, return_inverse=True)[1]
    units = np.bincount(owner)[owner]
    return np.where(
        units <= UNITS_OF_FULL_WEIGHT,
        MILLION,
        MILLION * UNITS_OF_FULL_WEIGHT // np.maximum(units, 1),
    )


def month_text(month: int) -> str:
    """A month as it is written: 2026-08.

    >>> month_text(2026 * 12 + 8), month_text(2026 * 12 + 12)
    ('2026-08', '2026-12')
    """
    year, of_year = divmod(month - 1, 12)
    return f"{year:04}-{of_year + 1:02}"


def weakest_grade(units: PoolUnits) -> Grade | None:
    """The weakest testing behind any stable end, None without one."""
    passing = _behind_stable_ends(units)
    seen = {units.conditions[place].grade for place in np.unique(units.chosen.place[passing])}
    return next((grade for grade in GRADES if grade in seen), None)


def usual_loads(units: PoolUnits) -> tuple[Load, ...]:
    """Load classes that at least half of the units with a stable end passed."""
    passing = _behind_stable_ends(units)
    owner, place = units.chosen.owner[passing], units.chosen.place[passing]
    half = len(np.unique(owner)) / 2
    usual = []
    for load in LOADS:
        told = np.array([load in row.loads.split(",") for row in units.conditions], dtype=np.bool_)
        by = len(np.unique(owner[told[place]])) if len(place) else 0
        if by and by >= half:
            usual.append(load)
    return tuple(usual)


def _behind_stable_ends(units: PoolUnits) -> Flags:
    """Which chosen rows tell of a pass of a unit that holds something."""
    return np.asarray(units.chosen.passed & (units.stable_steps[units.chosen.owner] > 0))
