"""The fence of a pool: beyond it a unit's limit is not believed before somebody has looked."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]
Flags = NDArray[np.bool_]

_QN_AT_NORMAL: Final = 2.21914
_DEEP_QN: Final = 4.5
_SHALLOW_QN: Final = 5.0
_MOST_DEEP: Final = 1 / 3
_MOST_SHALLOW: Final = 0.15
FEWEST_UNITS_FENCED: Final = 10


@dataclass(frozen=True, slots=True)
class Fence:
    """Depths between which limits are believed, in grid steps; None where there is no fence."""

    deepest_steps: int | None
    shallowest_steps: int | None

    def too_deep(self, evidence: GroupedIntervals) -> Flags:
        """Which intervals can only hold limits deeper than the fence, or lie there in the middle.

        >>> pool = GroupedIntervals(np.array([80, 150]), np.array([90, NEVER_FAILED]), np.ones(2))
        >>> Fence(140, 20).too_deep(pool).tolist()
        [False, True]
        """
        if self.deepest_steps is None:
            return np.zeros(len(evidence.weight), dtype=np.bool_)
        # A unit whose first setting failed is no reason to believe in depth.
        judged = evidence.stable_steps > 0
        return np.asarray(judged & (_doubled_middles(evidence) > 2 * self.deepest_steps))

    def too_shallow(self, evidence: GroupedIntervals) -> Flags:
        """Which intervals lie short of the fence; a unit that never failed does not.

        >>> pool = GroupedIntervals(np.array([0, 2]), np.array([9, NEVER_FAILED]), np.ones(2))
        >>> Fence(140, 20).too_shallow(pool).tolist()
        [True, False]
        """
        if self.shallowest_steps is None:
            return np.zeros(len(evidence.weight), dtype=np.bool_)
        judged = evidence.unstable_steps < NEVER_FAILED
        return np.asarray(judged & (_doubled_middles(evidence) < 2 * self.shallowest_steps))


NO_FENCE: Final = Fence(None, None)


def fit_fence(evidence: GroupedIntervals, units: Steps, floor_steps: float) -> Fence:
    """The depths beyond 4.5 weighted Qn of the weighted median, and short of 5.

    No end where much of the weight lies beyond it, a third on the deep side, 15 % on the shallow
    one: so many units are a part of the truth. To leave out weak ones would be dangerous.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps.
    units
        Units behind each interval, shape (k,): they say how many pairs an interval has in itself.
    floor_steps
        The least Qn, so that heaped numbers do not fence their own neighbours out.

    References
    ----------
    Rousseeuw & Croux (1993), J. Am. Statist. Ass. 88:1273-1283, equation 2.3, without the factor
    for small samples; pairs weigh the product of their units' weights.

    >>> depths = np.array([96, 98, 100, 102, 104])
    >>> pool = GroupedIntervals(depths, depths + 1, np.full(5, 4.0))
    >>> fit_fence(pool, np.full(5, 4), 2.0)
    Fence(deepest_steps=120, shallowest_steps=77)
    """
    both = (evidence.stable_steps > 0) & (evidence.unstable_steps < NEVER_FAILED)
    if units[both].sum() < FEWEST_UNITS_FENCED:
        return NO_FENCE
    doubled, weight = _doubled_middles(evidence)[both], evidence.weight[both]
    centre = weighted_median(doubled, weight) / 2.0
    spread = max(weighted_qn(doubled, weight, units[both]) / 2.0, floor_steps)
    fence = Fence(
        deepest_steps=int(np.ceil(centre + _DEEP_QN * spread)),
        shallowest_steps=int(np.floor(centre - _SHALLOW_QN * spread)),
    )
    most = evidence.total_weight
    deep = float(evidence.weight[fence.too_deep(evidence)].sum())
    shallow = float(evidence.weight[fence.too_shallow(evidence)].sum())
    return Fence(
        fence.deepest_steps if deep <= _MOST_DEEP * most else None,
        fence.shallowest_steps if shallow <= _MOST_SHALLOW * most else None,
    )


def weighted_median(values: Steps, weight: Vector) -> float:
    """The least value at which half of the weight is reached; values are whole numbers.

    >>> weighted_median(np.array([1, 2, 10]), np.array([1.0, 1.0, 1.0]))
    2.0
    """
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order])
    # Half of the weight is reached where rounding alone stands between.
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
    # Within a value each pair was met twice, and each unit met itself once.
    itself = np.bincount(values - low, weight**2 / units)
    apart[0] = (apart[0] - itself.sum()) / 2.0
    reached = np.cumsum(apart)
    wanted = _share_of_pairs(int(units.sum())) - 1e-12
    return _QN_AT_NORMAL * float(np.searchsorted(reached, reached[-1] * wanted))


def _share_of_pairs(units: int) -> float:
    """Pairs within half of the units among all pairs: little more than a quarter."""
    half = units // 2 + 1
    return half * (half - 1) / (units * (units - 1))


def _doubled_middles(evidence: GroupedIntervals) -> Steps:
    """Twice the middle of the limits that are possible; of one never failed, twice its pass.

    Of a unit that failed at first, twice the deepest limit that is possible: it is judged on the
    shallow side, where that is the mildest reading.
    """
    stable, unstable = evidence.stable_steps, evidence.unstable_steps
    deepest = np.where(unstable < NEVER_FAILED, unstable - 1, stable)
    return np.asarray(np.where(stable > 0, stable, deepest) + deepest)
