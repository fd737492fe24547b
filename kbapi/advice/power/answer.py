"""What a lower power limit costs: performance over power, at stock and tuned."""

import hashlib
from dataclasses import dataclass
from typing import Literal

import numpy as np
from sqlalchemy import Connection

from kbapi.advice.cautions import Caution, cautions_about_power
from kbapi.advice.evidence_found import known_among
from kbapi.advice.gains.answer import SELF_SELECTED, SelfSelected
from kbapi.advice.power import text as power_text
from kbapi.advice.power.query import PowerQuestion
from kbapi.advice.stored_answers import answer_once
from kbapi.chips.chip import ChipSummary
from kbapi.documents.refusal_rules import NOT_ON_THIS_CHIP, Absence, find_absences
from kbapi.evidence.gains import PowerPool, largest_power_pool
from kbapi.instance.instance import Instance
from kbapi.stats.gains.power_curve import (
    NOMINAL_CONFIDENCE,
    Estimate,
    PowerCurve,
    PowerFit,
    fit_power_curves,
)
from kbapi.storage import pools
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.pools import LineRow
from kbapi.storage.readings import load_curves
from kbapi.time_budget import check_time
from kbapi.vocabulary import Load, PowerScope

NoPowerCode = Literal["no_curves", "too_few_units", "not_on_this_chip"]


@dataclass(frozen=True, slots=True)
class NumberWithInterval:
    """A number with its interval."""

    value: float
    """The estimate."""
    interval: tuple[float, float]
    """Interval of the estimate: lower end, upper end."""


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One point of a curve of performance over power, from five contributors or more."""

    power_share: float
    """Power as a share of what a unit draws at stock without a limit; 1 is the same."""
    power_w: float
    """Power in W for the unit with the median stock power."""
    performance_share: float
    """Performance as a share of what a unit achieves at stock without a limit; 1 is the same."""
    interval: tuple[float, float]
    """Interval of the performance share: lower end, upper end."""


@dataclass(frozen=True, slots=True)
class SmallestLimit:
    """The smallest power limit that keeps the wanted share of performance."""

    power_share: NumberWithInterval
    """The limit as a share of the stock power without a limit."""
    limit_w: NumberWithInterval
    """The limit in W for the unit with the median stock power; for another unit, multiply its stock
    power by `power_share`."""
    is_lowest_measured: bool
    """Whether no lower power was measured, so that a lower limit may keep as much."""
    text: str
    """The limit in one sentence."""


@dataclass(frozen=True, slots=True)
class BestEfficiency:
    """The power limit with the highest performance per watt."""

    power_share: NumberWithInterval
    """The limit as a share of the stock power without a limit."""
    limit_w: float
    """The limit in W for the unit with the median stock power."""
    performance_per_watt: NumberWithInterval
    """Performance per watt at the limit, relative to stock without a limit, which is 1."""
    is_lowest_measured: bool
    """Whether no lower power was measured, so that a lower limit may be better still."""
    text: str
    """The limit in one sentence."""


@dataclass(frozen=True, slots=True)
class PooledCurve:
    """Performance over power, pooled over units, either at stock or tuned."""

    units: int
    """Number of units behind the curve."""
    points: tuple[CurvePoint, ...]
    """Points of the curve by power, the smallest first."""
    smallest_limit: SmallestLimit | None
    """The smallest limit that keeps the wanted share; null where the measured part of the curve
    does not reach it."""
    best_efficiency: BestEfficiency
    """The limit with the highest performance per watt."""


@dataclass(frozen=True, slots=True)
class AtPowerLimit:
    """What the limit that was asked about costs, and what tuning gains under it."""

    limit_w: float
    """The limit that was asked about, in W."""
    power_share: float | None
    """The limit as a share of the median stock power; null above stock."""
    stock_performance: NumberWithInterval | None
    """Performance at stock under the limit, relative to stock without a limit; null where it was
    not measured."""
    tuned_performance: NumberWithInterval | None
    """Performance tuned under the limit, relative to stock without a limit; null where it was not
    measured."""
    gain: NumberWithInterval | None
    """Tuned over stock performance under the limit; null with fewer than eight units measured near
    it, at stock or tuned."""
    text: str
    """The limit in one or two sentences."""


@dataclass(frozen=True, slots=True)
class NoPowerReason:
    """Why there are no numbers."""

    code: NoPowerCode
    """The reason as a code that never changes."""
    text: str
    """The reason in one sentence."""


@dataclass(frozen=True, slots=True)
class PowerAnswer:
    """How much performance power limits cost on a chip, at stock and tuned."""

    chip: ChipSummary
    """The chip that was asked about."""
    load: Load | None
    """The load class of the numbers; null where there are none and no load was asked for."""
    power_scope: PowerScope | None
    """What the power was measured of; null where it was not reported or there are no numbers."""
    keep_share: float
    """Share of stock performance without a limit to keep, as asked for, 0 to 1."""
    units: int | None
    """Number of units that count; null without numbers."""
    units_not_used: int | None
    """Further units of contributors of whom three units count already; null without numbers."""
    stock_power_w: NumberWithInterval | None
    """Power of the median unit at stock without a limit, in W; null without numbers."""
    confidence: float
    """Nominal two-sided confidence of every interval, 0 to 1, by a bootstrap over units."""
    stock: PooledCurve | None
    """The curve at stock; null where too few units have one."""
    tuned: PooledCurve | None
    """The curve of tuned settings; null where too few units have one."""
    at_limit: AtPowerLimit | None
    """What the limit that was asked about costs; null where none was asked about."""
    reason: NoPowerReason | None
    """Why there are no numbers; null where there are some."""
    withheld_text: str | None
    """Which curve is withheld, and how many more machines it takes; null where none is."""
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


def power_answer(
    question: PowerQuestion,
    pool: PowerPool | None,
    fit: PowerFit | None,
    absent: Absence | None,
) -> PowerAnswer:
    """The answer from a chip's pool and its fit."""
    if pool is None or fit is None or (fit.stock is None and fit.tuned is None):
        return _without_numbers(question, pool, absent)
    chip = question.chip
    stock = _curve_response(question, fit, fit.stock, "stock")
    tuned = _curve_response(question, fit, fit.tuned, "tuned")
    return PowerAnswer(
        chip=chip.summary,
        load=pool.load,
        power_scope=pool.power_scope or None,
        keep_share=question.keep_share,
        units=pool.units,
        units_not_used=pool.left_out,
        stock_power_w=_number(fit.estimate(fit.stock_power_w, pool.units), 1),
        confidence=fit.confidence,
        stock=stock,
        tuned=tuned,
        at_limit=None if question.limit_w is None else _at_limit(question.limit_w, fit),
        reason=None,
        withheld_text=_withheld(question, pool, fit),
        self_selected=SELF_SELECTED,
        method=power_text.method(),
        revision="",
        summary=power_text.summary_of_power(
            pool.load,
            question.keep_share,
            (_limit_w(stock), _limit_w(tuned)),
            (_best_w(stock), _best_w(tuned)),
        ),
        cautions=cautions_about_power(question),
    )


