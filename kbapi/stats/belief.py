"""What is believed of a pool's limits: several shapes, each with its posterior and its chance."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kbapi.stats.interval import GroupedIntervals
from kbapi.stats.limit_prior import ShapePrior
from kbapi.stats.scale import PriorScale
from kbapi.stats.small_sample import FINE, ShapePosterior, fit_shape

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LimitBelief:
    """Distributions of the limit of several shapes, weighted.

    Parameters
    ----------
    parts : posteriors, one a shape
    chances : float64 array, shape (parts,)
        Posterior probability of each shape, summing to one.
    """

    parts: tuple[ShapePosterior, ...]
    chances: Vector

    @property
    def weight(self) -> Vector:
        """Probability of each distribution, of all shapes, shape (g,), summing to one."""
        pairs = zip(self.parts, self.chances, strict=True)
        return np.concatenate([part.weight * chance for part, chance in pairs])

    def deepest(self) -> int:
        """A depth in whole steps, 1 or more, that practically no unit reaches."""
        return max(part.deepest() for part in self.parts)

    def share_at(self, steps: ArrayLike) -> Vector:
        """Stable share at each depth under each distribution, shape (depths, g)."""
        return np.concatenate([part.share_at(steps) for part in self.parts], axis=1)

    def depth_at(self, share: float, levels: Vector) -> Vector:
        """Posterior quantiles of the depth in steps that this share of units reaches.

        A point of a grid stands for its cell: its weight is spread evenly over the cell's means,
        so the distribution function is a sum of ramps and does not jump from point to point.
        """
        corners, turns = [], []
        for part, chance in zip(self.parts, self.chances, strict=True):
            depths, half = part.depths_of(share), 0.5 * part.mean_width / part.step
            slope = part.weight * (chance / (2.0 * half))
            corners += [depths - half, depths + half]
            turns += [slope, -slope]
        places = np.concatenate(corners)
        order = np.argsort(places, kind="stable")
        places, slopes = places[order], np.cumsum(np.concatenate(turns)[order])
        reached = np.concatenate([[0.0], np.cumsum(slopes[:-1] * np.diff(places))])
        return np.asarray(np.interp(levels, reached, places))


def fit_belief(
    evidence: GroupedIntervals,
    step: float,
    scale: PriorScale,
    priors: Sequence[ShapePrior],
    trust: float,
    cells: tuple[int, int] = FINE,
    strays: float = 0.0,
) -> LimitBelief:
    """Each shape's posterior, and how likely the evidence makes the shape.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps; may be empty, then the prior comes back.
    step
        The control's unit a grid step, mV or counts.
    scale
        The box of thinkable means and standard deviations.
    priors
        What is believed before, with chances that sum to one.
    trust, strays
        Power of the likelihood, and share of reports that need not be of the shape: `fit_shape`.
    cells
        Of each shape's grid.

    References
    ----------
    Hoeting, Madigan, Raftery & Volinsky (1999), Statist. Sci. 14:382-401, equations 1 to 3
    (Bayesian model averaging).

    >>> from kbapi.stats.limit_prior import ShapePrior, VaguePrior
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.shapes import Shape
    >>> pool = GroupedIntervals(np.array([10, 18]), np.array([11, 19]), np.array([10.0, 90.0]))
    >>> priors = [ShapePrior(shape, 1 / 3, VaguePrior()) for shape in Shape]
    >>> fit_belief(pool, 5.0, VOLTAGE_OFFSET, priors, 1.0).chances.round(3).tolist()
    [1.0, 0.0, 0.0]
    """
    parts = tuple(
        fit_shape(evidence, step, scale, believed.prior, believed.shape, trust, cells, strays)
        for believed in priors
    )
    log_chances = np.array([part.log_evidence for part in parts])
    log_chances += np.log([believed.chance for believed in priors])
    chances = np.exp(log_chances - log_chances.max())
    return LimitBelief(parts, chances / chances.sum())
