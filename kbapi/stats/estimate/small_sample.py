"""Few results of a chip: shapes of a distribution of limits, prior, posterior.

Each is told by its mean and standard deviation, so that the same belief about both serves all.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, frozen_array
from kbapi.stats.scale import PriorScale

Vector = NDArray[np.float64]

_EULER: Final = 0.5772156649015329
# Standard deviations for one unit of spread of an extreme-value distribution.
_SD: Final = float(np.pi / np.sqrt(6.0))
# Beyond this exponent every share is 0 or 1, and exp would overflow.
_STEEP: Final = 50.0


class Shape(StrEnum):
    """Which way the longer tail of a distribution points."""

    SMALLEST_EXTREME = "smallest_extreme_value"
    NORMAL = "normal"
    LARGEST_EXTREME = "largest_extreme_value"


FARTHEST: Final = {
    Shape.SMALLEST_EXTREME: 4.0,
    Shape.NORMAL: 5.0,
    Shape.LARGEST_EXTREME: 8.0,
}
"""Standard deviations beyond the mean that fewer than one unit in 10,000 reaches."""


def survival(shape: Shape, deviations: Vector) -> Vector:
    """The share that lies beyond so many standard deviations from the mean; input overwritten.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, sections 4.5 (normal), 4.6
    (smallest extreme value) and 4.7 (largest): S(u) = exp(-exp(u)), 1 - Phi(z) and
    1 - exp(-exp(-u)), where z = 0.780 (u + 0.577) and 0.780 (u - 0.577 mirrored) have mean 0.

    >>> [round(float(survival(shape, np.zeros(1))[0]), 4) for shape in Shape]
    [0.5704, 0.5, 0.4296]
    """
    if shape is Shape.NORMAL:
        np.negative(deviations, out=deviations)
        return np.asarray(scipy.special.ndtr(deviations, out=deviations))
    # In place: these are the largest arrays of an answer.
    sign = 1.0 if shape is Shape.SMALLEST_EXTREME else -1.0
    deviations *= sign * _SD
    deviations -= _EULER
    np.exp(np.minimum(deviations, _STEEP, out=deviations), out=deviations)
    np.negative(deviations, out=deviations)
    if shape is Shape.SMALLEST_EXTREME:
        return np.asarray(np.exp(deviations, out=deviations))
    return np.asarray(np.negative(np.expm1(deviations, out=deviations), out=deviations))


def deviations_at(shape: Shape, share: float) -> float:
    """Standard deviations from the mean to the depth that the share reaches.

    >>> [round(deviations_at(shape, 0.90), 3) for shape in Shape]
    [-1.305, -1.282, -1.1]
    """
    if shape is Shape.NORMAL:
        return float(-scipy.special.ndtri(share))
    if shape is Shape.SMALLEST_EXTREME:
        return float((np.log(-np.log(share)) + _EULER) / _SD)
    return float((-np.log(-np.log1p(-share)) - _EULER) / _SD)


Grid2 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bell:
    """A normal distribution, cut to the thinkable range."""

    centre: float
    sd: float

    def log_density(self, values: Grid2, low: float, high: float) -> Grid2:
        """Log density on [low, high], where all of it lies.

        >>> np.exp(Bell(0.0, 1.0).log_density(np.zeros(1), -9.0, 9.0)).round(4).tolist()
        [0.3989]
        """
        inside = scipy.special.ndtr((high - self.centre) / self.sd) - scipy.special.ndtr(
            (low - self.centre) / self.sd
        )
        peak = -np.log(self.sd * np.sqrt(2 * np.pi) * max(float(inside), 1e-12))
        return np.asarray(peak - 0.5 * ((values - self.centre) / self.sd) ** 2)


@dataclass(frozen=True, slots=True)
class VaguePrior:
    """Every thinkable mean and log standard deviation is as likely as any other."""

    def log_density(self, mean: Grid2, log_sd: Grid2, scale: PriorScale) -> Grid2:
        """Log density over (mean, log sd), shape of `mean`."""
        area = (scale.mean_high - scale.mean_low) * np.log(scale.sd_high / scale.sd_low)
        return np.full(mean.shape, -np.log(area))


@dataclass(frozen=True, slots=True)
class MixedPrior:
    """A bell in mean and in log standard deviation, mixed with a share of vague mass."""

    mean: Bell
    log_sd: Bell
    vague_mass: float

    def log_density(self, mean: Grid2, log_sd: Grid2, scale: PriorScale) -> Grid2:
        """Log density over (mean, log sd), shape of `mean`."""
        # One of the two masses may be nothing, then only the other speaks.
        with np.errstate(divide="ignore"):
            informed_mass, vague_mass = np.log1p(-self.vague_mass), np.log(self.vague_mass)
        bell = self.mean.log_density(mean, scale.mean_low, scale.mean_high)
        bell += self.log_sd.log_density(log_sd, np.log(scale.sd_low), np.log(scale.sd_high))
        vague = VaguePrior().log_density(mean, log_sd, scale)
        return np.asarray(np.logaddexp(informed_mass + bell, vague_mass + vague))


Prior = VaguePrior | MixedPrior


@dataclass(frozen=True, slots=True)
class ShapePrior:
    """What is believed of a shape: its probability, and mean and spread if it is the true one."""

    shape: Shape
    chance: float
    prior: Prior


NO_POSTERIOR: Final = (ShapePrior(Shape.SMALLEST_EXTREME, 1.0, VaguePrior()),)
"""Nothing known: a long weak tail is taken for granted, the cautious one of the shapes."""


_PASSES: Final = 4
FINE: Final = (33, 17)
"""Means by log standard deviations of the grid: for quantiles."""
MEDIUM: Final = (17, 9)
COARSE: Final = (13, 9)
"""Enough for expectations: over a bell that fills its box midpoint sums are nearly exact."""
# exp(-12) of the highest density is left outside the box of the fine grid.
_NEGLECTED: Final = 12.0
_TINY: Final = 1e-300
_MANY: Final = 300.0


@dataclass(frozen=True, slots=True)
class ShapePosterior:
    """Weighted distributions of the limit, all of one shape.

    A limit in whole steps is the last step at or before a draw.

    Parameters
    ----------
    mean, log_sd, weight : float64 arrays, shape (g,)
        Points of the grid, in the control's unit, and their probability, summing to one.
    mean_width : how much of the mean each point stands for
    step : the control's unit a grid step, mV or counts
    shape : of the distributions
    log_evidence : log probability of the evidence, prior and shape given
    """

    mean: Vector
    log_sd: Vector
    weight: Vector
    mean_width: float
    step: float
    shape: Shape = Shape.SMALLEST_EXTREME
    log_evidence: float = 0.0

    def deepest(self) -> int:
        """A depth in whole steps, 1 or more, that practically no unit reaches."""
        reach = (self.mean + FARTHEST[self.shape] * np.exp(self.log_sd)).max()
        return max(1, int(np.ceil(reach / self.step)))

    def expected_mean(self) -> float:
        """Posterior mean of the mean limit, in the control's unit."""
        return float(self.weight @ self.mean)

    def sd_of_mean(self) -> float:
        """Posterior standard deviation of the mean limit, in the control's unit."""
        off = self.mean - self.expected_mean()
        return float(np.sqrt(self.weight @ off**2))

    def expected_log_sd(self) -> float:
        """Posterior mean of the log standard deviation."""
        return float(self.weight @ self.log_sd)

    def depths_of(self, share: float) -> Vector:
        """The depth in steps, not whole, that this share of units reaches, shape (g,)."""
        off = deviations_at(self.shape, share)
        return np.asarray((self.mean + off * np.exp(self.log_sd)) / self.step)

    def share_at(self, steps: ArrayLike) -> Vector:
        """Stable share at each depth under each distribution, shape (depths, g)."""
        ends = np.atleast_1d(np.asarray(steps))
        return _stable_share(ends, self.step, self.shape, self.mean, np.exp(self.log_sd))


