"""The stable share over all settings: one band from own units, another from siblings.

Both ends of the own band are Clopper & Pearson's (1934, Biometrika 26:404-413), on the estimate of
Turnbull (1976).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.estimate.bounds import sccp_bound
from kbapi.stats.estimate.siblings import Level, Siblings
from kbapi.stats.estimate.small_sample import MEDIUM
from kbapi.stats.intervals import Grid, GroupedIntervals, frozen_array
from kbapi.stats.scale import PriorScale
from kbapi.stats.start.blend import BlendedBound, LimitPosterior, fit_posterior
from kbapi.stats.start.pool import PoolFit, fit_pool

Vector = NDArray[np.float64]

_NEGLIGIBLE_SHARE: Final = 0.005
# Probability of the distributions that the borrowed share ignores.
_NEGLECTED: Final = 1e-3


@dataclass(frozen=True, slots=True)
class ShareBand:
    """The stable share at each whole step from stock down, with a two-sided band.

    Parameters
    ----------
    share, lower, upper : float64 arrays, shape (d,)
        At depth 0, 1, 2...; shape (0,) without units. None rises with depth. The borrowed share
        is the median of the siblings' predictive distribution.
    units : weight of the units behind it
    """

    share: Vector
    lower: Vector
    upper: Vector
    units: float


@dataclass(frozen=True, slots=True)
class Stability:
    """The stable share by own units and by borrowed ones.

    Parameters
    ----------
    own : model-free, from the chip's own units
    borrowed : of a chip among these siblings, from their units only
    level : whose units are borrowed; `none` without siblings
    confidence : of each band, one-sided at each end
    optimality_gap, converged : certificate of the nonparametric fit; 0 and true without own units
    """

    own: ShareBand
    borrowed: ShareBand
    level: Level
    confidence: float
    optimality_gap: float
    converged: bool


def stability_curve(
    evidence: GroupedIntervals,
    siblings: Siblings,
    grid: Grid,
    scale: PriorScale,
    confidence: float,
) -> Stability:
    """The stable share at every setting with its bands.

    Parameters
    ----------
    evidence
        Distinct intervals of the chip's own units in grid steps; may be empty.
    siblings
        Summaries of the related chips.
    grid, scale
        Steps and prior scale of the control, in its own unit.
    confidence
        One-sided at each end of a band, in (0, 1); ValueError outside.

    >>> from fractions import Fraction
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([1, 3]), np.array([2, 4]), np.array([10.0, 90.0]))
    >>> curve = stability_curve(pool, Siblings(), Grid(Fraction(25)), VOLTAGE_OFFSET, 0.95)
    >>> curve.own.share.tolist(), curve.own.lower.round(3).tolist()
    ([1.0, 1.0, 0.9, 0.9, 0.0], [0.97, 0.97, 0.836, 0.836, 0.0])
    >>> curve.borrowed.share.tolist()
    []
    """
    if not 0 < confidence < 1:
        raise ValueError("a confidence lies between 0 and 1")
    pool = fit_pool(evidence, siblings, float(grid.step), scale)
    return Stability(
        own=_own_band(pool.bound, confidence),
        borrowed=_borrowed_band(pool, float(grid.step), scale, confidence),
        level=pool.prior.level,
        confidence=confidence,
        optimality_gap=pool.optimality_gap,
        converged=pool.converged,
    )


def _own_band(bound: BlendedBound, confidence: float) -> ShareBand:
    known = bound.known
    if len(known.depths) == 0:
        return _NO_BAND
    runs = np.diff(known.depths, append=known.depths[-1] + 1)
    weight = known.known_weight
    # A share never rises with depth. Where fewer units are known the lower bound can be lower than
    # further down; the running minimum keeps it there, and the maximum from the deep end the upper.
    lower = np.minimum.accumulate(sccp_bound(known.least, weight, confidence))
    # The upper bound takes a cell's mass at its right end, as the lower one does at its left.
    stable, failed = weight * known.most + 1.0, weight * (1.0 - known.most)
    upper = np.where(
        failed > 0, scipy.special.betaincinv(stable, np.maximum(failed, 1e-300), confidence), 1.0
    )
    return ShareBand(
        share=frozen_array(np.repeat(known.least, runs)),
        lower=frozen_array(np.repeat(lower, runs)),
        upper=frozen_array(np.repeat(np.maximum.accumulate(upper[::-1])[::-1], runs)),
        units=bound.units,
    )


def _borrowed_band(pool: PoolFit, step: float, scale: PriorScale, confidence: float) -> ShareBand:
    if pool.prior.level is Level.NONE:
        return _NO_BAND
    no_units = GroupedIntervals(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
    limit_posterior = fit_posterior(no_units, step, scale, pool.prior.shapes, 1.0, MEDIUM)
    lower, middle, upper = _quantiles(limit_posterior, (1.0 - confidence, 0.5, confidence))
    seen = slice(int(np.argmax(upper < _NEGLIGIBLE_SHARE)) + 1)
    return ShareBand(
        share=frozen_array(middle[seen]),
        lower=frozen_array(lower[seen]),
        upper=frozen_array(upper[seen]),
        units=pool.prior.borrowed_units,
    )


def _quantiles(limit_posterior: LimitPosterior, levels: tuple[float, ...]) -> list[Vector]:
    """Quantiles of the stable share at each whole depth, one array of shape (d,) a level."""
    weight = limit_posterior.weight
    likely = np.flatnonzero(weight > _NEGLECTED / len(weight))
    shares = limit_posterior.share_at(np.arange(limit_posterior.deepest() + 1))[:, likely]
    order = np.argsort(shares, axis=1)
    ascending = np.take_along_axis(shares, order, axis=1)
    # Rounding must not keep the last of each row below one: every level is reached.
    below = np.cumsum(weight[likely][order], axis=1)
    below[:, -1] = 1.0
    rows = np.arange(len(shares))
    return [ascending[rows, np.argmax(below >= level, axis=1)] for level in levels]


_NO_BAND = ShareBand(
    share=frozen_array(np.zeros(0)),
    lower=frozen_array(np.zeros(0)),
    upper=frozen_array(np.zeros(0)),
    units=0.0,
)
