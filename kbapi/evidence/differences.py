"""By which conditions a pool's units differ beyond chance: which filters are worth asking with."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.judge import Judgement, standing_flags
from kbapi.evidence.locks import FEWEST_UNITS_SHOWN
from kbapi.stats.compare import compare_scored, holm_adjusted, log_rank_scores
from kbapi.stats.interval import group_intervals
from kbapi.stats.npmle import fit_npmle
from kbapi.storage.condition_rows import ConditionedGroup
from kbapi.vocabulary import COOLING, LOADS

_LEVEL: Final = 0.05
_WORTH_DRAWING: Final = 4 * _LEVEL
"""An asymptotic p-value above this is not brought below the level by permutations."""
_PERMUTATIONS: Final = 999
_MANY_UNITS: Final = 3_000
"""From here on permutations and the chi-squared distribution agree, and only cost time."""
_SEED: Final = 20261125
_ONE_VALUE: Final = ("grade", "microcode", "firmware", "machine", "supply")


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

    filter: str
    p_value: float
    values: tuple[DifferingValue, ...]


@dataclass(frozen=True)
class _Units:
    """Units that stand, one entry each, in a fixed order."""

    groups: tuple[ConditionedGroup, ...]
    owner: NDArray[np.int64]
    """The unit's place in `groups`."""
    weight: NDArray[np.float64]
    scores: NDArray[np.float64]


@dataclass(frozen=True)
class _Comparison:
    """Labels of the units that one filter compares: the number of a value, -1 for the others."""

    filter: str
    values: tuple[str, ...]
    label: NDArray[np.int64]


def find_differences(
    groups: Sequence[ConditionedGroup], judgement: Judgement
) -> tuple[Difference, ...]:
    """The filters whose values differ beyond chance, in the order of the filters' names.

    Values with fewer than five units are not compared: they could tell on somebody. The same
    units give the same answer, whatever their order.
    """
    units = _units_of(groups, judgement)
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


def _units_of(groups: Sequence[ConditionedGroup], judgement: Judgement) -> _Units | None:
    flags = standing_flags([group.units for group in groups], judgement)
    stand = tuple(group for group, stands in zip(groups, flags.tolist(), strict=True) if stands)
    if not stand:
        return None
    owner = np.repeat(np.arange(len(stand)), [group.units.units for group in stand])
    stable = np.array([group.units.stable_steps for group in stand], dtype=np.int64)[owner]
    unstable = np.array([group.units.unstable_steps for group in stand], dtype=np.int64)[owner]
    each = [group.units.weight_ppm / group.units.units / 1e6 for group in stand]
    weight = np.array(each)[owner]
    fit = fit_npmle(group_intervals(stable, unstable, weight))
    return _Units(stand, owner, weight, log_rank_scores(stable, unstable, fit))


def _by_value(units: _Units) -> Iterator[_Comparison]:
    """One comparison for each filter that takes one value: all of its values at once."""
    for name in _ONE_VALUE:
        told = np.array([getattr(group.conditions, name) for group in units.groups])[units.owner]
        values, counts = np.unique(told[told != ""], return_counts=True)
        shown = values[counts >= FEWEST_UNITS_SHOWN]
        if len(shown) >= 2:
            place = np.searchsorted(shown, told).clip(max=len(shown) - 1)
            label = np.where(shown[place] == told, place, -1)
            yield _Comparison(name, tuple(shown.tolist()), label)


def _by_word(units: _Units) -> Iterator[_Comparison]:
    """One comparison for each word of a filter that takes lists: with it, and without."""
    lists: tuple[tuple[str, Sequence[str], Callable[[ConditionedGroup], str]], ...] = (
        ("cooling", COOLING, lambda group: group.conditions.cooling),
        ("load", LOADS, lambda group: group.conditions.loads),
    )
    for name, words, told_by in lists:
        told = [told_by(group).split(",") for group in units.groups]
        for word in words:
            # Where nothing was told the word may hold or not.
            places = [-1 if one == [""] else int(word in one) for one in told]
            label = np.array(places, dtype=np.int64)[units.owner]
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
