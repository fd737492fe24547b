"""How much each unit speaks for deeper limits: scores that find a shift of a pool's limits."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.interval import NEVER_FAILED
from kbapi.stats.npmle import StableShareFit

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]

_SMOOTHED_BY: Final = 0.5
"""Of the limits' standard deviation: enough to make a density of a few steps of mass."""
_KERNEL_REACH: Final = 4.0
_MOST_DEVIATIONS: Final = 2.5
"""One unit at the edge of a steep density must not decide alone, nor break the normal tail."""


@dataclass(frozen=True, slots=True)
class ShiftScores:
    """Scores of units with what they are worth in steps.

    Parameters
    ----------
    scores : float64 array, shape (n,)
        Zero in the mean.
    slope : by how much the mean score rises when all units go deeper by one step
    """

    scores: Vector
    slope: float


def shift_scores(stable: Steps, unstable: Steps, fit: StableShareFit) -> ShiftScores:
    """Each unit's score: above zero where it makes deeper limits likelier.

    c = (f(L) - f(R)) / (S(L) - S(R)) with the density f and the share S of all units together,
    smoothed: the derivative of a unit's log likelihood when all limits move deeper by a step.
    Less the mean, and held within 2.5 standard deviations.

    Parameters
    ----------
    stable, unstable : int64 arrays, shape (n,)
        As in `GroupedIntervals`; a first setting that failed bounds its unit on one side alone.
    fit
        Of all these units together, so that no label can show in a score.

    References
    ----------
    Fay (1996), Biometrics 52:811-822, equation 3 (scores of any model for interval-censored
    data); Hajek, Sidak & Sen (1999), Theory of Rank Tests, section 8.5 (scores estimated from the
    pooled sample leave a permutation test valid).

    >>> from kbapi.stats.interval import group_intervals
    >>> from kbapi.stats.npmle import fit_npmle
    >>> low, high = np.array([90, 100, 110]), np.array([95, 105, 115])
    >>> found = shift_scores(low, high, fit_npmle(group_intervals(low, high, np.ones(3))))
    >>> found.scores.round(2).tolist(), found.slope > 0
    ([-0.04, -0.01, 0.04], True)
    """
    density = _smoothed(fit)
    plain = density.scores(stable, unstable, 0)
    mean, most = float(plain.mean()), _MOST_DEVIATIONS * float(plain.std())
    held = np.clip(plain - mean, -most, most)
    further = [
        float(np.clip(density.scores(stable, unstable, by) - mean, -most, most).mean())
        for by in (-density.reach, density.reach)
    ]
    return ShiftScores(held - held.mean(), (further[1] - further[0]) / (2.0 * density.reach))


@dataclass(frozen=True, slots=True)
class _Density:
    """A density by step that begins `origin` steps above stock."""

    density: Vector
    share: Vector
    origin: int
    reach: int
    """Steps over which its slope is taken."""

    def scores(self, stable: Steps, unstable: Steps, by: int) -> Vector:
        """The score of each unit, had its limit been found deeper by some steps."""
        beyond = len(self.density) - 1
        left = np.clip(stable + self.origin + by, 0, beyond)
        right = np.clip(unstable + self.origin + by, 1, beyond)
        left = np.where(stable == 0, 0, np.minimum(left, right - 1))
        right = np.where(unstable == NEVER_FAILED, beyond, right)
        rising = np.where(stable == 0, 0.0, self.density[left]) - self.density[right]
        return np.asarray(rising / np.maximum(self.share[left] - self.share[right], 1e-12))


def _smoothed(fit: StableShareFit) -> _Density:
    left = fit.cell_left
    mean = float(fit.masses @ left)
    width = max(1.0, _SMOOTHED_BY * float(np.sqrt(fit.masses @ (left - mean) ** 2)))
    # Nobody knows how deep the units go that never failed: their mass lies just beyond.
    right = np.where(fit.cell_right == NEVER_FAILED, left + int(2 * width) + 1, fit.cell_right)
    reach = int(_KERNEL_REACH * width) + 1
    edges = np.zeros(int(right.max()) + 1)
    each = fit.masses / (right - left)
    np.add.at(edges, left, each)
    np.add.at(edges, right, -each)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    density = np.append(np.convolve(np.cumsum(edges), kernel / kernel.sum()), 0.0)
    return _Density(density, np.cumsum(density[::-1])[::-1], reach, int(width))
