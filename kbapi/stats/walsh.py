"""Ordered means of all pairs of numbers, found without writing all of them down."""

from collections.abc import Sequence
from itertools import count
from typing import Final

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Counts = NDArray[np.int64]

_FEW: Final = 4096
"""So many averages are written down at once; the search narrows until no more are left."""
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
    """The average at this place and, where it comes for nothing, the next: a median needs both."""
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
            # Readings are told in few digits: the next average above may hold the place already.
            inside = below < units
            middle = float(np.min(0.5 * (ordered[inside] + ordered[below[inside]])))
            ends = _ends_at(ordered, middle)
            if int((ends - first).sum()) >= place:
                return {place: middle}
        if not low < middle < high:
            middle = 0.5 * (low + high)
        if not low < middle < high:
            # Equal to the last bit: so many ties that there is nothing left to tell apart.
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
