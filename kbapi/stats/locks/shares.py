"""Shares with intervals, and the ratio of two shares."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.intervals import frozen_array

Vector = NDArray[np.float64]

# In units: half a unit is hardly a prior, a hundred is near certainty.
_STRENGTHS: Final = np.geomspace(0.5, 100.0, 47)
UNRELATED_STRENGTH: Final = 1.0
"""Strength of the even prior of a chip without related ones: one unit in all."""
_FEWEST_CHIPS: Final = 2


@dataclass(frozen=True, slots=True)
class SharePrior:
    """A prior from related chips: shares summing to one, with the weight of `strength` units."""

    shares: Vector
    strength: float


@dataclass(frozen=True, slots=True)
class ShareEstimate:
    """The share of one group of outcomes with its two-sided interval.

    Parameters
    ----------
    share : posterior mean
    low, high : equal-tailed posterior quantiles
    confidence : of the interval, two-sided
    units : weight of the chip's own units
    borrowed : weight of the prior, in units
    """

    share: float
    low: float
    high: float
    confidence: float
    units: float
    borrowed: float


def even_prior(outcomes: int) -> SharePrior:
    """The prior of a chip without related ones.

    >>> even_prior(4).shares.tolist(), even_prior(4).strength
    ([0.25, 0.25, 0.25, 0.25], 1.0)
    """
    return SharePrior(frozen_array(np.full(outcomes, 1.0 / outcomes)), UNRELATED_STRENGTH)


def fit_share_prior(counts: NDArray[np.float64]) -> SharePrior:
    """The prior that related chips give for one more chip among them.

    Parameters
    ----------
    counts
        Weight of the units of each related chip by outcome, shape (chips, outcomes).

    Returns
    -------
    SharePrior
        Centred on the mean share, with the strength under which the chips' spread around it is
        likeliest. A single chip has no spread and gets strength 1.

    References
    ----------
    Mosimann (1962), Biometrika 49:65-82 (Dirichlet-multinomial likelihood), the strength
    maximised on a grid from 0.5 to 100 units.

    >>> alike = np.array([[40.0, 10.0], [42.0, 8.0], [39.0, 11.0]])
    >>> apart = np.array([[50.0, 0.0], [2.0, 48.0], [49.0, 1.0]])
    >>> fit_share_prior(alike).strength > 50 > 2 > fit_share_prior(apart).strength
    True
    """
    counts = counts[counts.sum(axis=1) > 0]
    if len(counts) == 0:
        return even_prior(counts.shape[1])
    # Half a unit spread evenly leaves some chance to outcomes that no related chip has shown.
    smoothed = counts.sum(axis=0) + 0.5 / counts.shape[1]
    centre = smoothed / smoothed.sum()
    if len(counts) < _FEWEST_CHIPS:
        return SharePrior(frozen_array(centre), UNRELATED_STRENGTH)
    likelihood = [_log_likelihood(counts, strength * centre) for strength in _STRENGTHS]
    return SharePrior(frozen_array(centre), float(_STRENGTHS[int(np.argmax(likelihood))]))


def _log_likelihood(counts: NDArray[np.float64], alpha: Vector) -> float:
    """Dirichlet-multinomial log likelihood of the rows, without the multinomial coefficient."""
    total, units = alpha.sum(), counts.sum(axis=1)
    whole = scipy.special.gammaln(total) - scipy.special.gammaln(total + units)
    parts = (scipy.special.gammaln(alpha + counts) - scipy.special.gammaln(alpha)).sum(axis=1)
    return float((whole + parts).sum())


def posterior_shares(counts: Vector, prior: SharePrior) -> Vector:
    """Posterior mean of each outcome's share, summing to one.

    >>> posterior_shares(np.array([8.0, 1.0]), even_prior(2)).tolist()
    [0.85, 0.15]
    """
    weight = counts + prior.strength * prior.shares
    return frozen_array(weight / weight.sum())


def estimate_share(
    counts: Vector, group: NDArray[np.bool_], prior: SharePrior, confidence: float
) -> ShareEstimate:
    """The share of a group of outcomes together, with its interval.

    Parameters
    ----------
    counts, group
        Weight of the units by outcome, and whether it is of the group, shape (outcomes,).
    prior
        From `fit_share_prior` or `even_prior`.
    confidence
        Two-sided, in (0, 1); ValueError outside.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 3.4: a group of outcomes under a
    Dirichlet has a Beta posterior.

    >>> found = estimate_share(np.array([64.0, 15.0]), np.array([True, False]), even_prior(2), 0.95)
    >>> round(found.share, 3), round(found.low, 3), round(found.high, 3)
    (0.806, 0.713, 0.885)
    """
    if not 0 < confidence < 1:
        raise ValueError("a confidence lies between 0 and 1")
    weight = counts + prior.strength * prior.shares
    inside, outside = float(weight[group].sum()), float(weight[~group].sum())
    # However strong the prior, at least Jeffreys' half unit stays on either side: of 43 machines
    # that are all locked, up to one in twenty may still be open.
    least_inside, least_outside = float(counts[group].sum()), float(counts[~group].sum())
    ends = max(inside, least_inside + 0.5), max(outside, least_outside + 0.5)
    share, tail = inside / (inside + outside), (1.0 - confidence) / 2.0
    return ShareEstimate(
        share=share,
        low=min(share, float(scipy.special.betaincinv(*ends, tail))),
        high=max(share, float(scipy.special.betaincinv(*ends, 1.0 - tail))),
        confidence=confidence,
        units=float(counts.sum()),
        borrowed=prior.strength,
    )


_FAILED: Final = np.array([True, False])
CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class RiskRatio:
    """The share that failed with a change and without it, and their ratio.

    Parameters
    ----------
    with_change, without_change : the shares that failed, with two-sided 95 % intervals
    ratio : how many times more often units failed with it
    lower : its one-sided lower bound
    """

    with_change: ShareEstimate
    without_change: ShareEstimate
    ratio: float
    lower: float


def estimate_risk_ratio(
    failed_with: float,
    stable_with: float,
    failed: float,
    stable: float,
    confidence: float = CONFIDENCE,
) -> RiskRatio:
    """The risk ratio of a change, from the weights of units that failed, or not, with and without.

    `confidence` is that of the lower bound: nearer to 1 where the largest of several is reported.

    Raises
    ------
    ValueError
        When a weight is negative.

    References
    ----------
    Walter (1975), Biometrika 62:371-374 (half a unit added to each count makes the logarithm of
    the ratio nearly unbiased); Pettigrew, Gart & Thomas (1986), Biometrika 73:425-435 (its
    variance).

    >>> found = estimate_risk_ratio(12, 12, 8, 72)
    >>> round(found.ratio, 2), round(found.lower, 2)
    (4.83, 2.59)
    """
    if min(failed_with, stable_with, failed, stable) < 0:
        raise ValueError("weights of units are never negative")
    log_with, variance_with = _log_share(failed_with, failed_with + stable_with)
    log_without, variance_without = _log_share(failed, failed + stable)
    ratio = log_with - log_without
    error = float(np.sqrt(variance_with + variance_without))
    return RiskRatio(
        with_change=_share(failed_with, stable_with),
        without_change=_share(failed, stable),
        ratio=float(np.exp(ratio)),
        lower=float(np.exp(ratio - float(scipy.special.ndtri(confidence)) * error)),
    )


def _share(failed: float, stable: float) -> ShareEstimate:
    return estimate_share(np.array([failed, stable]), _FAILED, even_prior(2), CONFIDENCE)


def _log_share(failed: float, units: float) -> tuple[float, float]:
    return (
        float(np.log((failed + 0.5) / (units + 0.5))),
        1.0 / (failed + 0.5) - 1.0 / (units + 0.5),
    )
