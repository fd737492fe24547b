"""How much each unit speaks for deeper limits: scores that find a shift of a pool's limits."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.em_icm import monotone_means
from kbapi.stats.interval import NEVER_FAILED
from kbapi.stats.npmle import StableShareFit

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]

_SMOOTHED_BY: Final = 0.5
"""Of the limits' standard deviation: enough to make a density of a few steps of mass."""
_KERNEL_REACH: Final = 4.0
_THIN: Final = 1e-12
_MOST_DEVIATIONS: Final = 2.5
"""One unit at the edge of a steep density must not decide alone, nor break the normal tail."""


def shift_scores(stable: Steps, unstable: Steps, fit: StableShareFit) -> Vector:
    """Each unit's score, shape (n,): above zero where it makes deeper limits likelier.

    c = (f(L) - f(R)) / (S(L) - S(R)) with the density f and the share S of all units together,
    smoothed and log-concave: the derivative of a unit's log likelihood when all limits move deeper
    by a step. Less the mean, and held within 2.5 standard deviations.

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
    >>> shift_scores(low, high, fit_npmle(group_intervals(low, high, np.ones(3)))).round(2).tolist()
    [-0.04, -0.01, 0.05]
    """
    plain = _scores(stable, unstable, _smoothed(fit))
    most = _MOST_DEVIATIONS * float(plain.std())
    held = np.clip(plain - plain.mean(), -most, most)
    return np.asarray(held - held.mean())


@dataclass(frozen=True, slots=True)
class _Density:
    """A density by step that begins `origin` steps above stock."""

    density: Vector
    share: Vector
    origin: int


def _scores(stable: Steps, unstable: Steps, known: _Density) -> Vector:
    beyond = len(known.density) - 1
    left = np.where(stable == 0, 0, np.minimum(stable + known.origin, beyond - 1))
    right = np.where(unstable == NEVER_FAILED, beyond, unstable + known.origin)
    right = np.clip(right, left + 1, beyond)
    rising = np.where(stable == 0, 0.0, known.density[left]) - known.density[right]
    return np.asarray(rising / np.maximum(known.share[left] - known.share[right], _THIN))


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
    density = _without_valleys(np.convolve(np.cumsum(edges), kernel / kernel.sum()))
    return _Density(density, np.cumsum(density[::-1])[::-1], reach)


def _without_valleys(density: Vector) -> Vector:
    """The density with its log made concave, and a step of nothing behind it.

    With a valley between two heaps a unit of the deeper one could speak for shallower limits, and
    two heaps far apart would look like one truth that has not moved.
    """
    seen = np.maximum(density, _THIN)
    falling = monotone_means(-np.diff(np.log(seen)), np.sqrt(seen[1:] * seen[:-1]))
    log_density = np.append(0.0, -np.cumsum(falling))
    concave = np.exp(log_density - log_density.max())
    return np.append(concave / concave.sum(), 0.0)
