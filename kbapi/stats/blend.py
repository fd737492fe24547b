"""One bound from two: the extreme-value posterior where units are few, model-free where many.

Model-free needs 29 units to say anything and overstates what it knows a little near there; the
posterior is right for few units and wrong for many, when the truth has another shape. The weight
between them moves with n, so that no single report makes the answer jump.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from kbapi.stats.bounds import known_weight_at
from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals
from kbapi.stats.npmle import StableShareFit
from kbapi.stats.small_sample import SevPosterior

Vector = NDArray[np.float64]

_ALONE_BELOW: Final = 30.0
_GONE_FROM: Final = 100.0
# The share and the error for which the two ends above were found.
_STUDIED: Final = (0.90, 0.05)


@dataclass(frozen=True, slots=True)
class KnownShare:
    """The stable share between its envelopes, and the weight known, on runs of depths.

    Parameters
    ----------
    depths : int64 array, shape (r,)
        Shallowest depth of each run, ascending from 0.
    least, most, known_weight : float64 arrays, shape (r,)
        The share with a cell's mass at its left end, at its right end, and the units known.
    """

    depths: NDArray[np.int64]
    least: Vector
    most: Vector
    known_weight: Vector


def known_share(evidence: GroupedIntervals, fit: StableShareFit) -> KnownShare:
    """The runs of depths on which nothing changes, with the share and the weight known there.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps.
    fit
        `fit_npmle` of the same evidence.

    >>> from kbapi.stats.npmle import fit_npmle
    >>> pool = GroupedIntervals(np.array([4, 9]), np.array([6, 12]), np.array([1.0, 3.0]))
    >>> runs = known_share(pool, fit_npmle(pool))
    >>> runs.depths.tolist(), runs.least.tolist(), runs.most.tolist()
    ([0, 5, 6, 10, 12], [1.0, 0.75, 0.75, 0.0, 0.0], [1.0, 1.0, 0.75, 0.75, 0.0])
    """
    failed = evidence.unstable_steps[evidence.unstable_steps < NEVER_FAILED]
    depths = np.unique(np.concatenate([[0], evidence.stable_steps + 1, failed]).astype(np.int64))
    return KnownShare(
        depths, fit.share_at(depths), fit.most_at(depths), known_weight_at(evidence, depths)
    )


@dataclass(frozen=True, slots=True)
class BlendedBound:
    """Bounds of the depth that a share of units reaches, from a posterior and a known share.

    Depths come back in steps, not whole; errors are one-sided, arrays of shape (k,).
    """

    posterior: SevPosterior
    known: KnownShare
    units: float

    def model_free_weight(self, share: float, error: float) -> float:
        """Weight of the model-free bound: 0 to 30 units, 1 from 100, for 0.90 at 0.05.

        Rarer failures and smaller errors need proportionally more units: log(error) / log(share)
        is the least n of a model-free bound, 28.4 for 0.90 and 58.4 for 0.95 at 0.05.
        """
        studied = np.log(_STUDIED[1]) / np.log(_STUDIED[0])
        longer = max(1.0, float(np.log(error) / np.log(share) / studied))
        return float(
            np.clip((self.units / longer - _ALONE_BELOW) / (_GONE_FROM - _ALONE_BELOW), 0.0, 1.0)
        )

    def shallow_ends(self, share: float, errors: Vector) -> Vector:
        """Lower bounds of the depth that the share reaches, one for each error."""
        weight = self.model_free_weight(share, float(errors[0]))
        posterior = self.posterior.depth_at(share, errors * self._strictness())
        if weight == 0.0:
            return posterior
        return (1.0 - weight) * posterior + weight * self._model_free_shallow(share, errors)

    def deep_ends(self, share: float, errors: Vector) -> Vector:
        """Upper bounds of the depth that the share reaches, one for each error."""
        weight = self.model_free_weight(share, float(errors[0]))
        posterior = self.posterior.depth_at(share, 1.0 - errors * self._strictness())
        if weight == 0.0:
            return posterior
        free = self._model_free_deep(share, errors)
        # Where too few failed to bound the depth, only the posterior can.
        return np.where(np.isinf(free), posterior, (1.0 - weight) * posterior + weight * free)

    def middle(self, share: float, error: float) -> float:
        """The likeliest depth that the share reaches, with the same weights."""
        weight = self.model_free_weight(share, error)
        posterior = float(self.posterior.depth_at(share, np.array([0.5]))[0])
        if weight == 0.0:
            return posterior
        least = self.known.depths[np.argmax(self.known.least < share)] - 1
        most = self.known.depths[np.argmax(self.known.most < share)] - 1
        free = (least + most) / 2 if most >= least else least
        return (1.0 - weight) * posterior + weight * float(free)

    def _strictness(self) -> float:
        """Factor on the posterior's error, 1 up to 10 units and 0.4 from 40: it is a model."""
        return float(np.interp(self.units, [10.0, 40.0], [1.0, 0.4]))

    def _model_free_shallow(self, share: float, errors: Vector) -> Vector:
        """The deepest depth that has, with every shallower one, a lower bound of the share."""
        weight = _discounted(self.known.known_weight)
        stable, failed = weight * self.known.least, weight * (1.0 - self.known.least)
        # The lower bound reaches the share where this chance is within the error.
        chance = np.where(stable > 0, betainc(np.maximum(stable, 1e-300), failed + 1.0, share), 1.0)
        failing = np.searchsorted(np.maximum.accumulate(chance), errors, side="right")
        return np.asarray(np.maximum(self.known.depths[failing] - 1.0, 0.0))

    def _model_free_deep(self, share: float, errors: Vector) -> Vector:
        """The deepest depth with an upper bound of the share; inf where none falls below it."""
        weight = _discounted(self.known.known_weight)
        stable, failed = weight * self.known.most, weight * (1.0 - self.known.most)
        chance = np.where(
            failed > 0, 1.0 - betainc(stable + 1.0, np.maximum(failed, 1e-300), share), 1.0
        )
        # From the deep end: the first run whose upper bound still reaches the share.
        beyond = np.maximum.accumulate(chance[::-1])
        last = len(chance) - np.searchsorted(beyond, errors, side="left")
        ends = np.append(self.known.depths, np.inf) - 1.0
        return np.asarray(ends[last])


def _discounted(known_weight: Vector) -> Vector:
    """Known weight with a factor of 1 up to 30 units and 0.8 from 130."""
    return known_weight * np.interp(known_weight, [30.0, 130.0], [1.0, 0.8])
