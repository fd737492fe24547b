"""Whether two groups of interval-censored limits differ: scores, ranks, splits.

`compare_groups` has the statistic (N - 1) sum_g U_g^2 / N_g / sum_i w_i c_i^2, with U_g the sum of
a group's scores less N_g times their mean.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.estimate.npmle import StableShareFit, fit_npmle
from kbapi.stats.intervals import NEVER_FAILED, frozen_array, group_intervals

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]

_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class GroupDifference:
    """How surely groups differ.

    Parameters
    ----------
    p_value : chance of a statistic as large where groups do not differ, by permutation
    p_asymptotic : the same by the chi-squared distribution, for comparison
    statistic : zero where all groups have the same mean score
    groups : number of groups
    total_weight : units where all have weight 1
    permutations : drawn; the least `p_value` is 1 / (permutations + 1)
    """

    p_value: float
    p_asymptotic: float
    statistic: float
    groups: int
    total_weight: float
    permutations: int


def compare_groups(
    stable_steps: Steps,
    unstable_steps: Steps,
    weight: Vector,
    group: Steps,
    rng: np.random.Generator,
    permutations: int = 999,
) -> GroupDifference:
    """The generalised log-rank test for interval-censored limits.

    Parameters
    ----------
    stable_steps, unstable_steps : int64 arrays, shape (n,)
        One unit each, at least one: `stable_steps <= T < unstable_steps`, in grid steps.
    weight : float64 array, shape (n,)
        Positive.
    group : int64 array, shape (n,)
        Labels from 0; with fewer than two in use `p_value` is 1.
    rng, permutations
        Draws so many random relabellings; the order of units does not change the answer.

    References
    ----------
    Fay (1996), Biometrics 52:811-822, section 3 (grouped proportional hazards); Fay & Shaw (2010),
    J. Statist. Software 36(2), section 2.3 (permutation form).

    >>> low, high = np.repeat([10, 20], 20), np.repeat([12, 22], 20)
    >>> halves, rng = np.repeat([0, 1], 20), np.random.default_rng(1)
    >>> compare_groups(low, high, np.ones(40), halves, rng).p_value
    0.001
    """
    if len(weight) == 0:
        raise ValueError("no units, no comparison")
    order = np.lexsort((group, weight, unstable_steps, stable_steps))
    stable, unstable, ordered_weight = stable_steps[order], unstable_steps[order], weight[order]
    scores = log_rank_scores(
        stable, unstable, fit_npmle(group_intervals(stable, unstable, ordered_weight))
    )
    return compare_scored(scores, ordered_weight, group[order], rng, permutations)


def compare_scored(
    scores: Vector,
    weight: Vector,
    group: Steps,
    rng: np.random.Generator,
    permutations: int,
    largest_wanted: float = 1.0,
) -> GroupDifference:
    """The same test where the units' scores are known, all of shape (n,).

    Scores may come from a fit of more units than are compared; the order of units matters to the
    permutations that are drawn. With no permutations the p-value is the asymptotic one. Drawing
    ends where the p-value must exceed the largest that is wanted; then it is a lower bound.

    >>> scores = np.repeat([-1.0, 1.0], 10)
    >>> rng = np.random.default_rng(1)
    >>> found = compare_scored(scores, np.ones(20), np.repeat([0, 1], 10), rng, 0)
    >>> found.p_value == found.p_asymptotic, round(found.statistic, 1)
    (True, 19.0)
    >>> compare_scored(scores, np.ones(20), np.tile([0, 1], 10), rng, 99).p_value
    1.0
    """
    label = np.unique(group, return_inverse=True)[1]
    groups = int(label.max()) + 1
    statistic = _statistic_of(scores, weight)
    observed = statistic(label)
    asymptotic = float(scipy.special.chdtrc(groups - 1, observed)) if groups > 1 else 1.0
    drawn = (statistic(rng.permutation(label)) for _ in range(permutations))
    as_large = _count_as_large(drawn, observed, most=largest_wanted * (permutations + 1) - 1)
    return GroupDifference(
        p_value=(1 + as_large) / (permutations + 1) if permutations else asymptotic,
        p_asymptotic=asymptotic,
        statistic=observed,
        groups=groups,
        total_weight=float(weight.sum()),
        permutations=permutations,
    )


def _count_as_large(drawn: Iterable[float], observed: float, most: float) -> int:
    """How many are as large as the observed one; counting ends beyond the most that matter.

    References
    ----------
    Besag & Clifford (1991), Biometrika 78:301-304 (sequential Monte Carlo p-values).
    """
    # A relabelling that is equal up to rounding counts as extreme as the observed one.
    least, count = observed * (1.0 - _ROUNDING) - _ROUNDING, 0
    for one in drawn:
        count += one >= least
        if count > most:
            break
    return count


def log_rank_scores(stable: Steps, unstable: Steps, fit: StableShareFit) -> Vector:
    """Each unit's score, shape (n,): above zero where it goes deeper than the average unit.

    c = (S(R) log S(R) - S(L) log S(L)) / (S(L) - S(R)) under the likeliest share S of all units
    together; S is 1 at stock, and 0 beyond all depths, so that one never failed has -log S(L).

    >>> pool = group_intervals(np.array([4, 9]), np.array([5, 10]), np.array([1.0, 1.0]))
    >>> log_rank_scores(np.array([4, 9]), np.array([5, 10]), fit_npmle(pool)).round(3).tolist()
    [-0.693, 0.693]
    """
    before, after = fit.share_at(stable), fit.share_at(unstable)
    return np.asarray((_entropy(after) - _entropy(before)) / (before - after))


def _entropy(share: Vector) -> Vector:
    """S log S, zero where the share is zero."""
    return np.asarray(share * np.log(np.maximum(share, 1e-300)))


def _statistic_of(scores: Vector, weight: Vector) -> Callable[[NDArray[np.intp]], float]:
    """The statistic of these units by their labels: what no label changes is computed once."""
    total = float(weight.sum())
    centred = scores - float(weight @ scores) / total
    spread = float(weight @ centred**2)
    weighed = weight * centred

    def statistic(label: NDArray[np.intp]) -> float:
        if spread <= _ROUNDING * total:
            return 0.0
        units, sums = np.bincount(label, weight), np.bincount(label, weighed)
        return float((total - 1.0) * np.sum(sums**2 / units) / spread)

    return statistic


def holm_adjusted(p_values: Sequence[float]) -> tuple[float, ...]:
    """The p-values of a family adjusted for one common level, in the given order.

    References
    ----------
    Holm (1979), Scand. J. Statist. 6:65-70: the smallest times k, the next times k - 1..., never
    falling, at most 1.

    >>> holm_adjusted([0.01, 0.04, 0.03, 0.005])
    (0.03, 0.06, 0.06, 0.02)
    """
    given = np.array(p_values, dtype=np.float64)
    order = np.argsort(given, kind="stable")
    factors = np.arange(len(given), 0, -1)
    raised = np.minimum(np.maximum.accumulate(given[order] * factors), 1.0)
    adjusted = np.empty(len(given))
    adjusted[order] = raised
    return tuple(float(p) for p in adjusted.round(12))


_STEPS_WITHIN_MACHINES: Final = 20
_THIN: Final = 1e-12


def depth_scores(stable: Steps, unstable: Steps, machine: NDArray[np.intp]) -> Vector:
    """Each unit's score, shape (n,): the shallower share of its machine's limits less the deeper.

    c = 1 - S(L) - S(R) with the likeliest share S of the units of one machine. The mean of c over
    true limits is zero for every first setting, step and planned end, as a sum that telescopes:
    (S(L) - S(R)) (1 - S(L) - S(R)). So a change of how people search moves no mean.

    Parameters
    ----------
    stable, unstable : int64 arrays, shape (n,)
        As in `GroupedIntervals`, at least one.
    machine : intp array, shape (n,)
        Labels from 0, each in use.

    References
    ----------
    Fay (1996), Biometrics 52:811-822 (scores of proportional odds for interval-censored data);
    Turnbull (1976), J. R. Statist. Soc. B 38:290-295 (the self-consistent steps).

    >>> low = np.array([90, 100, 110])
    >>> depth_scores(low, low + 5, np.zeros(3, int)).round(2).tolist()
    [-0.67, 0.0, 0.67]
    """
    fit = fit_npmle(group_intervals(stable, unstable, np.ones(len(stable))))
    first = np.searchsorted(fit.cell_left, stable)
    past = np.searchsorted(fit.cell_right, unstable, side="right")
    units = np.bincount(machine)
    # Each machine's masses begin as those of all; a row of `before` has one cell more.
    mass = np.tile(fit.masses, (len(units), 1))
    row = machine * (mass.shape[1] + 1)
    for _ in range(_STEPS_WITHIN_MACHINES if len(units) > 1 else 0):
        before = _mass_before(mass).ravel()
        pull = 1.0 / np.maximum(before[row + past] - before[row + first], _THIN)
        ends = np.bincount(row + first, pull, before.size)
        ends -= np.bincount(row + past, pull, before.size)
        climbed = np.cumsum(ends.reshape(len(units), -1), axis=1)[:, :-1]
        mass = mass * np.maximum(climbed, 0.0) / units[:, None]
    before = _mass_before(mass).ravel()
    return np.asarray(before[row + first] + before[row + past] - 1.0)


def _mass_before(mass: Vector) -> Vector:
    """By row: the mass before each cell, and one after the last."""
    summed = np.cumsum(mass, axis=1)
    before = np.concatenate([np.zeros((len(mass), 1)), summed], axis=1)
    return np.asarray(before / summed[:, -1:])


Which = NDArray[np.bool_]

_NODES, _SHARES = (frozen_array(part) for part in np.polynomial.legendre.leggauss(121))
"""Gauss and Legendre's nodes and weights on (-1, 1)."""
_EQUAL: Final = 0.999
"""Correlation from which two splits count as one: the quadrature does not resolve them."""
_WIDEST_SHIFT: Final = 512
"""In steps: no limit lies deeper than a pool's grid reaches."""


