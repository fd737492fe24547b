"""Exact tests of shares: which group of units differs from the others, and since when.

Units are compared within classes. Under the null hypothesis the groups of a class do not differ:
given the number of open units of each class and the size of each of its groups, every assignment of
the open units to the groups is equally likely. A p-value is already adjusted for testing every
group or every possible place of a change. No random numbers are needed.

With one class it is the sum of the probabilities of all assignments that are at least as extreme,
computed one group after another. With several classes the distribution of one group, or of all
before one place, is exact: a sum of hypergeometric counts. Several groups are added up, and
several places are joined by the normal distribution with the same correlations.
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
_NODES, _SHARES = (frozen_array(part) for part in np.polynomial.legendre.leggauss(121))
"""Gauss and Legendre's nodes and weights on (-1, 1)."""
_ROOT: Final = float(np.sqrt(2.0 * np.pi))
_WIDEST: Final = 6.0
"""In standard deviations: tails of one place beyond it are smaller than 1e-9."""
_EQUAL: Final = 0.999
"""Correlation from which two places count as one: the quadrature does not resolve them."""


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

    Each group is compared with all others of its class by Fisher's exact test; the least of these
    p-values is then compared with its own exact distribution. For two groups that is Fisher's test
    itself. With several classes and more than two groups it is compared with the sum of the
    chances of each group.

    Parameters
    ----------
    opened, units : int64 arrays, shape (groups,) or (classes, groups)
        How many of each group's units are open, and how many it has: in all at least one.

    Raises
    ------
    ValueError
        When there is no group, an empty one, or more units are open than there are.

    References
    ----------
    Fisher (1935), J. R. Statist. Soc. 98:39-54, p. 48 (the test of two groups); Westfall & Young
    (1993), Resampling-Based Multiple Testing, section 2.3 (the least of several p-values). Several
    classes: Mehta, Patel & Gray (1985), J. Am. Statist. Ass. 80:969-973 (exact, by convolution).

    >>> round(compare_shares(np.array([3, 1]), np.array([4, 4])).p_value, 4)
    0.4857
    >>> found = compare_shares(np.array([18, 2, 17]), np.array([20, 20, 20]))
    >>> found.clearest, found.p_value < 1e-6
    (1, True)
    >>> belongs = compare_shares(np.array([[9, 1], [0, 2]]), np.array([[10, 1], [1, 20]]))
    >>> belongs.p_value > 0.5
    True
    """
    opened, units = _checked(opened, units)
    return (
        _compared_in_one(opened[0], units[0])
        if len(units) == 1
        else _compared_within(opened, units)
    )


def _compared_in_one(opened: Counts, units: Counts) -> GroupsCompared:
    """`compare_shares` of one class."""
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
    opened, units : int64 arrays, shape (groups,) or (classes, groups)
        As in `compare_shares`, in the order in which the share may change.

    References
    ----------
    Worsley (1983), Biometrika 70:455-464 (the largest likelihood ratio of a change in binomial
    trials, its exact distribution given all successes by recursion, and the places that it leaves
    plausible). Several classes: Mantel & Haenszel (1959), J. Natl Cancer Inst. 22:719-748 (the
    statistic of one place); Mehta, Patel & Gray (1985), J. Am. Statist. Ass. 80:969-973 (its exact
    distribution, by convolution).

    >>> found = find_change(np.array([9, 10, 9, 3, 4, 2]), np.full(6, 10))
    >>> found.since, found.units_before, found.p_value < 1e-4
    (3, 30, True)
    """
    opened, units = _checked(opened, units)
    if len(units) > 1:
        return _change_within(opened, units)
    opened, units = opened[0], units[0]
    series = _Series(opened, units)
    size = np.cumsum(units)
    can_be = np.minimum(size, series.all_units - size) >= FEWEST_A_SIDE
    if not can_be.any():
        return None
    ratio = np.where(can_be, series.log_ratios(size, np.cumsum(opened)), -np.inf)
    chance = _chance_of_change(series, can_be, float(ratio.max()))
    return _likeliest(ratio, size, series.all_units - size, chance)


