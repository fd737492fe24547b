"""An answer about gains put together: cells become measures with intervals and sentences."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from kbapi.advice.cautions import Caution, cautions_about_gains
from kbapi.advice.gains_question import GainsQuestion
from kbapi.advice.wording import gains as words
from kbapi.bounds import EQUAL_PERFORMANCE, EQUAL_POWER
from kbapi.chips.chip import ChipSummary
from kbapi.evidence.gains import (
    GainBlock,
    GainCell,
    MeasuredGain,
    UnitGains,
    gain_block,
)
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN
from kbapi.stats.gains import RunNoise, share_below


@dataclass(frozen=True, slots=True)
class OwnGain:
    """Where one's own change lies among the units of the pool."""

    ratio: float
    share_below: float
    """The share of these units with a smaller ratio; who has the same counts half."""
    text: str


@dataclass(frozen=True, slots=True)
class Gain:
    """One measure: tuned over stock, or tuned less stock."""

    measure: str
    kind: str
    """ratio (1.05 is 5 % more) or difference."""
    unit: str
    """Of a difference; empty for ratios."""
    estimate: float
    interval: tuple[float, float]
    attained_confidence: float
    units: int
    noise: float | None
    """What repeated runs of one unit differ by, as the ratio's share or in the unit."""
    noise_source: str
    """repeated_runs, reported_spread or, where neither was told, spread_over_units."""
    is_larger_than_noise: bool
    expected: float | None
    """Of a temperature at a fixed fan: what the saved power explains."""
    own: OwnGain | None
    text: str


@dataclass(frozen=True, slots=True)
class GainGroup:
    """What changed on some units of a cell."""

    units: int
    gains: tuple[Gain, ...]


@dataclass(frozen=True, slots=True)
class GainsUnderLoad:
    """One load under one condition."""

    load: str
    condition: str
    """uncapped, or equal_cap: under a power limit that was the same at stock and tuned."""
    units: int
    units_not_used: int
    """Further units of contributors who are heard with three."""
    overall: GainGroup
    at_equal_power: GainGroup | None
    """Units that drew as much tuned as at stock, within 2 %."""
    at_equal_performance: GainGroup | None
    """Units that achieved as much tuned as at stock, within 2 %."""
    units_at_power_or_heat_limit: int | None
    """Units at their limit of power or heat, where the gain is clock and no degree."""
    text: str


