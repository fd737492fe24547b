"""Turnbull's cells, and the likelihood of masses on them.

The nonparametric likelihood of half-open intervals depends only on how much probability lies in
each innermost interval: a left end that is followed at once by a right end.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.interval import GroupedIntervals

Masses = NDArray[np.float64]

_LONGEST_SUMS = 20_000_000
_RUNNING_TOTAL_NOISE = 1e-15


@dataclass(frozen=True, slots=True)
class CellLikelihood:
    """Distinct intervals as ranges of cells, with what the likelihood needs of them.

    Parameters
    ----------
    first, past : int64 arrays, shape (k,)
        The interval covers cells `first <= j < past`; never empty.
    weight : float64 array, shape (k,)
    cell_left, cell_right : int64 arrays, shape (m,)
        Cell j is the half-open `[cell_left[j], cell_right[j])` in grid steps.
    """

    first: NDArray[np.int64]
    past: NDArray[np.int64]
    weight: NDArray[np.float64]
    cell_left: NDArray[np.int64]
    cell_right: NDArray[np.int64]

    @property
    def cells(self) -> int:
        """The number of cells."""
        return len(self.cell_left)

    @property
    def total_weight(self) -> float:
        """Sum of the weights, the N of the Karush-Kuhn-Tucker conditions."""
        return float(self.weight.sum())

    def interval_mass(self, mass: Masses) -> Masses:
        """Probability of each interval, shape (k,).

        Sums of the members, not differences of one running total, so that an interval of mass
        1e-12 keeps all its digits; the running total serves where the sums would be too long.
        """
        if (self.past - self.first).sum() > _LONGEST_SUMS:
            total = np.concatenate([[0.0], np.cumsum(mass)])
            spans = total[self.past] - total[self.first]
            return np.asarray(np.maximum(spans, _RUNNING_TOTAL_NOISE))
        ends = np.empty(2 * len(self.first), dtype=np.int64)
        ends[0::2], ends[1::2] = self.first, self.past
        # A closing zero lets a range end at the last cell; odd places are the gaps between ranges.
        return np.asarray(np.add.reduceat(np.append(mass, 0.0), ends)[0::2])

    def log_likelihood(self, interval_mass: Masses) -> float:
        """Weighted log likelihood; -inf when an interval has no mass."""
        if interval_mass.min() <= 0:
            return -np.inf
        return float(self.weight @ np.log(interval_mass))

    def gradient(self, interval_mass: Masses) -> Masses:
        """Derivative by each cell's mass, shape (m,).

        D_j is the sum of weight / interval mass over the intervals that cover cell j. At the
        maximum D_j <= N everywhere and D_j = N where there is mass.
        """
        pull = self.weight / interval_mass
        steps = np.bincount(self.first, pull, self.cells + 1)
        steps -= np.bincount(self.past, pull, self.cells + 1)
        return np.cumsum(steps[:-1])

    def curvature(self, interval_mass: Masses) -> NDArray[np.float64]:
        """Negative Hessian, shape (m, m): weight / mass^2 summed over the intervals of both cells.

        Each interval adds a square block; four corner entries and two cumulative sums build all.
        """
        side = self.cells + 1
        bend = self.weight / interval_mass**2
        diagonal = np.bincount(self.first * (side + 1), bend, side * side)
        diagonal += np.bincount(self.past * (side + 1), bend, side * side)
        corner = np.bincount(self.first * side + self.past, bend, side * side)
        blocks = (diagonal - corner).reshape(side, side) - corner.reshape(side, side).T
        return np.asarray(np.cumsum(np.cumsum(blocks[:-1, :-1], axis=0), axis=1))

    def restricted(self, kept: NDArray[np.int64]) -> "CellLikelihood":
        """The likelihood on a subset of the cells (ascending indices); all other mass is zero."""
        rank = np.searchsorted(kept, np.arange(self.cells + 1))
        return CellLikelihood(
            first=rank[self.first],
            past=rank[self.past],
            weight=self.weight,
            cell_left=self.cell_left[kept],
            cell_right=self.cell_right[kept],
        )


def turnbull_cells(evidence: GroupedIntervals) -> CellLikelihood:
    """The innermost intervals of the evidence, and each interval as a range of them.

    Raises
    ------
    ValueError
        When there is no evidence.

    References
    ----------
    Turnbull (1976), J. R. Statist. Soc. B 38:290-295, section 2. With half-open intervals right
    ends come before left ends at ties, so touching intervals do not share a cell.

    >>> pool = GroupedIntervals(np.array([0, 4]), np.array([5, 9]), np.array([1.0, 2.0]))
    >>> cells = turnbull_cells(pool)
    >>> cells.cell_left.tolist(), cells.cell_right.tolist()
    ([4], [5])
    """
    left, right, weight = evidence.stable_steps, evidence.unstable_steps, evidence.weight
    if len(left) == 0:
        raise ValueError("no evidence, no cells")
    points = np.unique(np.concatenate([left, right]))
    starts, ends = np.isin(points, left), np.isin(points, right)
    opens = np.flatnonzero(starts[:-1] & ends[1:])
    cell_left, cell_right = points[opens], points[opens + 1]
    return CellLikelihood(
        first=np.searchsorted(cell_left, left),
        past=np.searchsorted(cell_right, right, side="right"),
        weight=weight,
        cell_left=cell_left,
        cell_right=cell_right,
    )
