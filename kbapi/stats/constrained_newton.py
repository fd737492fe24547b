"""Newton steps on non-negative masses: quadratic convergence, exact zeros, a certificate."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.em_icm import em_icm
from kbapi.stats.turnbull import CellLikelihood, Masses

# A step must climb by this share of what its slope promises, or it is halved.
_ARMIJO: Final = 1e-4
_HALVINGS: Final = 40
# Block exchanges that may fail to help before pivots go one by one, and the most pivots at all.
_PATIENCE: Final = 3
_PIVOTS_PER_CELL: Final = 4
# Added to a curvature scaled to a diagonal of one.
_NUDGE: Final = 1e-12
# More cells with mass than this get EM-ICM steps; a control's grid has a few hundred.
_LARGEST_DENSE: Final = 1500
_SUBSTITUTE_STEPS: Final = 4
# A gap of this share of N is rounding: no further step can lower it surely.
_ROUNDING: Final = 64 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True, slots=True)
class NewtonFit:
    """Masses with the Karush-Kuhn-Tucker gap `max_j D_j - N` that certifies them."""

    mass: Masses
    interval_mass: Masses
    optimality_gap: float
    iterations: int


def constrained_newton(
    cells: CellLikelihood, start: Masses, tolerance: float, steps: int
) -> NewtonFit:
    """The masses of largest likelihood, refined until the gap no longer falls or is rounding.

    Each step maximises the quadratic model of `log likelihood - N sum(mass)` over non-negative
    masses; that function has the same maximum, and there the masses sum to one by themselves.
    Only cells with mass and the peaks of D above N take part.

    Parameters
    ----------
    cells
        The likelihood, m cells.
    start : float64 array, shape (m,)
        Non-negative masses of positive likelihood.
    tolerance
        Below this gap the first step that does not lower it is the last.
    steps
        The largest number of steps.

    References
    ----------
    Wang (2008), Comput. Statist. Data Anal. 52:2388-2402 (constrained Newton, non-negative least
    squares in place of the simplex).

    >>> from kbapi.stats.interval import GroupedIntervals
    >>> from kbapi.stats.turnbull import turnbull_cells
    >>> pool = GroupedIntervals(np.array([0, 2]), np.array([2, 4]), np.array([1.0, 3.0]))
    >>> fit = constrained_newton(turnbull_cells(pool), np.array([0.5, 0.5]), 1e-6, 100)
    >>> fit.mass.round(9).tolist()
    [0.25, 0.75]
    """
    best = reached = _certify(cells, start, 0)
    for step in range(1, steps + 1):
        reached = _certify(cells, _newton_step(cells, reached), step)
        if reached.optimality_gap < best.optimality_gap:
            best = reached
        elif best.optimality_gap < tolerance:
            break
        if best.optimality_gap <= _ROUNDING * cells.total_weight:
            break
    return best


def _certify(cells: CellLikelihood, mass: Masses, iterations: int) -> NewtonFit:
    mass = mass / mass.sum()
    interval_mass = cells.interval_mass(mass)
    gap = float(cells.gradient(interval_mass).max()) - cells.total_weight
    return NewtonFit(mass, interval_mass, gap, iterations)


def _newton_step(cells: CellLikelihood, fit: NewtonFit) -> Masses:
    kept = _working_cells(cells.gradient(fit.interval_mass), fit.mass, cells.total_weight)
    if len(kept) > _LARGEST_DENSE:
        # Thousands of cells with mass do not occur on a control's grid; no dense matrix for them.
        return em_icm(cells, fit.mass, _SUBSTITUTE_STEPS)
    part = cells.restricted(kept)
    here = fit.mass[kept]
    rise = part.gradient(fit.interval_mass) - part.total_weight
    move = _best_move(part.curvature(fit.interval_mass), rise, here)
    mass = np.zeros(cells.cells)
    mass[kept] = here + _line_search(part, fit.interval_mass, move, rise) * move
    return np.maximum(mass, 0.0)


def _working_cells(slope: Masses, mass: Masses, total: float) -> NDArray[np.int64]:
    """Cells with mass, and those at a peak of D above N that should get some."""
    fenced = np.concatenate([[-np.inf], slope, [-np.inf]])
    peak = (slope > total) & (slope >= fenced[:-2]) & (slope > fenced[2:])
    return np.flatnonzero((mass > 0) | peak)


def _best_move(curvature: NDArray[np.float64], rise: Masses, here: Masses) -> Masses:
    """The move to the non-negative masses that maximise the quadratic model.

    Block principal pivoting (Portugal, Judice & Vicente 1994, Math. Comput. 63:625-643, section
    3): all masses of the wrong sign change sides at once; when that stops helping, only the last.
    The move itself is solved for, so that it stays exact when it is small.
    """
    scale = 1.0 / np.sqrt(np.diagonal(curvature))
    matrix = curvature * np.outer(scale, scale)
    # Cells that the evidence cannot tell apart stay where they are.
    matrix[np.diag_indices_from(matrix)] += _NUDGE
    pull, floor = scale * rise, -here / scale
    free = np.ones(len(here), dtype=np.bool_)
    fewest, patience = len(here) + 1, _PATIENCE
    move = np.zeros(len(here))
    for _ in range(_PIVOTS_PER_CELL * len(here)):
        move = np.where(free, 0.0, floor)
        move[free] = np.linalg.solve(matrix[np.ix_(free, free)], (pull - matrix @ move)[free])
        lacking = pull - matrix @ move > 1e-12 * np.abs(pull).max()
        wrong = np.flatnonzero(np.where(free, move < floor, lacking))
        if len(wrong) == 0:
            break
        patience = _PATIENCE if len(wrong) < fewest else patience - 1
        fewest = min(fewest, len(wrong))
        turned = wrong if patience >= 0 else wrong[-1:]
        free[turned] = ~free[turned]
    return np.where(move > floor, move * scale, -here)


def _line_search(part: CellLikelihood, interval_mass: Masses, move: Masses, rise: Masses) -> float:
    """The first of the full, half, quarter... step that climbs by Armijo's share."""
    relative = part.interval_mass(move) / interval_mass
    promise = _ARMIJO * float(rise @ move)
    growth = part.total_weight * float(move.sum())
    for halving in range(_HALVINGS):
        share = 0.5**halving
        tried = share * relative
        # log1p of the relative change keeps digits that a difference of two logs would lose.
        if tried.min() > -1 and part.weight @ np.log1p(tried) >= share * (growth + promise):
            return share
    return 0.0
