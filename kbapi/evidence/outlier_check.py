"""The outlier check of a pool: one pass in a fixed order over all of its units.

1. A contributor's units weigh min(1, 3 / their number) each.
2. Contributors that are not established weigh together at most a tenth of those that are.
3. Cutoffs around the middle: units beyond them are excluded until a curator decides.
4. A contributor of four units or more whose units differ from the pool as a group weighs nothing.
5. The second step once more, with what is left.

A unit that a curator confirmed is never excluded, and weighs like an established one.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.units import MILLION, PoolUnits, month_text
from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.outlier_cutoffs import (
    NO_CUTOFFS,
    OutlierCutoffs,
    fit_outlier_cutoffs,
    place_contributors,
)
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, frozen_array, group_intervals

FEWEST_UNITS_COMPARED: Final = 4
"""With fewer units a contributor is not compared with the pool."""

_LARGEST_Z: Final = 4.0
_NEWCOMERS_AT_MOST: Final = 0.1
_WEIGHT_OF_A_GROWN_POOL: Final = 30.0

Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]
Vector = NDArray[np.float64]


@dataclass(frozen=True)
class OutlierReport:
    """What checking a pool found: cutoffs, contributors that differ, a factor for newcomers.

    Parameters
    ----------
    cutoffs : depths in grid steps beyond which units are excluded
    differing : int64 array, contributors whose units weigh nothing, ascending
    newcomer_factor : on the weight of those that are not established, above 0, at most 1
    flagged_share : share of all weight that was excluded on the deep side, 0 to 1
    is_young : whether the pool has too few established contributors to limit newcomers
    outlier_deep, outlier_shallow : int64 arrays, units beyond the cutoffs, ascending
    excluded_units : by cutoff or contributor
    """

    cutoffs: OutlierCutoffs
    differing: Integers
    newcomer_factor: float
    flagged_share: float
    is_young: bool
    outlier_deep: Integers
    outlier_shallow: Integers
    excluded_units: int


_NO_NUMBERS: Final = frozen_array(np.zeros(0, dtype=np.int64))
UNCHECKED: Final = OutlierReport(
    NO_CUTOFFS, _NO_NUMBERS, 1.0, 0.0, True, _NO_NUMBERS, _NO_NUMBERS, 0
)
"""Of a pool without units."""


def check_outliers(units: PoolUnits, floor_steps: float) -> OutlierReport:
    """The outlier report of a whole pool.

    `floor_steps` is the spread below which nothing counts as far away, 5 mV or 1 count.
    """
    informative = units.informative
    if not informative.any():
        return UNCHECKED
    weight = units.weight_ppm / MILLION
    fair = weight * _capped(units, weight * informative)
    cutoffs = fit_outlier_cutoffs(_some(units, fair, informative), _ones(informative), floor_steps)
    beyond = informative & ~units.confirmed_by_curator
    deep = beyond & cutoffs.too_deep(units.intervals(weight))
    shallow = beyond & cutoffs.too_shallow(units.intervals(weight))
    differing, deep_ones = _differing(units, informative & ~deep & ~shallow, fair)
    out = beyond & np.isin(units.contributor, differing)
    stands = informative & ~deep & ~shallow & ~out
    left = weight * stands
    factor = _newcomer_factor(units, left)
    final = weight * np.where(units.established, 1.0, factor)
    flagged = float(final[deep | (out & np.isin(units.contributor, deep_ones))].sum())
    return OutlierReport(
        cutoffs=cutoffs,
        differing=differing,
        newcomer_factor=factor,
        flagged_share=flagged / (float(final[stands].sum()) + flagged),
        is_young=_is_young(units, left),
        outlier_deep=units.unit[deep],
        outlier_shallow=units.unit[shallow],
        excluded_units=int(informative.sum() - stands.sum()),
    )


def standing_flags(units: PoolUnits, outlier_report: OutlierReport) -> Flags:
    """Units with a limit that a check did not exclude, shape (n,); they may be a part."""
    intervals = units.intervals(np.ones(len(units.unit)))
    outside = outlier_report.cutoffs.too_deep(intervals) | outlier_report.cutoffs.too_shallow(
        intervals
    )
    outside |= np.isin(units.contributor, outlier_report.differing)
    return np.asarray(units.informative & (~outside | units.confirmed_by_curator))


def weight_under(units: PoolUnits, outlier_report: OutlierReport) -> Vector:
    """What each unit weighs with newcomers limited to their share, shape (n,)."""
    return np.asarray(units.weight_ppm / MILLION * newcomer_weight(units, outlier_report))


def newcomer_weight(units: PoolUnits, outlier_report: OutlierReport) -> Vector:
    """What each unit weighs by who sent it, however many they sent, shape (n,)."""
    return np.where(units.established, 1.0, outlier_report.newcomer_factor)


@dataclass(frozen=True, slots=True)
class CountedUnits:
    """What is left of a pool, or of a part of it, after its check; arrays of shape (k,)."""

    intervals: GroupedIntervals
    unit_counts: Integers
    units: int
    """Units without a limit are among them."""
    failures: int
    latest_month: str | None


def counted_units(units: PoolUnits, outlier_report: OutlierReport) -> CountedUnits:
    """The units that a check did not exclude, weighed; they may be a filtered part."""
    stands, uninformative = standing_flags(units, outlier_report), ~units.informative
    stable, unstable = units.stable_steps[stands], units.unstable_steps[stands]
    counted = stands | uninformative
    latest = int(units.month[counted].max(initial=0))
    return CountedUnits(
        intervals=group_intervals(stable, unstable, weight_under(units, outlier_report)[stands]),
        unit_counts=_counts(stable, unstable),
        units=int(counted.sum()),
        failures=int((unstable < NEVER_FAILED).sum()),
        latest_month=month_text(latest) if latest else None,
    )


def counted_for_related(units: PoolUnits, outlier_report: OutlierReport) -> GroupedIntervals:
    """The units of a pool that count for related chips: without newcomers once it has grown.

    Newcomers have a tenth of the weight so that a chip's own answer can follow them. The answer of
    a related chip gains hardly anything from them, but a flood of every pool of a series would
    count once in each, and again through all of the others.
    """
    stands = standing_flags(units, outlier_report)
    if not outlier_report.is_young:
        stands &= units.established
    return group_intervals(
        units.stable_steps[stands],
        units.unstable_steps[stands],
        weight_under(units, outlier_report)[stands],
    )


def _counts(stable: Integers, unstable: Integers) -> Integers:
    return group_intervals(stable, unstable, np.ones(len(stable))).weight.astype(np.int64)


def _ones(flags: Flags) -> Integers:
    return np.ones(int(flags.sum()), dtype=np.int64)


def _some(units: PoolUnits, weight: Vector, flags: Flags) -> GroupedIntervals:
    return GroupedIntervals(units.stable_steps[flags], units.unstable_steps[flags], weight[flags])


def _is_young(units: PoolUnits, weight: Vector) -> bool:
    return float(weight[units.established].sum()) < _WEIGHT_OF_A_GROWN_POOL


def _newcomer_factor(units: PoolUnits, weight: Vector) -> float:
    """What newcomers keep of their weight, so that they hold a tenth of the established."""
    newcomers = float(weight[~units.established].sum())
    if _is_young(units, weight) or newcomers == 0:
        return 1.0
    return min(1.0, _NEWCOMERS_AT_MOST * float(weight[units.established].sum()) / newcomers)


def _capped(units: PoolUnits, weight: Vector) -> Vector:
    return np.where(units.established, 1.0, _newcomer_factor(units, weight))


def _differing(units: PoolUnits, inside: Flags, weight: Vector) -> tuple[Integers, Integers]:
    """Contributors whose units differ from the pool as a group, and the deep ones among them."""
    owner = np.unique(units.contributor, return_inverse=True)[1]
    alone = inside & (np.bincount(owner, inside)[owner] >= FEWEST_UNITS_COMPARED)
    if not alone.any():
        return _NO_NUMBERS, _NO_NUMBERS
    stable, unstable = units.stable_steps[inside], units.unstable_steps[inside]
    fit = fit_npmle(group_intervals(stable, unstable, weight[inside]))
    places = place_contributors(
        _some(units, weight, alone), _ones(alone), units.contributor[alone], fit
    )
    far = np.abs(places.z) > _LARGEST_Z
    return places.contributor[far], places.contributor[far & (places.z > 0)]
