"""Units of a pool: an interval each, with weight, conditions and firmware era."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals
from kbapi.storage.evidence import (
    NOTHING_RECENT,
    ConditionsRow,
    Recent,
    ResultRows,
    find_established,
    find_oldest_day,
    find_recent,
    load_conditions,
    read_results,
)
from kbapi.storage.pools import WhatIf
from kbapi.vocabulary import GRADES, LOADS, Grade, Load

UNITS_OF_FULL_WEIGHT: Final = 3
"""No contributor weighs more units, however many they sent."""
POOL_FOR_EACH_UNIT: Final = 30
"""A contributor weighs one unit for each so much weight of the pool, at least one."""
ESTABLISHED_AFTER: Final = timedelta(days=30)
UNPROVEN_COUNTS_AS_ONE: Final = 10
"""So many first failures without a proof of stock weigh one unit."""
OTHERS_NEEDED: Final = 5
"""With fewer other contributors in the pool no contributor is established."""
MILLION: Final = 1_000_000

Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Filters:
    """The conditions under which rows are read; None admits any value."""

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
        wanted = asdict(self)
        load, grade, cooling = (wanted.pop(name) for name in ("load", "grade", "cooling"))
        return (
            (load is None or load in row.loads.split(","))
            and (grade is None or GRADES.index(row.grade) >= GRADES.index(grade))
            and (cooling is None or cooling in row.cooling.split(","))
            and all(wanted[name] in (None, getattr(row, name)) for name in wanted)
        )


EVERYTHING: Final = Filters()


@dataclass(frozen=True, slots=True)
class Standing:
    """Which contributors are established on a day."""

    established_by: date
    """A contributor who was first seen later is established only if an access key vouched."""
    without_token: bytes
    """Hash of all results that came without a token; never established."""
    recent: Recent = NOTHING_RECENT
    is_young: bool = False
    """Whether no contributor was first seen so early: then cells count all with a token."""

    def known(self, connection: Connection, contributors: Integers) -> Integers:
        """Those of these contributors whom small cells count: by their age alone."""
        return self.established_and_known(connection, contributors)[1]

    def established(self, connection: Connection, contributors: Integers) -> Integers:
        """Those of these contributors who are established in a pool with five others."""
        return self.established_and_known(connection, contributors)[0]

    def established_and_known(
        self, connection: Connection, contributors: Integers
    ) -> tuple[Integers, Integers]:
        """Both at once."""
        known_by = date.max if self.is_young else self.established_by
        return find_established(
            connection, contributors, self.established_by, known_by, self.without_token
        )


def standing_on(today: date, without_token: bytes) -> Standing:
    """Which contributors are established on this day."""
    return Standing(today - ESTABLISHED_AFTER, without_token)


def load_standing(connection: Connection, today: date, without_token: bytes) -> Standing:
    """The same for answers: with the results of the day, and whether the instance is young."""
    established_by = standing_on(today, without_token).established_by
    oldest = find_oldest_day(connection, without_token)
    is_young = oldest is None or oldest > established_by
    return Standing(established_by, without_token, find_recent(connection, today), is_young)


@dataclass(frozen=True)
class MergedRows:
    """Results of one pool merged by unit and conditions, shape (n,) each, those of a unit together.

    One row for each result. All rows of a unit under the same conditions have their shallowest
    failure. A pass at or beyond that failure is 0.
    """

    unit: Integers
    contributor: Integers
    conditions: Integers
    stable_steps: Integers
    unstable_steps: Integers
    """`NEVER_FAILED` if the unit never failed under these conditions."""
    early_stop_steps: Integers
    passed_steps: Integers
    """What the result itself passed, even at or beyond the failure; 0 without a pass."""
    failed_later: Flags
    """Whether only follow-ups report the shallowest failure."""
    stock_unproven: Flags
    """Whether its first setting failed, and no test at stock passed."""
    confirmed_by_curator: Flags
    """Whether a curator included the pass or the failure that the row still has."""
    month: Integers

    def some(self, places: Integers) -> "MergedRows":
        """The rows at these places."""
        return MergedRows(*(getattr(self, field.name)[places] for field in fields(self)))


def merge_results(results: ResultRows) -> MergedRows:
    """The rows of these results; a pass counts only if it is shallower than every failure.

    Results of a unit under conditions with neither a pass nor a failure are left out. The order of
    the results does not matter.
    """
    results = _without_needless_unproven(results)
    place = results.unit * (int(results.conditions.max(initial=0)) + 1) + results.conditions
    order = np.lexsort((results.stable_steps, place))
    rows = results.some(order)
    _, first, owner = _runs(place[order])
    shallowest = _least(rows.unstable_steps, first)[owner]
    has_failure = shallowest < NEVER_FAILED
    holds = (rows.stable_steps >= 0) & (rows.stable_steps < shallowest)
    fails = has_failure & (rows.unstable_steps == shallowest)
    merged = MergedRows(
        unit=rows.unit,
        contributor=rows.contributor,
        conditions=rows.conditions,
        stable_steps=np.where(holds, rows.stable_steps, 0),
        unstable_steps=shallowest,
        early_stop_steps=np.where(holds, rows.early_stop_steps, 0),
        passed_steps=np.maximum(rows.stable_steps, 0),
        failed_later=has_failure & (_most(fails & ~rows.is_follow_up, first)[owner] == 0),
        stock_unproven=rows.is_stock_unproven,
        confirmed_by_curator=rows.confirmed_by_curator & (holds | fails),
        month=rows.month,
    )
    has_limit = has_failure | (_most(rows.stable_steps, first)[owner] >= 0)
    return merged if has_limit.all() else merged.some(np.flatnonzero(has_limit))


def _without_needless_unproven(results: ResultRows) -> ResultRows:
    """The results without first failures of unproven stock whose unit has another limit."""
    unproven = results.is_stock_unproven
    if not unproven.any():
        return results
    has_limit = (results.stable_steps >= 0) | (results.unstable_steps < NEVER_FAILED)
    proven = np.unique(results.unit[has_limit & ~unproven])
    return results.some(np.flatnonzero(~unproven | ~np.isin(results.unit, proven)))


@dataclass(frozen=True)
class PoolRows:
    """Everything that a pool's units and its drift are computed from."""

    results: ResultRows
    merged: MergedRows
    conditions: tuple[ConditionsRow, ...]
    """The conditions of all results, ascending by id."""
    established: Integers
    """The numbers of established contributors."""
    known: Integers
    """The numbers of contributors whom small cells count."""
    trusted: Integers
    """The numbers of those who would be established among five others."""

    def without(self, contributor: int) -> "PoolRows":
        """The rows that would be left if this contributor had sent nothing."""
        results = self.results.some(np.flatnonzero(self.results.contributor != contributor))
        merged = self.merged.some(np.flatnonzero(self.merged.contributor != contributor))
        has_others = len(np.unique(merged.contributor)) > OTHERS_NEEDED
        established = self.established[self.established != contributor]
        return PoolRows(
            results,
            merged,
            conditions_of(self.conditions, results.conditions),
            established if has_others else established[:0],
            self.known[self.known != contributor],
            self.trusted[self.trusted != contributor],
        )

    def some(self, kept: Flags) -> "PoolRows":
        """The rows that would be left if only these results had arrived."""
        results = self.results.some(np.flatnonzero(kept))
        conditions = conditions_of(self.conditions, results.conditions)
        return replace(self, results=results, merged=merge_results(results), conditions=conditions)

    def admitted(self, filters: Filters, conditions: Integers) -> Flags:
        """Which of the rows under these conditions a filter admits."""
        place = np.searchsorted([row.id for row in self.conditions], conditions)
        admits = np.array([filters.admit(row) for row in self.conditions], dtype=np.bool_)
        return np.asarray(admits[place])


