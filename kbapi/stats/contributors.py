"""Whether one contributor's units lie together where those of all others do not."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.interval import GroupedIntervals
from kbapi.stats.npmle import StableShareFit

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PlaceInPool:
    """How each contributor's units lie in the pool, one entry a contributor.

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
    """Each contributor's standardised mid-distribution score under the pool's fit.

    Parameters
    ----------
    evidence
        Intervals in grid steps, each of one contributor.
    units, contributor
        Number of units behind each interval, and whose, shape (k,).
    fit
        Of the whole pool.

    References
    ----------
    For an interval with F(a) and F(b) at its ends the score is u = (F(a) + F(b)) / 2, of mean 1/2
    and variance (1 - (F(b) - F(a))^2) / 12 where the fit is right (the mean of a uniform variable
    known to lie in [F(a), F(b)], averaged over such intervals). F itself is known from the N units
    that the fit weighs, so that the mean score of n units has their mean variance over N beside
    that over n: who sent more units than the pool weighs would else be judged by the pool's error.

    >>> from kbapi.stats.npmle import fit_npmle
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
    # An interval as wide as the whole pool says nothing of its contributor.
    z = np.divide(sums, spread, out=np.zeros(len(who)), where=spread > 0)
    return PlaceInPool(who, counted, z)


def _share(fit: StableShareFit, steps: Steps) -> Vector:
    """Halfway between the envelopes, so that neither side is favoured."""
    return (fit.share_at(steps) + fit.most_at(steps)) / 2.0
