"""Pairs of readings become gains and power curves: measures, ratios, one estimate per unit."""

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.comparisons import few_of_each, latest_of_each, mean_by, ranks_of
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN, is_small
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
    """Something that a pair of readings tells: a ratio as its logarithm, or a difference."""

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
    """By measure, how much each pair changed; NaN where that was not told."""
    performance, power = _log(pairs.performance_ratio), _log(pairs.power_ratio)
    rise, is_fixed = told(pairs.rise_c), np.array(pairs.is_fan_fixed) == 1
    return {
        "performance": performance,
        "power": power,
        "performance_per_watt": performance - power,
        "clock": _log(pairs.clock_ratio),
        "temperature": np.where(is_fixed, rise, np.nan),
        "temperature_free_fan": np.where(is_fixed, np.nan, rise),
        "loudness": told(pairs.louder_dba),
    }


def told(numbers: Numbers | tuple[int, ...]) -> Vector:
    """The numbers as an array, NaN where nothing was told."""
    # numpy reads None as NaN where it is told that floats are meant.
    return np.array(numbers, dtype=np.float64)


def _log(ratios: Numbers) -> Vector:
    numbers = told(ratios)
    return np.log(np.where(numbers > 0, numbers, np.nan))


def expected_rise_c(pairs: PairColumns) -> Vector:
    """What the saved power explains at a fixed fan, negative where it cools; NaN if untold."""
    heat_c = told(pairs.stock_heat_c)
    explained = -expected_cooling_c(heat_c, np.zeros_like(heat_c), told(pairs.power_ratio))
    return np.where(np.array(pairs.is_fan_fixed) == 1, explained, np.nan)


_FEWEST_REPEATED: Final = 5
"""The noise of runs is not learnt from fewer units that were read again."""

NoiseSource = Literal["repeated_runs", "reported_spread", "spread_over_units"]
Verdict = Literal["larger", "hidden", "none"]
"""Larger than the noise; real over units but hidden in the noise of one unit; or neither."""


