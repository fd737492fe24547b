"""A pool as the statistics take it: distinct intervals, weights, and what stands beside them."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.chips.chip import ChipName
from kbapi.evidence.judge import UNITS_OF_FULL_WEIGHT
from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals
from kbapi.storage.pool_rows import (
    EVERYTHING,
    ConditionsCount,
    Filters,
    IntervalGroup,
    PoolSize,
    count_units_by_conditions,
    count_units_by_status,
    load_intervals,
    load_pools_of_line,
)
from kbapi.storage.submissions import PoolKey
from kbapi.vocabulary import GRADES, Domain, Grade, LimitControl


@dataclass(frozen=True, slots=True)
class PoolWanted:
    """Which pool of a chip a question is about."""

    control: LimitControl | None
    """None for the one with the largest pool."""
    domain: Domain
    moved_with: tuple[Domain, ...] | None
    """Exactly these others, or None for the largest pool that holds the domain."""
    clock_band_mhz: int | None
    """Lower end of the band that the asked clock lies in."""


@dataclass(frozen=True)
class PoolEvidence:
    """What is known in one pool of the chip itself."""

    id: int
    intervals: GroupedIntervals
    """Weighed; units of which nothing is known are left out."""
    unit_counts: NDArray[np.int64]
    """Units behind each interval, unweighed."""
    units: int
    failures: int
    """Units that were seen to fail."""
    claimed: int
    set_aside: int
    latest_month: str | None
    grade: Grade | None
    """The weakest testing behind any stable end, None without one."""
    loads: tuple[str, ...]
    """Load classes that at least half of the units with a stable end passed."""


@dataclass(frozen=True)
class PoolFound:
    """The pool that a question is about, in the chip itself and in the chips around it."""

    key: PoolKey
    own: PoolSize | None
    """None where only related chips have results of this kind."""
    series: tuple[PoolSize, ...]
    """The same pool in the other chips of the series, largest first."""
    line: tuple[PoolSize, ...]
    """The same pool in the chips of the line outside the series, largest first."""


def find_pool(
    connection: Connection, line_id: int, chip: ChipName, wanted: PoolWanted
) -> PoolFound | None:
    """The pool that is asked for, the chip's own results deciding which, else its relatives'.

    Of several that fit: the wanted clock band or the nearest one, then the largest.
    """
    pools = [pool for pool in load_pools_of_line(connection, line_id) if _holds(pool.key, wanted)]
    own = [pool for pool in pools if pool.chip_key == chip.key]
    series = [pool for pool in pools if pool.series == chip.series and pool not in own]
    line = [pool for pool in pools if pool.series != chip.series and pool not in own]
    key = next(filter(None, (_best_key(group, wanted) for group in (own, series, line))), None)
    if key is None:
        # Results that don't count are still worth telling.
        return PoolFound(own[0].key, own[0], (), ()) if own else None
    return PoolFound(
        key,
        next((pool for pool in own if pool.key == key), None),
        _largest_first(series, key),
        _largest_first(line, key),
    )


def _holds(key: PoolKey, wanted: PoolWanted) -> bool:
    if wanted.control not in (None, key.control):
        return False
    domains = key.domains.split("+")
    if wanted.moved_with is None:
        return wanted.domain in domains
    return set(domains) == {wanted.domain, *wanted.moved_with}


def _best_key(pools: list[PoolSize], wanted: PoolWanted) -> PoolKey | None:
    units: dict[PoolKey, int] = {}
    for pool in pools:
        units[pool.key] = units.get(pool.key, 0) + pool.units
    counted = [key for key, count in units.items() if count]
    return min(counted, key=lambda key: (_clock_distance(key, wanted), -units[key]), default=None)


def _clock_distance(key: PoolKey, wanted: PoolWanted) -> int:
    if wanted.clock_band_mhz is None or key.control != "fixed_clock_voltage":
        return 0
    return abs(key.clock_band_mhz - wanted.clock_band_mhz)


def _largest_first(pools: Iterable[PoolSize], key: PoolKey) -> tuple[PoolSize, ...]:
    same = [pool for pool in pools if pool.key == key and pool.units]
    return tuple(sorted(same, key=lambda pool: (-pool.units, pool.chip_key)))


def load_pool(
    connection: Connection, pool: PoolSize, filters: Filters = EVERYTHING
) -> PoolEvidence:
    """A pool's evidence, filtered, then merged by unit and grouped inside the database."""
    groups = load_intervals(connection, pool.id, UNITS_OF_FULL_WEIGHT, filters)
    told = [group for group in groups if _says_something(group)]
    by_status = count_units_by_status(connection, pool.id)
    conditions = count_units_by_conditions(connection, pool.id, filters)
    return PoolEvidence(
        id=pool.id,
        intervals=_as_intervals(told),
        unit_counts=np.array([group.units for group in told], dtype=np.int64),
        units=sum(group.units for group in groups),
        failures=sum(group.units for group in groups if group.unstable_steps < NEVER_FAILED),
        claimed=by_status.get("claimed", 0),
        set_aside=by_status.get("set_aside", 0),
        latest_month=max((group.latest_month for group in groups), default=None),
        grade=_weakest_grade(conditions),
        loads=_usual_loads(conditions),
    )


def load_related_intervals(connection: Connection, pool: PoolSize) -> GroupedIntervals:
    """A related chip's evidence in the same kind of pool, weighed like the chip's own."""
    groups = load_intervals(connection, pool.id, UNITS_OF_FULL_WEIGHT)
    return _as_intervals([group for group in groups if _says_something(group)])


def _as_intervals(groups: list[IntervalGroup]) -> GroupedIntervals:
    return GroupedIntervals(
        stable_steps=np.array([group.stable_steps for group in groups], dtype=np.int64),
        unstable_steps=np.array([group.unstable_steps for group in groups], dtype=np.int64),
        weight=np.array([group.weight_ppm for group in groups], dtype=np.float64) / 1e6,
    )


def _says_something(group: IntervalGroup) -> bool:
    # Passed too little to count, never failed: the limit could be anywhere.
    known = group.stable_steps > 0 or group.unstable_steps < NEVER_FAILED
    return known and group.weight_ppm > 0


def _weakest_grade(conditions: list[ConditionsCount]) -> Grade | None:
    seen = {count.grade for count in conditions}
    return next((grade for grade in GRADES if grade in seen), None)


def _usual_loads(conditions: list[ConditionsCount]) -> tuple[str, ...]:
    units = sum(count.units for count in conditions)
    passed: dict[str, int] = {}
    for count in conditions:
        for load in filter(None, count.loads.split(",")):
            passed[load] = passed.get(load, 0) + count.units
    return tuple(sorted(load for load, by in passed.items() if 2 * by >= units))
