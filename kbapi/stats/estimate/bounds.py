"""The self-consistent Clopper-Pearson lower bound of the stable share, and the start it allows.

The band needs no model of the limits: with exact data it is the bound of Clopper & Pearson (1934).
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.estimate.npmle import StableShareFit
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, frozen_array, known_weight_at


@dataclass(frozen=True, slots=True)
class SccpBand:
    """The stable share with its lower bound, constant on runs of depths.

    Parameters
    ----------
    depths : int64 array, shape (r,)
        The shallowest depth of each run, ascending from 0; a run lasts until the next one begins.
        The last run is deeper than everything seen and has share 0.
    share, lower, known_weight : float64 arrays, shape (r,)
        Stable share, its one-sided lower confidence bound, and the weight of the units whose
        status there is known.
    confidence : of each single bound, in (0, 1)
    optimality_gap : certificate of the fit behind the share
    """

    depths: NDArray[np.int64]
    share: NDArray[np.float64]
    lower: NDArray[np.float64]
    known_weight: NDArray[np.float64]
    confidence: float
    optimality_gap: float


@dataclass(frozen=True, slots=True)
class DeepestStart:
    """The deepest depth that the band allows, with its bound there."""

    steps: int
    stable_share: float
    lower: float
    known_weight: float
    confidence: float


@dataclass(frozen=True, slots=True)
class NoStart:
    """No setting below stock has, with all shallower ones, a high enough lower bound.

    `lower` is the bound one step below stock.
    """

    stable_share: float
    lower: float
    known_weight: float
    confidence: float


def sccp_bound(
    share: NDArray[np.float64], known_weight: NDArray[np.float64], confidence: float
) -> NDArray[np.float64]:
    """Lower confidence bound of a stable share of which `known_weight` units are the sample.

    Parameters are arrays of one shape; `known_weight` may be fractional, or 0 (bound 0).

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26:404-413, with k = n S and f = n (1 - S) from the
    self-consistent share: the Beta(k, f + 1) quantile of 1 - confidence.

    >>> sccp_bound(np.array([1.0, 0.9, 0.0]), np.array([29.0, 10.0, 10.0]), 0.95).round(4).tolist()
    [0.9019, 0.6058, 0.0]
    """
    stable = known_weight * share
    certain = stable > 0
    bound = scipy.special.betaincinv(
        np.where(certain, stable, 1.0), known_weight * (1.0 - share) + 1.0, 1.0 - confidence
    )
    return np.where(certain, bound, 0.0)


def sccp_lower_bound(
    evidence: GroupedIntervals, fit: StableShareFit, confidence: float
) -> SccpBand:
    """The self-consistent Clopper-Pearson band over all depths.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps.
    fit
        `fit_npmle` of the same evidence.
    confidence
        Of each single bound, one-sided, in (0, 1); ValueError outside.

    References
    ----------
    Clopper & Pearson (1934), see `sccp_bound`.

    >>> from kbapi.stats.estimate.npmle import fit_npmle
    >>> pool = GroupedIntervals(np.array([4, 9]), np.array([5, 10]), np.array([10.0, 90.0]))
    >>> band = sccp_lower_bound(pool, fit_npmle(pool), 0.95)
    >>> band.depths.tolist(), band.share.tolist(), band.lower.round(4).tolist()
    ([0, 5, 10], [1.0, 0.9, 0.0], [0.9705, 0.8363, 0.0])
    """
    if not 0 < confidence < 1:
        raise ValueError("a confidence lies between 0 and 1")
    depths = _run_starts(evidence, fit)
    share = fit.share_at(depths)
    known_weight = known_weight_at(evidence, depths)
    return SccpBand(
        depths=frozen_array(depths),
        share=frozen_array(share),
        lower=frozen_array(sccp_bound(share, known_weight, confidence)),
        known_weight=frozen_array(known_weight),
        confidence=confidence,
        optimality_gap=fit.optimality_gap,
    )


def _run_starts(evidence: GroupedIntervals, fit: StableShareFit) -> NDArray[np.int64]:
    """Every depth at which the share or the known weight can change, 0 first."""
    failed = evidence.unstable_steps[evidence.unstable_steps < NEVER_FAILED]
    return np.unique(
        np.concatenate([[0], fit.cell_left + 1, evidence.stable_steps + 1, failed]).astype(np.int64)
    )


def deepest_start(band: SccpBand, stable_share: float) -> DeepestStart | NoStart:
    """The deepest depth that has, with every shallower one, a lower bound of `stable_share`.

    Below 29 known units no depth has a bound of 0.90 at confidence 0.95, as 0.05 ** (1 / 28) is
    0.8985.

    Raises
    ------
    ValueError
        When `stable_share` is not inside (0, 1).

    >>> from kbapi.stats.estimate.npmle import fit_npmle
    >>> pool = GroupedIntervals(np.array([4, 9]), np.array([5, 10]), np.array([10.0, 90.0]))
    >>> band = sccp_lower_bound(pool, fit_npmle(pool), 0.95)
    >>> deepest_start(band, 0.90).steps, deepest_start(band, 0.80).steps
    (4, 9)
    >>> deepest_start(band, 0.99)
    NoStart(stable_share=0.99, lower=0.9704869503929601, known_weight=100.0, confidence=0.95)
    """
    if not 0 < stable_share < 1:
        raise ValueError("a stable share lies between 0 and 1")
    # The share of the last run is 0, so one run fails at the latest there.
    failing = int(np.argmax(band.lower < stable_share))
    steps = int(band.depths[failing]) - 1
    run = max(failing - 1, 0) if steps > 0 else _run_of(band, 1)
    lower, known = float(band.lower[run]), float(band.known_weight[run])
    if steps <= 0:
        return NoStart(stable_share, lower, known, band.confidence)
    return DeepestStart(steps, stable_share, lower, known, band.confidence)


def _run_of(band: SccpBand, depth: int) -> int:
    return int(np.searchsorted(band.depths, depth, side="right")) - 1
