"""Bayesian fit of a smallest-extreme-value distribution, for pools too small to speak freely."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals, frozen_array
from kbapi.stats.scale import PriorScale
from kbapi.stats.sev_prior import Prior

_EULER: Final = 0.5772156649015329
_PASSES: Final = 4
_COARSE: Final = (13, 9)
_FINE: Final = (33, 17)
# exp(-12) of the highest density is left outside the box of the fine grid.
_NEGLECTED: Final = 12.0
_TINY: Final = 1e-300
_MANY: Final = 300.0

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SevPosterior:
    """Weighted smallest-extreme-value distributions of the limit.

    The survival is S(t) = exp(-exp((t - location) / spread)), t in the control's unit; a limit in
    whole steps is the last step at or before t.

    Parameters
    ----------
    mean, log_sd, weight : float64 arrays, shape (g,)
        Points of the grid, and their posterior probability, summing to one.
    mean_width : how much of the mean each point stands for
    step : the control's unit a grid step, mV or counts
    """

    mean: Vector
    log_sd: Vector
    weight: Vector
    mean_width: float
    step: float

    def deepest(self) -> int:
        """A depth in whole steps, 1 or more, that practically no unit reaches."""
        location, spread = _location_spread(self.mean, self.log_sd)
        return max(1, int(np.ceil((location + 4.0 * spread).max() / self.step)))

    def expected_mean(self) -> float:
        """Posterior mean of the mean limit, in the control's unit."""
        return float(self.weight @ self.mean)

    def expected_log_sd(self) -> float:
        """Posterior mean of the log standard deviation."""
        return float(self.weight @ self.log_sd)

    def depths_of(self, share: float) -> Vector:
        """The depth in steps, not whole, that this share of units reaches, shape (g,)."""
        location, spread = _location_spread(self.mean, self.log_sd)
        return np.asarray((location + spread * np.log(-np.log(share))) / self.step)

    def depth_at(self, share: float, levels: Vector) -> Vector:
        """Posterior quantiles of the depth in steps that this share of units reaches."""
        depths, half = self.depths_of(share), 0.5 * self.mean_width / self.step
        # A point stands for its cell: its weight is spread evenly over the cell's means, so the
        # distribution function is a sum of ramps and does not jump from point to point.
        corners = np.concatenate([depths - half, depths + half])
        turns = np.concatenate([self.weight, -self.weight]) / (2.0 * half)
        order = np.argsort(corners, kind="stable")
        corners, slopes = corners[order], np.cumsum(turns[order])
        reached = np.concatenate([[0.0], np.cumsum(slopes[:-1] * np.diff(corners))])
        return np.asarray(np.interp(levels, reached, corners))

    def share_at(self, steps: ArrayLike) -> Vector:
        """Stable share at each depth under each distribution, shape (depths, g)."""
        location, spread = _location_spread(self.mean, self.log_sd)
        return _survival(np.atleast_1d(np.asarray(steps)), self.step, location, spread)


def fit_sev(
    evidence: GroupedIntervals, step: float, scale: PriorScale, prior: Prior
) -> SevPosterior:
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

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, sections 4.3 (smallest
    extreme value), 7.2 (likelihood of intervals) and 14.3 (posterior on a grid).

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.sev_prior import VaguePrior
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> fit = fit_sev(pool, 5.0, VOLTAGE_OFFSET, VaguePrior())
    >>> round(fit.expected_mean(), 1), round(float(np.exp(fit.expected_log_sd())), 1)
    (100.2, 6.3)
    """
    likelihood = _SevLikelihood.of(evidence, step)
    box = _Box(scale.mean_low, scale.mean_high, np.log(scale.sd_low), np.log(scale.sd_high))
    for _ in range(_PASSES):
        mean, log_sd = box.points(*_COARSE)
        density = likelihood.log_at(mean, log_sd) + prior.log_density(mean, log_sd, scale)
        inner = box.around(density > density.max() - _NEGLECTED, *_COARSE)
        if inner.area > 0.5 * box.area:
            break
        box = inner
    # Many units leave a bell that fills its box: there the coarse grid is fine enough.
    shape = _FINE if evidence.total_weight < _MANY else _COARSE
    mean, log_sd = box.points(*shape)
    density = likelihood.log_at(mean, log_sd) + prior.log_density(mean, log_sd, scale)
    weight = np.exp(density - density.max())
    return SevPosterior(
        mean=frozen_array(mean),
        log_sd=frozen_array(log_sd),
        weight=frozen_array(weight / weight.sum()),
        mean_width=(box.mean_high - box.mean_low) / shape[0],
        step=step,
    )


@dataclass(frozen=True, slots=True)
class _SevLikelihood:
    """Intervals as pairs of distinct ends, so that each end's survival is computed once."""

    ends: NDArray[np.int64]
    stable: NDArray[np.intp]
    unstable: NDArray[np.intp]
    weight: Vector
    step: float

    @classmethod
    def of(cls, evidence: GroupedIntervals, step: float) -> "_SevLikelihood":
        both = np.concatenate([evidence.stable_steps, evidence.unstable_steps])
        ends, place = np.unique(both, return_inverse=True)
        half = len(evidence.weight)
        return cls(ends, place[:half], place[half:], evidence.weight, step)

    def log_at(self, mean: Vector, log_sd: Vector) -> Vector:
        survival = _survival(self.ends, self.step, *_location_spread(mean, log_sd))
        inside = survival[self.stable] - survival[self.unstable]
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


def _location_spread(mean: Vector, log_sd: Vector) -> tuple[Vector, Vector]:
    """Location and spread: sd = pi / sqrt(6) spread, mean = location - 0.577 spread.

    For mean 100 and sd 20: spread 15.6, location 109.0.
    """
    spread = np.exp(log_sd) * (np.sqrt(6.0) / np.pi)
    return mean + _EULER * spread, spread


def _survival(steps: NDArray[np.int64], step: float, location: Vector, spread: Vector) -> Vector:
    """P(T >= steps), shape (steps, g): one at stock, zero where nobody goes."""
    survival = (steps[:, None] * step - location) / spread
    # In place: these are the largest arrays of an answer.
    np.exp(np.minimum(survival, 50.0, out=survival), out=survival)
    np.exp(np.negative(survival, out=survival), out=survival)
    survival[steps <= 0] = 1.0
    survival[steps >= NEVER_FAILED] = 0.0
    return np.asarray(survival)