def fit_sev(
    evidence: GroupedIntervals,
    step: float,
    scale: PriorScale,
    prior: Prior,
    cells: tuple[int, int] = FINE,
) -> ShapePosterior:
    """`fit_shape` for the smallest extreme value: the shape with the long weak tail.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.estimate.small_sample import VaguePrior
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> fit = fit_sev(pool, 5.0, VOLTAGE_OFFSET, VaguePrior())
    >>> round(fit.expected_mean(), 1), round(float(np.exp(fit.expected_log_sd())), 1)
    (100.2, 6.3)
    """
    return fit_shape(evidence, step, scale, prior, Shape.SMALLEST_EXTREME, cells=cells)


def fit_shape(
    evidence: GroupedIntervals,
    step: float,
    scale: PriorScale,
    prior: Prior,
    shape: Shape,
    trust: float = 1.0,
    cells: tuple[int, int] = FINE,
    contamination: float = 0.0,
) -> ShapePosterior:
    """The posterior over mean and log standard deviation, on a grid fitted to where it lies.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps; may be empty, then the prior comes back.
    step
        The control's unit a grid step, mV or counts.
    scale
        The box of thinkable means and standard deviations.
    prior
        Density over the box.
    shape
        Of the distribution of limits.
    trust
        Power of the likelihood, in (0, 1]: less than one where the shape is only nearly right.
    cells
        Of the grid, means by log standard deviations.
    contamination
        Share of reports, in [0, 1), that may lie anywhere down to the deepest thinkable mean.

    References
    ----------
    Box & Tiao (1968), Biometrika 55:119-129, section 2 (a few observations of another source as a
    mixture with a wide density); Meeker & Escobar (1998), Statistical Methods for Reliability Data,
    sections 7.2 (likelihood of intervals) and 14.3 (posterior on a grid); Miller & Dunson (2019),
    J. Am. Statist. Ass. 114:1113-1125, equation 2.3 (power of the likelihood).

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.estimate.small_sample import VaguePrior
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> fit = fit_shape(pool, 5.0, VOLTAGE_OFFSET, VaguePrior(), Shape.NORMAL, 0.5)
    >>> round(fit.expected_mean(), 1), round(fit.sd_of_mean(), 1)
    (100.4, 1.9)
    """
    anywhere = _Anywhere(contamination, scale.mean_high / step)
    likelihood = _ShapeLikelihood.of(evidence, step, shape, trust, anywhere)
    box = _Box(scale.mean_low, scale.mean_high, np.log(scale.sd_low), np.log(scale.sd_high))
    for _ in range(_PASSES):
        mean, log_sd = box.points(*COARSE)
        density = likelihood.log_at(mean, log_sd) + prior.log_density(mean, log_sd, scale)
        inner = box.around(density > density.max() - _NEGLECTED, *COARSE)
        if inner.area > 0.5 * box.area:
            break
        box = inner
    # Many units leave a bell that fills its box: there the coarse grid is fine enough.
    cells = cells if evidence.total_weight < _MANY else COARSE
    mean, log_sd = box.points(*cells)
    density = likelihood.log_at(mean, log_sd) + prior.log_density(mean, log_sd, scale)
    highest = density.max()
    weight = np.exp(density - highest)
    cell_area = box.area / (cells[0] * cells[1])
    return ShapePosterior(
        mean=frozen_array(mean),
        log_sd=frozen_array(log_sd),
        weight=frozen_array(weight / weight.sum()),
        mean_width=(box.mean_high - box.mean_low) / cells[0],
        step=step,
        shape=shape,
        log_evidence=float(highest + np.log(weight.sum() * cell_area)),
    )