@dataclass(frozen=True, slots=True)
class ScoredUnits:
    """Units with their `depth_scores`, in two readings of those that never failed.

    Parameters
    ----------
    value : float64 array, shape (n,)
        Of all units; one that never failed may go as deep as the others beyond its deepest pass.
    machine : intp array, shape (n,)
        Labels from 0.
    failed : bool array, shape (n,)
    among_failed : float64 array, shape (n,)
        Of the units that failed, among themselves; not used for the others.
    """

    value: Vector
    machine: NDArray[np.intp]
    failed: Which
    among_failed: Vector

    def only(self, which: Which) -> "ScoredUnits":
        """Some of these units."""
        return ScoredUnits(
            self.value[which], self.machine[which], self.failed[which], self.among_failed[which]
        )


@dataclass(frozen=True, slots=True)
class Split:
    """The difference between recent units and earlier ones of the same machines.

    Parameters
    ----------
    z : the difference in its standard errors, above zero where recent limits lie deeper
    difference : mean score of recent units less that of earlier ones, -2 to 2
    units_before, units_since : the units compared
    """

    z: float
    difference: float
    units_before: int
    units_since: int


def score_units(
    stable: Steps, unstable: Steps, machine: Steps, *, in_both_readings: bool = False
) -> ScoredUnits:
    """The units of a pool scored for how deep they go; arrays of shape (n,), a unit each.

    In one reading every unit counts as one that failed.
    """
    label = np.unique(machine, return_inverse=True)[1]
    value = among_failed = depth_scores(stable, unstable, label)
    failed = (unstable < NEVER_FAILED) | (not in_both_readings)
    if failed.any() and not failed.all():
        among_failed = np.zeros(len(value))
        own = np.unique(label[failed], return_inverse=True)[1]
        among_failed[failed] = depth_scores(stable[failed], unstable[failed], own)
    return ScoredUnits(value, label, failed, among_failed)


