"""Pairs of readings become gains and power curves: measures, ratios, one estimate per unit."""

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.comparisons import few_of_each, latest_of_each, mean_by, ranks_of
from kbapi.evidence.small_cells import FEWEST_SHOWN
from kbapi.evidence.units import UNITS_OF_FULL_WEIGHT
from kbapi.stats.gains.gains import PairedShift, RunNoise, pool_run_noise, pool_shift
from kbapi.stats.gains.physics import expected_cooling_c, is_spent_on_clock
from kbapi.stats.gains.power_curve import CurvePoints
from kbapi.storage.readings import CurveColumns, Numbers, PairColumns, RepeatRow
from kbapi.vocabulary import Load, PowerScope

Vector = NDArray[np.float64]
GainMeasure = Literal[
    "performance",
    "power",
    "performance_per_watt",
    "clock",
    "temperature",
    "temperature_free_fan",
    "loudness",
]
GainMeasureUnit = Literal["C", "dB(A)"]


@dataclass(frozen=True, slots=True)
class Measure:
    """A quantity of a pair of readings: a ratio as its logarithm, or a difference."""

    name: GainMeasure
    unit: GainMeasureUnit | None
    """Of a difference; None for ratios."""
    repeated: Callable[[RepeatRow], float | None]
    """What of a single reading is compared between repeats."""

    @property
    def is_ratio(self) -> bool:
        """Whether it is tuned over stock, rather than tuned less stock."""
        return self.unit is None


def _per_watt(row: RepeatRow) -> float | None:
    return row.performance / row.power_w if row.performance and row.power_w else None


MEASURES: Final = (
    Measure("performance", None, lambda row: row.performance),
    Measure("power", None, lambda row: row.power_w),
    Measure("performance_per_watt", None, _per_watt),
    Measure("clock", None, lambda row: row.clock_mhz),
    Measure("temperature", "C", lambda row: row.heat_c),
    Measure("temperature_free_fan", "C", lambda row: row.heat_c),
    Measure("loudness", "dB(A)", lambda row: row.noise_dba),
)


def changes_in(pairs: PairColumns) -> Mapping[str, Vector]:
    """By measure, how much each pair changed; NaN where that is unknown."""
    performance, power = _log(pairs.performance_ratio), _log(pairs.power_ratio)
    rise, is_fixed = as_floats(pairs.rise_c), np.array(pairs.is_fan_fixed) == 1
    return {
        "performance": performance,
        "power": power,
        "performance_per_watt": performance - power,
        "clock": _log(pairs.clock_ratio),
        "temperature": np.where(is_fixed, rise, np.nan),
        "temperature_free_fan": np.where(is_fixed, np.nan, rise),
        "loudness": as_floats(pairs.louder_dba),
    }


def as_floats(numbers: Numbers | tuple[int, ...]) -> Vector:
    """The numbers as an array, NaN for None."""
    return np.array(numbers, dtype=np.float64)


def _log(ratios: Numbers) -> Vector:
    numbers = as_floats(ratios)
    return np.log(np.where(numbers > 0, numbers, np.nan))


def expected_rise_c(pairs: PairColumns) -> Vector:
    """What the saved power explains at a fixed fan, negative where it cools; NaN if unknown."""
    heat_c = as_floats(pairs.stock_heat_c)
    explained = -expected_cooling_c(heat_c, np.zeros_like(heat_c), as_floats(pairs.power_ratio))
    return np.where(np.array(pairs.is_fan_fixed) == 1, explained, np.nan)


_FEWEST_REPEATED: Final = 5
"""The noise of runs is not learnt from units of fewer contributors that were read again."""

NoiseSource = Literal["repeated_runs", "reported_spread", "spread_over_units"]
Significance = Literal["larger", "hidden", "unclear", "none", "too_few"]
"""Larger than the noise; real over units but hidden in the noise of one unit; not clearly above the
noise; within it; or from too few units to compare with it."""

KNOWN_NOISE_ERROR: Final = 0.03
UNKNOWN_NOISE_ERROR: Final = 0.05
"""The most often that a change is said to be larger than the noise where tuning has no effect."""


