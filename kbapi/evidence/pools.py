"""The pool of a question with its outlier check, and the pools of related chips."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
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
    counted_units,
    weight_for_related,
    weight_under,
)
from kbapi.evidence.small_cells import is_shown, released
from kbapi.evidence.units import (
    EVERYTHING,
    MILLION,
    UNITS_OF_FULL_WEIGHT,
    Filters,
    PoolRows,
    PoolUnits,
    Standing,
    load_pool_rows,
    units_of,
    usual_loads,
    weakest_grade,
)
from kbapi.stats.estimate.siblings import Sibling, Siblings, summarise_sibling
from kbapi.stats.intervals import Grid, GroupedIntervals, group_intervals
from kbapi.stats.scale import COUNT_OFFSET, FIXED_CLOCK_VOLTAGE, VOLTAGE_OFFSET, PriorScale
from kbapi.storage.answers import ExcludedUnit, StoredOutliers, load_outliers
from kbapi.storage.evidence import is_any_vouched
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
    reported: GroupedIntervals
    """As they were reported, each unit with weight one."""
    units: int
    failures: int
    """Units that were seen to fail."""
    failures_at_first_setting: int
    """Units whose first setting failed."""
    untold_stops: int
    """Units that never failed and state no planned end."""
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
    asked: PoolUnits
    """The units that the filter admits; without one, `whole` itself."""
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
    stands = counted_units(units, outlier_report, floor_steps)
    drift = drift_among(rows)
    check_time("drift")
    return PoolEvidence(
        id=pool_id,
        intervals=stands.intervals,
        reported=stands.reported,
        units=stands.units,
        failures=stands.failures,
        failures_at_first_setting=stands.failures_at_first_setting,
        untold_stops=stands.untold_stops,
        unverified=by_status.get("unverified", 0),
        excluded=by_status.get("excluded", 0) + outlier_report.excluded_units,
        latest_month=stands.latest_month,
        grade=weakest_grade(units),
        loads=usual_loads(units),
        outlier_report=outlier_report,
        whole=whole,
        asked=units,
        rows=rows,
        drift=drift,
    )


SCALES: Final[dict[str, PriorScale]] = {
    "voltage_offset": VOLTAGE_OFFSET,
    "count_offset": COUNT_OFFSET,
    "fixed_clock_voltage": FIXED_CLOCK_VOLTAGE,
}


def floor_steps(control: str, grid: Grid) -> float:
    """The spread in grid steps below which nothing in a pool counts as far away."""
    return SCALES[control].least_spread / float(grid.step)


FEWEST_UNITS_LENT: Final = 10
"""Units that a related chip needs; three of each contributor count."""
FEWEST_CONTRIBUTORS_LENT: Final = 5
_LEAST_WEIGHT_LENT: Final = 4.0
"""The estimate of a chip with less weight is mostly the vague prior. Five contributors weigh 5."""
_MOST_SIBLINGS: Final = 8
"""More chips hardly narrow what one more among them may be, and each costs a fit."""
_MOST_READ: Final = 24
"""So many related chips are read at most: a flood of invented ones must not cost more."""


@dataclass(frozen=True)
class RelatedUnits:
    """Units of a related chip that its own outlier check left, shape (n,) each."""

    stable_steps: NDArray[np.int64]
    unstable_steps: NDArray[np.int64]
    contributor: NDArray[np.int64]
    is_established: NDArray[np.bool_]
    """Sent by an established contributor, or confirmed by a curator."""
    weight_ppm: NDArray[np.int64]
    is_confirmed: bool
    """Whether a curator included one of them."""

    def stand_behind(self, *, is_described: bool) -> bool:
        """Whether a chip with these units lends them, `is_described` by the catalogue or not.

        Ten units of five contributors are needed, most of them established: newcomers count as long
        as they are fewer. So more newcomers never prevent a loan.
        """
        if not (is_described or self.is_confirmed):
            return False
        owner = np.unique(self.contributor, return_inverse=True)[1]
        units = np.minimum(np.bincount(owner), UNITS_OF_FULL_WEIGHT)
        is_established = np.bincount(owner, self.is_established) > 0
        of_established, of_newcomers = units[is_established], np.sort(units[~is_established])[::-1]
        fewer = max(len(of_established) - 1, 0)
        counted = np.append(of_established, of_newcomers[:fewer]).tolist()
        return len(counted) >= FEWEST_CONTRIBUTORS_LENT and sum(counted) >= FEWEST_UNITS_LENT


def related_units(
    units: PoolUnits, outlier_report: OutlierReport, established: NDArray[np.int64]
) -> RelatedUnits:
    """The units that a related chip would lend; `established` are numbers of contributors.

    Newcomers weigh no more than the established together.
    """
    weight = weight_for_related(units, outlier_report)
    is_established = np.isin(units.contributor, established) | units.confirmed_by_curator
    ppm = np.rint(weight * MILLION).astype(np.int64)
    old, new = int(ppm[is_established].sum()), int(ppm[~is_established].sum())
    ppm = np.where(is_established, ppm, ppm * min(old, new) // max(new, 1))
    left = ppm > 0
    return RelatedUnits(
        stable_steps=units.stable_steps[left],
        unstable_steps=units.unstable_steps[left],
        contributor=units.contributor[left],
        is_established=is_established[left],
        weight_ppm=ppm[left],
        is_confirmed=bool(units.confirmed_by_curator[left].any()),
    )


@dataclass(frozen=True, slots=True)
class OwnWeight:
    """Who sent the units of the asked chip itself, and what each weighs there, shape (n,)."""

    contributor: NDArray[np.int64]
    weight_ppm: NDArray[np.int64]


NO_OWN_WEIGHT: Final = OwnWeight(np.zeros(0, np.int64), np.zeros(0, np.int64))


def lent_weights(
    chips: Sequence[RelatedUnits], own: OwnWeight = NO_OWN_WEIGHT
) -> list[NDArray[np.int64]]:
    """The weight in millionths that each unit of these chips lends, in their order.

    A contributor weighs three units at most over the asked chip and all others together: what
    weighs in the chip's own pool is not lent to it again. The order does not matter.
    """
    sizes = [len(chip.contributor) for chip in chips]
    everyone = np.concatenate([own.contributor, *(chip.contributor for chip in chips)])
    owner = np.unique(everyone, return_inverse=True)[1]
    of_own, of_chips = np.split(owner, [len(own.contributor)])
    weight = np.concatenate([NO_OWN_WEIGHT.weight_ppm, *(chip.weight_ppm for chip in chips)])
    # Millionths are whole numbers: their sums are exact in any order.
    lent = np.bincount(of_chips, weight, len(everyone))
    weighs = np.bincount(of_own, own.weight_ppm, len(everyone))
    left = np.maximum(UNITS_OF_FULL_WEIGHT * MILLION - weighs, 0.0)
    share = np.minimum(1.0, left / np.maximum(lent, 1.0))
    limited = np.rint(weight * share[of_chips]).astype(np.int64)
    return np.split(limited, np.cumsum(sizes, dtype=np.int64))[:-1]


@dataclass(frozen=True)
class RelatedChips:
    """What related chips lend to an answer, and how many of those that were read lend nothing."""

    siblings: Siblings = field(default_factory=Siblings)
    unused: int = 0


def load_related(
    connection: Connection,
    found: PoolFound,
    catalogue: Catalogue,
    standing: Standing,
    own: PoolEvidence | None,
) -> RelatedChips:
    """The chips of the series that lend; only without any, those of the line."""
    unused = 0
    for level in ("series", "line"):
        pools: tuple[PoolSize, ...] = getattr(found, level)
        siblings, examined = _siblings_among(connection, pools, catalogue, standing, own)
        unused += examined - len(siblings)
        if siblings:
            return RelatedChips(Siblings(**{level: siblings}), unused)
    return RelatedChips(Siblings(), unused)


def _siblings_among(
    connection: Connection,
    pools: tuple[PoolSize, ...],
    catalogue: Catalogue,
    standing: Standing,
    own: PoolEvidence | None,
) -> tuple[tuple[Sibling, ...], int]:
    """The siblings among these pools, largest first, and how many pools were examined for them."""
    lenders: list[tuple[RelatedUnits, float]] = []
    examined = 0
    for pool in pools[:_MOST_READ]:
        if len(lenders) == _MOST_SIBLINGS:
            break
        examined += 1
        chip = identify_chip(pool.chip_key).chip
        # A key that today's grammar does not know waits for the chips to be read again.
        if chip is not None and pool.units >= FEWEST_UNITS_LENT:
            grid = catalogue.grid_for(catalogue.placed(chip), pool.key.control)
            units = _load_related_units(connection, pool, standing, grid)
            if units.stand_behind(is_described=catalogue.is_described(chip)):
                lenders.append((units, float(grid.step)))
    if not lenders:
        return (), examined
    return siblings_of(lenders, SCALES[pools[0].key.control], _own_weight(own)), examined


def _load_related_units(
    connection: Connection, pool: PoolSize, standing: Standing, grid: Grid
) -> RelatedUnits:
    """A related chip's units in the same kind of pool, checked like the chip's own."""
    rows = load_pool_rows(connection, pool.id, standing)
    units = units_of(rows)
    outlier_report = check_outliers(units, floor_steps(pool.key.control, grid))
    check_time("related chips")
    return related_units(units, outlier_report, _trusted(connection, rows, standing))


def _trusted(connection: Connection, rows: PoolRows, standing: Standing) -> NDArray[np.int64]:
    """The established contributors of a pool of any size.

    Where no contributor of the instance is established: all with a token.
    """
    established = standing.established(connection, np.unique(rows.merged.contributor))
    is_any = len(established) > 0 or not standing.is_young or is_any_vouched(connection)
    return established if is_any else rows.known


def _own_weight(own: PoolEvidence | None) -> OwnWeight:
    if own is None:
        return NO_OWN_WEIGHT
    weight = weight_under(own.whole, own.outlier_report)
    return OwnWeight(own.whole.contributor, np.rint(weight * MILLION).astype(np.int64))


def siblings_of(
    lenders: Sequence[tuple[RelatedUnits, float]], scale: PriorScale, own: OwnWeight = NO_OWN_WEIGHT
) -> tuple[Sibling, ...]:
    """What is known of each lender with its step in the control's unit, from what it lends.

    Without those that have too little weight left. They are dropped one by one, the lightest first
    and of equal ones the last, since the others then share the weight that it held.
    """
    kept = list(lenders)
    while True:
        weights = lent_weights([units for units, _ in kept], own)
        totals = [int(weight.sum()) for weight in weights]
        least = min(totals, default=None)
        if least is None or least >= _LEAST_WEIGHT_LENT * MILLION:
            break
        del kept[max(place for place, total in enumerate(totals) if total == least)]
    siblings = []
    for (units, step), weight in zip(kept, weights, strict=True):
        lent = weight > 0
        intervals = group_intervals(
            units.stable_steps[lent], units.unstable_steps[lent], weight[lent] / MILLION
        )
        siblings.append(summarise_sibling(intervals, step, scale))
        check_time("related chips")
    return tuple(siblings)


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