@dataclass(frozen=True, slots=True)
class NoGainsReason:
    """Why there are no numbers."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class GainsAnswer:
    """The whole answer."""

    chip: ChipSummary
    load: str | None
    cells: tuple[GainsUnderLoad, ...]
    reason: NoGainsReason | None
    withheld_cells: int
    """Loads, conditions and measures of fewer than five units, which are not shown."""
    withheld_text: str | None
    """What is withheld, and how many more machines it takes; None where nothing is."""
    method: str
    revision: str
    summary: str
    cautions: tuple[Caution, ...]


def gains_answer(
    question: GainsQuestion,
    cells: list[GainCell],
    noises: Mapping[str, RunNoise],
    revision: str,
) -> GainsAnswer:
    """The answer from the cells of a chip and the noise of its runs."""
    chip = question.chip
    teller = _Teller(noises, question.own_changes)
    told = tuple(told for cell in cells if (told := teller.cell(cell)) is not None)
    widest = max(told, key=lambda one: one.units, default=None)
    return GainsAnswer(
        chip=chip.summary,
        load=question.load or None,
        cells=told,
        reason=None if told else _no_gains(question, cells),
        withheld_cells=teller.withheld,
        withheld_text=words.withheld_gains(
            teller.withheld, teller.too_small, is_filtered=bool(question.load)
        )
        if told
        else None,
        method=words.method(),
        revision=revision,
        summary=words.nothing_measured()
        if widest is None
        else teller.headlines[widest.load, widest.condition],
        cautions=cautions_about_gains(question),
    )


def _no_gains(question: GainsQuestion, cells: list[GainCell]) -> NoGainsReason:
    largest = max((cell.told.units for cell in cells), default=0)
    text = words.why_nothing(largest, is_filtered=bool(question.load))
    return NoGainsReason("too_few_units" if cells else "no_pairs", text)


class _Teller:
    """Puts cells on the wire, and counts what it withholds on the way."""

    def __init__(self, noises: Mapping[str, RunNoise], own: Mapping[str, float]) -> None:
        self._noises = noises
        self._own = own
        self.withheld = 0
        self.too_small: list[GainCell] = []
        """Cells of fewer than five units."""
        self.headlines: dict[tuple[str, str], str] = {}
        """The clearest gain of each cell, by load and condition."""

    def cell(self, cell: GainCell) -> GainsUnderLoad | None:
        """The cell as it is told, None where that would be about fewer than five units."""
        told = cell.told
        overall = gain_block(told, self._noises)
        if overall is None:
            self.withheld += 1
            self.too_small.append(cell)
            return None
        same_power = self._part(told.at_equal("power", EQUAL_POWER), "power")
        same_performance = self._part(
            told.at_equal("performance", EQUAL_PERFORMANCE), "performance"
        )
        at_limit = told.at_power_or_heat_limit
        spent = at_limit if at_limit >= FEWEST_UNITS_SHOWN else None
        condition = "equal_cap" if cell.is_capped else "uncapped"
        self.headlines[cell.load, condition] = words.headline_of_gains(
            cell, overall, same_power, same_performance
        )
        return GainsUnderLoad(
            load=cell.load,
            condition=condition,
            units=overall.units,
            units_not_used=cell.left_out,
            overall=self._block(overall, self._own, told),
            at_equal_power=self._told(same_power, "power"),
            at_equal_performance=self._told(same_performance, "performance"),
            units_at_power_or_heat_limit=spent,
            text=words.cell_in_words(cell, overall, same_power, same_performance, spent),
        )

    def _part(self, told: UnitGains, held: str) -> GainBlock | None:
        # Where one of the two is held, performance per watt says the same as the other.
        block = gain_block(told, self._noises, (held, "performance_per_watt"))
        self.withheld += block is None and told.units > 0
        return block

    def _told(self, block: GainBlock | None, held: str) -> GainGroup | None:
        return None if block is None else self._block(block, {}, None, held)

    def _block(
        self, block: GainBlock, own: Mapping[str, float], told: UnitGains | None, held: str = ""
    ) -> GainGroup:
        self.withheld += block.withheld
        gains = (
            _gain_told(one, _own_place(one.measure.name, own, told), held) for one in block.measured
        )
        return GainGroup(block.units, tuple(gains))


def _gain_told(gain: MeasuredGain, own: OwnGain | None, held: str) -> Gain:
    name, shift = gain.measure.name, gain.shift
    as_told = _ratio if gain.measure.is_ratio else _difference
    return Gain(
        measure=name,
        kind="ratio" if gain.measure.is_ratio else "difference",
        unit=words.UNITS.get(name, ""),
        estimate=as_told(shift.estimate),
        interval=(as_told(shift.low), as_told(shift.high)),
        attained_confidence=round(shift.attained_confidence, 4),
        units=shift.units,
        noise=None
        if gain.noise is None
        else round(_ratio(gain.noise) - 1, 4)
        if gain.measure.is_ratio
        else _difference(gain.noise),
        noise_source=gain.noise_source,
        is_larger_than_noise=gain.verdict == "larger",
        expected=None if gain.expected is None else _difference(gain.expected),
        own=own,
        text=words.gain_in_words(gain, held),
    )


def _ratio(logarithm: float) -> float:
    return round(math.exp(logarithm), 4)


def _difference(value: float) -> float:
    # Adding zero keeps a difference of nothing from being written -0.0.
    return round(value, 2) + 0


def _own_place(name: str, own: Mapping[str, float], told: UnitGains | None) -> OwnGain | None:
    if told is None or name not in own:
        return None
    pool = told.changes[name][~np.isnan(told.changes[name])]
    # The own ratio is known to the thousandth, and so is what it is compared with.
    share = share_below(np.exp(pool).round(3), round(math.exp(own[name]), 3))
    ratio = math.exp(own[name])
    return OwnGain(
        round(ratio, 3),
        round(share, 3),
        words.own_in_words(name, ratio, share, len(pool)),
    )