def split_units(units: ScoredUnits, recent: Which) -> Split:
    """The difference between recent and other units of the same machines.

    People who stop before a failure may do so near the limit, or at a depth that they planned.
    The first makes scores of all units wrong, the second those of the units that failed. Where
    more people stop than before, the two errors have opposite directions. So the smaller
    difference counts, and none where the directions differ.

    >>> value, machine = np.array([-1.5, -0.5, 0.5, 1.5]), np.zeros(4, int)
    >>> units = ScoredUnits(value, machine, np.ones(4, bool), value)
    >>> found = split_units(units, np.array([False, False, True, True]))
    >>> round(found.z, 3), found.difference, found.units_before, found.units_since
    (1.549, 2.0, 2, 2)
    """
    whole = _split(units.value, units.machine, recent)
    if units.failed.all():
        return whole
    failed = units.failed
    part = _split(units.among_failed[failed], units.machine[failed], recent[failed])
    nearer = min(whole, part, key=lambda split: abs(split.z))
    agree = whole.z * part.z > 0.0
    return replace(
        whole,
        z=nearer.z if agree else 0.0,
        difference=nearer.difference if agree else 0.0,
    )


def _split(value: Vector, machine: NDArray[np.intp], recent: Which) -> Split:
    """One reading of a split.

    References
    ----------
    The sum of scores over its exact permutation variance: Hajek, Sidak & Sen (1999), Theory of
    Rank Tests, theorem 3.3.1.3, summed over machines as strata.
    """
    total = np.bincount(machine)
    machines = len(total)
    centred = value - (np.bincount(machine, value) / np.maximum(total, 1))[machine]
    squares = np.bincount(machine, centred**2)
    since = np.bincount(machine[recent], minlength=machines)
    sums = np.bincount(machine[recent], centred[recent], minlength=machines)
    # A machine whose reports all lie on one side gives no comparison.
    compared = (since > 0) & (since < total)
    since, total = since[compared], total[compared]
    pairs = since * (total - since) / total
    variance = float(np.sum(pairs * squares[compared] / (total - 1)))
    summed = float(sums[compared].sum())
    return Split(
        z=summed / float(np.sqrt(variance)) if variance > 0 else 0.0,
        difference=summed / float(pairs.sum()) if len(pairs) else 0.0,
        units_before=int((total - since).sum()),
        units_since=int(since.sum()),
    )


