"""How many times more often units fail after a change than without it."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy

from kbapi.stats.shares import ShareEstimate, estimate_share, even_prior

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
