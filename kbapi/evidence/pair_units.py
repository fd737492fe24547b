"""Where ranks know no weights: units that each count once, a few of each contributor."""

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.units import UNITS_OF_FULL_WEIGHT

Places = NDArray[np.int64]
_Word = TypeVar("_Word", str, bytes)


def few_of_each(contributor: Places, month: Places, order: Sequence[NDArray[np.generic]]) -> Places:
    """At most three units of one contributor, the latest measured; their places, in `order`.

    `contributor` and `month` (larger is later) are int64 arrays, shape (n,), one entry a unit;
    `order` are columns that sort units, the first one first, in a way that has nothing to do with
    when they came. Ranks know no weights of one third: a flood counts as three units by leaving
    the rest out.
    """
    places = np.lexsort((*reversed(order), -month, contributor))
    of_whom = contributor[places]
    begins = np.concatenate([[True], of_whom[1:] != of_whom[:-1]])[: len(places)]
    since = np.arange(len(places)) - np.maximum.accumulate(
        np.where(begins, np.arange(len(places)), 0)
    )
    heard = np.sort(places[since < UNITS_OF_FULL_WEIGHT])
    return heard[np.lexsort(tuple(column[heard] for column in reversed(order)))]


def few_of_each_by_content(contributor: Places, month: Places, content: Sequence[Places]) -> Places:
    """As `few_of_each`, where nothing but `content` tells units apart; their places, ascending.

    Of one month, those are heard that come first in a shuffled order made of their content: the
    order of depths itself would hear the shallowest of a large sender.

    >>> depth, month = np.array([80, 81, 82, 83, 84, 85]), np.full(6, 24_320)
    >>> few_of_each_by_content(np.array([1, 1, 1, 1, 1, 2]), month, [depth]).tolist()
    [1, 2, 3, 5]
    """
    owner = np.unique(contributor, return_inverse=True)[1]
    is_crowded = np.bincount(owner)[owner] > UNITS_OF_FULL_WEIGHT
    crowd = np.flatnonzero(is_crowded)
    own = [column[crowd] for column in content]
    heard = few_of_each(contributor[crowd], month[crowd], (_shuffled(own, len(crowd)), *own))
    return np.sort(np.append(np.flatnonzero(~is_crowded), crowd[heard]))


def _shuffled(columns: Sequence[Places], units: int) -> NDArray[np.uint64]:
    """The content of each unit mixed into one number, as good as drawn at random.

    Stafford's thirteenth mixer: Steele, Lea & Flood (2014), OOPSLA, figure 17 (`mix64variant13`).
    """
    mixed = np.zeros(units, dtype=np.uint64)
    for column in columns:
        mixed = mixed + column.astype(np.uint64) + np.uint64(0x9E3779B97F4A7C15)
        mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        mixed = mixed ^ (mixed >> np.uint64(31))
    return mixed


def ranks_of(words: Sequence[_Word]) -> Places:
    """Each word's place among the distinct ones, in their order.

    >>> ranks_of(["2026-08", "2026-02", "2026-08"]).tolist()
    [1, 0, 1]
    """
    rank = {word: place for place, word in enumerate(sorted(set(words)))}
    return np.array([rank[word] for word in words], dtype=np.int64)


def latest_of_each(unit: Places, month: Places, inside: Places) -> Places:
    """Those of the rows `inside` that are of their unit's latest month there."""
    latest = np.zeros(int(unit.max(initial=0)) + 1, dtype=np.int64)
    np.maximum.at(latest, unit[inside], month[inside])
    return np.asarray(inside[month[inside] == latest[unit[inside]]])


def mean_by(owner: NDArray[np.intp], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of what is told, by owner from 0; NaN where nothing is.

    >>> mean_by(np.array([0, 1, 0]), np.array([1.0, np.nan, 2.0])).tolist()
    [1.5, nan]
    """
    if np.array_equal(owner, np.arange(len(owner))):
        return values  # one row each, as most units have
    # Added up in the order of their size: the same to the last bit in whatever order rows come.
    order = np.lexsort((values, owner))
    order = order[~np.isnan(values[order])]
    owners = int(owner.max(initial=-1)) + 1
    sums = np.bincount(owner[order], values[order], owners)
    counts = np.bincount(owner[order], minlength=owners)
    return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
