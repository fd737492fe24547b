"""A pool as the statistics take it: distinct intervals, weights, and what stands beside them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.evidence.judge import UNITS_OF_FULL_WEIGHT
from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals
from kbapi.storage.evidence_rows import (
    ConditionsCount,
    IntervalGroup,
    PoolSize,
    count_units_by_conditions,
    count_units_by_status,
    load_intervals,
    load_pools,
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
    clock_mhz: float | None


@dataclass(frozen=True)
class PoolEvidence:
    """What is known in one pool."""

    id: int
    key: PoolKey
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


def find_pool(connection: Connection, chip_id: int, wanted: PoolWanted) -> PoolSize | None:
    """The pool that is asked for: of the wanted clock band or the nearest, then the largest."""
    holding = [pool for pool in load_pools(connection, chip_id) if _holds(pool.key, wanted)]
    return min(holding, key=lambda pool: (_clock_distance(pool, wanted), -pool.units), default=None)


def _holds(key: PoolKey, wanted: PoolWanted) -> bool:
    domains = key.domains.split("+")
    if wanted.control not in (None, key.control):
        return False
    if wanted.moved_with is None:
        return wanted.domain in domains
    return set(domains) == {wanted.domain, *wanted.moved_with}


def _clock_distance(pool: PoolSize, wanted: PoolWanted) -> float:
    if wanted.clock_mhz is None or pool.key.control != "fixed_clock_voltage":
        return 0
    # A band is named by its lower end; a clock inside it lies at or a little above that.
    return abs(pool.key.clock_band_mhz - wanted.clock_mhz)


def load_pool(connection: Connection, pool: PoolSize) -> PoolEvidence:
    """A pool's evidence, merged by unit and grouped inside the database."""
    groups = load_intervals(connection, pool.id, UNITS_OF_FULL_WEIGHT)
    told = [group for group in groups if _says_something(group)]
    by_status = count_units_by_status(connection, pool.id)
    conditions = count_units_by_conditions(connection, pool.id)
    return PoolEvidence(
        id=pool.id,
        key=pool.key,
        intervals=GroupedIntervals(
            stable_steps=np.array([group.stable_steps for group in told], dtype=np.int64),
            unstable_steps=np.array([group.unstable_steps for group in told], dtype=np.int64),
            weight=np.array([group.weight_ppm for group in told], dtype=np.float64) / 1e6,
        ),
        unit_counts=np.array([group.units for group in told], dtype=np.int64),
        units=sum(group.units for group in groups),
        failures=sum(group.units for group in groups if group.unstable_steps < NEVER_FAILED),
        claimed=by_status.get("claimed", 0),
        set_aside=by_status.get("set_aside", 0),
        latest_month=max((group.latest_month for group in groups), default=None),
        grade=_weakest_grade(conditions),
        loads=_usual_loads(conditions),
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
