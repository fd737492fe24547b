"""A few EM and iterative convex minorant steps: near the maximum, with most zeros found."""

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.turnbull import CellLikelihood, Masses

_HALVINGS = 12


def em_icm(cells: CellLikelihood, start: Masses, steps: int) -> Masses:
    """Masses after alternating EM and ICM steps, shape (m,).

    Parameters
    ----------
    cells
        The likelihood, m cells.
    start : float64 array, shape (m,)
        Masses of positive likelihood; cells without mass may get some.
    steps
        Number of pairs of an EM and an ICM step.

    References
    ----------
    Wellner & Zhan (1997), J. Am. Statist. Ass. 92:945-959: the EM step keeps every mass that is
    positive so and climbs surely, the ICM step sets masses to zero.
    """
    mass = start
    for _ in range(steps if cells.cells > 1 else 0):
        mass = _icm_step(cells, _em_step(cells, mass))
    return mass


def _em_step(cells: CellLikelihood, mass: Masses) -> Masses:
    """Self-consistent masses: each unit shares itself out over its cells (Turnbull's equation)."""
    climbed = mass * cells.gradient(cells.interval_mass(mass))
    return np.asarray(climbed / climbed.sum())


def _icm_step(cells: CellLikelihood, mass: Masses) -> Masses:
    """One Newton step on the cumulative distribution with diagonal curvature, kept monotone."""
    interval_mass = cells.interval_mass(mass)
    slope = cells.gradient(interval_mass)
    # Cell boundaries 1..m-1: moving F_j up takes mass from cell j+1 and gives it to cell j.
    rise = slope[:-1] - slope[1:]
    bend = cells.weight / interval_mass**2
    ends = np.bincount(cells.first, bend, cells.cells + 1)
    ends += np.bincount(cells.past, bend, cells.cells + 1)
    curvature = np.asarray(ends[1:-1], dtype=np.float64)
    wanted = np.cumsum(mass)[:-1] + rise / curvature
    cumulative = np.clip(monotone_means(wanted, curvature), 0.0, 1.0)
    target = np.diff(cumulative, prepend=0.0, append=1.0)
    return _climb(cells, mass, target, cells.log_likelihood(interval_mass))


def _climb(cells: CellLikelihood, mass: Masses, target: Masses, reached: float) -> Masses:
    """The first of target, halfway, a quarter... that does not lower the likelihood."""
    for halving in range(_HALVINGS):
        tried = mass + (target - mass) * 0.5**halving
        if cells.log_likelihood(cells.interval_mass(tried)) >= reached:
            return tried
    return mass


def monotone_means(values: NDArray[np.float64], weight: NDArray[np.float64]) -> Masses:
    """The nearest non-decreasing sequence in weighted least squares, shape of `values`.

    Pools whole falling runs at once (pool adjacent violators; Robertson, Wright & Dykstra 1988,
    section 1.2): each pass is vectorised, and few passes are needed.

    >>> monotone_means(np.array([1.0, 0, 4, 3, 3, 5, 4, 2, 0]), np.ones(9)).tolist()
    [0.5, 0.5, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0]
    """
    size = np.ones(len(values), dtype=np.int64)
    level, heft = values, weight
    while True:
        rises = np.flatnonzero(np.diff(level) > 0) + 1
        if len(rises) == len(level) - 1:
            return np.repeat(level, size)
        blocks = np.concatenate([[0], rises])
        size = np.add.reduceat(size, blocks)
        pooled = np.add.reduceat(heft, blocks)
        level, heft = np.add.reduceat(level * heft, blocks) / pooled, pooled
