"""One gain from many units: Hodges-Lehmann estimate, interval, noise."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Counts = NDArray[np.int64]

_FEW: Final = 4096
"""The search narrows until no more averages than this are left; these are sorted."""
_LOOK_FOR_TIES: Final = 8
"""Once in so many steps; without ties fewer do."""


def nth_walsh_averages(ordered: Vector, places: Sequence[int]) -> tuple[float, ...]:
    """The averages (x_i + x_j) / 2, i <= j, at these places of their order, counted from 1.

    Parameters
    ----------
    ordered : float64 array, shape (n,)
        Ascending.
    places
        Each from 1 to n (n + 1) / 2.

    References
    ----------
    Counting in a matrix with ordered rows instead of sorting its n^2 / 2 entries: Johnson &
    Mizoguchi (1978), SIAM J. Comput. 7:147-153; here by aiming until few entries are left.

    >>> nth_walsh_averages(np.array([0.0, 2.0, 6.0]), (1, 3, 6))
    (0.0, 2.0, 6.0)
    """
    found: dict[int, float] = {}
    for place in places:
        if place not in found:
            found |= _around(ordered, place)
    return tuple(found[place] for place in places)


def _around(ordered: Vector, place: int) -> dict[int, float]:
    """The average at this place and, if it costs nothing more, the next: a median needs both."""
    units = len(ordered)
    first = np.arange(units)
    few = max(_FEW, 4 * units)
    below, upto = first, np.full(units, units)
    low, high = float(ordered[0]), float(ordered[-1])
    before, until = 0, units * (units + 1) // 2
    for step in count():
        if until - before <= few:
            break
        middle = low + (high - low) * _part(place - before, until - before, few / 3, step)
        if step % _LOOK_FOR_TIES == _LOOK_FOR_TIES - 1:
            # Readings have few digits: the next average above may hold the place already.
            inside = below < units
            middle = float(np.min(0.5 * (ordered[inside] + ordered[below[inside]])))
            ends = _ends_at(ordered, middle)
            if int((ends - first).sum()) >= place:
                return {place: middle}
        if not low < middle < high:
            middle = 0.5 * (low + high)
        if not low < middle < high:
            # Equal to the last bit: all that is left are ties.
            return {place: high}
        ends = _ends_at(ordered, middle)
        reached = int((ends - first).sum())
        if reached >= place:
            upto, high, until = ends, middle, reached
        else:
            below, low, before = ends, middle, reached
    left = _averages_between(ordered, below, upto)
    rank = place - 1 - before
    ranks = [rank, rank + 1] if rank + 1 < len(left) else [rank]
    found = np.partition(left, ranks)[ranks]
    return {place + further: float(value) for further, value in enumerate(found)}


def _ends_at(ordered: Vector, average: float) -> Counts:
    """For each i the first j >= i at which (x_i + x_j) / 2 exceeds the average."""
    ends = np.searchsorted(ordered, 2.0 * average - ordered, side="right")
    return np.maximum(ends, np.arange(len(ordered)))


def _part(place: int, entries: int, beside: float, step: int) -> float:
    """How far into the range to look next, 0 to 1.

    As if the entries lay evenly: a little past the place, then a little short of it, so that both
    ends close in. Every third step halves, whatever the numbers are like.
    """
    return (0.5, (place + beside) / entries, (place - beside) / entries)[step % 3]


def _averages_between(ordered: Vector, below: Counts, upto: Counts) -> Vector:
    lengths = upto - below
    first = np.repeat(np.arange(len(ordered)), lengths)
    within = np.arange(int(lengths.sum())) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    return np.asarray(0.5 * (ordered[first] + ordered[within + np.repeat(below, lengths)]))


MOST_UNITS_EXACT: Final = 200
"""Up to here the statistic's distribution is counted; beyond, the normal one is as good."""
_BOTH_SIDES: Final = 1.96
"""Standard deviations that hold 95 % of what repeats bring."""


@dataclass(frozen=True, slots=True)
class PairedShift:
    """By how much units changed.

    Parameters
    ----------
    estimate : Hodges-Lehmann: the median of the means of all pairs of differences
    low, high : distribution-free interval for the centre of symmetric differences
    attained_confidence : what the interval attains, which falls short of what was asked with few
        units: 0.9375 at most with 5
    units : differences, one a unit
    """

    estimate: float
    low: float
    high: float
    attained_confidence: float
    units: int

    @property
    def excludes_no_change(self) -> bool:
        """Whether zero lies outside the interval."""
        return self.low > 0 or self.high < 0