def _likeliest(ratio: Vector, before: Counts, since: Counts, p_value: float) -> ShareChange:
    cut = int(np.argmax(ratio))
    plausible = np.flatnonzero(ratio >= ratio[cut] - PLAUSIBLE_RATIO)
    return ShareChange(
        since=cut + 1,
        earliest=int(plausible[0]) + 1,
        latest=int(plausible[-1]) + 1,
        p_value=p_value,
        log_ratio=float(ratio[cut]),
        units_before=int(before[cut]),
        units_since=int(since[cut]),
    )


def _checked(opened: Counts, units: Counts) -> tuple[Counts, Counts]:
    """Both with an axis of classes."""
    opened, units = np.atleast_2d(opened), np.atleast_2d(units)
    if units.size == 0 or (units < 0).any() or (units.sum(axis=0) < 1).any():
        raise ValueError("every group has at least one unit")
    if (opened < 0).any() or (opened > units).any():
        raise ValueError("between none and all of a group's units are open")
    return opened, units


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
        return _two_sided(chance)

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


def _two_sided(chance: Vector) -> Vector:
    """The chance of a count that is at most as likely, for each count."""
    ranked = np.sort(chance)
    as_unlikely = np.searchsorted(ranked, chance * (1.0 + _ROUNDING), side="right")
    return np.minimum(np.cumsum(ranked)[as_unlikely - 1], 1.0)


def _compared_within(opened: Counts, units: Counts) -> GroupsCompared:
    """`compare_shares` of several classes."""
    classes = _Classes(opened, units)
    alone = [_two_sided(chance) for chance in classes.open_counts(units)]
    observed = np.array([p[k] for p, k in zip(alone, opened.sum(axis=0).tolist(), strict=True)])
    least = float(observed.min()) * (1.0 + _ROUNDING)
    # What one of two groups has is missing in the other: they are one comparison.
    several = alone[:1] if len(alone) == 2 else alone
    p_value = sum(float(p[p <= least].max(initial=0.0)) for p in several)
    chance = min(1.0, p_value) if len(alone) > 1 else 1.0
    return GroupsCompared(chance, int(np.argmin(observed)), int(units.sum()))


def _change_within(opened: Counts, units: Counts) -> ShareChange | None:
    """`find_change` of several classes."""
    classes, before = _Classes(opened, units), np.cumsum(units, axis=1)
    # A class with all its units on one side of a place says nothing of it.
    is_compared = (before > 0) & (before < classes.units)
    size = (before * is_compared).sum(axis=0)
    rest = (classes.units * is_compared).sum(axis=0) - size
    can_be = np.flatnonzero(np.minimum(size, rest) >= FEWEST_A_SIDE)
    if len(can_be) == 0:
        return None
    before, counts = before[:, can_be], np.cumsum(opened, axis=1)[:, can_be]
    variance = classes.covariance(before, before)
    more = (counts - classes.expected(before)).sum(axis=0)
    ratio = np.full(units.shape[1], -np.inf)
    ratio[can_be] = 0.5 * more**2 / np.where(variance > 0, variance, np.inf)
    return _likeliest(ratio, size, rest, _chance_within(classes, before, counts.sum(axis=0)))


