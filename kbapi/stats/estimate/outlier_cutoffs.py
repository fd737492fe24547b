"""The cutoff of the outlier check, and the test whether a contributor differs from the rest.

The score of a unit whose limit has F(a) and F(b) at the ends of its interval is
u = (F(a) + F(b)) / 2. Where the fit is right, u is the mean of a uniform variable known to lie in
[F(a), F(b)], averaged over such intervals: it has mean 1/2 and variance
(1 - (F(b) - F(a))^2) / 12. F itself is estimated from N units, so that the mean score of n units
has variance v / n + v / N, with v their mean variance. Without v / N, the pool's own error would
make a contributor of more units than the pool weighs look different.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.estimate.npmle import StableShareFit
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]
Flags = NDArray[np.bool_]

_TAILS: Final = (0.10, 0.50, 0.90)
_TAILS_AT_NORMAL: Final = 2.0 * 1.28155
_DEEP_SPREADS: Final = 8.0
_MOST_BEYOND: Final = 0.01
FEWEST_UNITS: Final = 10
"""With fewer units that passed and failed a pool has no cutoff."""


def too_deep(evidence: GroupedIntervals, deepest_steps: int | None) -> Flags:
    """Which intervals have their middle deeper than the cutoff; none where that is None.

    >>> pool = GroupedIntervals(np.array([80, 150]), np.array([90, NEVER_FAILED]), np.ones(2))
    >>> too_deep(pool, 140).tolist()
    [False, True]
    """
    if deepest_steps is None:
        return np.zeros(len(evidence.weight), dtype=np.bool_)
    # A unit whose first setting failed is no evidence of depth.
    checked = evidence.stable_steps > 0
    return np.asarray(checked & (_doubled_middles(evidence) > 2 * deepest_steps))


def fit_deep_cutoff(evidence: GroupedIntervals, units: int, floor_steps: float) -> int | None:
    """The depth eight spreads past the median; None where it would exclude a part of the pool.

    The spread is the range that the middle 80 % of the weight takes, as standard deviations of a
    normal distribution: a dense cluster of a fifth of the weight cannot shrink it much. Where more
    than one unit's and more than 1 % of the weight lies beyond the cutoff there is none: so many
    belong to the distribution.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps.
    units
        Number of units that passed and failed.
    floor_steps
        The least spread: rounded numbers heap up, and their neighbours are no outliers.

    >>> depths = np.array([96, 98, 100, 102, 104])
    >>> fit_deep_cutoff(GroupedIntervals(depths, depths + 1, np.full(5, 4.0)), 20, 2.0)
    125
    """
    both = (evidence.stable_steps > 0) & (evidence.unstable_steps < NEVER_FAILED)
    if units < FEWEST_UNITS:
        return None
    low, middle, high = weighted_quantiles(
        _doubled_middles(evidence)[both], evidence.weight[both], _TAILS
    )
    spread = max((high - low) / 2.0 / _TAILS_AT_NORMAL, floor_steps)
    cutoff = int(np.ceil(middle / 2.0 + _DEEP_SPREADS * spread))
    beyond = float(evidence.weight[too_deep(evidence, cutoff)].sum())
    # Rounding alone never decides.
    most = max(1.0, _MOST_BEYOND * evidence.total_weight) * (1.0 + 1e-9)
    return cutoff if beyond <= most else None


def weighted_quantiles(values: Steps, weight: Vector, shares: Sequence[float]) -> list[float]:
    """The least value at which each share of the weight is reached; values are whole numbers.

    >>> weighted_quantiles(np.array([1, 2, 10]), np.array([1.0, 1.0, 1.0]), (0.1, 0.5))
    [1.0, 2.0]
    """
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order])
    # A share counts as reached where only rounding is missing.
    places = np.searchsorted(reached, reached[-1] * (np.asarray(shares) - 1e-12))
    return [float(value) for value in values[order][places]]


def _doubled_middles(evidence: GroupedIntervals) -> Steps:
    """Twice the middle of the possible limits; for a unit that never failed, twice its pass."""
    stable, unstable = evidence.stable_steps, evidence.unstable_steps
    return np.asarray(stable + np.where(unstable < NEVER_FAILED, unstable - 1, stable))


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
    evidence: GroupedIntervals, contributor: Steps, fit: StableShareFit
) -> PlaceInPool:
    """Each contributor's standardised score under the pool's fit, as defined above.

    Parameters
    ----------
    evidence
        Intervals in grid steps, one for each unit.
    contributor
        Whose each unit is, shape (k,).
    fit
        Of the whole pool.

    >>> from kbapi.stats.estimate.npmle import fit_npmle
    >>> depths = np.arange(10, 20)
    >>> pool = GroupedIntervals(depths, depths + 1, np.ones(10))
    >>> who = np.repeat([1, 2], 5)
    >>> place_contributors(pool, who, fit_npmle(pool)).z.round(2)
    array([-1.59,  1.59])
    """
    before = 1.0 - _share(fit, evidence.stable_steps)
    after = 1.0 - _share(fit, evidence.unstable_steps)
    off = (before + after) / 2.0 - 0.5
    variance = (1.0 - (after - before) ** 2) / 12.0
    who, place = np.unique(contributor, return_inverse=True)
    counted = np.bincount(place)
    own = np.bincount(place, variance)
    spread = np.sqrt(own + own * counted / fit.total_weight)
    sums = np.bincount(place, off)
    # Without spread all intervals are as wide as the pool: no evidence about the contributor.
    z = np.divide(sums, spread, out=np.zeros(len(who)), where=spread > 0)
    return PlaceInPool(who, counted, z)


def _share(fit: StableShareFit, steps: Steps) -> Vector:
    """Halfway between the envelopes, so that neither side is favoured."""
    return (fit.share_at(steps) + fit.most_at(steps)) / 2.0