def chance_of_largest(z: float, parts: list[float]) -> float:
    """Chance of a difference as large as z at any of the splits of one sample.

    Standardised differences at ascending parts are a Markov chain: from part s to part t with
    correlation sqrt(s (1 - t) / (t (1 - s))). The density of those that have stayed inside
    (-z, z) is carried along the chain on the nodes of one quadrature.

    Parameters
    ----------
    z
        Not negative, in standard errors.
    parts
        The share of units before each split, ascending, inside (0, 1).

    References
    ----------
    Armitage, McPherson & Rowe (1969), J. R. Statist. Soc. A 132:235-244.

    >>> round(chance_of_largest(1.96, [0.5]), 3), round(chance_of_largest(1.96, [0.3, 0.7]), 3)
    (0.05, 0.093)
    """
    node, share = z * _NODES, z * _SHARES
    inside = np.exp(-0.5 * node**2) / np.sqrt(2.0 * np.pi)
    last = parts[0]
    for part in parts[1:]:
        correlation = float(np.sqrt(last * (1.0 - part) / (part * (1.0 - last))))
        if correlation > _EQUAL:
            continue
        last = part
        width = float(np.sqrt(1.0 - correlation**2))
        steps = np.exp(-0.5 * ((node[:, None] - correlation * node) / width) ** 2)
        inside = steps @ (share * inside) / (width * np.sqrt(2.0 * np.pi))
    return max(2.0 * float(scipy.special.ndtr(-z)), 1.0 - float(share @ inside))


def estimate_shift(stable: Steps, unstable: Steps, machine: Steps, recent: Which) -> float:
    """By how many steps the recent limits lie deeper; moved back by it, they do not differ.

    Where they do not differ over a range of steps, its middle.

    References
    ----------
    Hodges & Lehmann (1963), Ann. Math. Statist. 34:598-611 (an estimate from a rank test).

    >>> stable = np.concatenate([np.arange(50, 80), np.arange(50, 80) - 12])
    >>> machine, recent = np.zeros(60, int), np.arange(60) >= 30
    >>> round(estimate_shift(stable, stable + 3, machine, recent))
    -12
    """

    @lru_cache(maxsize=64)
    def left(by: int) -> float:
        """The difference once the recent units have been moved back by some steps."""
        low = np.where(recent & (stable > 0), np.maximum(stable - by, 0), stable)
        moved = recent & (unstable < NEVER_FAILED)
        high = np.where(moved, np.maximum(unstable - by, low + 1), unstable)
        return split_units(score_units(low, high, machine), recent).z

    sign = 1.0 if left(0) > 0 else -1.0
    first = _crossing(lambda by: sign * left(int(sign) * by), 0.0)
    last = _crossing(lambda by: sign * left(int(sign) * by), -_ROUNDING)
    return sign * (first + last) / 2.0


def _crossing(falling: Callable[[int], float], level: float) -> float:
    """Where a function of whole numbers, above the level at 0, falls to it or below."""
    near, far = 0, 1
    while falling(far) > level and far < _WIDEST_SHIFT:
        near, far = far, 2 * far
    while far - near > 1:
        middle = (near + far) // 2
        near, far = (middle, far) if falling(middle) > level else (near, middle)
    rest, beyond = falling(near), falling(far)
    return near + (far - near) * rest / (rest - beyond) if rest != beyond else float(near)