@dataclass(frozen=True)
class ChosenRows:
    """The rows that units were merged from, shape (m,) each, those of a unit side by side."""

    owner: Integers
    """Place of the row's unit in `PoolUnits`."""
    place: Integers
    """Place of the row's conditions in `PoolUnits.conditions`."""
    passed: Flags
    """Whether the row has a pass."""


@dataclass(frozen=True)
class PoolUnits:
    """Units of a pool that were chosen, ascending, shape (n,) each."""

    unit: Integers
    contributor: Integers
    established: Flags
    """Sent by an established contributor, or confirmed by a curator."""
    confirmed_by_curator: Flags
    stable_steps: Integers
    unstable_steps: Integers
    untold_stop: Flags
    """Never failed, and no planned end is stated for the deepest pass."""
    failed_later: Flags
    """Only follow-ups report the failure, and a result had passed as deep or deeper."""
    stock_unproven: Flags
    """The first setting failed, and no test at stock passed."""
    weight_ppm: Integers
    month: Integers
    chosen: ChosenRows
    conditions: tuple[ConditionsRow, ...]

    @property
    def informative(self) -> Flags:
        """Which units have a limit; the others never failed, and no pass of theirs counts."""
        return np.asarray((self.stable_steps > 0) | (self.unstable_steps < NEVER_FAILED))

    def intervals(self, weight: NDArray[np.float64]) -> GroupedIntervals:
        """One interval for each unit, in the same order as the units."""
        return GroupedIntervals(self.stable_steps, self.unstable_steps, weight)


