"""Cutoffs of the outlier check, and the test whether a contributor differs from the rest.

The score of a unit whose limit has F(a) and F(b) at the ends of its interval is
u = (F(a) + F(b)) / 2. Where the fit is right, u is the mean of a uniform variable known to lie in
[F(a), F(b)], averaged over such intervals: it has mean 1/2 and variance
(1 - (F(b) - F(a))^2) / 12. F itself is estimated from N units, so that the mean score of n units
has variance v / n + v / N, with v their mean variance. Without v / N, the pool's own error would
make a contributor of more units than the pool weighs look different.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.estimate.npmle import StableShareFit
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]
Flags = NDArray[np.bool_]

_QN_AT_NORMAL: Final = 2.21914
_DEEP_QN: Final = 4.5
_SHALLOW_QN: Final = 5.0
_MOST_DEEP: Final = 1 / 3
_MOST_SHALLOW: Final = 0.15
FEWEST_UNITS: Final = 10
"""With fewer units that passed and failed a pool has no cutoffs."""


@dataclass(frozen=True, slots=True)
class OutlierCutoffs:
    """Depths beyond which a limit is an outlier, in grid steps; None where there is no cutoff."""

    deepest_steps: int | None
    shallowest_steps: int | None

    def too_deep(self, evidence: GroupedIntervals) -> Flags:
        """Which intervals have their middle deeper than the cutoff.

        >>> pool = GroupedIntervals(np.array([80, 150]), np.array([90, NEVER_FAILED]), np.ones(2))
        >>> OutlierCutoffs(140, 20).too_deep(pool).tolist()
        [False, True]
        """
        if self.deepest_steps is None:
            return np.zeros(len(evidence.weight), dtype=np.bool_)
        # A unit whose first setting failed is no evidence of depth.
        checked = evidence.stable_steps > 0
        return np.asarray(checked & (_doubled_middles(evidence) > 2 * self.deepest_steps))

    def too_shallow(self, evidence: GroupedIntervals) -> Flags:
        """Which intervals have their middle short of the cutoff; a unit that never failed has not.

        >>> pool = GroupedIntervals(np.array([0, 2]), np.array([9, NEVER_FAILED]), np.ones(2))
        >>> OutlierCutoffs(140, 20).too_shallow(pool).tolist()
        [True, False]
        """
        if self.shallowest_steps is None:
            return np.zeros(len(evidence.weight), dtype=np.bool_)
        checked = evidence.unstable_steps < NEVER_FAILED
        return np.asarray(checked & (_doubled_middles(evidence) < 2 * self.shallowest_steps))


NO_CUTOFFS: Final = OutlierCutoffs(None, None)


def fit_outlier_cutoffs(
    evidence: GroupedIntervals, units: Steps, floor_steps: float
) -> OutlierCutoffs:
    """The depths 4.5 weighted Qn deeper than the weighted median, and 5 Qn shallower.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps.
    units
        Units behind each interval, shape (k,).
    floor_steps
        The least Qn: rounded numbers heap up, and their neighbours are no outliers.

    References
    ----------
    Rousseeuw & Croux (1993), J. Am. Statist. Ass. 88:1273-1283, equation 2.3, without the factor
    for small samples; pairs weigh the product of their units' weights.

    >>> depths = np.array([96, 98, 100, 102, 104])
    >>> pool = GroupedIntervals(depths, depths + 1, np.full(5, 4.0))
    >>> fit_outlier_cutoffs(pool, np.full(5, 4), 2.0)
    OutlierCutoffs(deepest_steps=120, shallowest_steps=77)
    """
    both = (evidence.stable_steps > 0) & (evidence.unstable_steps < NEVER_FAILED)
    if units[both].sum() < FEWEST_UNITS:
        return NO_CUTOFFS
    doubled, weight = _doubled_middles(evidence)[both], evidence.weight[both]
    centre = weighted_median(doubled, weight) / 2.0
    spread = max(weighted_qn(doubled, weight, units[both]) / 2.0, floor_steps)
    cutoffs = OutlierCutoffs(
        deepest_steps=int(np.ceil(centre + _DEEP_QN * spread)),
        shallowest_steps=int(np.floor(centre - _SHALLOW_QN * spread)),
    )
    return _unless_common(cutoffs, evidence)


def _unless_common(cutoffs: OutlierCutoffs, evidence: GroupedIntervals) -> OutlierCutoffs:
    """The cutoffs without an end beyond which much of the weight lies.

    So many units belong to the distribution: a third on the deep side, 15 % on the shallow one.
    The shallow share is the smaller, because leaving out weak units would be dangerous.
    """
    most = evidence.total_weight
    deep = float(evidence.weight[cutoffs.too_deep(evidence)].sum())
    shallow = float(evidence.weight[cutoffs.too_shallow(evidence)].sum())
    return OutlierCutoffs(
        cutoffs.deepest_steps if deep <= _MOST_DEEP * most else None,
        cutoffs.shallowest_steps if shallow <= _MOST_SHALLOW * most else None,
    )


def weighted_median(values: Steps, weight: Vector) -> float:
    """The least value at which half of the weight is reached; values are whole numbers.

    >>> weighted_median(np.array([1, 2, 10]), np.array([1.0, 1.0, 1.0]))
    2.0
    """
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order])
    # Half of the weight counts as reached where only rounding is missing.
    place = np.searchsorted(reached, reached[-1] * (0.5 - 1e-12))
    return float(values[order][place])


def weighted_qn(values: Steps, weight: Vector, units: Steps) -> float:
    """2.21914 times the lower quartile of the distances between units, in the values' unit.

    Parameters are of shape (k,): whole values, the weight of all units with that value, and their
    number, two or more in all.

    >>> twos = np.arange(1, 11)
    >>> round(weighted_qn(twos, np.ones(10), np.ones(10, dtype=np.int64)), 5)
    4.43828
    """
    low = int(values.min())
    by_value = np.bincount(values - low, weight)
    apart = np.correlate(by_value, by_value, mode="full")[len(by_value) - 1 :]
    # Within a value each pair was counted twice, and each unit paired with itself once.
    itself = np.bincount(values - low, weight**2 / units)
    apart[0] = (apart[0] - itself.sum()) / 2.0
    reached = np.cumsum(apart)
    wanted = _share_of_pairs(int(units.sum())) - 1e-12
    return _QN_AT_NORMAL * float(np.searchsorted(reached, reached[-1] * wanted))


def _share_of_pairs(units: int) -> float:
    """Pairs within half of the units, as a share of all pairs: little more than a quarter."""
    half = units // 2 + 1
    return half * (half - 1) / (units * (units - 1))


def _doubled_middles(evidence: GroupedIntervals) -> Steps:
    """Twice the middle of the possible limits; for a unit that never failed, twice its pass.

    For a unit whose first setting failed, twice the deepest possible limit: it is checked on the
    shallow side only, and there this is the mildest reading.
    """
    stable, unstable = evidence.stable_steps, evidence.unstable_steps
    deepest = np.where(unstable < NEVER_FAILED, unstable - 1, stable)
    return np.asarray(np.where(stable > 0, stable, deepest) + deepest)


@dataclass(frozen=True, slots=True)
class PlaceInPool:
    """Where each contributor's units lie in the pool, one entry a contributor.

    Parameters
    ----------
    contributor : int64 array, shape (c,), ascending
    units : int64 array, shape (c,)
    z : float64 array, shape (c,)
        Standardised sum of the units' places: far above zero, all of them deep.
    """

    contributor: Steps
    units: Steps
    z: Vector


def place_contributors(
    evidence: GroupedIntervals, units: Steps, contributor: Steps, fit: StableShareFit
) -> PlaceInPool:
    """Each contributor's standardised score under the pool's fit, as defined above.

    Parameters
    ----------
    evidence
        Intervals in grid steps, each of one contributor.
    units, contributor
        Number of units behind each interval, and whose, shape (k,).
    fit
        Of the whole pool.

    >>> from kbapi.stats.estimate.npmle import fit_npmle
    >>> depths = np.arange(10, 20)
    >>> pool = GroupedIntervals(depths, depths + 1, np.ones(10))
    >>> who = np.repeat([1, 2], 5)
    >>> place_contributors(pool, np.ones(10, dtype=np.int64), who, fit_npmle(pool)).z.round(2)
    array([-1.59,  1.59])
    """
    before = 1.0 - _share(fit, evidence.stable_steps)
    after = 1.0 - _share(fit, evidence.unstable_steps)
    off = (before + after) / 2.0 - 0.5
    variance = (1.0 - (after - before) ** 2) / 12.0
    who, place = np.unique(contributor, return_inverse=True)
    counted = np.bincount(place, units).astype(np.int64)
    own = np.bincount(place, units * variance)
    spread = np.sqrt(own + own * counted / fit.total_weight)
    sums = np.bincount(place, units * off)
    # Without spread all intervals are as wide as the pool: no evidence about the contributor.
    z = np.divide(sums, spread, out=np.zeros(len(who)), where=spread > 0)
    return PlaceInPool(who, counted, z)


def _share(fit: StableShareFit, steps: Steps) -> Vector:
    """Halfway between the envelopes, so that neither side is favoured."""
    return (fit.share_at(steps) + fit.most_at(steps)) / 2.0