def _without_numbers(
    question: PowerQuestion, pool: PowerPool | None, absent: Absence | None
) -> PowerAnswer:
    chip = question.chip
    return PowerAnswer(
        chip=chip.summary,
        load=question.load or None,
        power_scope=None,
        keep_share=question.keep_share,
        units=None,
        units_not_used=None,
        stock_power_w=None,
        confidence=NOMINAL_CONFIDENCE,
        stock=None,
        tuned=None,
        at_limit=None,
        reason=_no_power(question, pool, absent),
        withheld_text=None,
        self_selected=SELF_SELECTED,
        method=power_text.method(),
        revision="",
        summary=power_text.nothing_measured(),
        cautions=cautions_about_power(question),
    )


def _no_power(
    question: PowerQuestion, pool: PowerPool | None, absent: Absence | None
) -> NoPowerReason:
    if pool is None and absent is not None:
        return NoPowerReason(NOT_ON_THIS_CHIP, absent.text)
    units = 0 if pool is None else pool.units
    text = power_text.why_nothing(units, is_filtered=bool(question.load))
    return NoPowerReason("no_curves" if pool is None else "too_few_units", text)


def _limit_w(curve: PooledCurve | None) -> float | None:
    if curve is None or curve.smallest_limit is None:
        return None
    return curve.smallest_limit.limit_w.value


def _best_w(curve: PooledCurve | None) -> float | None:
    return None if curve is None else curve.best_efficiency.limit_w


def _withheld(question: PowerQuestion, pool: PowerPool, fit: PowerFit) -> str | None:
    for state, curve, points in (
        ("stock", fit.stock, pool.stock),
        ("tuned", fit.tuned, pool.tuned),
    ):
        units = len(np.unique(points.unit))
        if curve is None and units:
            contributors = pool.contributors(points)
            return power_text.withheld_curve(state, contributors, is_filtered=bool(question.load))
    return None


def _number(estimate: Estimate, digits: int = 4) -> NumberWithInterval:
    return NumberWithInterval(
        round(estimate.value, digits), (round(estimate.low, digits), round(estimate.high, digits))
    )


