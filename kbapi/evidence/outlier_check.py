"""The outlier check of a pool: one pass in a fixed order over all of its units.

1. A contributor's units share the weight that `weight_ppm_of` gives to the contributor.
2. Contributors that are not established keep the share that `newcomer_factor` leaves to them.
3. A failure of the first setting that stands alone has a part of its weight.
4. Units beyond the cutoff on the deep side are excluded until a curator decides.
5. A contributor of four units or more whose units are deeper than the pool as a group weighs
   nothing.
6. The second step once more, with what is left.

A unit that a curator confirmed is never excluded, and weighs like an established one. Nothing is
excluded because it is weak.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.units import MILLION, PoolUnits, month_text, newcomer_factor, newcomer_fade
from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.outlier_cutoffs import fit_deep_cutoff, place_contributors, too_deep
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, frozen_array, group_intervals

FEWEST_UNITS_COMPARED: Final = 4
"""With fewer units a contributor is not compared with the pool."""

_LARGEST_Z: Final = 4.0
LONE_FAILURE_WEIGHT: Final = 0.1
"""Weight of a first setting that failed, from a contributor without a pass, alone in its place."""
_NEAR_SPREADS: Final = 3.0
"""A failure of another is near within 15 mV or 3 counts: three times the least spread."""
_SOON_SPREADS: Final = 3.0
"""A stop without a stated end may come 15 mV or 3 counts before the unit fails."""
_EVEN_CHANCE: Final = 0.05
"""Half of a stop without a stated end counts as failed where this share fails so soon."""
_AGEING_SPREADS: Final = 4.0
"""A unit that failed later had its limit at most 20 mV or 4 counts before, when it was new."""

Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]
Vector = NDArray[np.float64]


@dataclass(frozen=True)
class OutlierReport:
    """What checking a pool found.

    Parameters
    ----------
    deepest_steps : depth in grid steps beyond which units are excluded; None without a cutoff
    differing : int64 array, contributors whose units weigh nothing, ascending
    lone_failures : int64 array, units whose first setting failed alone, ascending
    newcomer_factor : on the weight of those that are not established, above 0, at most 1
    flagged_share : share of all weight that was excluded or taken from lone failures, 0 to 1
    established_weight, new_weight : of contributors that are established, and of the others as
        limited by the factor, in units
    outlier_deep : int64 array, units beyond the cutoff, ascending
    excluded_units : by cutoff or contributor
    """

    deepest_steps: int | None
    differing: Integers
    lone_failures: Integers
    newcomer_factor: float
    flagged_share: float
    established_weight: float
    new_weight: float
    outlier_deep: Integers
    excluded_units: int

    @property
    def is_young(self) -> bool:
        """Whether no contributor of the pool is established: then all weigh in full."""
        return self.established_weight == 0.0

    @property
    def is_mostly_new(self) -> bool:
        """Whether the others outweigh them, as they may beside fewer than five units of these."""
        return self.new_weight > self.established_weight


_NO_NUMBERS: Final = frozen_array(np.zeros(0, dtype=np.int64))
UNCHECKED: Final = OutlierReport(None, _NO_NUMBERS, _NO_NUMBERS, 1.0, 0.0, 0.0, 0.0, _NO_NUMBERS, 0)
"""Of a pool without units."""


def check_outliers(units: PoolUnits, floor_steps: float) -> OutlierReport:
    """The outlier report of a whole pool.

    `floor_steps` is the spread below which nothing counts as far away, 5 mV or 1 count.
    """
    informative = units.informative
    if not informative.any():
        return UNCHECKED
    lone = _lone_failures(units, floor_steps)
    fair = _fair_weight(units, informative, lone)
    deepest = _deepest_steps(units, fair, informative, floor_steps)
    deep = informative & ~units.confirmed_by_curator & _are_too_deep(units, deepest)
    differing = _differing(units, informative & ~deep, fair)
    stands = informative & ~deep
    stands &= ~np.isin(units.contributor, differing) | units.confirmed_by_curator
    established, newcomers = _weights(units, stands)
    factor = newcomer_factor(established, newcomers)
    lost = np.where(stands, np.where(lone, 1.0 - LONE_FAILURE_WEIGHT, 0.0), 1.0) * informative
    return OutlierReport(
        deepest_steps=deepest,
        differing=differing,
        lone_failures=units.unit[lone & stands],
        newcomer_factor=factor,
        flagged_share=_share_lost(units, factor, stands, lost),
        established_weight=established,
        new_weight=newcomers * factor,
        outlier_deep=units.unit[deep],
        excluded_units=int(informative.sum() - stands.sum()),
    )


def standing_flags(units: PoolUnits, outlier_report: OutlierReport) -> Flags:
    """Units with a limit that a check did not exclude, shape (n,); they may be a part."""
    outside = _are_too_deep(units, outlier_report.deepest_steps)
    outside |= np.isin(units.contributor, outlier_report.differing)
    return np.asarray(units.informative & (~outside | units.confirmed_by_curator))


def weight_under(units: PoolUnits, outlier_report: OutlierReport) -> Vector:
    """What each unit weighs in the pool, excluded or not, shape (n,)."""
    return np.asarray(units.weight_ppm / MILLION * newcomer_weight(units, outlier_report))


def newcomer_weight(units: PoolUnits, outlier_report: OutlierReport) -> Vector:
    """What each unit weighs by who sent it, however many they sent, shape (n,)."""
    is_lone = np.isin(units.unit, outlier_report.lone_failures)
    return np.asarray(
        np.where(units.established, 1.0, outlier_report.newcomer_factor)
        * np.where(is_lone, LONE_FAILURE_WEIGHT, 1.0)
    )


@dataclass(frozen=True, slots=True)
class CountedUnits:
    """What is left of a pool, or of a part of it, after its check."""

    intervals: GroupedIntervals
    """Weighed; a part of each stop without a stated end has failed."""
    reported: GroupedIntervals
    """As they were reported, each unit with weight one."""
    units: int
    """Units without a limit are among them."""
    failures: int
    latest_month: str | None


def counted_units(
    units: PoolUnits, outlier_report: OutlierReport, floor_steps: float
) -> CountedUnits:
    """The units that a check did not exclude, weighed; they may be a filtered part."""
    stands = standing_flags(units, outlier_report)
    stable, unstable = units.stable_steps[stands], units.unstable_steps[stands]
    counted = stands | ~units.informative
    latest = int(units.month[counted].max(initial=0))
    return CountedUnits(
        intervals=weighed_intervals(units, outlier_report, floor_steps),
        reported=group_intervals(stable, unstable, np.ones(len(stable))),
        units=int(counted.sum()),
        failures=int((unstable < NEVER_FAILED).sum()),
        latest_month=month_text(latest) if latest else None,
    )


def first_failures(units: PoolUnits, outlier_report: OutlierReport) -> Flags:
    """Which units a check did not exclude and failed at their first setting, shape (n,).

    A unit that failed later had passed it.
    """
    at_first = (units.stable_steps == 0) & ~units.failed_later
    has_failed = units.unstable_steps < NEVER_FAILED
    return np.asarray(standing_flags(units, outlier_report) & at_first & has_failed)


def untold_stops(units: PoolUnits, outlier_report: OutlierReport) -> Flags:
    """Which units a check did not exclude, never failed and state no planned end, shape (n,)."""
    return np.asarray(standing_flags(units, outlier_report) & units.untold_stop)


@dataclass(frozen=True, slots=True)
class LimitParts:
    """Units as the estimate takes them, shape (n,): a part of each may have failed soon."""

    stable_steps: Integers
    unstable_steps: Integers
    """Where the rest of the unit failed, if it did."""
    soon_steps: Integers
    """Where the part failed that failed soon after its pass."""
    soon_part: Vector
    """How much of the unit that is, 0 to 1."""

    def some(self, kept: Flags) -> "LimitParts":
        """The parts of these units."""
        return LimitParts(
            self.stable_steps[kept],
            self.unstable_steps[kept],
            self.soon_steps[kept],
            self.soon_part[kept],
        )

    def intervals(self, weight: Vector) -> GroupedIntervals:
        """The intervals of these units with so much weight each; those without any are left out."""
        shares = np.concatenate([weight * (1.0 - self.soon_part), weight * self.soon_part])
        ends = np.concatenate([self.unstable_steps, self.soon_steps])
        has = shares > 0.0
        return group_intervals(np.tile(self.stable_steps, 2)[has], ends[has], shares[has])


def limit_parts(
    units: PoolUnits,
    outlier_report: OutlierReport,
    floor_steps: float,
    *,
    if_untold_failed: bool = False,
) -> LimitParts:
    """The parts of all units, by the chance that units of the pool which stand fail soon.

    A part of each stop without a stated end counts as failed soon after its pass. All of it does
    with `if_untold_failed`.
    """
    stable, unstable = aged_stable_steps(units, floor_steps), units.unstable_steps
    weight = weight_under(units, outlier_report) * standing_flags(units, outlier_report)
    soon = max(1, round(_SOON_SPREADS * floor_steps))
    chance = chance_of_failing_soon(stable, unstable, weight, soon)
    part = np.ones(len(stable)) if if_untold_failed else chance / (chance + _EVEN_CHANCE)
    return LimitParts(stable, unstable, stable + soon, np.where(units.untold_stop, part, 0.0))


def aged_stable_steps(units: PoolUnits, floor_steps: float) -> Integers:
    """Each unit's stable end, shape (n,); where it failed later, little before that setting."""
    aged = units.unstable_steps - max(1, round(_AGEING_SPREADS * floor_steps))
    return np.where(units.failed_later, np.maximum(units.stable_steps, aged), units.stable_steps)


