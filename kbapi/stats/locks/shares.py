"""Shares with intervals, and how much more often one group shows an outcome."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.intervals import frozen_array

Vector = NDArray[np.float64]

# In imagined units: half a unit is hardly a prior, a hundred is near certainty.
_STRENGTHS: Final = np.geomspace(0.5, 100.0, 47)
UNRELATED_STRENGTH: Final = 1.0
"""Strength of the even prior of a chip without related ones: one imagined unit in all."""
_FEWEST_CHIPS: Final = 2


@dataclass(frozen=True, slots=True)
class SharePrior:
    """What related chips make one expect: shares summing to one, worth `strength` units."""

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
    borrowed : weight of the prior, in imagined units
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
        likeliest. A single chip says nothing of that spread and gets strength 1.

    References
    ----------
    Mosimann (1962), Biometrika 49:65-82 (Dirichlet-multinomial likelihood), the strength
    maximised on a grid from 0.5 to 100 imagined units.

    >>> alike = np.array([[40.0, 10.0], [42.0, 8.0], [39.0, 11.0]])
    >>> apart = np.array([[50.0, 0.0], [2.0, 48.0], [49.0, 1.0]])
    >>> fit_share_prior(alike).strength > 50 > 2 > fit_share_prior(apart).strength
    True
    """
    told = counts[counts.sum(axis=1) > 0]
    if len(told) == 0:
        return even_prior(counts.shape[1])
    # Half a unit spread evenly keeps an outcome thinkable that no related chip has shown.
    smoothed = told.sum(axis=0) + 0.5 / counts.shape[1]
    centre = smoothed / smoothed.sum()
    if len(told) < _FEWEST_CHIPS:
        return SharePrior(frozen_array(centre), UNRELATED_STRENGTH)
    likelihood = [_log_likelihood(told, strength * centre) for strength in _STRENGTHS]
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
    counts
        Weight of the units by outcome, shape (outcomes,).
    group
        Which outcomes belong to the group, shape (outcomes,).
    prior
        From `fit_share_prior` or `even_prior`.
    confidence
        Two-sided, in (0, 1).

    Raises
    ------
    ValueError
        When the confidence is not inside (0, 1).

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 3.4: a group of outcomes under a
    Dirichlet has a Beta posterior.

    >>> group = np.array([True, False])
    >>> found = estimate_share(np.array([64.0, 15.0]), group, even_prior(2), 0.95)
    >>> round(found.share, 3), round(found.low, 3), round(found.high, 3)
    (0.806, 0.713, 0.885)
    """
    if not 0 < confidence < 1:
        raise ValueError("a confidence lies between 0 and 1")
    weight = counts + prior.strength * prior.shares
    inside, outside = float(weight[group].sum()), float(weight[~group].sum())
    share = inside / (inside + outside)
    # However sure related chips are, at least Jeffreys' half unit stays on either side: of 43
    # machines that are all locked, up to one in twenty may still be open.
    own_inside, own_outside = float(counts[group].sum()), float(counts[~group].sum())
    inside, outside = max(inside, own_inside + 0.5), max(outside, own_outside + 0.5)
    tail = (1.0 - confidence) / 2.0
    return ShareEstimate(
        share=share,
        low=min(share, float(scipy.special.betaincinv(inside, outside, tail))),
        high=max(share, float(scipy.special.betaincinv(inside, outside, 1.0 - tail))),
        confidence=confidence,
        units=float(counts.sum()),
        borrowed=prior.strength,
    )


_FAILED: Final = np.array([True, False])
CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Lift:
    """The share that failed with a change and without it, and their ratio.

    Parameters
    ----------
    with_it, without : the shares that failed, with two-sided 95 % intervals
    ratio : how many times more often units failed with it
    at_least : its one-sided lower bound
    """

    with_it: ShareEstimate
    without: ShareEstimate
    ratio: float
    at_least: float


def lift_of(
    failed_with: float,
    kept_with: float,
    failed: float,
    kept: float,
    confidence: float = CONFIDENCE,
) -> Lift:
    """The lift of a change, from the weights of units that failed or kept with and without it.

    `confidence` is that of the lower bound: nearer to 1 where the largest of several is told.

    Raises
    ------
    ValueError
        When a weight is negative.

    References
    ----------
    Walter (1975), Biometrika 62:371-374 (half a unit added to each count makes the logarithm of
    the ratio nearly unbiased); Pettigrew, Gart & Thomas (1986), Biometrika 73:425-435 (its
    variance).

    >>> found = lift_of(12, 12, 8, 72)
    >>> round(found.ratio, 2), round(found.at_least, 2)
    (4.83, 2.59)
    """
    if min(failed_with, kept_with, failed, kept) < 0:
        raise ValueError("weights of units are never negative")
    log_with, variance_with = _log_share(failed_with, failed_with + kept_with)
    log_without, variance_without = _log_share(failed, failed + kept)
    ratio = log_with - log_without
    error = float(np.sqrt(variance_with + variance_without))
    return Lift(
        with_it=_share(failed_with, kept_with),
        without=_share(failed, kept),
        ratio=float(np.exp(ratio)),
        at_least=float(np.exp(ratio - float(scipy.special.ndtri(confidence)) * error)),
    )


def _share(failed: float, kept: float) -> ShareEstimate:
    return estimate_share(np.array([failed, kept]), _FAILED, even_prior(2), CONFIDENCE)


def _log_share(failed: float, units: float) -> tuple[float, float]:
    return (
        float(np.log((failed + 0.5) / (units + 0.5))),
        1.0 / (failed + 0.5) - 1.0 / (units + 0.5),
    )
