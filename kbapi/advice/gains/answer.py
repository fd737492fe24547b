"""What tuning changed: power, temperature, clock, performance, noise, each with its interval."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.advice.cautions import Caution, cautions_about_gains
from kbapi.advice.evidence_found import known_among
from kbapi.advice.gains import text as gain_text
from kbapi.advice.gains.query import GainsQuestion, OwnMeasure
from kbapi.advice.stored_answers import OutdatedBy, answer_once
from kbapi.bounds import EQUAL_PERFORMANCE, EQUAL_POWER
from kbapi.chips.chip import ChipSummary
from kbapi.documents.refusal_rules import NOT_ON_THIS_CHIP, Absence, find_absent_tuning
from kbapi.evidence.gains import (
    GainBlock,
    GainCell,
    GainMeasure,
    GainMeasureUnit,
    MeasuredGain,
    NoiseSource,
    UnitGains,
    gain_block,
    gain_cells,
    run_noises,
)
from kbapi.instance.instance import Instance
from kbapi.stats.gains.gains import RunNoise, share_below
from kbapi.storage import pools
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.pools import LineRow
from kbapi.storage.readings import PairColumns, RepeatRow, load_pairs, load_repeats
from kbapi.time_budget import check_time
from kbapi.vocabulary import Load

GainKind = Literal["ratio", "difference"]
GainCondition = Literal["uncapped", "equal_power_limit"]
NoGainsCode = Literal["no_pairs", "too_few_units", "not_on_this_chip"]


@dataclass(frozen=True, slots=True)
class OwnGain:
    """Your own change, and where it lies among the units of the pool."""

    ratio: float
    """Your tuned value divided by your stock value."""
    share_below: float
    """Share of these units with a smaller ratio, 0 to 1; equal ratios count one half."""
    text: str
    """Your place among the units, in one sentence."""


@dataclass(frozen=True, slots=True)
class OwnChange:
    """Your own change of one measure, compared with the noise of your own runs."""

    measure: OwnMeasure
    """What you measured."""
    ratio: float
    """Your tuned value divided by your stock value, each the mean of your runs."""
    runs_stock: int
    """Number of your runs at stock."""
    runs_tuned: int
    """Number of your tuned runs."""
    noise: float | None
    """Change that your runs show by chance at most, 96 % of the time, as a share. Null with fewer
    than three runs at stock or tuned."""
    is_larger_than_noise: bool | None
    """Whether your change exceeds that noise; null where it is not known. Without an effect, it is
    true in at most 5 of 100 cases."""
    text: str
    """Your change in one or two sentences."""


@dataclass(frozen=True, slots=True)
class SelfSelected:
    """That only people who chose to send are counted, and what this does to the gains."""

    direction: Literal["gains_too_large"]
    """The direction in which it moves the gains."""
    text: str
    """The reason in one or two sentences."""


SELF_SELECTED: Final = SelfSelected("gains_too_large", gain_text.SELF_SELECTED)


@dataclass(frozen=True, slots=True)
class Gain:
    """How one measure differs between tuned and stock, over units."""

    measure: GainMeasure
    """What was measured."""
    kind: GainKind
    """`ratio` is tuned over stock (1.05 is 5 % more), `difference` is tuned less stock."""
    measure_unit: GainMeasureUnit | None
    """Unit of a difference; null for a ratio."""
    estimate: float
    """Estimate over units, as a ratio or in the unit; negative is less than at stock."""
    interval: tuple[float, float]
    """Interval of the estimate: lower end, upper end."""
    attained_confidence: float
    """Two-sided confidence that the interval attains, 0 to 1."""
    units: int
    """Number of units with this measure."""
    noise: float | None
    """Difference between two equal measurements of one unit, 95 % of the time. A share for a ratio,
    else in the unit; null where it is not known."""
    noise_source: NoiseSource
    """Where the noise comes from; `spread_over_units` where no noise of runs is known."""
    is_larger_than_noise: bool | None
    """Whether the change is beyond chance and larger than the noise; null with too few units to
    know. Without an effect, it is true in at most 3 of 100 cases, or 5 where `noise` is null."""
    expected: float | None
    """Difference of temperature in C that the saved power explains at a fixed fan; null for other
    measures and where it is not known."""
    own: OwnGain | None
    """Your own change; null where you sent none for this measure."""
    text: str
    """The change in one sentence."""


@dataclass(frozen=True, slots=True)
class GainGroup:
    """What changed on a group of units."""

    units: int
    """Number of units in the group."""
    gains: tuple[Gain, ...]
    """The change of each measure that five contributors or more have."""


@dataclass(frozen=True, slots=True)
class GainsUnderLoad:
    """What tuning changed under one load and one condition."""

    load: Load
    """The load class."""
    condition: GainCondition
    """`uncapped`, or `equal_power_limit`: one power limit at stock and tuned."""
    units: int
    """Number of units that count."""
    units_not_used: int
    """Further units of contributors of whom three units count already."""
    overall: GainGroup
    """What changed on all of these units."""
    at_equal_power: GainGroup | None
    """Units whose power was the same tuned as at stock, within 2 %; null with fewer than five."""
    at_equal_performance: GainGroup | None
    """Units whose performance was the same tuned as at stock, within 2 %; null with fewer than
    five contributors."""
    units_at_power_or_heat_limit: int | None
    """Units at their power or heat limit, which gain clock and no temperature; null with fewer than
    five contributors."""
    text: str
    """The gains in a few sentences."""


@dataclass(frozen=True, slots=True)
class NoGainsReason:
    """Why there are no numbers."""

    code: NoGainsCode
    """The reason as a code that never changes."""
    text: str
    """The reason in one sentence."""


@dataclass(frozen=True, slots=True)
class GainsAnswer:
    """What tuning changed on units of a chip, by load."""

    chip: ChipSummary
    """The chip that was asked about."""
    load: Load | None
    """The load class that was asked for; null for all."""
    own_changes: tuple[OwnChange, ...]
    """Your own changes; empty where you sent none."""
    by_load: tuple[GainsUnderLoad, ...]
    """The gains, one entry for each load and condition with five contributors or more."""
    reason: NoGainsReason | None
    """Why there are no numbers; null where there are some."""
    withheld_groups: int
    """Number of loads, conditions and measures of fewer than five contributors; not shown."""
    withheld_text: str | None
    """What is withheld, and how many more machines it takes; null where nothing is."""
    self_selected: SelfSelected
    """That people chose to send, and in which direction this moves the gains."""
    method: str
    """How the numbers were computed, in a few sentences."""
    revision: str
    """Value of the answer's ETag: it changes when the answer does."""
    summary: str
    """The answer in one or two sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""


def gains_answer(
    question: GainsQuestion,
    cells: list[GainCell],
    noises: Mapping[GainMeasure, RunNoise],
    absent: Absence | None,
) -> GainsAnswer:
    """The answer from the cells of a chip and the noise of its runs."""
    own = _own_changes(question)
    shown = _ShownCells(noises, {name: math.log(one.ratio) for name, one in question.own.items()})
    by_load = tuple(load for cell in cells if (load := shown.under_load(cell)) is not None)
    withheld_text = gain_text.withheld_gains(
        shown.withheld, shown.too_small, is_filtered=bool(question.load)
    )
    widest = max(by_load, key=lambda one: one.units, default=None)
    return GainsAnswer(
        chip=question.chip.summary,
        load=question.load or None,
        own_changes=own,
        by_load=by_load,
        reason=None if by_load else _no_gains(question, cells, absent),
        withheld_groups=shown.withheld,
        withheld_text=withheld_text if by_load else None,
        self_selected=SELF_SELECTED,
        method=gain_text.method(),
        revision="",
        summary=gain_text.summary_of_gains(
            [(one.measure, one.ratio, one.is_larger_than_noise) for one in own],
            None if widest is None else shown.headlines[widest.load, widest.condition],
        ),
        cautions=cautions_about_gains(question),
    )


def _own_changes(question: GainsQuestion) -> tuple[OwnChange, ...]:
    return tuple(
        OwnChange(
            measure=name,
            ratio=own.ratio,
            runs_stock=own.runs_stock,
            runs_tuned=own.runs_tuned,
            noise=own.noise,
            is_larger_than_noise=own.is_larger_than_noise,
            text=gain_text.own_change_text(
                name, own.ratio, own.noise, is_larger=own.is_larger_than_noise
            ),
        )
        for name, own in question.own.items()
    )


def _no_gains(
    question: GainsQuestion, cells: list[GainCell], absent: Absence | None
) -> NoGainsReason:
    if absent is not None and not cells:
        return NoGainsReason(NOT_ON_THIS_CHIP, absent.text)
    largest = max((cell.gains.contributors for cell in cells), default=None)
    text = gain_text.why_nothing(largest, is_filtered=bool(question.load))
    code: NoGainsCode = "too_few_units" if cells else "no_pairs"
    return NoGainsReason(code, text)


class _ShownCells:
    """Cells as an answer shows them, and the number of groups that it withholds."""

    def __init__(self, noises: Mapping[GainMeasure, RunNoise], own: Mapping[str, float]) -> None:
        self._noises = noises
        self._own = own
        self.withheld = 0
        self.too_small: list[GainCell] = []
        """Cells of fewer than five contributors."""
        self.headlines: dict[tuple[str, str], str] = {}
        """The clearest gain of each cell, by load and condition."""

    def under_load(self, cell: GainCell) -> GainsUnderLoad | None:
        """The gains of a cell; None with fewer than five contributors."""
        gains = cell.gains
        overall = gain_block(gains, self._noises)
        if overall is None:
            self.withheld += 1
            self.too_small.append(cell)
            return None
        same_power = self._part(gains.at_equal("power", EQUAL_POWER), "power")
        same_performance = self._part(
            gains.at_equal("performance", EQUAL_PERFORMANCE), "performance"
        )
        units_at_limit = gains.at_power_or_heat_limit
        at_limit = None if units_at_limit.is_small else units_at_limit.units
        condition: GainCondition = "equal_power_limit" if cell.is_capped else "uncapped"
        self.headlines[cell.load, condition] = gain_text.headline_of_gains(
            cell, overall, same_power, same_performance
        )
        return GainsUnderLoad(
            load=cell.load,
            condition=condition,
            units=overall.units,
            units_not_used=cell.left_out,
            overall=self._group(overall, self._own, gains),
            at_equal_power=self._group_at_equal(same_power, "power"),
            at_equal_performance=self._group_at_equal(same_performance, "performance"),
            units_at_power_or_heat_limit=at_limit,
            text=gain_text.cell_text(cell, overall, same_power, same_performance, at_limit),
        )

    def _part(self, gains: UnitGains, equal: str) -> GainBlock | None:
        # At equal power, performance per watt is performance again, and the other way round.
        block = gain_block(gains, self._noises, (equal, "performance_per_watt"))
        self.withheld += block is None and gains.units > 0
        return block

    def _group_at_equal(self, block: GainBlock | None, equal: str) -> GainGroup | None:
        return None if block is None else self._group(block, {}, None, equal)

    def _group(
        self, block: GainBlock, own: Mapping[str, float], pool: UnitGains | None, equal: str = ""
    ) -> GainGroup:
        self.withheld += block.withheld
        gains = (
            _gain_response(one, _own_gain(one.measure.name, own, pool), equal)
            for one in block.measured
        )
        return GainGroup(block.units, tuple(gains))


def _gain_response(gain: MeasuredGain, own: OwnGain | None, equal: str) -> Gain:
    name, shift = gain.measure.name, gain.shift
    number = _ratio if gain.measure.is_ratio else _difference
    return Gain(
        measure=name,
        kind="ratio" if gain.measure.is_ratio else "difference",
        measure_unit=gain.measure.unit,
        estimate=number(shift.estimate),
        interval=(number(shift.low), number(shift.high)),
        attained_confidence=round(shift.attained_confidence, 4),
        units=shift.units,
        noise=None
        if gain.noise is None
        else round(_ratio(gain.noise) - 1, 4)
        if gain.measure.is_ratio
        else _difference(gain.noise),
        noise_source=gain.noise_source,
        is_larger_than_noise=None
        if gain.significance == "too_few"
        else gain.significance == "larger",
        expected=None if gain.expected is None else _difference(gain.expected),
        own=own,
        text=gain_text.gain_sentence(gain, equal),
    )


def _ratio(logarithm: float) -> float:
    return round(math.exp(logarithm), 4)


def _difference(value: float) -> float:
    # Adding zero turns -0.0 into 0.0.
    return round(value, 2) + 0


def _own_gain(name: str, own: Mapping[str, float], pool: UnitGains | None) -> OwnGain | None:
    if pool is None or name not in own:
        return None
    changes = pool.changes[name][~np.isnan(pool.changes[name])]
    ratio = math.exp(own[name])
    # The own ratio is rounded to thousandths, so the others are too.
    share = share_below(np.exp(changes).round(3), round(ratio, 3))
    text = gain_text.own_text(name, ratio, share, len(changes))
    return OwnGain(round(ratio, 3), round(share, 3), text)


@dataclass(frozen=True)
class GainsFound:
    """All evidence that an answer about gains is computed from."""

    line: LineRow | None
    pairs: PairColumns | None
    repeats: list[RepeatRow]
    known: NDArray[np.int64]
    """The contributors whom small cells count."""

    @property
    def has_results(self) -> bool:
        """Whether the chip itself has pairs of readings."""
        return self.pairs is not None


def advise_gains(instance: Instance, question: GainsQuestion) -> AnswerBytes:
    """What tuning changed on the units of a chip, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """

    def find(connection: Connection) -> GainsFound:
        return _find_gains(connection, instance, question)

    def compute(found: GainsFound) -> GainsAnswer:
        cells = gain_cells(found.pairs, found.known)
        check_time("groups of gains")
        noises = run_noises(found.repeats)
        check_time("noise of runs")
        absent = find_absent_tuning(instance.catalogue, question.chip)
        return gains_answer(question, cells, noises, absent)

    def by(_: GainsFound) -> OutdatedBy | None:
        # Numbers of a person are stored nowhere, and never take the place of other answers.
        return None if question.own else OutdatedBy.OWN_LINE

    return answer_once(instance, "gains", question, find, compute, outdated_by=by)


def _find_gains(connection: Connection, instance: Instance, question: GainsQuestion) -> GainsFound:
    line = pools.find_line(connection, question.chip.line)
    chip = pools.find_chip(connection, question.chip.key)
    if chip is None:
        return GainsFound(line, None, [], np.zeros(0, dtype=np.int64))
    pairs = load_pairs(connection, chip.id, question.load)
    check_time("pairs of readings")
    known = known_among(connection, instance, () if pairs is None else pairs.contributor_id)
    return GainsFound(line, pairs, load_repeats(connection, chip.id, question.load), known)