@dataclass(frozen=True)
class UnitGains:
    """What tuning changed on units under one load: means of their pairs of their latest month.

    Float64 arrays of shape (units,), NaN where a unit has no value.
    """

    changes: Mapping[str, Vector]
    """By measure: the logarithm of a ratio, or a difference."""
    expected_rise_c: Vector
    """What the saved power explains at a fixed fan."""
    runs_stock: Vector
    runs_tuned: Vector
    clock_spread: Vector
    """Of one run, as a share of the clock."""
    known: Vector
    """The number of the contributor; NaN where small cells do not count them."""

    @property
    def units(self) -> int:
        """How many there are."""
        return len(self.runs_stock)

    @property
    def contributors(self) -> int:
        """How many contributors small cells count."""
        return len(np.unique(self.known[~np.isnan(self.known)]))

    @property
    def is_small(self) -> bool:
        """Whether so few contributors are behind them that they are withheld."""
        return self.contributors < FEWEST_SHOWN

    @property
    def at_power_or_heat_limit(self) -> "UnitGains":
        """Units at their limit of power or heat, whose saving became clock."""
        changes = self.changes
        fixed, free = changes["temperature"], changes["temperature_free_fan"]
        rise = np.where(np.isnan(fixed), free, fixed)
        ratios = np.exp(changes["clock"]), np.exp(changes["power"])
        return self.some(is_spent_on_clock(*ratios, rise))

    def some(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> "UnitGains":
        """The chosen units alone, in the order chosen."""
        return UnitGains(
            {name: change[chosen] for name, change in self.changes.items()},
            self.expected_rise_c[chosen],
            self.runs_stock[chosen],
            self.runs_tuned[chosen],
            self.clock_spread[chosen],
            self.known[chosen],
        )

    def means(self, owner: NDArray[np.intp]) -> "UnitGains":
        """Pairs become units: the mean of each owner's."""
        return UnitGains(
            {name: mean_by(owner, change) for name, change in self.changes.items()},
            mean_by(owner, self.expected_rise_c),
            mean_by(owner, self.runs_stock),
            mean_by(owner, self.runs_tuned),
            mean_by(owner, self.clock_spread),
            mean_by(owner, self.known),
        )

    def at_equal(self, name: str, tolerance: float) -> "UnitGains":
        """The units whose ratio of this measure is one, within the tolerance."""
        return self.some(np.abs(self.changes[name]) <= math.log1p(tolerance))


@dataclass(frozen=True)
class GainCell:
    """The units of one load, with a power cap (the same both times) or without."""

    load: Load
    is_capped: bool
    gains: UnitGains
    left_out: int
    """Further units of contributors of whom three count."""


@dataclass(frozen=True, slots=True)
class MeasuredGain:
    """One measure over the units of a block."""

    measure: Measure
    shift: PairedShift
    noise: float | None
    """What repeated runs of one unit differ by, 95 % of the time; None where it is not known."""
    noise_source: NoiseSource
    significance: Significance
    expected: float | None
    """Of a temperature at a fixed fan: what the saved power explains, the median unit."""


@dataclass(frozen=True, slots=True)
class GainBlock:
    """Some units of a cell and what changed on them."""

    units: int
    measured: tuple[MeasuredGain, ...]
    withheld: int
    """Measures that too few of these units have."""

    def of(self, name: str) -> MeasuredGain | None:
        """The measure with this name, if enough units have it."""
        return next((one for one in self.measured if one.measure.name == name), None)


def gain_cells(pairs: PairColumns | None, known: NDArray[np.int64]) -> list[GainCell]:
    """The cells that pairs fall into, in a fixed order; each unit counts once in a cell.

    `known` are the numbers of the contributors whom small cells count.
    """
    if pairs is None:
        return []
    load, capped = np.array(pairs.load), np.array(pairs.is_capped)
    every = _UnitsOf(pairs, known)
    return [
        every.cell(place, is_capped, np.flatnonzero((load == place) & (capped == is_capped)))
        for place, is_capped in sorted(set(zip(pairs.load, pairs.is_capped, strict=True)))
    ]


class _UnitsOf:
    """Pairs as arrays, made once for all cells."""

    def __init__(self, pairs: PairColumns, known: NDArray[np.int64]) -> None:
        contributor = np.array(pairs.contributor_id)
        spread = as_floats(pairs.clock_spread)
        self._pairs = UnitGains(
            changes_in(pairs),
            expected_rise_c(pairs),
            as_floats(pairs.runs_stock),
            as_floats(pairs.runs_tuned),
            np.where(spread > 0, spread, np.nan),
            np.where(np.isin(contributor, known), contributor, np.nan),
        )
        self._unit = np.array(pairs.unit_id)
        self._contributor = contributor
        self._month, self._order = ranks_of(pairs.month), ranks_of(pairs.unit_order)

    def cell(self, load: Load, is_capped: int, inside: NDArray[np.int64]) -> GainCell:
        """The cell of these pairs: of each unit its latest month, of each contributor three."""
        rows = latest_of_each(self._unit, self._month, inside)
        _, first, owner = np.unique(self._unit[rows], return_index=True, return_inverse=True)
        units, lead = self._pairs.some(rows).means(owner), rows[first]
        order = self._order[lead], *(units.changes[measure.name] for measure in MEASURES)
        kept = few_of_each(self._contributor[lead], self._month[lead], order)
        return GainCell(load, bool(is_capped), units.some(kept), units.units - len(kept))


def gain_block(
    gains: UnitGains, noises: Mapping[GainMeasure, RunNoise], but: tuple[str, ...] = ()
) -> GainBlock | None:
    """What changed on these units, `but` left out because it was held; None for too few."""
    if gains.is_small:
        return None
    asked = [measure for measure in MEASURES if measure.name not in but]
    has_value = [~np.isnan(gains.changes[measure.name]) for measure in asked]
    are_small = [gains.some(units).is_small for units in has_value]
    return GainBlock(
        units=gains.units,
        measured=tuple(
            _measured(measure, gains, units, noises.get(measure.name))
            for measure, units, is_small in zip(asked, has_value, are_small, strict=True)
            if not is_small
        ),
        withheld=sum(
            is_small and bool(units.any())
            for units, is_small in zip(has_value, are_small, strict=True)
        ),
    )


def _measured(
    measure: Measure, gains: UnitGains, has_value: NDArray[np.bool_], learnt: RunNoise | None
) -> MeasuredGain:
    shift = pool_shift(gains.changes[measure.name][has_value])
    noise_source: NoiseSource = "repeated_runs"
    if learnt is None:
        learnt = _reported(measure, gains, has_value)
        noise_source = "spread_over_units" if learnt is None else "reported_spread"
    noise = None
    if learnt is not None:
        noise = learnt.of_one_pair(gains.runs_stock[has_value], gains.runs_tuned[has_value])
    return MeasuredGain(
        measure,
        shift,
        noise,
        noise_source,
        _significance(shift, noise),
        _expected(gains.expected_rise_c[has_value]) if measure.name == "temperature" else None,
    )


def _reported(measure: Measure, gains: UnitGains, has_value: NDArray[np.bool_]) -> RunNoise | None:
    """The spread of the clock, where enough units have it; other measures have none."""
    if measure.name != "clock":
        return None
    spreads = gains.clock_spread[has_value & ~np.isnan(gains.clock_spread)]
    if len(spreads) < FEWEST_SHOWN:
        return None
    return RunNoise(float(np.median(spreads)), len(spreads))


def _significance(shift: PairedShift, noise: float | None) -> Significance:
    if shift.units < fewest_to_compare(noise):
        return "too_few"
    if shift.p_value > _error_of(noise):
        return "unclear" if shift.low > 0 or shift.high < 0 else "none"
    return "hidden" if noise is not None and abs(shift.estimate) <= noise else "larger"


def _error_of(noise: float | None) -> float:
    return UNKNOWN_NOISE_ERROR if noise is None else KNOWN_NOISE_ERROR


def fewest_to_compare(noise: float | None) -> int:
    """The fewest units that can show a change with so small a chance of error, all of one sign.

    >>> fewest_to_compare(None), fewest_to_compare(0.02)
    (6, 7)
    """
    return 1 + math.ceil(-math.log2(_error_of(noise)))


def _expected(rises_c: Vector) -> float | None:
    known_c = rises_c[~np.isnan(rises_c)]
    return float(np.median(known_c)) if len(known_c) >= FEWEST_SHOWN else None


def run_noises(rows: Sequence[RepeatRow]) -> dict[GainMeasure, RunNoise]:
    """By measure, the noise of one run, where units of enough contributors were read again.

    A contributor weighs as three units at most, and a unit as one, however many results it has.
    """
    noises = {}
    for measure in MEASURES:
        read = [(row, value) for row in rows if (value := measure.repeated(row)) is not None]
        times = Counter(row.kind for row, _ in read)
        read = [(row, value) for row, value in read if times[row.kind] > 1]
        if len({row.contributor_id for row, _ in read}) < _FEWEST_REPEATED:
            continue
        values = np.array([value for _, value in read])
        noise = pool_run_noise(
            np.log(values) if measure.is_ratio else values,
            np.array([float(row.runs) for row, _ in read]),
            np.array([row.kind for row, _ in read], dtype=np.int64),
            _weights_of_repeats([row for row, _ in read]),
        )
        if noise is not None:
            noises[measure.name] = noise
    return noises


def _weights_of_repeats(rows: Sequence[RepeatRow]) -> Vector:
    """What the repeats that each row belongs to weigh beside those of other contributors."""
    kinds = {row.kind: (row.contributor_id, row.unit_id) for row in rows}
    of_unit = Counter(kinds.values())
    of_contributor = Counter(contributor for contributor, _ in of_unit)
    return np.array(
        [
            min(1.0, UNITS_OF_FULL_WEIGHT / of_contributor[row.contributor_id])
            / of_unit[row.contributor_id, row.unit_id]
            for row in rows
        ]
    )


@dataclass(frozen=True)
class PowerPool:
    """The units of one load and one scope of power."""

    load: Load
    power_scope: PowerScope | Literal[""]
    """Of what the power is; empty where no scope was sent."""
    stock: CurvePoints
    tuned: CurvePoints
    stock_power_w: Vector
    """One a unit."""
    left_out: int
    """Further units of contributors of whom three count."""
    known: Vector
    """The number of the contributor of each unit; NaN where small cells do not count them."""

    @property
    def units(self) -> int:
        """How many there are."""
        return len(self.stock_power_w)

    def contributors(self, points: CurvePoints | None = None) -> int:
        """How many contributors small cells count, of these points or of all units."""
        known = self.known if points is None else self.known[np.unique(points.unit)]
        return len(np.unique(known[~np.isnan(known)]))


def largest_power_pool(curves: CurveColumns, known: NDArray[np.int64]) -> PowerPool:
    """The load and scope of which most units have a curve, the first by name of equal ones.

    `known` are the numbers of the contributors whom small cells count.
    """
    seen = set(zip(curves.load, curves.power_scope, curves.unit_id, strict=True))
    sizes = Counter(place[:2] for place in seen)
    load, scope = min(sizes, key=lambda place: (-sizes[place], place))
    inside = (np.array(curves.load) == load) & (np.array(curves.power_scope) == scope)
    month = ranks_of(curves.month)
    rows = latest_of_each(np.array(curves.unit_id), month, np.flatnonzero(inside))
    pool = _pool(curves, load, scope, rows, month)
    contributors = pool.known
    return replace(pool, known=np.where(np.isin(contributors, known), contributors, np.nan))


def _pool(
    curves: CurveColumns,
    load: Load,
    scope: PowerScope | Literal[""],
    rows: NDArray[np.int64],
    month: NDArray[np.int64],
) -> PowerPool:
    """The pool of these readings: points of one load and scope, of each unit's latest month."""
    stock_w = np.array(curves.stock_power_w)[rows]
    power = np.array(curves.power_w)[rows] / stock_w
    performance = np.array(curves.performance)[rows]
    is_tuned = np.array(curves.is_tuned)[rows] == 1
    _, first, owner = np.unique(
        np.array(curves.unit_id)[rows], return_index=True, return_inverse=True
    )
    lead = rows[first]
    mean_w = mean_by(owner, stock_w)
    # Units without a token have no order of their own: what they measured distinguishes them.
    content = mean_w, mean_by(owner, power), mean_by(owner, performance)
    order = ranks_of(curves.unit_order)[lead], *content
    kept = few_of_each(np.array(curves.contributor_id)[lead], month[lead], order)
    place = np.full(len(first), -1)
    place[kept] = np.arange(len(kept))
    unit = place[owner]
    stock, tuned = (unit >= 0) & ~is_tuned, (unit >= 0) & is_tuned
    return PowerPool(
        load=load,
        power_scope=scope,
        stock=CurvePoints(unit[stock], power[stock], performance[stock]),
        tuned=CurvePoints(unit[tuned], power[tuned], performance[tuned]),
        stock_power_w=mean_w[kept],
        left_out=len(first) - len(kept),
        known=np.array(curves.contributor_id, dtype=np.float64)[lead][kept],
    )
