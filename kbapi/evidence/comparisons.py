"""Groups of units compared by rank: conditions, firmware versions, months."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Final, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.evidence.outlier_check import OutlierReport, newcomer_weight, standing_flags
from kbapi.evidence.small_cells import FEWEST_SHOWN
from kbapi.evidence.units import (
    UNITS_OF_FULL_WEIGHT,
    PoolRows,
    PoolUnits,
    Standing,
    conditions_of,
    load_pool_rows,
    month_text,
)
from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.intervals import NEVER_FAILED, group_intervals
from kbapi.stats.time.drift import NO_DRIFT, UNKNOWN, DatedLimits, DriftFound, find_drift
from kbapi.stats.time.two_groups import compare_scored, holm_adjusted, log_rank_scores
from kbapi.storage.evidence import ConditionsRow, ResultRows
from kbapi.time_budget import check_time
from kbapi.vocabulary import COOLING, LOADS

Places = NDArray[np.int64]
_Text = TypeVar("_Text", str, bytes)


def few_of_each(contributor: Places, month: Places, order: Sequence[NDArray[np.generic]]) -> Places:
    """At most three units of one contributor, the latest measured; their places, in `order`.

    `contributor` and `month` (larger is later) are int64 arrays, shape (n,), one entry a unit;
    `order` are columns that sort units, the first one first, in a way that has nothing to do with
    when they came. Rank tests cannot use fractional weights, so a flood counts as three units by
    leaving the rest out.
    """
    places = np.lexsort((*reversed(order), -month, contributor))
    of_whom = contributor[places]
    begins = np.concatenate([[True], of_whom[1:] != of_whom[:-1]])[: len(places)]
    since = np.arange(len(places)) - np.maximum.accumulate(
        np.where(begins, np.arange(len(places)), 0)
    )
    kept = np.sort(places[since < UNITS_OF_FULL_WEIGHT])
    return kept[np.lexsort(tuple(column[kept] for column in reversed(order)))]


def few_of_each_by_content(contributor: Places, month: Places, content: Sequence[Places]) -> Places:
    """As `few_of_each`, where nothing but `content` distinguishes units; their places, ascending.

    Of one month, those are kept that come first in a shuffled order made of their content: the
    order of depths itself would keep the shallowest of a large contributor.

    >>> depth, month = np.array([80, 81, 82, 83, 84, 85]), np.full(6, 24_320)
    >>> few_of_each_by_content(np.array([1, 1, 1, 1, 1, 2]), month, [depth]).tolist()
    [1, 2, 3, 5]
    """
    owner = np.unique(contributor, return_inverse=True)[1]
    is_crowded = np.bincount(owner)[owner] > UNITS_OF_FULL_WEIGHT
    crowd = np.flatnonzero(is_crowded)
    own = [column[crowd] for column in content]
    kept = few_of_each(contributor[crowd], month[crowd], (_shuffled(own, len(crowd)), *own))
    return np.sort(np.append(np.flatnonzero(~is_crowded), crowd[kept]))


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


def ranks_of(texts: Sequence[_Text]) -> Places:
    """Each text's place among the distinct ones, in their order.

    >>> ranks_of(["2026-08", "2026-02", "2026-08"]).tolist()
    [1, 0, 1]
    """
    rank = {text: place for place, text in enumerate(sorted(set(texts)))}
    return np.array([rank[text] for text in texts], dtype=np.int64)


def latest_of_each(unit: Places, month: Places, inside: Places) -> Places:
    """Those of the rows `inside` that are of their unit's latest month there."""
    latest = np.zeros(int(unit.max(initial=0)) + 1, dtype=np.int64)
    np.maximum.at(latest, unit[inside], month[inside])
    return np.asarray(inside[month[inside] == latest[unit[inside]]])