def pool_shift(differences: Vector, confidence: float = 0.95) -> PairedShift:
    """The shift of paired units: tuned less stock, or the logarithm of their ratio.

    Parameters
    ----------
    differences : float64 array, shape (n,)
        One a unit, in any order; ties and zeros stay in.
    confidence
        Wanted at least; with few units the widest interval there is may attain less.

    Raises
    ------
    ValueError
        When there is no unit.

    References
    ----------
    Hollander & Wolfe (1973), *Nonparametric Statistical Methods*, section 3.2 (estimate), 3.3
    (interval from the ordered Walsh averages by the signed-rank distribution).

    >>> pool_shift(np.array([0.01, 0.03, 0.04, 0.06, 0.02]))
    PairedShift(estimate=0.03, low=0.01, high=0.06, attained_confidence=0.9375, units=5)
    """
    units = len(differences)
    if units == 0:
        raise ValueError("no unit, no shift")
    averages = units * (units + 1) // 2
    place = _place_of_low_end(units, confidence)
    middle = (averages + 1) // 2, averages // 2 + 1
    low, below, above, high = nth_walsh_averages(
        np.sort(differences), (place, *middle, averages + 1 - place)
    )
    attained = 1.0 - 2.0 * chance_at_most(units, place - 1)
    return PairedShift(0.5 * (below + above), low, high, attained, units)


def _place_of_low_end(units: int, confidence: float) -> int:
    """Which of the ordered averages, from 1, is the low end: the innermost that is sure enough."""
    wanted = 0.5 * (1.0 - confidence)
    if units <= MOST_UNITS_EXACT:
        return max(1, int(np.searchsorted(_chances(units), wanted + 1e-12, side="right")))
    mean, sd = _moments(units)
    return max(1, int(np.floor(mean + sd * float(scipy.special.ndtri(wanted)) + 0.5)))


def chance_at_most(units: int, statistic: int) -> float:
    """P(V <= v) of the signed-rank statistic of this many units without a shift; v below half way.

    >>> chance_at_most(5, 0), chance_at_most(9, 5)
    (0.03125, 0.01953125)
    """
    if units <= MOST_UNITS_EXACT:
        return float(_chances(units)[statistic])
    mean, sd = _moments(units)
    return float(scipy.special.ndtr((statistic + 0.5 - mean) / sd))


def _moments(units: int) -> tuple[float, float]:
    """Mean and standard deviation of the statistic; Hollander & Wolfe (1973), equation 3.5."""
    return units * (units + 1) / 4, float(np.sqrt(units * (units + 1) * (2 * units + 1) / 24))


@lru_cache(maxsize=MOST_UNITS_EXACT)
def _chances(units: int) -> Vector:
    """P(V <= v), v from 0 to half of the largest V: each rank is in the sum or not, evenly."""
    density = np.zeros(units * (units + 1) // 2 + 1)
    density[0] = 1.0
    for rank in range(1, units + 1):
        largest = rank * (rank + 1) // 2
        shifted = density[: largest + 1 - rank].copy()
        density[: largest + 1] *= 0.5
        density[rank : largest + 1] += 0.5 * shifted
    chances = np.cumsum(density[: len(density) // 2 + 1])
    chances.flags.writeable = False
    return chances


def share_below(differences: Vector, own: float) -> float:
    """The share of units that changed by less than one's own; equal ones count half.

    >>> share_below(np.array([1.0, 2.0, 3.0, 4.0]), 3.0)
    0.625
    """
    return float(np.mean(differences < own) + 0.5 * np.mean(differences == own))


@dataclass(frozen=True, slots=True)
class RunNoise:
    """How much one run of a load differs from the next on the same unit.

    Parameters
    ----------
    sd : standard deviation of a single run, on the scale of the differences
    groups : units that were read more than once
    """

    sd: float
    groups: int

    def of_one_pair(self, runs_stock: Vector, runs_tuned: Vector) -> float:
        """The least difference of one unit that its own repeats would not show by chance, 95 %.

        The arrays, shape (n,), hold how many runs each unit's readings are the mean of; the result
        is that of the median unit.

        >>> round(RunNoise(0.01, 12).of_one_pair(np.array([3.0]), np.array([3.0])), 4)
        0.016
        """
        pair = np.sqrt(1.0 / runs_stock + 1.0 / runs_tuned)
        return _BOTH_SIDES * self.sd * float(np.median(pair))


def pool_run_noise(
    values: Vector, runs: Vector, group: NDArray[np.int64], weight: Vector | None = None
) -> RunNoise | None:
    """The noise of one run from readings that only repeat one another; None without repeats.

    Parameters
    ----------
    values, runs : float64 arrays, shape (n,)
        Readings, each the mean of so many runs; logarithms where ratios are compared.
    group : int64 array, shape (n,)
        Equal for readings of one unit in one state under one load.

    weight : float64 array, shape (n,)
        Of the group of each reading, above 0; 1 unless given.

    The pooled variance within groups, a reading weighed by its runs.

    >>> pool_run_noise(np.array([1.0, 3.0, 5.0]), np.ones(3), np.array([0, 0, 1]))
    RunNoise(sd=1.4142135623730951, groups=1)
    """
    _, first, owner, sizes = np.unique(
        group, return_index=True, return_inverse=True, return_counts=True
    )
    if len(values) == len(sizes):
        return None
    counts = np.ones(len(values)) if weight is None else weight
    means = np.bincount(owner, runs * values) / np.bincount(owner, runs)
    repeats = float(np.sum(counts[first] * (sizes - 1)))
    variance = float(np.sum(counts * runs * (values - means[owner]) ** 2)) / repeats
    return RunNoise(float(np.sqrt(variance)), int((sizes > 1).sum()))