def load_pool_rows(
    connection: Connection,
    pool_id: int,
    standing: Standing,
    what_if: WhatIf | None = None,
) -> PoolRows:
    """The rows of a pool that answers use, as stored or as they would be after a decision."""
    results = read_results(connection, pool_id, what_if, standing.recent)
    merged = merge_results(results)
    contributors = np.unique(merged.contributor)
    established, known = standing.established_and_known(connection, contributors)
    # A contributor is established only in a pool with five other contributors.
    has_others = len(contributors) > OTHERS_NEEDED
    return PoolRows(
        results,
        merged,
        load_conditions(connection, np.unique(results.conditions).tolist()),
        established if has_others else established[:0],
        known,
        established,
    )


def conditions_of(
    conditions: Iterable[ConditionsRow], numbers: Integers
) -> tuple[ConditionsRow, ...]:
    """The conditions with these numbers, in their order."""
    wanted = set(np.unique(numbers).tolist())
    return tuple(row for row in conditions if row.id in wanted)


def units_of(rows: PoolRows, filters: Filters = EVERYTHING) -> PoolUnits:
    """The units of a pool under a filter, each merged over the rows of its latest firmware era.

    Each unit has the shallowest failure of that era and the deepest pass that is shallower. Without
    a failure, its early stop is subtracted from the pass. The order of the rows does not matter.
    """
    conditions = conditions_of(rows.conditions, rows.merged.conditions)
    of_era, place = _rows_of_latest_era(rows.merged, conditions, filters)
    unit, first, owner = _runs(of_era.unit)
    failed = _least(of_era.unstable_steps, first)
    stable, early_stop = _deepest_pass(
        of_era.stable_steps, of_era.early_stop_steps, failed[owner], first
    )
    contributor = of_era.contributor[first]
    confirmed_by_curator = _most(of_era.confirmed_by_curator, first) == 1
    established = confirmed_by_curator | np.isin(contributor, rows.established)
    never = failed >= NEVER_FAILED
    stable = np.where(never, np.maximum(stable - early_stop, 0), stable)
    unproven = _most(of_era.stock_unproven, first) == 1
    weight_ppm = weight_ppm_of(contributor, established, (stable > 0) | ~never)
    return PoolUnits(
        unit=unit,
        contributor=contributor,
        established=established,
        confirmed_by_curator=confirmed_by_curator,
        stable_steps=stable,
        unstable_steps=failed,
        untold_stop=never & (early_stop > 0) & (stable > 0),
        failed_later=_have_failed_later(of_era, failed, first, owner),
        stock_unproven=unproven,
        weight_ppm=np.where(unproven, weight_ppm // UNPROVEN_COUNTS_AS_ONE, weight_ppm),
        month=_most(of_era.month, first),
        chosen=ChosenRows(owner, place, of_era.stable_steps > 0),
        conditions=conditions,
    )


def _have_failed_later(
    of_era: MergedRows, failed: Integers, first: Integers, owner: Integers
) -> Flags:
    """Which units failed in follow-ups alone, at a setting that they had passed or before it."""
    in_result = (of_era.unstable_steps == failed[owner]) & ~of_era.failed_later
    has_passed = _most(of_era.passed_steps, first) >= failed
    return np.asarray(has_passed & (_most(in_result, first) == 0))


def _rows_of_latest_era(
    merged: MergedRows, conditions: tuple[ConditionsRow, ...], filters: Filters
) -> tuple[MergedRows, Integers]:
    """The admitted rows of each unit's latest era, and the place of their conditions."""
    place = np.searchsorted([row.id for row in conditions], merged.conditions)
    admits = np.array([filters.admit(row) for row in conditions], dtype=np.bool_)
    admitted = np.flatnonzero(admits[place])
    _, first, owner = _runs(merged.unit[admitted])
    era = _firmware_eras(conditions)[place[admitted]]
    is_latest = _of_latest_firmware_era(merged.month[admitted], era, first, owner)
    chosen = admitted[is_latest]
    return merged.some(chosen), place[chosen]


def _runs(unit: Integers) -> tuple[Integers, Integers, Integers]:
    """The distinct units, the place of each unit's first row, and each row's place of its unit."""
    starts = np.append(True, unit[1:] != unit[:-1])[: len(unit)]
    first = np.flatnonzero(starts)
    return unit[first], first, np.cumsum(starts) - 1


def _least(values: Integers, first: Integers) -> Integers:
    return np.minimum.reduceat(values, first) if len(first) else values


def _most(values: Integers | Flags, first: Integers) -> Integers:
    numbers = values.astype(np.int64, copy=False)
    return np.maximum.reduceat(numbers, first) if len(first) else numbers


def _firmware_eras(conditions: tuple[ConditionsRow, ...]) -> Integers:
    """The number of each conditions' era; eras are sorted by microcode, then by firmware."""
    firmware_eras = sorted({(row.microcode, row.firmware) for row in conditions})
    place = {firmware_era: number for number, firmware_era in enumerate(firmware_eras)}
    return np.array([place[row.microcode, row.firmware] for row in conditions], dtype=np.int64)


def _of_latest_firmware_era(
    month: Integers, firmware_era: Integers, first: Integers, owner: Integers
) -> Flags:
    """Which rows belong to the last era of their unit's latest month."""
    firmware_eras = int(firmware_era.max(initial=0)) + 1
    newest = _most(month * firmware_eras + firmware_era, first) % firmware_eras
    return np.asarray(firmware_era == newest[owner]) if len(first) else np.zeros(0, dtype=np.bool_)


def _deepest_pass(
    stable: Integers, early_stop: Integers, failed: Integers, first: Integers
) -> tuple[Integers, Integers]:
    """Each unit's deepest pass before its failure (0 without one), and its least early stop."""
    packing = int(early_stop.max(initial=0)) + 1
    packed = np.where(stable < failed, stable * packing + (packing - 1 - early_stop), packing - 1)
    deepest, left = np.divmod(_most(packed, first), packing)
    return deepest, packing - 1 - left


def weight_ppm_of(contributor: Integers, established: Flags, informative: Flags) -> Integers:
    """The weight of each unit by its contributor's number of units, shape (n,), in millionths.

    A contributor weighs at most max(1, min(3, W / 30)) units, where W is what the pool would weigh
    with three units at most of each contributor and newcomers limited to their share. Units without
    a limit have no weight. Integers have the same sum in any order.

    >>> yes = np.ones(5, dtype=np.bool_)
    >>> weight_ppm_of(np.array([7, 7, 7, 7, 8]), yes, yes).tolist()
    [250000, 250000, 250000, 250000, 1000000]
    """
    owner = np.unique(contributor, return_inverse=True)[1]
    units = np.maximum(np.bincount(owner, informative, len(contributor))[owner], 1).astype(np.int64)
    most = _shared(UNITS_OF_FULL_WEIGHT * MILLION, units) * informative
    by_established, by_newcomers = int(most[established].sum()), int(most[~established].sum())
    factor = newcomer_factor(by_established / MILLION, by_newcomers / MILLION)
    pool = by_established + int(by_newcomers * factor)
    cap = min(max(pool // POOL_FOR_EACH_UNIT, MILLION), UNITS_OF_FULL_WEIGHT * MILLION)
    return _shared(cap, units) * informative


def _shared(cap: int, units: Integers) -> Integers:
    return np.minimum(MILLION, cap // units)


_HALVED_BY: Final = 3.0
_NEWCOMERS_AT_LEAST: Final = 0.1
_CROWD: Final = 50.0
"""Beside one established unit so many newcomers count, beside two half as many."""


def newcomer_fade(established: float) -> float:
    """What is left of a newcomer's weight, by that of established contributors: half beside three.

    >>> [newcomer_fade(weight) for weight in (0.0, 3.0, 6.0)]
    [1.0, 0.5, 0.25]
    """
    return float(2.0 ** (-established / _HALVED_BY))


def newcomer_factor(established: float, newcomers: float) -> float:
    """What newcomers keep of their weight beside so much weight of established contributors.

    All of it while no contributor is established. Beside E units 50 / E newcomers fade and the
    others do not count, so that no crowd weighs more. Together they keep a tenth of E at least.

    >>> [round(newcomer_factor(weight, 20.0), 3) for weight in (0.0, 1.0, 3.0, 12.0, 60.0)]
    [1.0, 0.794, 0.417, 0.06, 0.3]
    >>> [round(300 * newcomer_factor(weight, 300.0), 3) for weight in (1.0, 3.0, 10.0)]
    [39.685, 8.333, 1.0]
    """
    if newcomers <= 0.0 or established <= 0.0:
        return 1.0
    faded = min(newcomers, _CROWD / established) * newcomer_fade(established)
    return float(min(1.0, max(faded, _NEWCOMERS_AT_LEAST * established) / newcomers))


def month_text(month: int) -> str:
    """A month as text: 2026-08.

    >>> month_text(2026 * 12 + 8), month_text(2026 * 12 + 12)
    ('2026-08', '2026-12')
    """
    year, of_year = divmod(month - 1, 12)
    return f"{year:04}-{of_year + 1:02}"


def weakest_grade(units: PoolUnits) -> Grade | None:
    """The weakest grade of testing behind any stable end; None without a stable end."""
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
        has_it = np.array([load in row.loads.split(",") for row in units.conditions], np.bool_)
        by = len(np.unique(owner[has_it[place]])) if len(place) else 0
        if by and by >= half:
            usual.append(load)
    return tuple(usual)


def _behind_stable_ends(units: PoolUnits) -> Flags:
    """The chosen rows with a pass of a unit that has a stable end."""
    return np.asarray(units.chosen.passed & (units.stable_steps[units.chosen.owner] > 0))
