"""What of a pool is believed: one pass from scratch, in a fixed order, over all of its units.

1. A contributor's units weigh min(1, 3 / their number) each.
2. Contributors that are not established weigh together at most a tenth of those that are.
3. A fence around the middle: units beyond it are set aside until somebody has looked.
4. A contributor of four units or more whose units lie together unlike the pool weighs nothing.
5. The second step once more, with what is left.

A unit that a curator vouches for is never set aside, and weighs like an established one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.contributors import place_contributors
from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals, group_intervals
from kbapi.stats.npmle import fit_npmle
from kbapi.stats.outliers import NO_FENCE, Fence, fit_fence
from kbapi.storage.judging_rows import Outlying
from kbapi.storage.unit_rows import Standing, UnitGroup

UNITS_OF_FULL_WEIGHT: Final = 3
"""One contributor's units weigh min(1, 3 / their number) each: a flood counts as three units."""
UNITS_TOLD_APART: Final = 4
"""From here on a contributor's units can be told from the pool's."""
ESTABLISHED_AFTER: Final = timedelta(days=30)
OTHERS_NEEDED: Final = 5
FAR_TOO_DEEP: Final = "far_too_deep"
FAR_TOO_SHALLOW: Final = "far_too_shallow"
UNLIKE_THE_POOL: Final = "unlike_the_pool"

_LARGEST_Z: Final = 4.0
_NEWCOMERS_AT_MOST: Final = 0.1
_WEIGHT_OF_A_GROWN_POOL: Final = 30.0
_MILLION: Final = 1e6

Flags = NDArray[np.bool_]
Vector = NDArray[np.float64]


def standing_on(today: date, nobody: bytes) -> Standing:
    """Who weighs how much on this day."""
    return Standing(
        units_of_full_weight=UNITS_OF_FULL_WEIGHT,
        units_told_apart=UNITS_TOLD_APART,
        established_by=today - ESTABLISHED_AFTER,
        others_needed=OTHERS_NEEDED,
        nobody=nobody,
    )


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdicts on a pool: two cuts, a word on some contributors, a factor for newcomers.

    Parameters
    ----------
    fence : depths in grid steps beyond which units are set aside
    unlike : contributors whose units weigh nothing, ascending
    newcomer_factor : on the weight of those that are not established, 0 to 1
    flagged_share : share of all weight that was set aside on the deep side, 0 to 1
    is_young : whether the pool is too young to hold newcomers against anybody
    units_set_aside : by fence or contributor
    outlying : the intervals that the fence set aside
    """

    fence: Fence
    unlike: tuple[int, ...]
    newcomer_factor: float
    flagged_share: float
    is_young: bool
    units_set_aside: int
    outlying: tuple[Outlying, ...]


UNJUDGED: Final = Judgement(NO_FENCE, (), 1.0, 0.0, True, 0, ())
"""Of a pool without units."""


def judge_pool(groups: Sequence[UnitGroup], floor_steps: float) -> Judgement:
    """The verdicts that a pool's own units pass on each other; the order of groups never matters.

    `floor_steps` is the spread below which nothing counts as far away, 5 mV or 1 count.
    """
    units = _Units.of(groups)
    if len(units.count) == 0:
        return UNJUDGED
    weight = units.weight * units.capped(units.weight)
    fence = fit_fence(units.intervals(weight), units.count, floor_steps)
    deep = fence.too_deep(units.intervals(weight)) & ~units.vouched
    shallow = fence.too_shallow(units.intervals(weight)) & ~units.vouched
    inside = ~(deep | shallow)
    unlike, deep_ones = _unlike(units, inside, weight)
    out = (np.isin(units.contributor, unlike)) & ~units.vouched
    believed = inside & ~out
    factor = units.newcomer_factor(np.where(believed, units.weight, 0.0))
    weight = units.weight * np.where(units.established, 1.0, factor)
    deep_weight = float(weight[deep | (out & np.isin(units.contributor, deep_ones))].sum())
    return Judgement(
        fence=fence,
        unlike=tuple(unlike.tolist()),
        newcomer_factor=factor,
        flagged_share=deep_weight / (float(weight[believed].sum()) + deep_weight),
        is_young=units.are_young(np.where(believed, units.weight, 0.0)),
        units_set_aside=int(units.count[~believed].sum()),
        outlying=_outlying(units, deep, FAR_TOO_DEEP) + _outlying(units, shallow, FAR_TOO_SHALLOW),
    )


def standing_in_a_part(standing: Standing, judgement: Judgement) -> Standing:
    """Who weighs how much among some of the pool's units, once the whole pool is judged."""
    return replace(
        standing,
        # Few of a contributor's units may be in the part, and the verdict still holds for them.
        units_told_apart=1 if judgement.unlike else standing.units_told_apart,
        # The company is the whole pool's.
        others_needed=standing.others_needed if judgement.is_young else 0,
    )


@dataclass(frozen=True, slots=True)
class Believed:
    """What is left of a pool, or of a part of it, after its judgement; arrays of shape (k,)."""

    intervals: GroupedIntervals
    unit_counts: NDArray[np.int64]
    units: int
    failures: int
    latest_month: str | None