def weighed_intervals(
    units: PoolUnits,
    outlier_report: OutlierReport,
    floor_steps: float,
    *,
    if_untold_failed: bool = False,
) -> GroupedIntervals:
    """The intervals of the units that a check did not exclude, as the estimate takes them."""
    parts = limit_parts(units, outlier_report, floor_steps, if_untold_failed=if_untold_failed)
    weight = weight_under(units, outlier_report) * standing_flags(units, outlier_report)
    return parts.intervals(weight)


def chance_of_failing_soon(
    stable: Integers, unstable: Integers, weight: Vector, soon: int
) -> Vector:
    """The share of the weight beyond each unit's pass that fails within so many steps, shape (n,).

    A failure lies in the middle of its interval. Units that stopped within the steps count half.

    References
    ----------
    Cutler & Ederer (1958), J. Chronic Dis. 8:699-712 (actuarial life table).

    >>> stable, unstable = np.array([10, 10, 14, 40]), np.array([20, 60, 18, NEVER_FAILED])
    >>> chance_of_failing_soon(stable, unstable, np.ones(4), 10).round(2).tolist()
    [0.5, 0.5, 0.5, 0.0]
    """
    has_failed = unstable < NEVER_FAILED
    # Twice the depth, so that middles are whole numbers; sums of millionths have no order.
    limit = np.where(has_failed, stable + unstable - 1, 2 * stable)
    order = np.argsort(limit, kind="stable")
    millionths = np.rint(weight[order] * MILLION).astype(np.int64)
    beyond, until = (np.searchsorted(limit[order], 2 * (stable + further)) for further in (0, soon))
    failing, stopping = (
        np.concatenate([[0], np.cumsum(millionths * which)])
        for which in (has_failed[order], ~has_failed[order])
    )
    failed, stopped = failing[until] - failing[beyond], stopping[until] - stopping[beyond]
    reached = failing[-1] - failing[beyond] + stopping[-1] - stopping[beyond]
    return np.asarray(failed / np.maximum(reached - stopped / 2, 1.0))


