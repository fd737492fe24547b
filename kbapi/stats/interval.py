"""What is known of one unit's limit, and of many: half-open intervals of whole grid steps.

The limit `T` of a unit is the deepest stable setting, counted in whole grid steps below stock.
A report says `stable_steps <= T < unstable_steps`. This is the only place that states it.
"""

from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

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