def believed(groups: Sequence[UnitGroup], judgement: Judgement) -> Believed:
    """The units that stand under a judgement, weighed; the groups may be a filtered part."""
    units = _Units.of(groups)
    weight = units.weight * np.where(units.established, 1.0, judgement.newcomer_factor)
    stands = standing_flags(units.groups, judgement)
    stable, unstable = units.stable[stands], units.unstable[stands]
    counts = group_intervals(stable, unstable, units.count[stands].astype(np.float64)).weight
    told = [group for group, kept in zip(units.groups, stands.tolist(), strict=True) if kept]
    return Believed(
        intervals=group_intervals(stable, unstable, weight[stands]),
        unit_counts=counts.astype(np.int64),
        units=sum(group.units for group in told) + units.silent,
        failures=int(units.count[stands & (units.unstable < NEVER_FAILED)].sum()),
        latest_month=max((group.latest_month for group in told), default=units.silent_month),
    )


def standing_flags(groups: Sequence[UnitGroup], judgement: Judgement) -> Flags:
    """Which groups say something and stand under a judgement, shape (k,), in the given order."""
    intervals = GroupedIntervals(
        np.array([group.stable_steps for group in groups], dtype=np.int64),
        np.array([group.unstable_steps for group in groups], dtype=np.int64),
        np.ones(len(groups)),
    )
    outside = judgement.fence.too_deep(intervals) | judgement.fence.too_shallow(intervals)
    outside |= np.isin([group.contributor_id for group in groups], judgement.unlike)
    vouched = np.array([group.is_vouched for group in groups], dtype=np.bool_)
    says = np.array([_says_something(group) for group in groups], dtype=np.bool_)
    return np.asarray(says & (~outside | vouched))


@dataclass(frozen=True, slots=True)
class _Units:
    """Groups of which something is known, as arrays of shape (k,), in one order."""

    groups: tuple[UnitGroup, ...]
    stable: NDArray[np.int64]
    unstable: NDArray[np.int64]
    contributor: NDArray[np.int64]
    established: Flags
    vouched: Flags
    weight: Vector
    count: NDArray[np.int64]
    silent: int
    """Units of which nothing is known: passed too little to count, never failed."""
    silent_month: str | None

    @staticmethod
    def of(groups: Sequence[UnitGroup]) -> "_Units":
        told = [group for group in groups if _says_something(group)]
        silent = [group for group in groups if not _says_something(group)]
        # Sums of weights must not depend on the order of groups, to the last bit.
        told.sort(
            key=lambda g: (
                g.stable_steps,
                g.unstable_steps,
                g.contributor_id,
                g.is_established,
                g.is_vouched,
                g.weight_ppm,
                g.units,
            )
        )
        return _Units(
            groups=tuple(told),
            stable=np.array([g.stable_steps for g in told], dtype=np.int64),
            unstable=np.array([g.unstable_steps for g in told], dtype=np.int64),
            contributor=np.array([g.contributor_id for g in told], dtype=np.int64),
            established=np.array([g.is_established or g.is_vouched for g in told], dtype=np.bool_),
            vouched=np.array([g.is_vouched for g in told], dtype=np.bool_),
            weight=np.array([g.weight_ppm for g in told], dtype=np.float64) / _MILLION,
            count=np.array([g.units for g in told], dtype=np.int64),
            silent=sum(g.units for g in silent),
            silent_month=max((g.latest_month for g in silent), default=None),
        )

    def intervals(self, weight: Vector) -> GroupedIntervals:
        """One entry a group, so that flags and intervals keep their places."""
        return GroupedIntervals(self.stable, self.unstable, weight)

    def are_young(self, weight: Vector) -> bool:
        return float(weight[self.established].sum()) < _WEIGHT_OF_A_GROWN_POOL

    def newcomer_factor(self, weight: Vector) -> float:
        """What newcomers keep of their weight, so that they hold a tenth of the established."""
        newcomers = float(weight[~self.established].sum())
        if self.are_young(weight) or newcomers == 0:
            return 1.0
        established = float(weight[self.established].sum())
        return min(1.0, _NEWCOMERS_AT_MOST * established / newcomers)

    def capped(self, weight: Vector) -> Vector:
        return np.where(self.established, 1.0, self.newcomer_factor(weight))


def _says_something(group: UnitGroup) -> bool:
    return group.stable_steps > 0 or group.unstable_steps < NEVER_FAILED


def _unlike(
    units: _Units, inside: Flags, weight: Vector
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Contributors whose units lie together unlike the pool, and the deep ones among them."""
    nobody = np.zeros(0, dtype=np.int64)
    alone = inside & (units.contributor > 0)
    if not alone.any():
        return nobody, nobody
    fit = fit_npmle(group_intervals(units.stable[inside], units.unstable[inside], weight[inside]))
    places = place_contributors(
        GroupedIntervals(units.stable[alone], units.unstable[alone], weight[alone]),
        units.count[alone],
        units.contributor[alone],
        fit,
    )
    far = (np.abs(places.z) > _LARGEST_Z) & (places.units >= UNITS_TOLD_APART)
    return places.contributor[far], places.contributor[far & (places.z > 0)]


def _outlying(units: _Units, flags: Flags, code: str) -> tuple[Outlying, ...]:
    intervals = zip(units.stable[flags].tolist(), units.unstable[flags].tolist(), strict=True)
    return tuple(Outlying(*interval, code) for interval in sorted(set(intervals)))
