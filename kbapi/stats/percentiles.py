"""How deep given shares of units reach, each with a two-sided interval."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from kbapi.stats.blend import BlendedBound

SHARES: Final = (0.90, 0.75, 0.50, 0.25, 0.10)
TWO_SIDED: Final = 0.90

# Errors from the wanted one down to 1/256 of it, at which an end is tried.
_FRACTIONS: Final = 0.5 ** (np.arange(65) / 8)


@dataclass(frozen=True, slots=True)
class ShareDepth:
    """How deep a share of units reaches, in whole grid steps below stock.

    Parameters
    ----------
    share : of the units, whose limit lies at or beyond the depth
    steps : likeliest depth, within the interval
    shallow, deep : ends of the interval, rounded outward
    shallow_confidence, deep_confidence : the highest at which the same rule still gives this end
    """

    share: float
    steps: int
    shallow: int
    deep: int
    shallow_confidence: float
    deep_confidence: float

    @property
    def confidence(self) -> float:
        """Attained confidence of the interval, two-sided."""
        return self.shallow_confidence + self.deep_confidence - 1.0


def share_depth(bound: BlendedBound, share: float, confidence: float) -> ShareDepth:
    """The depth that a share of units reaches, with an interval.

    Parameters
    ----------
    bound
        Of a fitted pool.
    share
        Of the units, in (0, 1).
    confidence
        One-sided, of each end, in (0, 1).

    References
    ----------
    Meeker, Hahn & Escobar (2017), Statistical Intervals, section 5.2 (quantile intervals from
    order statistics), carried over to interval-censored data by `blend`.

    >>> from kbapi.stats.interval import GroupedIntervals
    >>> from kbapi.stats.pool import fit_pool
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.siblings import Siblings
    >>> pool = GroupedIntervals(np.array([14, 18]), np.array([15, 20]), np.array([40.0, 160.0]))
    >>> deep = share_depth(fit_pool(pool, Siblings(), 5.0, VOLTAGE_OFFSET).bound, 0.75, 0.95)
    >>> deep.shallow, deep.steps, deep.deep
    (14, 18, 19)
    """
    errors = (1.0 - confidence) * _FRACTIONS
    ends = bound.ends(share, errors)
    shallow = np.maximum(np.floor(ends.shallow), 0).astype(int)
    deep = np.maximum(np.ceil(ends.deep), shallow[0]).astype(int)
    # Smaller errors give a wider interval; the last that changes nothing is attained.
    kept_shallow = np.flatnonzero(shallow == shallow[0])[-1]
    kept_deep = np.flatnonzero(deep == deep[0])[-1]
    return ShareDepth(
        share=share,
        steps=int(np.clip(round(ends.middle), shallow[0], deep[0])),
        shallow=int(shallow[0]),
        deep=int(deep[0]),
        shallow_confidence=float(1.0 - errors[kept_shallow]),
        deep_confidence=float(1.0 - errors[kept_deep]),
    )