def weight_for_related(units: PoolUnits, outlier_report: OutlierReport) -> Vector:
    """What each unit weighs for related chips, shape (n,); 0 for those that were excluded.

    Newcomers fade as others are established. They keep a tenth of the weight in the pool, so
    that a chip's own answer can follow them. The answer of a related chip gains hardly anything
    from them, but a flood of every pool of a series would count once in each, and again through
    all of the others.
    """
    weight = weight_under(units, outlier_report)
    faded = newcomer_fade(outlier_report.established_weight) / outlier_report.newcomer_factor
    weight *= np.where(units.established, 1.0, min(faded, 1.0))
    return weight * standing_flags(units, outlier_report)


def _some(units: PoolUnits, weight: Vector, flags: Flags) -> GroupedIntervals:
    return GroupedIntervals(units.stable_steps[flags], units.unstable_steps[flags], weight[flags])


def _weights(units: PoolUnits, which: Flags) -> tuple[float, float]:
    """The weight of established contributors and of the others, in units of full weight."""
    by_established = int(units.weight_ppm[which & units.established].sum())
    by_newcomers = int(units.weight_ppm[which & ~units.established].sum())
    return by_established / MILLION, by_newcomers / MILLION


def _share_lost(units: PoolUnits, factor: float, stands: Flags, lost: Vector) -> float:
    """The share of the weight that is lost, with newcomers limited by the factor."""
    # Whole numbers have the same sum in any order of the units.
    ppm = np.rint(units.weight_ppm * lost).astype(np.int64)
    taken, all_weight = (
        float(some[units.established].sum()) + factor * float(some[~units.established].sum())
        for some in (ppm, units.weight_ppm * (stands | (ppm > 0)))
    )
    return taken / all_weight if all_weight > 0.0 else 0.0


