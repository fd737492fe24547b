"""By which conditions a pool's units differ beyond chance: which filters are worth asking with."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.judge import Judgement, newcomer_weight, standing_flags
from kbapi.evidence.pair_units import few_of_each_by_content
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN
from kbapi.evidence.units import PoolUnits
from kbapi.stats.compare import compare_scored, holm_adjusted, log_rank_scores
from kbapi.stats.interval import group_intervals
from kbapi.stats.npmle import fit_npmle
from kbapi.vocabulary import COOLING, LOADS

FilterName = Literal["cooling", "firmware", "grade", "load", "machine", "microcode", "supply"]
_LEVEL: Final = 0.05
_WORTH_DRAWING: Final = 4 * _LEVEL
"""An asymptotic p-value above this is not brought below the level by permutations."""
_PERMUTATIONS: Final = 999
_MANY_UNITS: Final = 3_000
"""From here on permutations and the chi-squared distribution agree, and only cost time."""
_SEED: Final = 20261125
_ONE_VALUE: Final[tuple[FilterName, ...]] = ("grade", "microcode", "firmware", "machine", "supply")
_LISTS: Final[tuple[tuple[FilterName, str, tuple[str, ...]], ...]] = (
    ("cooling", "cooling", COOLING),
    ("load", "loads", LOADS),
)
"""Filters that take words of a list, the conditions' column, and the words."""


@dataclass(frozen=True, slots=True)
class DifferingValue:
    """Units that were found under one value, and where they lie among all that are compared."""

    value: str
    units: int
    goes_deeper: bool


@dataclass(frozen=True, slots=True)
class Difference:
    """A filter whose values differ beyond chance.

    `p_value` is raised for the number of filters looked at (Holm).
    """

    filter: FilterName
    p_value: float
    values: tuple[DifferingValue, ...]


@dataclass(frozen=True)
class _Units:
    """Units that stand, shape (n,) each, in an order that their own values fix."""

    weight: NDArray[np.float64]
    scores: NDArray[np.float64]
    told: "dict[str, _Told]"
    """By conditions' name."""


@dataclass(frozen=True)
class _Told:
    """What units were found under: the place of each unit's value among all, in their order."""

    values: tuple[str, ...]
    """The first is empty: no value, or not one that all of a unit's rows agree in."""
    code: NDArray[np.int64]

    def of(self, chosen: NDArray[np.int64]) -> "_Told":
        """The same for these units."""
        return _Told(self.values, self.code[chosen])


@dataclass(frozen=True)
class _Comparison:
    """Labels of the units that one filter compares: the number of a value, -1 for the others."""

    filter: FilterName
    values: tuple[str, ...]
    label: NDArray[np.int64]


def find_differences(pool: PoolUnits, judgement: Judgement) -> tuple[Difference, ...]:
    """The filters whose values differ beyond chance, in the order of the filters' names.

    Values with fewer than five units are not compared: they could tell on somebody. The same
    units give the same answer, whatever their order.
    """
    units = _units_of(pool, judgement)
    compared = [] if units is None else [*_by_value(units), *_by_word(units)]
    if units is None or not compared:
        return ()
    adjusted = holm_adjusted([_p_value(units, comparison) for comparison in compared])
    found = [
        Difference(comparison.filter, p_value, _values(units, comparison))
        for comparison, p_value in zip(compared, adjusted, strict=True)
        if p_value <= _LEVEL
    ]
    return tuple(sorted(found, key=lambda one: (one.filter, one.values[0].value)))


def _units_of(pool: PoolUnits, judgement: Judgement) -> _Units | None:
    stands = np.flatnonzero(standing_flags(pool, judgement))
    if len(stands) == 0:
        return None
    told = {name: _told(pool, name) for name in (*_ONE_VALUE, *(column for _, column, _ in _LISTS))}
    stands = _in_order(pool, told, stands)
    weight = newcomer_weight(pool, judgement)[stands]
    stable, unstable = pool.stable_steps[stands], pool.unstable_steps[stands]
    fit = fit_npmle(group_intervals(stable, unstable, weight))
    return _Units(
        weight,
        log_rank_scores(stable, unstable, fit),
        {name: one.of(stands) for name, one in told.items()},
    )


def _in_order(
    pool: PoolUnits, told: dict[str, _Told], stands: NDArray[np.int64]
) -> NDArray[np.int64]:
    """The places of the units that are compared, in an order that their own values fix.

    The test takes units for independent of each other, which those of one contributor are not:
    three of them are heard. Permutations are drawn by place: numbers of units must not matter.
    """
    content = [
        *(one.code[stands] for one in told.values()),
        pool.established[stands].astype(np.int64),
        pool.unstable_steps[stands],
        pool.stable_steps[stands],
    ]
    heard = few_of_each_by_content(pool.contributor[stands], pool.month[stands], content)
    order = np.lexsort([column[heard] for column in content])
    return stands[heard[order]]


def _told(pool: PoolUnits, name: str) -> _Told:
    told = [str(getattr(row, name)) for row in pool.conditions]
    values = sorted({"", *told})
    code = np.array([values.index(one) for one in told], dtype=np.int64)
    by_row = code[pool.chosen.place]
    first = np.searchsorted(pool.chosen.owner, np.arange(len(pool.unit)))
    least, most = np.minimum.reduceat(by_row, first), np.maximum.reduceat(by_row, first)
    return _Told(tuple(values), np.where(least == most, least, 0))


def _by_value(units: _Units) -> Iterator[_Comparison]:
    """One comparison for each filter that takes one value: all of its values at once."""
    for name in _ONE_VALUE:
        told = units.told[name]
        counts = np.bincount(told.code, minlength=len(told.values))
        shown = [place for place in range(1, len(counts)) if counts[place] >= FEWEST_UNITS_SHOWN]
        if len(shown) >= 2:
            label = np.full(len(told.values), -1)
            label[shown] = np.arange(len(shown))
            yield _Comparison(name, tuple(told.values[one] for one in shown), label[told.code])


def _by_word(units: _Units) -> Iterator[_Comparison]:
    """One comparison for each word of a filter that takes lists: with it, and without."""
    for name, column, words in _LISTS:
        told = units.told[column]
        for word in words:
            # Where nothing was told the word may hold or not.
            holds = [int(word in one.split(",")) if one else -1 for one in told.values]
            label = np.array(holds, dtype=np.int64)[told.code]
            if min(np.sum(label == 0), np.sum(label == 1)) >= FEWEST_UNITS_SHOWN:
                yield _Comparison(name, (f"without {word}", word), label)


def _p_value(units: _Units, comparison: _Comparison) -> float:
    compared = comparison.label >= 0
    rng = np.random.default_rng(_SEED)
    arguments = (units.scores[compared], units.weight[compared], comparison.label[compared], rng)
    quick = compare_scored(*arguments, 0)
    if quick.p_value > _WORTH_DRAWING or int(compared.sum()) > _MANY_UNITS:
        return quick.p_value
    return compare_scored(*arguments, _PERMUTATIONS).p_value


def _values(units: _Units, comparison: _Comparison) -> tuple[DifferingValue, ...]:
    compared = comparison.label >= 0
    weight, scores = units.weight[compared], units.scores[compared]
    middle = float(weight @ scores) / float(weight.sum())
    told = []
    for place, value in enumerate(comparison.values):
        mine = comparison.label[compared] == place
        mean = float(weight[mine] @ scores[mine]) / float(weight[mine].sum())
        told.append(DifferingValue(value, int(mine.sum()), mean > middle))
    return tuple(told)