def mean_by(owner: NDArray[np.intp], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of the known values, by owner from 0; NaN where there are none.

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
"""Filters that take values of a list, the conditions' column, and the values."""


Direction = Literal["deeper", "shallower"]


@dataclass(frozen=True, slots=True)
class FilterValue:
    """One value of a filter and where its units lie among the units that were compared."""

    value: str
    """A value that the filter takes, or `without` and a value for units that lack it."""
    units: int
    """Number of units with this value."""
    direction: Direction
    """Whether their limits lie deeper or shallower than those of all units compared."""


@dataclass(frozen=True, slots=True)
class Difference:
    """A filter whose values differ beyond chance.

    `p_value` is raised for the number of filters looked at (Holm).
    """

    filter: FilterName
    p_value: float
    values: tuple[FilterValue, ...]


@dataclass(frozen=True)
class _Units:
    """Units that stand, shape (n,) each, in an order that their own values fix."""

    weight: NDArray[np.float64]
    scores: NDArray[np.float64]
    known: NDArray[np.int64]
    """The contributor of each, 0 where small cells do not count them."""
    conditions: "dict[str, _ConditionValues]"
    """By conditions' name."""


@dataclass(frozen=True)
class _ConditionValues:
    """What units were found under: the place of each unit's value among all, in their order."""

    values: tuple[str, ...]
    """The first is empty: no value, or not one that all of a unit's rows agree in."""
    code: NDArray[np.int64]

    def of(self, chosen: NDArray[np.int64]) -> "_ConditionValues":
        """The same for these units."""
        return _ConditionValues(self.values, self.code[chosen])


@dataclass(frozen=True)
class _Comparison:
    """Labels of the units that one filter compares: the number of a value, -1 for the others."""

    filter: FilterName
    values: tuple[str, ...]
    label: NDArray[np.int64]


def find_differences(
    pool: PoolUnits, outlier_report: OutlierReport, known: NDArray[np.int64]
) -> tuple[Difference, ...]:
    """The filters whose values differ beyond chance, in the order of the filters' names.

    Values with fewer than five of the `known` contributors are not compared: so few could be
    recognised. The same units give the same answer, whatever their order.
    """
    units = _units_of(pool, outlier_report, known)
    check_time("units to compare by filter")
    compared = [] if units is None else [*_by_value(units), *_by_listed_value(units)]
    if units is None or not compared:
        return ()
    adjusted = holm_adjusted([_p_value(units, comparison) for comparison in compared])
    found = [
        Difference(comparison.filter, p_value, _values(units, comparison))
        for comparison, p_value in zip(compared, adjusted, strict=True)
        if p_value <= _LEVEL
    ]
    return tuple(sorted(found, key=lambda one: (one.filter, one.values[0].value)))


def _units_of(
    pool: PoolUnits, outlier_report: OutlierReport, known: NDArray[np.int64]
) -> _Units | None:
    stands = np.flatnonzero(standing_flags(pool, outlier_report))
    if len(stands) == 0:
        return None
    conditions = {
        name: _condition_values(pool, name)
        for name in (*_ONE_VALUE, *(column for _, column, _ in _LISTS))
    }
    stands = _in_order(pool, conditions, stands)
    weight = newcomer_weight(pool, outlier_report)[stands]
    stable, unstable = pool.stable_steps[stands], pool.unstable_steps[stands]
    fit = fit_npmle(group_intervals(stable, unstable, weight))
    return _Units(
        weight,
        log_rank_scores(stable, unstable, fit),
        np.where(np.isin(pool.contributor[stands], known), pool.contributor[stands], 0),
        {name: one.of(stands) for name, one in conditions.items()},
    )


def _in_order(
    pool: PoolUnits, conditions: dict[str, _ConditionValues], stands: NDArray[np.int64]
) -> NDArray[np.int64]:
    """The places of the units that are compared, in an order that their own values fix.

    The test takes units for independent of each other, which those of one contributor are not:
    three of them are kept. Permutations are drawn by place: numbers of units must not matter.
    """
    content = [
        *(one.code[stands] for one in conditions.values()),
        pool.established[stands].astype(np.int64),
        pool.unstable_steps[stands],
        pool.stable_steps[stands],
    ]
    kept = few_of_each_by_content(pool.contributor[stands], pool.month[stands], content)
    order = np.lexsort([column[kept] for column in content])
    return stands[kept[order]]


def _condition_values(pool: PoolUnits, name: str) -> _ConditionValues:
    by_conditions = [str(getattr(row, name)) for row in pool.conditions]
    values = sorted({"", *by_conditions})
    code = np.array([values.index(one) for one in by_conditions], dtype=np.int64)
    by_row = code[pool.chosen.place]
    first = np.searchsorted(pool.chosen.owner, np.arange(len(pool.unit)))
    least, most = np.minimum.reduceat(by_row, first), np.maximum.reduceat(by_row, first)
    return _ConditionValues(tuple(values), np.where(least == most, least, 0))


def _by_value(units: _Units) -> Iterator[_Comparison]:
    """One comparison for each filter that takes one value: all of its values at once."""
    for name in _ONE_VALUE:
        units_with = units.conditions[name]
        places = range(1, len(units_with.values))
        shown = [place for place in places if _is_large(units, units_with.code == place)]
        if len(shown) >= 2:
            label = np.full(len(units_with.values), -1)
            label[shown] = np.arange(len(shown))
            yield _Comparison(
                name, tuple(units_with.values[one] for one in shown), label[units_with.code]
            )


def _by_listed_value(units: _Units) -> Iterator[_Comparison]:
    """One comparison for each value of a filter that takes lists: with it, and without."""
    for name, column, listed in _LISTS:
        units_with = units.conditions[column]
        for value in listed:
            # Without a list the value may hold or not.
            holds = [int(value in one.split(",")) if one else -1 for one in units_with.values]
            label = np.array(holds, dtype=np.int64)[units_with.code]
            if _is_large(units, label == 0) and _is_large(units, label == 1):
                yield _Comparison(name, (f"without {value}", value), label)


def _is_large(units: _Units, inside: NDArray[np.bool_]) -> bool:
    known = units.known[inside & (units.known > 0)]
    return len(known) >= FEWEST_SHOWN and len(np.unique(known)) >= FEWEST_SHOWN


def _p_value(units: _Units, comparison: _Comparison) -> float:
    check_time("comparison of filters")
    compared = comparison.label >= 0
    rng = np.random.default_rng(_SEED)
    arguments = (units.scores[compared], units.weight[compared], comparison.label[compared], rng)
    quick = compare_scored(*arguments, 0)
    if quick.p_value > _WORTH_DRAWING or int(compared.sum()) > _MANY_UNITS:
        return quick.p_value
    # One above the level is in no answer, and after Holm it changes none that is.
    return compare_scored(*arguments, _PERMUTATIONS, _LEVEL).p_value


def _values(units: _Units, comparison: _Comparison) -> tuple[FilterValue, ...]:
    compared = comparison.label >= 0
    weight, scores = units.weight[compared], units.scores[compared]
    middle = float(weight @ scores) / float(weight.sum())
    values = []
    for place, value in enumerate(comparison.values):
        mine = comparison.label[compared] == place
        mean = float(weight[mine] @ scores[mine]) / float(weight[mine].sum())
        direction: Direction = "deeper" if mean > middle else "shallower"
        values.append(FilterValue(value, int(mine.sum()), direction))
    return tuple(values)


Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PoolDrift:
    """The clearest drift of a pool, with the month and the version it is about."""

    found: DriftFound
    since: str
    """Month of the first recent report, empty where nothing could be compared."""
    version: str
    """The firmware or microcode that the recent reports share, empty for a drift by month."""
    is_mix_changed: bool = False
    """Whether recent results differ without a drift: by machines that are not stated, or new
    contributors. Known only where it was asked for."""


@dataclass(frozen=True)
class DatedRows:
    """The counted results of a pool as they were sent, shape (n,) each, in no order."""

    unit: Integers
    contributor: Integers
    conditions: Integers
    stable_steps: Integers
    """Less the early stop where no failure was seen, 0 where nothing passed."""
    unstable_steps: Integers
    """`NEVER_FAILED` where no failure was seen."""
    month: Integers
    """Twelve times the year and the month of the year, 1 to 12."""
    established: NDArray[np.bool_]
    """Sent by an established contributor, or confirmed by a curator."""


def dated_rows(results: ResultRows, established: Integers) -> DatedRows:
    """The results without follow-ups; `established` are the numbers of such contributors.

    Most follow-ups that count are failures, and would make everything old look weak. First
    failures without a passed test at stock are left out too: a test of ranks has no weights.
    """
    sent = results.some(np.flatnonzero(~results.is_follow_up & ~results.is_stock_unproven))
    never = sent.unstable_steps >= NEVER_FAILED
    stable = np.where(never, sent.stable_steps - sent.early_stop_steps, sent.stable_steps)
    return DatedRows(
        unit=sent.unit,
        contributor=sent.contributor,
        conditions=sent.conditions,
        stable_steps=np.maximum(stable, 0),
        unstable_steps=sent.unstable_steps,
        month=sent.month,
        established=sent.confirmed_by_curator | np.isin(sent.contributor, established),
    )


def load_drift(connection: Connection, pool_id: int, standing: Standing) -> PoolDrift:
    """Whether a pool has drifted or its mix changed, from each unit's latest counted result.

    A driver is no condition of a result, so a change of driver shows by its months alone.
    """
    rows = load_pool_rows(connection, pool_id, standing)
    check_time("results of the pool")
    return drift_among(rows, with_mix=True)


def drift_among(rows: PoolRows, *, with_mix: bool = False) -> PoolDrift:
    """Whether the results of these rows have drifted; `with_mix` as of `drift_of`."""
    dated = dated_rows(rows.results, rows.established)
    conditions = conditions_of(rows.conditions, dated.conditions)
    return drift_of(dated, conditions, with_mix=with_mix)


def drift_of(
    rows: DatedRows, conditions: Sequence[ConditionsRow], *, with_mix: bool = False
) -> PoolDrift:
    """Whether these results have drifted; the order of rows never matters.

    Only units of established contributors with a stated machine are compared. `with_mix` asks,
    where they have not drifted, whether all units together differ. `conditions` are those that
    rows stand under, ascending by number. The test takes units for independent of each other,
    which those of one contributor are not: three of them are kept.
    """
    everyone = _latest_of_each_unit(_dated_units(rows, conditions))
    is_compared = everyone.established & (everyone.limits.machine != UNKNOWN)
    units = _few_of_each(everyone.some(np.flatnonzero(is_compared)))
    check_time("units to check for drift")
    found = find_drift(units.limits)
    if with_mix and not found.is_drift and not is_compared.all():
        check_time("units to compare by month")
        if find_drift(_few_of_each(everyone).limits).is_drift:
            return PoolDrift(NO_DRIFT, "", "", is_mix_changed=True)
    if found.kind is None:
        return PoolDrift(found, "", "")
    version = ""
    if found.version != UNKNOWN:
        version = _versions([getattr(row, found.kind) for row in conditions])[found.version]
    return PoolDrift(found, month_text(found.since), version)


@dataclass(frozen=True)
class _DatedUnits:
    """Results, or units, as the test takes them, and whose they are; shape (n,) each."""

    unit: Integers
    contributor: Integers
    established: NDArray[np.bool_]
    limits: DatedLimits

    def some(self, places: Integers) -> "_DatedUnits":
        """Those at these places."""
        limits = [getattr(self.limits, field.name)[places] for field in fields(DatedLimits)]
        unit, contributor = self.unit[places], self.contributor[places]
        return _DatedUnits(unit, contributor, self.established[places], DatedLimits(*limits))


def _dated_units(rows: DatedRows, conditions: Sequence[ConditionsRow]) -> _DatedUnits:
    place = np.searchsorted([row.id for row in conditions], rows.conditions)
    limits = DatedLimits(
        stable_steps=rows.stable_steps,
        unstable_steps=rows.unstable_steps,
        month=rows.month,
        machine=_labels([row.machine for row in conditions])[place],
        firmware=_labels([row.firmware for row in conditions])[place],
        microcode=_labels([row.microcode for row in conditions])[place],
    )
    return _DatedUnits(rows.unit, rows.contributor, rows.established, limits)


def _labels(texts: Sequence[str]) -> Integers:
    label = {text: place for place, text in enumerate(_versions(texts))} | {"": UNKNOWN}
    return np.array([label[text] for text in texts], dtype=np.int64)


def _versions(texts: Sequence[str]) -> list[str]:
    """The distinct ones that are not empty, in their order."""
    return sorted(set(texts) - {""})


def _latest_of_each_unit(dated: _DatedUnits) -> _DatedUnits:
    """Each unit's latest result, for units where it has a pass or a failure.

    Ties within a month are broken by era and by what was found, never by arrival.
    """
    limits = dated.limits
    order = np.lexsort(
        (
            limits.machine,
            limits.unstable_steps,
            limits.stable_steps,
            -limits.firmware,
            -limits.microcode,
            -limits.month,
            dated.unit,
        )
    )
    unit = dated.unit[order]
    latest = dated.some(order[np.append(True, unit[1:] != unit[:-1])[: len(unit)]])
    found = latest.limits
    has_limit = (found.stable_steps > 0) | (found.unstable_steps < NEVER_FAILED)
    return latest.some(np.flatnonzero(has_limit))


def _few_of_each(units: _DatedUnits) -> _DatedUnits:
    limits = units.limits
    content = [
        limits.stable_steps,
        limits.unstable_steps,
        limits.machine,
        limits.firmware,
        limits.microcode,
    ]
    return units.some(few_of_each_by_content(units.contributor, limits.month, content))