def _fair_weight(units: PoolUnits, informative: Flags, lone: Flags) -> Vector:
    """The weight of each unit before anything is excluded."""
    factor = newcomer_factor(*_weights(units, informative))
    weight = units.weight_ppm / MILLION * np.where(units.established, 1.0, factor)
    return np.asarray(weight * np.where(lone, LONE_FAILURE_WEIGHT, 1.0))


def _lone_failures(units: PoolUnits, floor_steps: float) -> Flags:
    """Failures of a first setting by contributors without a pass, and without another near them.

    Near is a failure of another contributor's unit within 15 mV or 3 counts.
    """
    owner = np.unique(units.contributor, return_inverse=True)[1]
    has_passed = np.bincount(owner, units.stable_steps > 0) > 0
    failed = np.flatnonzero((units.unstable_steps < NEVER_FAILED) & ~units.stock_unproven)
    order = np.lexsort((owner[failed], units.unstable_steps[failed]))
    failed = failed[order]
    depth, whose = units.unstable_steps[failed], owner[failed]
    # The nearest failure of another is just before or after the run of failures of one contributor.
    starts = np.append(True, whose[1:] != whose[:-1])[: len(whose)]
    run = np.cumsum(starts)
    first = np.flatnonzero(starts)
    before = np.append(-np.inf, depth[first[1:] - 1])[run - 1]
    after = np.append(depth[first[1:]], np.inf)[run - 1]
    distance = np.minimum(depth - before, after - depth)
    lone = np.zeros(len(units.unit), dtype=np.bool_)
    lone[failed] = distance > _NEAR_SPREADS * floor_steps * (1.0 + 1e-9)
    at_first = (units.stable_steps == 0) & ~units.failed_later & ~has_passed[owner]
    return np.asarray(lone & at_first & ~units.confirmed_by_curator)


def _deepest_steps(
    units: PoolUnits, weight: Vector, informative: Flags, floor_steps: float
) -> int | None:
    stable, unstable = units.stable_steps[informative], units.unstable_steps[informative]
    both = int(((stable > 0) & (unstable < NEVER_FAILED)).sum())
    return fit_deep_cutoff(
        group_intervals(stable, unstable, weight[informative]), both, floor_steps
    )


def _are_too_deep(units: PoolUnits, deepest_steps: int | None) -> Flags:
    return too_deep(units.intervals(np.ones(len(units.unit))), deepest_steps)


def _differing(units: PoolUnits, inside: Flags, weight: Vector) -> Integers:
    """Contributors whose units are deeper than the pool as a group."""
    owner = np.unique(units.contributor, return_inverse=True)[1]
    alone = inside & (np.bincount(owner, inside)[owner] >= FEWEST_UNITS_COMPARED)
    if not alone.any():
        return _NO_NUMBERS
    stable, unstable = units.stable_steps[inside], units.unstable_steps[inside]
    fit = fit_npmle(group_intervals(stable, unstable, weight[inside]))
    places = place_contributors(_some(units, weight, alone), units.contributor[alone], fit)
    return places.contributor[places.z > _LARGEST_Z]
