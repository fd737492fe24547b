"""Limits on a grid, known to lie in intervals, and the cells where an estimate can put weight.

The limit `T` of a unit is the deepest stable setting, counted in whole grid steps below stock.
A report means `stable_steps <= T < unstable_steps`. Only this file defines it.

The nonparametric likelihood of half-open intervals depends only on how much probability lies in
each innermost interval: a left end that is followed at once by a right end.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import Final, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class Grid:
    """The steps that a control can be set in.

    `step` is exact and in the control's own unit: mV for voltage_offset and
    fixed_clock_voltage (125/128 for the 1/1024 V grid), counts for count_offset.
    """

    step: Fraction

    def __post_init__(self) -> None:
        if self.step <= 0:
            raise ValueError("a grid step is positive")

    def stable_steps(self, below_stock: float) -> int:
        """Nearest grid step of a setting that passed; a tie goes toward stock (shallower).

        `below_stock` is in mV or counts, non-negative.

        >>> Grid(Fraction(125, 128)).stable_steps(82)
        84
        >>> Grid(Fraction(5)).stable_steps(82.5)
        16
        """
        return ceil(self._exact_steps(below_stock) - Fraction(1, 2))

    def unstable_steps(self, below_stock: float) -> int:
        """Nearest grid step of a setting that failed; a tie goes away from stock (deeper).

        >>> Grid(Fraction(5)).unstable_steps(82.5)
        17
        """
        return floor(self._exact_steps(below_stock) + Fraction(1, 2))

    def below_stock(self, steps: int) -> float:
        """Distance below stock of a grid step, in mV or counts, to two decimals.

        >>> Grid(Fraction(125, 128)).below_stock(70)
        68.36
        """
        return round(float(steps * self.step), 2)

    def enter(self, steps: int) -> int:
        """The whole number below stock that a person types: rounded toward stock.

        >>> Grid(Fraction(125, 128)).enter(70)
        68
        """
        return floor(steps * self.step)

    def least_gain(self) -> int:
        """Steps beyond a typed setting after which the number to type is surely another one.

        >>> Grid(Fraction(125, 128)).least_gain(), Grid(Fraction(1)).least_gain()
        (2, 1)
        """
        # A typed number lies up to half a step off the grid; the next one is rounded toward stock.
        return 1 if self.step.denominator == 1 else ceil(1 / self.step + Fraction(1, 2))

    def _exact_steps(self, below_stock: float) -> Fraction:
        if below_stock < 0:
            raise ValueError("a setting above stock has no depth")
        # repr gives the decimal that was sent, so that 82.5 on a 5 mV grid is a true tie.
        return Fraction(repr(float(below_stock))) / self.step


NEVER_FAILED: Final = 1 << 30
"""The `unstable_steps` of a unit that has not failed: deeper than any grid reaches."""

_Scalar = TypeVar("_Scalar", bound=np.generic)


def frozen_array(values: NDArray[_Scalar]) -> NDArray[_Scalar]:
    """The same array, closed to writing, as a result carries it."""
    values.flags.writeable = False
    return values


@dataclass(frozen=True, slots=True)
class GroupedIntervals:
    """Distinct limit intervals of a pool with the weight of the units that share each.

    Two reports [80, 85) and [85, 90) do not touch: a limit of 85 belongs to the second alone.

    Parameters
    ----------
    stable_steps : int64 array, shape (k,)
        Left ends, whole grid steps below stock, 0 where the first setting tried failed.
    unstable_steps : int64 array, shape (k,)
        Right ends, exclusive; `NEVER_FAILED` where no failure was seen.
    weight : float64 array, shape (k,)
        Sum of the weights of the units with this interval, each positive.

    Raises
    ------
    ValueError
        When shapes differ, an end is negative, an interval is empty or a weight is not positive.
    """

    stable_steps: NDArray[np.int64]
    unstable_steps: NDArray[np.int64]
    weight: NDArray[np.float64]

    def __post_init__(self) -> None:
        if not self.stable_steps.shape == self.unstable_steps.shape == self.weight.shape:
            raise ValueError("stable_steps, unstable_steps and weight must have one shape")
        if self.stable_steps.ndim != 1:
            raise ValueError("grouped intervals are one-dimensional")
        if np.any(self.stable_steps < 0):
            raise ValueError("stable_steps counts down from stock and is never negative")
        if np.any(self.unstable_steps <= self.stable_steps):
            raise ValueError("unstable_steps must be deeper than stable_steps")
        if not np.all((self.weight > 0) & np.isfinite(self.weight)):
            raise ValueError("weights must be positive and finite")

    @property
    def total_weight(self) -> float:
        """Sum of all weights: units, where no unit is weighed down."""
        return float(self.weight.sum())

    @property
    def deepest_tried(self) -> int:
        """The deepest setting that any unit passed or failed, in steps; 0 where none was tried."""
        has_failed = self.unstable_steps < NEVER_FAILED
        tried = np.where(has_failed, self.unstable_steps, self.stable_steps)
        return int(tried.max(initial=0))


def group_intervals(
    stable_steps: NDArray[np.int64],
    unstable_steps: NDArray[np.int64],
    weight: NDArray[np.float64],
) -> GroupedIntervals:
    """Distinct intervals in ascending order with summed weights, whatever order they came in.

    Parameters are arrays of one shape (n,), one entry a unit, as in `GroupedIntervals`.

    >>> grouped = group_intervals(np.array([80, 70, 80]), np.array([85, 90, 85]), np.ones(3))
    >>> grouped.stable_steps.tolist(), grouped.unstable_steps.tolist(), grouped.weight.tolist()
    ([70, 80], [90, 85], [1.0, 2.0])
    """
    key = stable_steps.astype(np.int64) * (NEVER_FAILED + 1) + unstable_steps
    distinct, owner = np.unique(key, return_inverse=True)
    return GroupedIntervals(
        stable_steps=distinct // (NEVER_FAILED + 1),
        unstable_steps=distinct % (NEVER_FAILED + 1),
        weight=_ordered_sums(owner, weight, len(distinct)),
    )


def _ordered_sums(
    owner: NDArray[np.intp], weight: NDArray[np.float64], groups: int
) -> NDArray[np.float64]:
    """Sums of weight by group that do not depend on the order of the rows, to the last bit."""
    # Floating addition is not associative; rows are put in one order before they are added.
    order = np.lexsort((weight, owner))
    sums = np.bincount(owner[order], weights=weight[order], minlength=groups)
    return sums.astype(np.float64)


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

    def restricted(self, subset: NDArray[np.int64]) -> "CellLikelihood":
        """The likelihood on a subset of the cells (ascending indices); all other mass is zero."""
        rank = np.searchsorted(subset, np.arange(self.cells + 1))
        return CellLikelihood(
            first=rank[self.first],
            past=rank[self.past],
            weight=self.weight,
            cell_left=self.cell_left[subset],
            cell_right=self.cell_right[subset],
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


def known_weight_at(evidence: GroupedIntervals, steps: ArrayLike) -> NDArray[np.float64]:
    """Weight of the units whose status is known at each depth: stable there, or failed by there.

    >>> pool = GroupedIntervals(np.array([4, 9]), np.array([6, 12]), np.array([1.0, 3.0]))
    >>> known_weight_at(pool, [4, 5, 6]).tolist()
    [4.0, 3.0, 4.0]
    """
    stable = np.argsort(-evidence.stable_steps, kind="stable")
    failed = np.argsort(evidence.unstable_steps, kind="stable")
    # Two running sums of positive weights, one from each end, so that nothing cancels.
    stable_there = np.searchsorted(-evidence.stable_steps[stable], -np.asarray(steps), side="right")
    failed_there = np.searchsorted(evidence.unstable_steps[failed], steps, side="right")
    stable_weight = _running(evidence.weight[stable])[stable_there]
    return stable_weight + _running(evidence.weight[failed])[failed_there]


def _running(weight: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate([[0.0], np.cumsum(weight)])