@dataclass(frozen=True, slots=True)
class _Anywhere:
    """Reports that need not be of the shape: their share, spread evenly down to a depth."""

    share: float
    deepest_steps: float

    def chance(self, evidence: GroupedIntervals) -> Vector:
        """Chance of each interval to be met as one of them, shape (k, 1)."""
        low = np.minimum(evidence.stable_steps, self.deepest_steps)
        high = np.minimum(evidence.unstable_steps, self.deepest_steps)
        return np.asarray(self.share * (high - low) / self.deepest_steps)[:, None]


@dataclass(frozen=True, slots=True)
class _ShapeLikelihood:
    """Intervals as pairs of distinct ends, so that each end's survival is computed once."""

    ends: NDArray[np.int64]
    stable: NDArray[np.intp]
    unstable: NDArray[np.intp]
    weight: Vector
    step: float
    shape: Shape
    of_the_shape: float
    astray: Vector

    @classmethod
    def of(
        cls,
        evidence: GroupedIntervals,
        step: float,
        shape: Shape,
        trust: float,
        anywhere: _Anywhere,
    ) -> "_ShapeLikelihood":
        both = np.concatenate([evidence.stable_steps, evidence.unstable_steps])
        ends, place = np.unique(both, return_inverse=True)
        half = len(evidence.weight)
        return cls(
            ends=ends,
            stable=place[:half],
            unstable=place[half:],
            weight=trust * evidence.weight,
            step=step,
            shape=shape,
            of_the_shape=1.0 - anywhere.share,
            astray=anywhere.chance(evidence),
        )

    def log_at(self, mean: Vector, log_sd: Vector) -> Vector:
        share = _stable_share(self.ends, self.step, self.shape, mean, np.exp(log_sd))
        inside = share[self.stable] - share[self.unstable]
        inside *= self.of_the_shape
        inside += self.astray
        np.log(np.maximum(inside, _TINY, out=inside), out=inside)
        return np.asarray(self.weight @ inside)


