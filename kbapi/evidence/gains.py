"""Pairs of readings become units, and units what tuning changed, by load and by cap."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.gain_measures import (
    MEASURES,
    GainMeasure,
    Measure,
    Vector,
    changes_in,
    expected_rise_c,
    told,
)
from kbapi.evidence.pair_units import few_of_each, latest_of_each, mean_by, ranks_of
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN, is_small
from kbapi.stats.gains import PairedShift, RunNoise, pool_run_noise, pool_shift
from kbapi.stats.physics import is_spent_on_clock
from kbapi.storage.reading_rows import PairColumns, RepeatRow
from kbapi.vocabulary import Load

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
    told: UnitGains
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
