"""What of a pool is believed: one pass from scratch, in a fixed order, over all of its units.

1. A contributor's units weigh min(1, 3 / their number) each.
2. Contributors that are not established weigh together at most a tenth of those that are.
3. A fence around the middle: units beyond it are set aside until somebody has looked.
4. A contributor of four units or more whose units lie together unlike the pool weighs nothing.
5. The second step once more, with what is left.

A unit that a curator vouches for is never set aside, and weighs like an established one.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.units import MILLION, PoolUnits, month_text
from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.outliers import (
    NO_CUTOFFS,
    OutlierCutoffs,
    fit_outlier_cutoffs,
    place_contributors,
)
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, frozen_array, group_intervals

UNITS_TOLD_APART: Final = 4
"""From here on a contributor's units can be told from the pool's."""

_LARGEST_Z: Final = 4.0
_NEWCOMERS_AT_MOST: Final = 0.1
_WEIGHT_OF_A_GROWN_POOL: Final = 30.0

Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]
Vector = NDArray[np.float64]


@dataclass(frozen=True)
class OutlierReport:
    """The verdicts on a pool: two cuts, a word on some contributors, a factor for newcomers.

    Parameters
    ----------
    fence : depths in grid steps beyond which units are set aside
    unlike : int64 array, contributors whose units weigh nothing, ascending
    newcomer_factor : on the weight of those that are not established, above 0, at most 1
    flagged_share : share of all weight that was set aside on the deep side, 0 to 1
    is_young : whether the pool is too young to hold newcomers against anybody
    outlier_deep, outlier_shallow : int64 arrays, units beyond the fence, ascending
    units_set_aside : by fence or contributor
    """

    cutoffs: OutlierCutoffs
    unlike: Integers
    newcomer_factor: float
    flagged_share: float
    is_young: bool
    outlier_deep: Integers
    outlier_shallow: Integers
    excluded_units: int


_NOBODY: Final = frozen_array(np.zeros(0, dtype=np.int64))
UNJUDGED: Final = OutlierReport(NO_CUTOFFS, _NOBODY, 1.0, 0.0, True, _NOBODY, _NOBODY, 0)
"""Of a pool without units."""


def check_outliers(units: PoolUnits, floor_steps: float) -> OutlierReport:
    """The verdicts that the units of a whole pool pass on each other.

    `floor_steps` is the spread below which nothing counts as far away, 5 mV or 1 count.
    """
    says = units.informative
    if not says.any():
        return UNJUDGED
    weight = units.weight_ppm / MILLION
    fair = weight * _capped(units, weight * says)
    cutoffs = fit_outlier_cutoffs(_some(units, fair, says), _ones(says), floor_steps)
    beyond = says & ~units.confirmed_by_curator
    deep = beyond & cutoffs.too_deep(units.intervals(weight))
    shallow = beyond & cutoffs.too_shallow(units.intervals(weight))
    unlike, deep_ones = _unlike(units, says & ~deep & ~shallow, fair)
    out = beyond & np.isin(units.contributor, unlike)
    stands = says & ~deep & ~shallow & ~out
    left = weight * stands
    factor = _newcomer_factor(units, left)
    final = weight * np.where(units.established, 1.0, factor)
    flagged = float(final[deep | (out & np.isin(units.contributor, deep_ones))].sum())
    return OutlierReport(
        cutoffs=cutoffs,
        unlike=unlike,
        newcomer_factor=factor,
        flagged_share=flagged / (float(final[stands].sum()) + flagged),
        is_young=_is_young(units, left),
        outlier_deep=units.unit[deep],
        outlier_shallow=units.unit[shallow],
        excluded_units=int(says.sum() - stands.sum()),
    )


def standing_flags(units: PoolUnits, outlier_report: OutlierReport) -> Flags:
    """Which units stand under a judgement and say something, shape (n,); they may be a part."""
    intervals = units.intervals(np.ones(len(units.unit)))
    outside = outlier_report.cutoffs.too_deep(intervals) | outlier_report.cutoffs.too_shallow(
        intervals
    )
    outside |= np.isin(units.contributor, outlier_report.unlike)
    return np.asarray(units.informative & (~outside | units.confirmed_by_curator))


def weight_under(units: PoolUnits, outlier_report: OutlierReport) -> Vector:
    """What each unit weighs once newcomers are held to their share, shape (n,)."""
    return np.asarray(units.weight_ppm / MILLION * newcomer_weight(units, outlier_report))


def newcomer_weight(units: PoolUnits, outlier_report: OutlierReport) -> Vector:
    """What each unit weighs by who sent it, however many they sent, shape (n,)."""
    return np.where(units.established, 1.0, outlier_report.newcomer_factor)


@dataclass(frozen=True, slots=True)
class Believed:
    """What is left of a pool, or of a part of it, after its judgement; arrays of shape (k,)."""

    intervals: GroupedIntervals
    unit_counts: Integers
    units: int
    """Those of which nothing is known are among them."""
    failures: int
    latest_month: str | None


def believed(units: PoolUnits, outlier_report: OutlierReport) -> Believed:
    """The units that stand under a judgement, weighed; they may be a filtered part."""
    stands, uninformative = standing_flags(units, outlier_report), ~units.informative
    stable, unstable = units.stable_steps[stands], units.unstable_steps[stands]
    counted = stands | uninformative
    latest = int(units.month[counted].max(initial=0))
    return Believed(
        intervals=group_intervals(stable, unstable, weight_under(units, outlier_report)[stands]),
        unit_counts=_counts(stable, unstable),
        units=int(counted.sum()),
        failures=int((unstable < NEVER_FAILED).sum()),
        latest_month=month_text(latest) if latest else None,
    )


def believed_of_related(units: PoolUnits, outlier_report: OutlierReport) -> GroupedIntervals:
    """What a pool says of the chips around its own: once it is grown, newcomers say nothing there.

    A tenth of the weight is theirs so that a chip's own answer can learn from them. A neighbour's
    answer learns hardly anything from it, but whoever floods every pool of a series would be heard
    once in each, and again through all of the others.
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


def _unlike(units: PoolUnits, inside: Flags, weight: Vector) -> tuple[Integers, Integers]:
    """Contributors whose units lie together unlike the pool, and the deep ones among them."""
    owner = np.unique(units.contributor, return_inverse=True)[1]
    alone = inside & (np.bincount(owner, inside)[owner] >= UNITS_TOLD_APART)
    if not alone.any():
        return _NOBODY, _NOBODY
    stable, unstable = units.stable_steps[inside], units.unstable_steps[inside]
    fit = fit_npmle(group_intervals(stable, unstable, weight[inside]))
    places = place_contributors(
        _some(units, weight, alone), _ones(alone), units.contributor[alone], fit
    )
    far = np.abs(places.z) > _LARGEST_Z
    return places.contributor[far], places.contributor[far & (places.z > 0)]