@dataclass(frozen=True)
class UnitGains:
    """What tuning changed on units under one load: means of their pairs of their latest month.

    Float64 arrays of shape (units,), NaN where a unit did not tell.
    """

    changes: Mapping[str, Vector]
    """By measure: the logarithm of a ratio, or a difference."""
    expected_rise_c: Vector
    """What the saved power explains at a fixed fan."""
    runs_stock: Vector
    runs_tuned: Vector
    clock_spread: Vector
    """Of one run, as a share of the clock."""

    @property
    def units(self) -> int:
        """How many there are."""
        return len(self.runs_stock)

    @property
    def at_power_or_heat_limit(self) -> int:
        """Units at their limit of power or heat, whose saving became clock."""
        changes = self.changes
        fixed, free = changes["temperature"], changes["temperature_free_fan"]
        rise = np.where(np.isnan(fixed), free, fixed)
        ratios = np.exp(changes["clock"]), np.exp(changes["power"])
        return int(is_spent_on_clock(*ratios, rise).sum())

    def some(self, chosen: NDArray[np.bool_] | NDArray[np.int64]) -> "UnitGains":
        """The chosen units alone, in the order chosen."""
        return UnitGains(
            {name: change[chosen] for name, change in self.changes.items()},
            self.expected_rise_c[chosen],
            self.runs_stock[chosen],
            self.runs_tuned[chosen],
            self.clock_spread[chosen],
        )

    def means(self, owner: NDArray[np.intp]) -> "UnitGains":
        """Pairs become units: the mean of each owner's."""
        return UnitGains(
            {name: mean_by(owner, change) for name, change in self.changes.items()},
            mean_by(owner, self.expected_rise_c),
            mean_by(owner, self.runs_stock),
            mean_by(owner, self.runs_tuned),
            mean_by(owner, self.clock_spread),
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
    """Further units of contributors who are heard with three."""


@dataclass(frozen=True, slots=True)
class MeasuredGain:
    """One measure over the units of a block."""

    measure: Measure
    shift: PairedShift
    noise: float | None
    """What repeated runs of one unit differ by, 95 % of the time; None where it is not known."""
    noise_source: NoiseSource
    verdict: Verdict
    expected: float | None
    """Of a temperature at a fixed fan: what the saved power explains, the median unit."""


@dataclass(frozen=True, slots=True)
class GainBlock:
    """Some units of a cell and what changed on them."""

    units: int
    measured: tuple[MeasuredGain, ...]
    withheld: int
    """Measures that fewer than five of these units tell."""

    def of(self, name: str) -> MeasuredGain | None:
        """The measure with this name, if enough units tell it."""
        return next((one for one in self.measured if one.measure.name == name), None)


def gain_cells(pairs: PairColumns | None) -> list[GainCell]:
    """The cells that pairs fall into, in a fixed order; each unit counts once in a cell."""
    if pairs is None:
        return []
    load, capped = np.array(pairs.load), np.array(pairs.is_capped)
    every = _UnitsOf(pairs)
    return [
        every.cell(place, is_capped, np.flatnonzero((load == place) & (capped == is_capped)))
        for place, is_capped in sorted(set(zip(pairs.load, pairs.is_capped, strict=True)))
    ]


class _UnitsOf:
    """Pairs as arrays, made once for all cells."""

    def __init__(self, pairs: PairColumns) -> None:
        spread = told(pairs.clock_spread)
        self._pairs = UnitGains(
            changes_in(pairs),
            expected_rise_c(pairs),
            told(pairs.runs_stock),
            told(pairs.runs_tuned),
            np.where(spread > 0, spread, np.nan),
        )
        self._unit = np.array(pairs.unit_id)
        self._contributor = np.array(pairs.contributor_id)
        self._month, self._order = ranks_of(pairs.month), ranks_of(pairs.unit_order)

    def cell(self, load: Load, is_capped: int, inside: NDArray[np.int64]) -> GainCell:
        """The cell of these pairs: of each unit its latest month, of each contributor three."""
        rows = latest_of_each(self._unit, self._month, inside)
        _, first, owner = np.unique(self._unit[rows], return_index=True, return_inverse=True)
        units, lead = self._pairs.some(rows).means(owner), rows[first]
        order = self._order[lead], *(units.changes[measure.name] for measure in MEASURES)
        heard = few_of_each(self._contributor[lead], self._month[lead], order)
        return GainCell(load, bool(is_capped), units.some(heard), units.units - len(heard))


def gain_block(
    gains: UnitGains, noises: Mapping[GainMeasure, RunNoise], but: tuple[str, ...] = ()
) -> GainBlock | None:
    """What changed on these units, `but` left out because it was held; None for fewer than five."""
    if gains.units < FEWEST_UNITS_SHOWN:
        return None
    asked = [measure for measure in MEASURES if measure.name not in but]
    telling = [~np.isnan(gains.changes[measure.name]) for measure in asked]
    sizes = [int(units.sum()) for units in telling]
    return GainBlock(
        units=gains.units,
        measured=tuple(
            _measured(measure, gains, units, noises.get(measure.name))
            for measure, units, size in zip(asked, telling, sizes, strict=True)
            if size >= FEWEST_UNITS_SHOWN
        ),
        withheld=sum(map(is_small, sizes)),
    )


def _measured(
    measure: Measure, gains: UnitGains, telling: NDArray[np.bool_], learnt: RunNoise | None
) -> MeasuredGain:
    shift = pool_shift(gains.changes[measure.name][telling])
    noise_source: NoiseSource = "repeated_runs"
    if learnt is None:
        learnt = _reported(measure, gains, telling)
        noise_source = "spread_over_units" if learnt is None else "reported_spread"
    noise = None
    if learnt is not None:
        noise = learnt.of_one_pair(gains.runs_stock[telling], gains.runs_tuned[telling])
    return MeasuredGain(
        measure,
        shift,
        noise,
        noise_source,
        _verdict(shift, noise),
        _expected(gains.expected_rise_c[telling]) if measure.name == "temperature" else None,
    )


def _reported(measure: Measure, gains: UnitGains, telling: NDArray[np.bool_]) -> RunNoise | None:
    """The spread of the clock, where enough units tell it; nothing else tells its own."""
    if measure.name != "clock":
        return None
    spreads = gains.clock_spread[telling & ~np.isnan(gains.clock_spread)]
    if len(spreads) < FEWEST_UNITS_SHOWN:
        return None
    return RunNoise(float(np.median(spreads)), len(spreads))


def _verdict(shift: PairedShift, noise: float | None) -> Verdict:
    if not shift.excludes_no_change:
        return "none"
    return "hidden" if noise is not None and abs(shift.estimate) <= noise else "larger"


def _expected(rises_c: Vector) -> float | None:
    told_c = rises_c[~np.isnan(rises_c)]
    return float(np.median(told_c)) if len(told_c) >= FEWEST_UNITS_SHOWN else None


def run_noises(rows: Sequence[RepeatRow]) -> dict[GainMeasure, RunNoise]:
    """By measure, the noise of one run, where enough units were read again."""
    noises = {}
    for measure in MEASURES:
        read = [(row, value) for row in rows if (value := measure.repeated(row)) is not None]
        values = np.array([value for _, value in read])
        noise = pool_run_noise(
            np.log(values) if measure.is_ratio else values,
            np.array([float(row.runs) for row, _ in read]),
            np.array([row.kind for row, _ in read], dtype=np.int64),
        )
        if noise is not None and noise.groups >= _FEWEST_REPEATED:
            noises[measure.name] = noise
    return noises


@dataclass(frozen=True)
class PowerPool:
    """The units of one load and one scope of power."""

    load: Load
    power_scope: PowerScope | Literal[""]
    """Of what the power is; empty where nobody said."""
    stock: CurvePoints
    tuned: CurvePoints
    stock_power_w: Vector
    """One a unit."""
    left_out: int
    """Further units of contributors who are heard with three."""

    @property
    def units(self) -> int:
        """How many there are."""
        return len(self.stock_power_w)


def largest_power_pool(curves: CurveColumns) -> PowerPool:
    """The load and scope that most units tell a curve of, the first by name of equal ones."""
    told = set(zip(curves.load, curves.power_scope, curves.unit_id, strict=True))
    sizes = Counter(place[:2] for place in told)
    load, scope = min(sizes, key=lambda place: (-sizes[place], place))
    inside = (np.array(curves.load) == load) & (np.array(curves.power_scope) == scope)
    month = ranks_of(curves.month)
    rows = latest_of_each(np.array(curves.unit_id), month, np.flatnonzero(inside))
    return _pool(curves, load, scope, rows, month)


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
    # Units without a token have no order of their own: what they measured tells them apart.
    content = mean_w, mean_by(owner, power), mean_by(owner, performance)
    order = ranks_of(curves.unit_order)[lead], *content
    heard = few_of_each(np.array(curves.contributor_id)[lead], month[lead], order)
    place = np.full(len(first), -1)
    place[heard] = np.arange(len(heard))
    unit = place[owner]
    stock, tuned = (unit >= 0) & ~is_tuned, (unit >= 0) & is_tuned
    return PowerPool(
        load=load,
        power_scope=scope,
        stock=CurvePoints(unit[stock], power[stock], performance[stock]),
        tuned=CurvePoints(unit[tuned], power[tuned], performance[tuned]),
        stock_power_w=mean_w[heard],
        left_out=len(first) - len(heard),
    )
