"""Exact tests of shares: which group of units differs from the others, and since when.

Under the null hypothesis the groups do not differ. Given the number of open units and the size of
each group, every assignment of the open units to the groups is equally likely. A p-value is the sum
of the probabilities of all assignments that are at least as extreme, computed one group after
another. It needs no random numbers and no normal approximation. It is already adjusted for testing
every group or every possible place of a change.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.intervals import frozen_array

Counts = NDArray[np.int64]
Vector = NDArray[np.float64]
Which = NDArray[np.bool_]

_ROUNDING: Final = 1e-9
FEWEST_A_SIDE: Final = 5
"""A change with fewer units on a side is not considered."""
PLAUSIBLE_RATIO: Final = 3.0
"""In log likelihood: places within this of the likeliest change may be the true one. By simulation
(`tests/calibration/locks.py`) they contain it in 95 % of series or more."""


@dataclass(frozen=True, slots=True)
class GroupsCompared:
    """How surely some group differs from the others.

    Parameters
    ----------
    p_value : chance that any group differs as clearly under the null hypothesis
    clearest : place of the group that differs most clearly
    units : units compared
    """

    p_value: float
    clearest: int
    units: int


@dataclass(frozen=True, slots=True)
class ShareChange:
    """The likeliest place at which the share changes.

    Parameters
    ----------
    since : place of the first group after the change
    earliest, latest : the first and the last place that fit about as well
    p_value : chance of a change as clear at any place where the share does not change
    log_ratio : log likelihood of two shares over that of one
    units_before, units_since : units compared
    """

    since: int
    earliest: int
    latest: int
    p_value: float
    log_ratio: float
    units_before: int
    units_since: int


def compare_shares(opened: Counts, units: Counts) -> GroupsCompared:
    """The group that differs most from the others, and the chance that any would as much.

    Each group is compared with all others by Fisher's exact test; the least of these p-values is
    then compared with its own exact distribution. For two groups that is Fisher's test itself.

    Parameters
    ----------
    opened, units : int64 arrays, shape (groups,)
        How many of each group's units are open, and how many it has, at least one.

    Raises
    ------
    ValueError
        When there is no group, an empty one, or more units are open than there are.

    References
    ----------
    Fisher (1935), J. R. Statist. Soc. 98:39-54, p. 48 (the test of two groups); Westfall & Young
    (1993), Resampling-Based Multiple Testing, section 2.3 (the least of several p-values).

    >>> round(compare_shares(np.array([3, 1]), np.array([4, 4])).p_value, 4)
    0.4857
    >>> found = compare_shares(np.array([18, 2, 17]), np.array([20, 20, 20]))
    >>> found.clearest, found.p_value < 1e-6
    (1, True)
    """
    series = _Series(opened, units)
    alone = [series.two_sided(size) for size in units.tolist()]
    observed = np.array([p_values[k] for p_values, k in zip(alone, opened.tolist(), strict=True)])
    least = float(observed.min()) * (1.0 + _ROUNDING)
    inside, outside = np.ones(1), 0.0
    for place, (size, p_values) in enumerate(zip(units.tolist(), alone, strict=True)):
        mass, as_clear = series.mass(size), p_values <= least
        leaving = np.convolve(inside, np.where(as_clear, mass, 0.0))
        outside += series.ending(leaving, place + 1)
        inside = np.convolve(inside, np.where(as_clear, 0.0, mass))
    p_value = min(1.0, outside) if len(units) > 1 else 1.0
    return GroupsCompared(p_value, int(np.argmin(observed)), series.all_units)


def find_change(opened: Counts, units: Counts) -> ShareChange | None:
    """The likeliest change of the share along ordered groups; None where no place can be tried.

    A place can be tried that leaves five units on either side.

    Parameters
    ----------
    opened, units : int64 arrays, shape (groups,)
        As in `compare_shares`, in the order in which the share may change.

    References
    ----------
    Worsley (1983), Biometrika 70:455-464 (the largest likelihood ratio of a change in binomial
    trials, its exact distribution given all successes by recursion, and the places that it leaves
    plausible).

    >>> found = find_change(np.array([9, 10, 9, 3, 4, 2]), np.full(6, 10))
    >>> found.since, found.units_before, found.p_value < 1e-4
    (3, 30, True)
    """
    series = _Series(opened, units)
    size = np.cumsum(units)
    can_be = np.minimum(size, series.all_units - size) >= FEWEST_A_SIDE
    if not can_be.any():
        return None
    ratio = np.where(can_be, series.log_ratios(size, np.cumsum(opened)), -np.inf)
    cut = int(np.argmax(ratio))
    plausible = np.flatnonzero(ratio >= ratio[cut] - PLAUSIBLE_RATIO)
    return ShareChange(
        since=cut + 1,
        earliest=int(plausible[0]) + 1,
        latest=int(plausible[-1]) + 1,
        p_value=_chance_of_change(series, can_be, float(ratio[cut])),
        log_ratio=float(ratio[cut]),
        units_before=int(size[cut]),
        units_since=series.all_units - int(size[cut]),
    )


def _chance_of_change(series: "_Series", can_be: Which, largest: float) -> float:
    """Chance of a ratio as large at any place where a change can be."""
    if largest <= _ROUNDING:
        return 1.0
    inside, outside, size = np.ones(1), 0.0, 0
    for place, some in enumerate(series.units):
        size += some
        inside = np.convolve(inside, series.mass(some))
        if can_be[place]:
            ratio = series.log_ratio(size, np.arange(size + 1))
            as_clear = ratio >= largest * (1.0 - _ROUNDING)
            outside += series.ending(np.where(as_clear, inside, 0.0), place + 1)
            inside = np.where(as_clear, 0.0, inside)
    return min(1.0, outside)


class _Series:
    """Groups of units of which some are open, and chances of other ways to fall on them.

    Given the number of open units in all, their counts by group are distributed like independent
    binomial counts with that sum. Any common share gives the same result; the observed one keeps
    all masses far from zero.
    """

    def __init__(self, opened: Counts, units: Counts) -> None:
        if len(units) == 0 or (units < 1).any():
            raise ValueError("every group has at least one unit")
        if (opened < 0).any() or (opened > units).any():
            raise ValueError("between none and all of a group's units are open")
        self.units: list[int] = units.tolist()
        self.all_units, self.all_open = int(units.sum()), int(opened.sum())
        self._share = self.all_open / self.all_units
        self._masses: dict[int, Vector] = {}
        self._after = [*np.cumsum(units[::-1])[::-1].tolist(), 0]
        self._whole = float(self.mass(self.all_units)[self.all_open])

    def mass(self, size: int) -> Vector:
        """The binomial chance of each count among so many units, shape (size + 1,)."""
        if size not in self._masses:
            self._masses[size] = _binomial(size, self._share)
        return self._masses[size]

    def ending(self, mass: Vector, groups: int) -> float:
        """The chance of these counts over the first groups, given the count over all."""
        return float(self._given_all(mass, self._after[groups]).sum())

    def two_sided(self, size: int) -> Vector:
        """Fisher's p-value of each count in a group of this size against all others."""
        chance = self._given_all(self.mass(size), self.all_units - size)
        ranked = np.sort(chance)
        as_unlikely = np.searchsorted(ranked, chance * (1.0 + _ROUNDING), side="right")
        return np.minimum(np.cumsum(ranked)[as_unlikely - 1], 1.0)

    def log_ratio(self, size: int, opened: Counts | int) -> Vector:
        """How much likelier two shares are than one, the first so many units having `opened`."""
        # Counts that leave too few or too many to the rest are impossible: any ratio will do.
        rest = np.clip(self.all_open - opened, 0, self.all_units - size)
        two = _likelihood(opened, size) + _likelihood(rest, self.all_units - size)
        return np.asarray(two - _likelihood(self.all_open, self.all_units))

    def log_ratios(self, sizes: Counts, opened: Counts) -> Vector:
        """`log_ratio` at each place, shape of `sizes`."""
        pairs = zip(sizes.tolist(), opened.tolist(), strict=True)
        return np.array([self.log_ratio(size, count) for size, count in pairs])

    def _given_all(self, mass: Vector, others: int) -> Vector:
        """The chance of each count of `mass`, where so many other units have the rest."""
        rest = self.all_open - np.arange(len(mass))
        possible = (rest >= 0) & (rest <= others)
        left = self.mass(others)[np.where(possible, rest, 0)]
        return np.asarray(np.where(possible, mass * left, 0.0) / self._whole)


def _binomial(size: int, share: float) -> Vector:
    count = np.arange(size + 1)
    ways = (
        scipy.special.gammaln(size + 1)
        - scipy.special.gammaln(count + 1)
        - scipy.special.gammaln(size - count + 1)
    )
    return frozen_array(
        np.exp(
            ways + scipy.special.xlogy(count, share) + scipy.special.xlog1py(size - count, -share)
        )
    )


def _likelihood(opened: Counts | int, units: int) -> Vector:
    """Log likelihood of the likeliest share."""
    counts = np.asarray(opened)
    share = counts / max(units, 1)
    return np.asarray(
        scipy.special.xlogy(counts, share) + scipy.special.xlog1py(units - counts, -share)
    )
