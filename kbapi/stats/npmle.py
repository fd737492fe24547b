"""The nonparametric maximum-likelihood estimate of the stable share, with its certificate."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kbapi.stats.constrained_newton import NewtonFit, constrained_newton
from kbapi.stats.em_icm import em_icm
from kbapi.stats.interval import GroupedIntervals, frozen_array
from kbapi.stats.turnbull import CellLikelihood, turnbull_cells

_EM_ICM_STEPS: Final = 8
_NEWTON_STEPS: Final = 100


@dataclass(frozen=True, slots=True)
class StableShareFit:
    """Where the probability of the limit lies, in the cells that have any.

    Parameters
    ----------
    cell_left, cell_right : int64 arrays, shape (m,)
        Cell j is the half-open `[cell_left[j], cell_right[j])` in grid steps below stock,
        ascending; `NEVER_FAILED` ends the open cell.
    masses : float64 array, shape (m,)
        Probability of each cell, positive, summing to one.
    log_likelihood : weighted log likelihood at the masses
    optimality_gap : `max_j D_j - N`, at most this much log likelihood is left to gain
    total_weight : the N of the fit, units where no unit is weighed down
    iterations : Newton steps until the kept masses
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

        Within a cell the likelihood cannot say where the mass lies; the whole of it is taken to
        fail right after the cell's left end, so the share is never overstated.

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


def fit_npmle(evidence: GroupedIntervals) -> StableShareFit:
    """The distribution of limits under which the evidence is most likely.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps with positive weights, fractions allowed.

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
    return _published(cells, constrained_newton(cells, start, tolerance, _NEWTON_STEPS), tolerance)


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