@dataclass(frozen=True, slots=True)
class _Box:
    """A rectangle of (mean, log sd), cut into cells whose midpoints stand for them."""

    mean_low: float
    mean_high: float
    log_sd_low: float
    log_sd_high: float

    @property
    def area(self) -> float:
        return (self.mean_high - self.mean_low) * (self.log_sd_high - self.log_sd_low)

    def points(self, means: int, log_sds: int) -> tuple[Vector, Vector]:
        across = self.mean_low + (np.arange(means) + 0.5) / means * (self.mean_high - self.mean_low)
        up = self.log_sd_low + (np.arange(log_sds) + 0.5) / log_sds * (
            self.log_sd_high - self.log_sd_low
        )
        return np.repeat(across, log_sds), np.tile(up, means)

    def around(self, kept: NDArray[np.bool_], means: int, log_sds: int) -> "_Box":
        """The smallest box around the kept cells and their neighbours."""
        table = kept.reshape(means, log_sds)
        first, last = _span(np.logical_or.reduce(table, axis=1))
        low, high = _span(np.logical_or.reduce(table, axis=0))
        wide = (self.mean_high - self.mean_low) / means
        tall = (self.log_sd_high - self.log_sd_low) / log_sds
        return _Box(
            self.mean_low + first * wide,
            self.mean_low + last * wide,
            self.log_sd_low + low * tall,
            self.log_sd_low + high * tall,
        )


def _span(kept: NDArray[np.bool_]) -> tuple[int, int]:
    """First and past-the-last index of the kept places with one neighbour on either side."""
    places = np.flatnonzero(kept)
    return max(int(places[0]) - 1, 0), min(int(places[-1]) + 2, len(kept))


def _stable_share(
    steps: NDArray[np.int64], step: float, shape: Shape, mean: Vector, sd: Vector
) -> Vector:
    """P(T >= steps), shape (steps, g): one at stock, zero where nobody goes."""
    share = survival(shape, (steps[:, None] * step - mean) / sd)
    share[steps <= 0] = 1.0
    share[steps >= NEVER_FAILED] = 0.0
    return share
