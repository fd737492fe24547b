"""The pool of a question with its outlier check, and the pools of related chips."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.chips.naming import identify_chip
from kbapi.evidence.comparisons import PoolDrift, drift_among
from kbapi.evidence.outlier_check import (
    OutlierReport,
    check_outliers,
    counted_for_related,
    counted_units,
)
from kbapi.evidence.small_cells import is_shown, released
from kbapi.evidence.units import (
    EVERYTHING,
    Filters,
    PoolRows,
    PoolUnits,
    Standing,
    load_pool_rows,
    units_of,
    usual_loads,
    weakest_grade,
)
from kbapi.stats.estimate.siblings import FEWEST_UNITS, Sibling, Siblings, summarise_sibling
from kbapi.stats.intervals import Grid, GroupedIntervals
from kbapi.stats.scale import COUNT_OFFSET, FIXED_CLOCK_VOLTAGE, VOLTAGE_OFFSET, PriorScale
from kbapi.storage.answers import ExcludedUnit, StoredOutliers, load_outliers
from kbapi.storage.pools import (
    PoolKey,
    PoolSize,
    WhatIf,
    count_units_by_status,
    load_pools_of_line,
)
from kbapi.storage.tables_evidence import UNIT_CODES
from kbapi.time_budget import check_time
from kbapi.vocabulary import Domain, Grade, LimitControl, Load


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
    unverified: int
    excluded: int
    """By screening, or by the outlier check."""
    latest_month: str | None
    grade: Grade | None
    """The weakest testing behind any stable end, None without one."""
    loads: tuple[Load, ...]
    """Load classes that at least half of the units with a stable end passed."""
    outlier_report: OutlierReport
    """Of the whole pool, whatever the filter."""
    whole: PoolUnits
    """Its units, whatever the filter."""
    rows: PoolRows
    """The rows of its units."""
    drift: PoolDrift
    """Whether its recent results differ from its earlier ones beyond chance."""


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
    connection: Connection,
    line_id: int,
    chip: ChipName,
    wanted: PoolWanted,
    what_if: WhatIf | None = None,
) -> PoolFound | None:
    """The pool that is asked for, the chip's own results deciding which, else its relatives'.

    Of several that fit: the wanted clock band or the nearest one, then the largest.
    """
    pools = load_pools_of_line(connection, line_id, what_if)
    pools = [pool for pool in pools if _holds(pool.key, wanted)]
    own = [pool for pool in pools if pool.chip_key == chip.key]
    series = [pool for pool in pools if pool.series == chip.series and pool not in own]
    line = [pool for pool in pools if pool.series != chip.series and pool not in own]
    key = next(filter(None, (_best_key(group, wanted) for group in (own, series, line))), None)
    if key is None:
        # Results that do not count are reported too.
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
    connection: Connection,
    pool: PoolSize,
    standing: Standing,
    floor_steps: float,
    filters: Filters = EVERYTHING,
    what_if: WhatIf | None = None,
    *,
    is_delayed: bool = False,
) -> PoolEvidence | None:
    """A pool's evidence, checked for outliers as a whole, then filtered.

    None where a filter leaves too few contributors to be shown. `floor_steps` is the spread below
    which nothing counts as far away. Delayed evidence is without results that wait.
    """
    rows = load_pool_rows(connection, pool.id, standing, what_if)
    check_time("results of the pool")
    if is_delayed:
        rows = released(rows, filters)
    if filters != EVERYTHING and not is_shown(rows, filters):
        return None
    by_status = count_units_by_status(connection, pool.id, what_if)
    return evidence_from(rows, pool.id, floor_steps, by_status, filters)


def evidence_from(
    rows: PoolRows,
    pool_id: int,
    floor_steps: float,
    by_status: Mapping[str, int],
    filters: Filters = EVERYTHING,
) -> PoolEvidence:
    """The evidence of a pool with these rows; `by_status` counts the units of each status."""
    whole = units_of(rows)
    check_time("units of the pool")
    outlier_report = check_outliers(whole, floor_steps)
    check_time("outlier check")
    units = whole if filters == EVERYTHING else units_of(rows, filters)
    stands = counted_units(units, outlier_report)
    drift = drift_among(rows)
    check_time("drift")
    return PoolEvidence(
        id=pool_id,
        intervals=stands.intervals,
        unit_counts=stands.unit_counts,
        units=stands.units,
        failures=stands.failures,
        unverified=by_status.get("unverified", 0),
        excluded=by_status.get("excluded", 0) + outlier_report.excluded_units,
        latest_month=stands.latest_month,
        grade=weakest_grade(units),
        loads=usual_loads(units),
        outlier_report=outlier_report,
        whole=whole,
        rows=rows,
        drift=drift,
    )


def load_related_intervals(
    connection: Connection, pool: PoolSize, standing: Standing, floor_steps: float
) -> GroupedIntervals:
    """A related chip's evidence in the same kind of pool, checked like the chip's own."""
    units = units_of(load_pool_rows(connection, pool.id, standing))
    return counted_for_related(units, check_outliers(units, floor_steps))


SCALES: Final[dict[str, PriorScale]] = {
    "voltage_offset": VOLTAGE_OFFSET,
    "count_offset": COUNT_OFFSET,
    "fixed_clock_voltage": FIXED_CLOCK_VOLTAGE,
}
_MOST_SIBLINGS: Final = 8
"""More chips hardly narrow what one more among them may be, and each costs a fit."""


def floor_steps(control: str, grid: Grid) -> float:
    """The spread in grid steps below which nothing in a pool counts as far away."""
    return SCALES[control].least_spread / float(grid.step)


def load_siblings(
    connection: Connection, found: PoolFound, catalogue: Catalogue, standing: Standing
) -> Siblings:
    """The chips of the series that have enough units; only without any, those of the line."""
    series = _summaries(connection, found.series, catalogue, standing)
    if series:
        return Siblings(series)
    return Siblings((), _summaries(connection, found.line, catalogue, standing))


def _summaries(
    connection: Connection, pools: tuple[PoolSize, ...], catalogue: Catalogue, standing: Standing
) -> tuple[Sibling, ...]:
    summaries = []
    for pool in pools[:_MOST_SIBLINGS]:
        chip = identify_chip(pool.chip_key).chip
        # A key that today's grammar does not know waits for the chips to be read again.
        if chip is not None and pool.units >= FEWEST_UNITS:
            grid = catalogue.grid_for(catalogue.placed(chip), pool.key.control)
            floor = floor_steps(pool.key.control, grid)
            intervals = load_related_intervals(connection, pool, standing, floor)
            scale = SCALES[pool.key.control]
            summaries.append(summarise_sibling(intervals, float(grid.step), scale))
            check_time("related chips")
    return tuple(summaries)


OUTLIER_DEEP: Final = UNIT_CODES[0]


@dataclass(frozen=True)
class OutlierComparison:
    """A pool with what was stored of its outlier check and what checking it now finds."""

    pool: PoolSize
    outlier_report: OutlierReport
    before: StoredOutliers
    now: StoredOutliers

    @property
    def has_changed(self) -> bool:
        """Whether other units or contributors are excluded now."""
        return self.before != self.now


def stored_outliers_of(outlier_report: OutlierReport) -> StoredOutliers:
    """The part of a check that is stored."""
    deep = outlier_report.outlier_deep.tolist()
    return StoredOutliers(
        tuple(ExcludedUnit(unit, OUTLIER_DEEP) for unit in deep),
        tuple(outlier_report.differing.tolist()),
    )


def compare_outliers(
    connection: Connection, pool: PoolSize, catalogue: Catalogue, standing: Standing
) -> OutlierComparison | None:
    """A pool checked now, with what was stored of it.

    None where today's grammar does not know the chip's key.
    """
    chip = identify_chip(pool.chip_key).chip
    if chip is None:
        return None
    grid = catalogue.grid_for(catalogue.placed(chip), pool.key.control)
    units = units_of(load_pool_rows(connection, pool.id, standing))
    outlier_report = check_outliers(units, floor_steps(pool.key.control, grid))
    return OutlierComparison(
        pool,
        outlier_report,
        load_outliers(connection, pool.id),
        stored_outliers_of(outlier_report),
    )