def _curve_response(
    question: PowerQuestion, fit: PowerFit, curve: PowerCurve | None, state: str
) -> PooledCurve | None:
    if curve is None:
        return None
    return PooledCurve(
        units=curve.units,
        points=tuple(_point_response(fit, curve, float(power)) for power in curve.power),
        smallest_limit=_limit_response(question.keep_share, fit, curve, state),
        best_efficiency=_best_response(fit, curve, state),
    )


def _point_response(fit: PowerFit, curve: PowerCurve, power: float) -> CurvePoint:
    heights = fit.estimate(curve.at(power), curve.units)
    return CurvePoint(
        power_share=round(power, 4),
        power_w=round(power * float(fit.stock_power_w[0]), 1),
        performance_share=round(heights.value, 4),
        interval=(round(heights.low, 4), round(heights.high, 4)),
    )


def _limit_response(
    keep_share: float, fit: PowerFit, curve: PowerCurve, state: str
) -> SmallestLimit | None:
    share = fit.smallest_limit(curve, keep_share)
    in_w = fit.smallest_limit_w(curve, keep_share)
    if share is None or in_w is None:
        return None
    limit_w = _number(in_w, 1)
    return SmallestLimit(
        power_share=_number(share),
        limit_w=limit_w,
        is_lowest_measured=share.is_lowest_measured,
        text=power_text.limit_text(
            state,
            keep_share,
            share.value,
            limit_w.value,
            limit_w.interval,
            is_lowest_measured=share.is_lowest_measured,
        ),
    )


def _best_response(fit: PowerFit, curve: PowerCurve, state: str) -> BestEfficiency:
    best = fit.best_efficiency(curve)
    limit_w = round(best.value * float(fit.stock_power_w[0]), 1)
    per_watt = fit.per_watt(curve, best.value)
    return BestEfficiency(
        power_share=_number(best),
        limit_w=limit_w,
        performance_per_watt=_number(per_watt),
        is_lowest_measured=best.is_lowest_measured,
        text=power_text.best_text(
            state, limit_w, per_watt.value, is_lowest_measured=best.is_lowest_measured
        ),
    )


def _at_limit(limit_w: float, fit: PowerFit) -> AtPowerLimit:
    share = limit_w / float(fit.stock_power_w[0])
    if share > 1:
        return AtPowerLimit(limit_w, None, None, None, None, power_text.above_stock(limit_w))
    stock, tuned = (
        None
        if curve is None or not curve.covers(share)
        else _number(fit.estimate(curve.at(share), curve.units))
        for curve in (fit.stock, fit.tuned)
    )
    gain = fit.gain_at(share)
    return AtPowerLimit(
        limit_w=limit_w,
        power_share=round(share, 4),
        stock_performance=stock,
        tuned_performance=tuned,
        gain=None if gain is None else _number(gain),
        text=power_text.at_limit_text(
            limit_w,
            None if stock is None else stock.value,
            None if gain is None else (gain.value, gain.low, gain.high),
        ),
    )


@dataclass(frozen=True)
class PowerFound:
    """All evidence that an answer about power limits is computed from."""

    line: LineRow | None
    pool: PowerPool | None

    @property
    def has_results(self) -> bool:
        """Whether any unit of the chip was measured at several powers."""
        return self.pool is not None


def advise_power(instance: Instance, question: PowerQuestion) -> AnswerBytes:
    """What a lower power limit costs and saves, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """

    def find(connection: Connection) -> PowerFound:
        chip = pools.find_chip(connection, question.chip.key)
        line = pools.find_line(connection, question.chip.line)
        curves = None if chip is None else load_curves(connection, chip.id, question.load)
        check_time("power readings")
        if curves is None:
            return PowerFound(line, None)
        known = known_among(connection, instance, curves.contributor_id)
        return PowerFound(line, largest_power_pool(curves, known))

    def compute(found: PowerFound) -> PowerAnswer:
        fit = None if found.pool is None else fit_pool(question.chip.key, found.pool)
        check_time("fit")
        chip = question.chip
        absent = next(find_absences(instance.catalogue, chip, (), "power_limit"), None)
        return power_answer(question, found.pool, fit, absent)

    return answer_once(instance, "power", question, find, compute)


def fit_pool(chip_key: str, pool: PowerPool) -> PowerFit:
    """The curves of a pool. Its own seed gives equal bytes for equal evidence."""
    name = f"{chip_key}|{pool.load}|{pool.power_scope}"
    seed = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8])
    rng = np.random.default_rng(seed)
    return fit_power_curves(pool.stock, pool.tuned, pool.stock_power_w, rng, contributor=pool.known)
