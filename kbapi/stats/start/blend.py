"""The model-free bound and the small-sample posterior, combined.

The model-free bound needs 29 units, and is a little too sure just above that. The posterior is
right for few units, but wrong for many where the true distribution has another shape. The weight
between them moves with n, so that no single report makes the answer jump.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from kbapi.stats.estimate.npmle import StableShareFit
from kbapi.stats.estimate.small_sample import (
    FINE,
    Contamination,
    FormPosterior,
    ShapePosterior,
    ShapePrior,
    fit_shape,
    log_chance,
)
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, frozen_array, known_weight_at
from kbapi.stats.scale import PriorScale

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LimitPosterior:
    """Distributions of the limit of several shapes, weighted.

    Parameters
    ----------
    parts : posteriors, one a shape, or one of all forms
    chances : float64 array, shape (parts,)
        Posterior probability of each part, summing to one.
    """

    parts: tuple[ShapePosterior | FormPosterior, ...]
    chances: Vector

    @property
    def weight(self) -> Vector:
        """Probability of each distribution, of all shapes, shape (g,), summing to one."""
        pairs = zip(self.parts, self.chances, strict=True)
        return np.concatenate([part.weight * chance for part, chance in pairs])

    def with_first_chance(self, chance: float) -> "LimitPosterior":
        """The same parts, the first with this chance and the others in their proportion."""
        others = self.chances[1:] * ((1.0 - chance) / self.chances[1:].sum())
        return LimitPosterior(self.parts, np.concatenate([[chance], others]))

    def without(
        self, gone: GroupedIntervals, trust: float, contamination: Contamination
    ) -> "LimitPosterior":
        """The posterior without these of its intervals, on the grid that it is on.

        References
        ----------
        Gelfand, Dey & Chang (1992), Bayesian Statistics 4:147-167, section 3 (a case is deleted by
        weights that are the inverse of its likelihood).
        """
        if len(gone.weight) == 0:
            return self
        found = [log_chance(part, gone, trust, contamination) for part in self.parts]
        least = min(float(one.min()) for one in found)
        weights = [
            part.weight * np.exp(least - one) for part, one in zip(self.parts, found, strict=True)
        ]
        totals = np.array([weight.sum() for weight in weights])
        pairs = zip(self.parts, weights, totals, strict=True)
        parts = tuple(part.reweighted(weight / total) for part, weight, total in pairs)
        chances = self.chances * totals
        return LimitPosterior(parts, chances / chances.sum())

    def deepest(self) -> int:
        """A depth in whole steps, 1 or more, that practically no unit reaches."""
        return max(part.deepest() for part in self.parts)

    def share_at(self, steps: ArrayLike) -> Vector:
        """Stable share at each depth under each distribution, shape (depths, g)."""
        return np.concatenate([part.share_at(steps) for part in self.parts], axis=1)

    def expected_share_at(self, steps: ArrayLike) -> Vector:
        """Posterior mean of the stable share at each depth, shape (depths,)."""
        expected = [part.expected_share_at(steps) for part in self.parts]
        return np.asarray(self.chances @ np.stack(expected))

    def depth_at(self, share: float, levels: Vector) -> Vector:
        """Posterior quantiles of the depth in steps that this share of units reaches.

        The weight of each grid point is spread evenly over the means of its cell,
        so the distribution function is a sum of ramps and does not jump from point to point.
        """
        corners, turns = [], []
        for part, chance in zip(self.parts, self.chances, strict=True):
            half = 0.5 * part.mean_width / part.step
            depths, weight = _merged(part.depths_of(share), part.weight, half / _MERGED)
            slope = weight * (chance / (2.0 * half))
            corners += [depths - half, depths + half]
            turns += [slope, -slope]
        places = np.concatenate(corners)
        order = np.argsort(places, kind="stable")
        places, slopes = places[order], np.cumsum(np.concatenate(turns)[order])
        reached = np.concatenate([[0.0], np.cumsum(slopes[:-1] * np.diff(places))])
        return np.asarray(np.interp(levels, reached, places))


# Depths within a 32nd of half a cell are as one.
_MERGED: Final = 32.0


def _merged(depths: Vector, weight: Vector, width: float) -> tuple[Vector, Vector]:
    """The same mass at fewer depths: that within a width lies at its mean."""
    place = np.floor(depths / width).astype(np.int64)
    place -= place.min()
    total = np.bincount(place, weight)
    kept = total > 0.0
    mean = np.bincount(place, weight * depths)[kept] / total[kept]
    return mean, np.asarray(total[kept], dtype=np.float64)


def fit_posterior(
    evidence: GroupedIntervals,
    step: float,
    scale: PriorScale,
    priors: Sequence[ShapePrior],
    trust: float,
    cells: tuple[int, int] = FINE,
    contamination: float = 0.0,
) -> LimitPosterior:
    """Each shape's posterior, and how likely the evidence makes the shape.

    Parameters
    ----------
    evidence, step, scale, trust, cells, contamination
        As for `fit_shape`; without evidence the prior comes back.
    priors
        One a shape, with chances that sum to one.

    References
    ----------
    Hoeting, Madigan, Raftery & Volinsky (1999), Statist. Sci. 14:382-401, equations 1 to 3
    (Bayesian model averaging).

    >>> from kbapi.stats.estimate.small_sample import ShapePrior, VaguePrior
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.estimate.small_sample import Shape
    >>> pool = GroupedIntervals(np.array([10, 18]), np.array([11, 19]), np.array([10.0, 90.0]))
    >>> priors = [ShapePrior(shape, 1 / 3, VaguePrior()) for shape in Shape]
    >>> fit_posterior(pool, 5.0, VOLTAGE_OFFSET, priors, 1.0).chances.round(3).tolist()
    [1.0, 0.0, 0.0]
    """
    parts = tuple(
        fit_shape(evidence, step, scale, one.prior, one.shape, trust, cells, contamination)
        for one in priors
    )
    log_chances = np.array([part.log_evidence for part in parts])
    log_chances += np.log([one.chance for one in priors])
    chances = np.exp(log_chances - log_chances.max())
    return LimitPosterior(parts, chances / chances.sum())


ALONE: Final = (30.0, 100.0)
"""Units from which the model-free bound has weight, and from which it has all of it."""
BESIDE_SIBLINGS: Final = (60.0, 200.0)
"""The same beside siblings: with a full weight from 100 units on, 50 more units cost depth."""
# Of the variance by straddling units; and the share of a sum that is rounding.
_INFLATION: Final = 0.6
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class KnownShare:
    """The stable share between its envelopes, and the weight behind it, on runs of depths.

    Parameters
    ----------
    depths : int64 array, shape (r,)
        Shallowest depth of each run, ascending from 0.
    least, most : float64 arrays, shape (r,)
        The share with a cell's mass at its left end, and at its right end.
    known_weight, straddling_weight : float64 arrays, shape (r,)
        Units whose status is known, and units that failed deeper but last passed shallower.
    """

    depths: NDArray[np.int64]
    least: Vector
    most: Vector
    known_weight: Vector
    straddling_weight: Vector


def known_share(
    reported: GroupedIntervals, placed: GroupedIntervals, fit: StableShareFit
) -> KnownShare:
    """The runs of depths on which nothing changes, with the share and the weight behind it.

    Parameters
    ----------
    reported
        Distinct intervals in grid steps, as they were reported.
    placed
        The same with first failures placed on single steps (`spread_first_failures`).
    fit
        `fit_npmle` of the placed ones.

    >>> from kbapi.stats.estimate.npmle import fit_npmle
    >>> pool = GroupedIntervals(np.array([4, 9]), np.array([6, 12]), np.array([1.0, 3.0]))
    >>> runs = known_share(pool, pool, fit_npmle(pool))
    >>> runs.depths.tolist(), runs.least.tolist(), runs.most.tolist()
    ([0, 5, 6, 10, 12], [1.0, 0.75, 0.75, 0.0, 0.0], [1.0, 1.0, 0.75, 0.75, 0.0])
    >>> runs.known_weight.tolist(), runs.straddling_weight.tolist()
    ([4.0, 3.0, 4.0, 1.0, 4.0], [0.0, 1.0, 0.0, 3.0, 0.0])
    """
    failed = placed.unstable_steps[placed.unstable_steps < NEVER_FAILED]
    depths = np.unique(np.concatenate([[0], placed.stable_steps + 1, failed]).astype(np.int64))
    return KnownShare(
        depths=frozen_array(depths),
        least=frozen_array(fit.share_at(depths)),
        most=frozen_array(fit.most_at(depths)),
        known_weight=frozen_array(known_weight_at(placed, depths)),
        straddling_weight=frozen_array(_straddling_weight_at(reported, depths)),
    )


def _straddling_weight_at(evidence: GroupedIntervals, depths: NDArray[np.int64]) -> Vector:
    """Weight of the units that passed before each depth and failed beyond it, shape (r,)."""
    has_failed = evidence.unstable_steps < NEVER_FAILED
    failed = GroupedIntervals(
        evidence.stable_steps[has_failed],
        evidence.unstable_steps[has_failed],
        evidence.weight[has_failed],
    )
    straddling = failed.total_weight - known_weight_at(failed, depths)
    # Below rounding it is none.
    straddling[straddling < _ROUNDING * failed.total_weight] = 0.0
    return np.asarray(straddling)


@dataclass(frozen=True, slots=True)
class DepthEnds:
    """The shallow and the deep bound of a depth at each error, and the likeliest depth.

    All are in grid steps and may be fractions. `shallow` and `deep` are float64 arrays of shape
    (k,).
    """

    shallow: Vector
    deep: Vector
    middle: float


@dataclass(frozen=True, slots=True)
class BlendedBound:
    """Bounds of the depth that a share of units reaches, from a posterior and a known share.

    With many units the posterior hardly ever counts, and it costs most of a fit: `posterior_of`
    computes it when it is first wanted.
    """

    posterior_of: Callable[[], LimitPosterior]
    known: KnownShare
    units: float
    handover: tuple[float, float] = ALONE

    @property
    def posterior(self) -> LimitPosterior:
        """What the shapes say of the limit."""
        return self.posterior_of()

    @property
    def model_free_weight(self) -> float:
        """Weight of the model-free bound: alone 0 to 30 units, 1 from 100, 0.5 at 65.

        The same for every share and confidence, so that a larger share never gives a deeper
        start. A weight that grows later for larger shares covered 0.68 instead of 0.95 at a
        share of 0.99 with 300 units on a long weak tail.
        """
        return float(np.interp(self.units, self.handover, [0.0, 1.0]))

    def ends(self, share: float, errors: Vector) -> DepthEnds:
        """How deep the share reaches, with both ends for each one-sided error, shape (k,)."""
        weight = self.model_free_weight
        if weight == 0.0:
            return self._modelled(share, errors)
        shallow = self._model_free_shallow(share, errors)
        deep, middle = self._model_free_deep(share, errors), self._model_free_middle(share)
        if weight < 1.0 or np.isinf(deep).any():
            modelled = self._modelled(share, errors)
            # Too few failures to bound the depth: the deepest seen, or the posterior beyond it.
            deep = np.where(np.isinf(deep), np.maximum(modelled.deep, self.known.depths[-1]), deep)
            shallow = _mixed(modelled.shallow, shallow, weight)
            deep = _mixed(modelled.deep, deep, weight)
            middle = (1.0 - weight) * modelled.middle + weight * middle
        return DepthEnds(shallow, deep, middle)

    def expected_share(self, steps: float) -> float:
        """The expected share of units that are stable at a depth, which need not be whole.

        The mean of the posterior, and halfway between the envelopes of the nonparametric share,
        mixed by the same weight as the ends.
        """
        weight, share = self.model_free_weight, 0.0
        if weight < 1.0:
            share = (1.0 - weight) * float(self.posterior.expected_share_at(steps)[0])
        if weight > 0.0:
            whole = np.floor(steps) + np.arange(2)
            run = np.maximum(np.searchsorted(self.known.depths, whole, side="right") - 1, 0)
            middle = (self.known.least[run] + self.known.most[run]) / 2.0
            share += weight * float(np.interp(steps, whole, middle))
        return share

    def _modelled(self, share: float, errors: Vector) -> DepthEnds:
        levels = np.concatenate([errors, 1.0 - errors, [0.5]])
        depths = self.posterior.depth_at(share, levels)
        shallow, deep, middle = np.split(depths, [len(errors), 2 * len(errors)])
        return DepthEnds(shallow, deep, float(middle[0]))

    def _model_free_shallow(self, share: float, errors: Vector) -> Vector:
        """The deepest depth that has, with every shallower one, a lower bound of the share."""
        weight = _effective_weight(self.known, share)
        stable, failed = weight * self.known.least, weight * (1.0 - self.known.least)
        # The lower bound reaches the share where this chance is within the error.
        chance = np.where(
            stable > 0, scipy.special.betainc(np.maximum(stable, 1e-300), failed + 1.0, share), 1.0
        )
        failing = np.searchsorted(np.maximum.accumulate(chance), errors, side="right")
        return np.asarray(np.maximum(self.known.depths[failing] - 1.0, 0.0))

    def _model_free_deep(self, share: float, errors: Vector) -> Vector:
        """The deepest depth with an upper bound of the share; inf where none falls below it."""
        weight = _effective_weight(self.known, share)
        stable, failed = weight * self.known.most, weight * (1.0 - self.known.most)
        chance = np.where(
            failed > 0,
            1.0 - scipy.special.betainc(stable + 1.0, np.maximum(failed, 1e-300), share),
            1.0,
        )
        # From the deep end: the first run whose upper bound still reaches the share.
        beyond = np.maximum.accumulate(chance[::-1])
        last = len(chance) - np.searchsorted(beyond, errors, side="left")
        ends = np.append(self.known.depths, np.inf) - 1.0
        return np.asarray(ends[last])

    def _model_free_middle(self, share: float) -> float:
        """Halfway between the depths at which the two envelopes fall below the share."""
        least, most = self.known.least < share, self.known.most < share
        shallow = self.known.depths[np.argmax(least)] - 1
        deep = self.known.depths[np.argmax(most)] - 1 if most.any() else shallow
        return float((shallow + deep) / 2.0)


def _mixed(posterior: Vector, free: Vector, weight: float) -> Vector:
    return np.asarray((1.0 - weight) * posterior + weight * free)


def _effective_weight(known: KnownShare, share: float) -> Vector:
    """The number of exact limits that would tell the share at each depth as well, shape (r,).

    Where limits are exact it is the known weight n. Where m units straddle a depth, the error of
    the share is no longer binomial but of the cube-root law: its variance is the binomial one
    times m^(2/3) / (n s (1 - s))^(1/3), up to a constant that is simulated. Below a share of one
    half the half counts, so that all smaller shares have the same weight.

    References
    ----------
    Groeneboom & Wellner (1992), Information Bounds and Nonparametric Maximum Likelihood
    Estimation, part II, theorem 5.1: variance proportional to (s (1 - s) f / (n g))^(2/3) where f
    and g are the densities of limits and of settings, so that f / g is the part that straddles.
    """
    larger = max(share, 0.5)
    binomial = np.maximum(known.known_weight * larger * (1.0 - larger), 1e-300)
    inflation = _INFLATION * known.straddling_weight ** (2 / 3) / binomial ** (1 / 3)
    return np.asarray(known.known_weight / np.maximum(inflation, 1.0))
