"""The nonparametric maximum-likelihood estimate of the distribution of limits."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kbapi.stats.intervals import (
    CellLikelihood,
    GroupedIntervals,
    Masses,
    frozen_array,
    turnbull_cells,
)

_EM_HALVINGS = 12


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
    Wellner & Zhan (1997), J. Am. Statist. Ass. 92:945-959: the EM step always climbs and leaves
    positive masses positive, the ICM step sets masses to zero.
    """
    mass = start
    for _ in range(steps if cells.cells > 1 else 0):
        mass = _icm_step(cells, _em_step(cells, mass))
    return mass


def _em_step(cells: CellLikelihood, mass: Masses) -> Masses:
    """Self-consistent masses: each unit's weight spread over its cells (Turnbull's equation)."""
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
    for halving in range(_EM_HALVINGS):
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

    >>> from kbapi.stats.intervals import GroupedIntervals, turnbull_cells
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
    """Masses after one step, not yet summing to one.

    The step maximises the quadratic model of `log likelihood - N sum(mass)` over non-negative
    masses; that function has the same maximum, and its masses sum to one there. Only cells with
    mass and the peaks of D above N take part.
    """
    active = _working_cells(cells.gradient(fit.interval_mass), fit.mass, cells.total_weight)
    if len(active) > _LARGEST_DENSE:
        # Thousands of cells with mass do not occur on a control's grid; no dense matrix for them.
        return em_icm(cells, fit.mass, _SUBSTITUTE_STEPS)
    part = cells.restricted(active)
    here = fit.mass[active]
    rise = part.gradient(fit.interval_mass) - part.total_weight
    move = _best_move(part.curvature(fit.interval_mass), rise, here)
    mass = np.zeros(cells.cells)
    mass[active] = here + _line_search(part, fit.interval_mass, move, rise) * move
    return np.maximum(mass, 0.0)


def _working_cells(slope: Masses, mass: Masses, total: float) -> NDArray[np.int64]:
    """Cells with mass, and those at a peak of D above N, which should get some."""
    padded = np.concatenate([[-np.inf], slope, [-np.inf]])
    peak = (slope > total) & (slope >= padded[:-2]) & (slope > padded[2:])
    return np.flatnonzero((mass > 0) | peak)


def _best_move(curvature: NDArray[np.float64], rise: Masses, here: Masses) -> Masses:
    """The move to the non-negative masses that maximise the quadratic model.

    Block principal pivoting (Portugal, Judice & Vicente 1994, Math. Comput. 63:625-643, section
    3): all masses of the wrong sign change sides at once; when that stops helping, only the last.
    The move itself is solved for, so that it stays exact when it is small.
    """
    scale = 1.0 / np.sqrt(np.diagonal(curvature))
    matrix = curvature * np.outer(scale, scale)
    # Cells that the evidence does not distinguish stay as they are.
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


_EM_ICM_STEPS: Final = 8
_NEWTON_STEPS: Final = 100


@dataclass(frozen=True, slots=True)
class StableShareFit:
    """Probability of the limit in the cells that have any.

    Parameters
    ----------
    cell_left, cell_right : int64 arrays, shape (m,)
        Cell j is the half-open `[cell_left[j], cell_right[j])` in grid steps below stock,
        ascending; `NEVER_FAILED` ends the open cell.
    masses : float64 array, shape (m,)
        Probability of each cell, positive, summing to one.
    log_likelihood : weighted log likelihood at the masses
    optimality_gap : `max_j D_j - N`, at most this much log likelihood is left to gain
    total_weight : the N of the fit, units where all have weight 1
    iterations : Newton steps until the masses returned
    converged : whether the gap is below max(1e-6, 1e-9 N)
    """

    cell_left: NDArray[np.int64]
    cell_right: NDArray[np.int64]
    masses: NDArray[np.float64]
    log_likelihood: float
    optimality_gap: float
    total_weight: float
    iterations: int
    converged: bool

    def share_at(self, steps: ArrayLike) -> NDArray[np.float64]:
        """Lower envelope of the stable share S(d) = P(T >= d) at each depth, shape of `steps`.

        The likelihood is the same wherever the mass lies within a cell. Here all of it fails
        right after the cell's left end, so the share is never overstated.

        >>> pool = GroupedIntervals(np.array([4, 9]), np.array([6, 12]), np.array([1.0, 3.0]))
        >>> fit_npmle(pool).share_at([0, 4, 5, 9, 10]).tolist()
        [1.0, 1.0, 0.75, 0.75, 0.0]
        """
        return np.asarray(self._shares()[np.searchsorted(self.cell_left, steps)])

    def most_at(self, steps: ArrayLike) -> NDArray[np.float64]:
        """Upper envelope: a cell's mass stays stable up to its last step, shape of `steps`.

        >>> pool = GroupedIntervals(np.array([4, 9]), np.array([6, 12]), np.array([1.0, 3.0]))
        >>> fit_npmle(pool).most_at([5, 6, 11, 12]).tolist()
        [1.0, 0.75, 0.75, 0.0]
        """
        return np.asarray(self._shares()[np.searchsorted(self.cell_right, steps, side="right")])

    def _shares(self) -> NDArray[np.float64]:
        """Mass of each cell and all deeper ones, then zero, shape (m + 1,)."""
        # Summed from the deep end, where small shares keep their digits; the top is one exactly.
        shares = np.append(np.cumsum(self.masses[::-1])[::-1], 0.0)
        return np.asarray(np.minimum(shares / shares[0], 1.0))


def fit_npmle(evidence: GroupedIntervals, newton_steps: int = _NEWTON_STEPS) -> StableShareFit:
    """The distribution of limits under which the evidence is most likely.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps with positive weights, fractions allowed.
    newton_steps
        The largest number; without any, shares are right to two digits.

    Raises
    ------
    ValueError
        When there is no evidence.

    References
    ----------
    Turnbull (1976), J. R. Statist. Soc. B 38:290-295 (cells); Gentleman & Geyer (1994),
    Biometrika 81:618-623 (the gap as certificate); Wellner & Zhan (1997), J. Am. Statist. Ass.
    92:945-959 (EM-ICM); Wang (2008), Comput. Statist. Data Anal. 52:2388-2402 (Newton).

    >>> pool = GroupedIntervals(np.array([4, 9]), np.array([6, 12]), np.array([1.0, 3.0]))
    >>> fit = fit_npmle(pool)
    >>> fit.masses.tolist(), fit.cell_right.tolist(), fit.converged
    ([0.25, 0.75], [6, 12], True)
    """
    cells = turnbull_cells(evidence)
    tolerance = max(1e-6, 1e-9 * cells.total_weight)
    start = em_icm(cells, np.full(cells.cells, 1.0 / cells.cells), _EM_ICM_STEPS)
    return _published(cells, constrained_newton(cells, start, tolerance, newton_steps), tolerance)


def _published(cells: CellLikelihood, fit: NewtonFit, tolerance: float) -> StableShareFit:
    massive = fit.mass > 0
    return StableShareFit(
        cell_left=frozen_array(cells.cell_left[massive]),
        cell_right=frozen_array(cells.cell_right[massive]),
        masses=frozen_array(fit.mass[massive]),
        log_likelihood=cells.log_likelihood(fit.interval_mass),
        # Below zero it is rounding: at the maximum the largest D equals N.
        optimality_gap=max(fit.optimality_gap, 0.0),
        total_weight=cells.total_weight,
        iterations=fit.iterations,
        converged=fit.optimality_gap < tolerance,
    )
