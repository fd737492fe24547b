"""Pairs of readings become units, and units what tuning changed, by load and by cap."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from kbapi.bounds import EQUAL_PERFORMANCE, EQUAL_POWER
from kbapi.evidence.few_of_each import few_of_each
from kbapi.evidence.gain_measures import MEASURES, Measure, clock_spread, expected_rise_c
from kbapi.evidence.locks import FEWEST_UNITS_SHOWN
from kbapi.stats.gains import PairedShift, RunNoise, pool_run_noise, pool_shift
from kbapi.stats.physics import is_spent_on_clock
from kbapi.storage.reading_rows import PairRow, RepeatRow

_FEWEST_REPEATED: Final = 5
"""The noise of runs is not learnt from fewer units that were read again."""

NoiseFrom = Literal["repeated_runs", "reported_spread", "spread_over_units"]
Verdict = Literal["larger", "hidden", "none"]
"""Larger than the noise; real over units but hidden in the noise of one unit; or neither."""


@dataclass(frozen=True, slots=True)
class UnitGain:
    """What tuning changed on one unit under one load: the mean of its pairs of the latest month."""

    contributor_id: int
    month: str
    order: tuple[object, ...]
    changes: Mapping[str, float]
    """By measure: the logarithm of a ratio, or a difference."""
    expected_rise_c: float | None
    """What the saved power explains at a fixed fan."""
    is_spent_on_clock: bool
    runs_stock: float
    runs_tuned: float
    clock_spread: float | None
    """As a share of the clock."""


@dataclass(frozen=True, slots=True)
class GainCell:
    """The units of one load, with a power cap (the same both times) or without."""

    load: str
    is_capped: bool
    units: tuple[UnitGain, ...]
    left_out: int
    """Further units of contributors who are heard with three."""


@dataclass(frozen=True, slots=True)
class MeasuredGain:
    """One measure over the units of a block."""

    measure: Measure
    shift: PairedShift
    noise: float | None
    """What repeated runs of one unit differ by, 95 % of the time; None where it is not known."""
    noise_from: NoiseFrom
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


def gain_cells(pairs: Iterable[PairRow]) -> list[GainCell]:
    """The cells that pairs fall into, in a fixed order; each unit counts once in a cell."""
    by_unit: dict[tuple[str, bool, int], list[PairRow]] = {}
    for pair in pairs:
        place = pair.place
        by_unit.setdefault((place.load, place.power_cap_w is not None, place.unit_id), []).append(
            pair
        )
    cells: dict[tuple[str, bool], list[UnitGain]] = {}
    for (load, is_capped, _), of_unit in by_unit.items():
        cells.setdefault((load, is_capped), []).append(_unit_gain(of_unit))
    return [_cell(load, is_capped, cells[load, is_capped]) for load, is_capped in sorted(cells)]


def _cell(load: str, is_capped: bool, units: list[UnitGain]) -> GainCell:
    heard = few_of_each(units)
    return GainCell(load, is_capped, tuple(heard), len(units) - len(heard))


def _unit_gain(pairs: list[PairRow]) -> UnitGain:
    month = max(pair.place.month for pair in pairs)
    latest = [pair for pair in pairs if pair.place.month == month]
    changes = {}
    for measure in MEASURES:
        change = _mean(measure.change_in(pair) for pair in latest)
        if change is not None:
            changes[measure.name] = change
    first = latest[0].place
    rise = changes.get("temperature", changes.get("temperature_free_fan"))
    power = changes.get("power")
    return UnitGain(
        contributor_id=first.contributor_id,
        month=month,
        order=(first.unit_order, *(changes.get(m.name, math.inf) for m in MEASURES)),
        changes=changes,
        expected_rise_c=_mean(expected_rise_c(pair) for pair in latest),
        is_spent_on_clock="clock" in changes
        and is_spent_on_clock(
            math.exp(changes["clock"]), None if power is None else math.exp(power), rise
        ),
        runs_stock=_mean(pair.stock.runs or 1.0 for pair in latest) or 1.0,
        runs_tuned=_mean(pair.tuned.runs or 1.0 for pair in latest) or 1.0,
        clock_spread=_mean(clock_spread(pair.stock) for pair in latest),
    )


def _mean(values: Iterable[float | None]) -> float | None:
    told = [value for value in values if value is not None]
    # fsum: the same to the last bit in whatever order the pairs come.
    return math.fsum(told) / len(told) if told else None


def at_equal_power(cell: GainCell) -> list[UnitGain]:
    """The units that drew as much power tuned as at stock."""
    return [unit for unit in cell.units if _is_equal(unit, "power", EQUAL_POWER)]


def at_equal_performance(cell: GainCell) -> list[UnitGain]:
    """The units that achieved as much tuned as at stock."""
    return [unit for unit in cell.units if _is_equal(unit, "performance", EQUAL_PERFORMANCE)]


def _is_equal(unit: UnitGain, name: str, tolerance: float) -> bool:
    change = unit.changes.get(name)
    return change is not None and abs(change) <= math.log1p(tolerance)


def gain_block(
    units: Sequence[UnitGain], noises: Mapping[str, RunNoise], but: str = ""
) -> GainBlock | None:
    """What changed on these units, `but` left out because it was held; None for fewer than five."""
    if len(units) < FEWEST_UNITS_SHOWN:
        return None
    told = {
        measure: [unit for unit in units if measure.name in unit.changes]
        for measure in MEASURES
        if measure.name != but
    }
    shown = {m: of for m, of in told.items() if len(of) >= FEWEST_UNITS_SHOWN}
    return GainBlock(
        units=len(units),
        measured=tuple(_measured(m, of, noises.get(m.name)) for m, of in shown.items()),
        withheld=sum(0 < len(of) < FEWEST_UNITS_SHOWN for of in told.values()),
    )


def _measured(measure: Measure, units: list[UnitGain], learnt: RunNoise | None) -> MeasuredGain:
    shift = pool_shift(np.array([unit.changes[measure.name] for unit in units]))
    noise, noise_from = _noise_of(measure, units, learnt)
    verdict: Verdict = "larger"
    if not shift.excludes_no_change:
        verdict = "none"
    elif noise is not None and abs(shift.estimate) <= noise:
        verdict = "hidden"
    expected = [u.expected_rise_c for u in units if u.expected_rise_c is not None]
    is_explained = measure.name == "temperature" and len(expected) >= FEWEST_UNITS_SHOWN
    return MeasuredGain(
        measure,
        shift,
        noise,
        noise_from,
        verdict,
        float(np.median(expected)) if is_explained else None,
    )


def _noise_of(
    measure: Measure, units: list[UnitGain], learnt: RunNoise | None
) -> tuple[float | None, NoiseFrom]:
    stock, tuned = np.array([(u.runs_stock, u.runs_tuned) for u in units]).T
    if learnt is not None:
        return learnt.of_one_pair(stock, tuned), "repeated_runs"
    spreads = [u.clock_spread for u in units if u.clock_spread is not None]
    if measure.name == "clock" and len(spreads) >= FEWEST_UNITS_SHOWN:
        told = RunNoise(float(np.median(spreads)), len(spreads))
        return told.of_one_pair(stock, tuned), "reported_spread"
    return None, "spread_over_units"


def run_noises(rows: Sequence[RepeatRow]) -> dict[str, RunNoise]:
    """By measure, the noise of one run, where enough readings repeat another."""
    noises = {}
    for measure in MEASURES:
        told = [(row, value) for row in rows if (value := measure.repeated(row)) is not None]
        noise = pool_run_noise(
            np.array([value for _, value in told]),
            np.array([float(row.runs) for row, _ in told]),
            np.array([row.kind for row, _ in told], dtype=np.int64),
        )
        if noise is not None and noise.groups >= _FEWEST_REPEATED:
            noises[measure.name] = noise
    return noises