def _chance_within(classes: "_Classes", before: Counts, opened: Counts) -> float:
    """Chance of a place whose own exact p-value is as small as the smallest one."""
    variance = classes.covariance(before, before)
    before, opened = before[:, variance > 0], opened[variance > 0]
    if len(opened) == 0:
        return 1.0
    chances = classes.open_counts(before)
    alone = [_two_sided(chance) for chance in chances]
    least = min(p[k] for p, k in zip(alone, opened.tolist(), strict=True)) * (1.0 + _ROUNDING)
    as_clear = [np.where(p <= least, some, 0.0) for p, some in zip(alone, chances, strict=True)]
    middle = np.ceil(classes.expected(before).sum(axis=0)).astype(np.int64).tolist()
    below, above = np.array(
        [
            (tail[:place].sum(), tail[place:].sum())
            for tail, place in zip(as_clear, middle, strict=True)
        ]
    ).T
    deviation = np.sqrt(variance[variance > 0])
    between = classes.covariance(before[:, :-1], before[:, 1:])
    joined = _chance_of_any(below, above, between / (deviation[:-1] * deviation[1:]))
    each = below + above
    return float(min(max(joined, each.max()), each.sum(), 1.0))


def _chance_of_any(below: Vector, above: Vector, correlation: Vector) -> float:
    """Chance that any of a chain of normal variables lies in a tail of these chances.

    References
    ----------
    Armitage, McPherson & Rowe (1969), J. R. Statist. Soc. A 132:235-244 (the recursion).
    """
    low = np.maximum(scipy.special.ndtri(below), -_WIDEST)[:, None]
    high = np.minimum(-scipy.special.ndtri(above), _WIDEST)[:, None]
    node, share = 0.5 * (low + high + (high - low) * _NODES), 0.5 * (high - low) * _SHARES
    inside, last, linked = share[0] * np.exp(-0.5 * node[0] ** 2) / _ROOT, 0, 1.0
    for place in range(1, len(node)):
        linked *= float(correlation[place - 1])
        if linked > _EQUAL:
            continue
        width = float(np.sqrt(1.0 - linked**2))
        steps = np.exp(-0.5 * ((node[place][:, None] - linked * node[last]) / width) ** 2)
        inside = share[place] * (steps @ inside) / (width * _ROOT)
        last, linked = place, 1.0
    return 1.0 - float(inside.sum())


class _Classes:
    """Classes of units that are compared within themselves: arrays of shape (classes, places)."""

    def __init__(self, opened: Counts, units: Counts) -> None:
        self.opened = opened.sum(axis=1)[:, None]
        self.units = units.sum(axis=1)[:, None]
        self._log_factorial = scipy.special.gammaln(np.arange(int(self.units.max()) + 2) + 1.0)

    def expected(self, size: Counts) -> Vector:
        """The open units expected among so many of each class."""
        return np.asarray(size * self.opened / np.maximum(self.units, 1))

    def covariance(self, size: Counts, larger: Counts) -> Vector:
        """Of the open units among so many of all classes and those among more, by place."""
        spread = self.opened * (self.units - self.opened) * size * (self.units - larger)
        return np.asarray(
            (spread / (self.units**2 * np.maximum(self.units - 1.0, 1.0))).sum(axis=0)
        )

    def open_counts(self, size: Counts) -> list[Vector]:
        """By place: the chance of each number of open units among so many of all classes."""
        found = [np.ones(1)] * size.shape[1]
        for opened, units, sizes in zip(self.opened[:, 0], self.units[:, 0], size, strict=True):
            by_place = self._hypergeometric(int(opened), int(units), sizes)
            found = [np.convolve(*pair) for pair in zip(found, by_place, strict=True)]
        return found

    def _hypergeometric(self, opened: int, units: int, sizes: Counts) -> Vector:
        """The chance of each number of open units, shape (places, opened + 1)."""
        log, count = self._log_factorial, np.arange(opened + 1)
        inside, outside = sizes[:, None] - count, units - opened - sizes[:, None] + count
        is_possible = (inside >= 0) & (outside >= 0)
        ways = (
            log[sizes][:, None]
            + log[units - sizes][:, None]
            + log[opened]
            + log[units - opened]
            - log[units]
            - log[count]
            - log[opened - count]
            - log[np.where(is_possible, inside, 0)]
            - log[np.where(is_possible, outside, 0)]
        )
        return np.asarray(np.exp(np.where(is_possible, ways, -np.inf)))


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
