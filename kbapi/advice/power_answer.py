"""An answer about power limits put together: curves, limits and sentences."""

from dataclasses import dataclass

import numpy as np

from kbapi.advice.cautions import Caution, cautions_about_power
from kbapi.advice.power_question import PowerQuestion
from kbapi.advice.wording import power as words
from kbapi.chips.chip import ChipSummary
from kbapi.evidence.power import PowerPool
from kbapi.stats.power_curve import NOMINAL_CONFIDENCE, Estimate, PowerCurve, PowerFit


@dataclass(frozen=True, slots=True)
class NumberWithInterval:
    """A number with its interval."""

    value: float
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """A point of a curve, which stands on five units at least."""

    power_share: float
    """Of what a unit draws at stock without a limit."""
    power_w: float
    """The same for the unit with the median stock power."""
    performance_share: float
    """Of what a unit achieves at stock without a limit."""
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class SmallestLimit:
    """The smallest limit that keeps the wanted share of performance."""

    power_share: NumberWithInterval
    limit_w: NumberWithInterval
    """For the unit with the median stock power; take your own stock power times the share."""
    is_at_edge: bool
    """Whether nothing lower was measured: a lower limit may keep as much."""
    text: str


@dataclass(frozen=True, slots=True)
class BestEfficiency:
    """Where performance per watt is largest."""

    power_share: NumberWithInterval
    limit_w: float
    performance_per_watt: NumberWithInterval
    """Stock without a limit is 1."""
    is_at_edge: bool
    text: str


@dataclass(frozen=True, slots=True)
class PooledCurve:
    """One pooled curve, at stock or tuned."""

    units: int
    points: tuple[CurvePoint, ...]
    smallest_limit: SmallestLimit | None
    """None where the curve does not reach the wanted share within what was measured."""
    best_per_watt: BestEfficiency


@dataclass(frozen=True, slots=True)
class AtPowerLimit:
    """What the limit that was asked about costs, and what tuning gains under it."""

    limit_w: float
    power_share: float | None
    stock_performance: NumberWithInterval | None
    tuned_performance: NumberWithInterval | None
    gain: NumberWithInterval | None
    """Tuned over stock performance."""
    text: str


@dataclass(frozen=True, slots=True)
class NoPowerReason:
    """Why there are no numbers."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class PowerAnswer:
    """The whole answer."""

    chip: ChipSummary
    load: str | None
    power_scope: str | None
    """Of what the power is: package, board..."""
    keep_share: float
    units: int | None
    units_not_used: int | None
    """Further units of contributors who are heard with three."""
    stock_power_w: NumberWithInterval | None
    """Of the median unit at stock without a limit."""
    confidence: float
    """Nominal, of every interval: a bootstrap over units."""
    stock: PooledCurve | None
    tuned: PooledCurve | None
    at_limit: AtPowerLimit | None
    reason: NoPowerReason | None
    withheld_text: str | None
    """Which curve is withheld, and how many more machines it takes; None where none is."""
    method: str
    revision: str
    summary: str
    cautions: tuple[Caution, ...]


def power_answer(
    question: PowerQuestion, pool: PowerPool | None, fit: PowerFit | None, revision: str
) -> PowerAnswer:
    """The answer from a chip's pool and its fit."""
    if pool is None or fit is None or (fit.stock is None and fit.tuned is None):
        return _without_numbers(question, pool, revision)
    chip = question.chip
    stock = _curve_told(question, fit, fit.stock, "stock")
    tuned = _curve_told(question, fit, fit.tuned, "tuned")
    return PowerAnswer(
        chip=chip.summary,
        load=pool.load,
        power_scope=pool.power_scope or None,
        keep_share=question.keep_share,
        units=pool.units,
        units_not_used=pool.left_out,
        stock_power_w=_number(fit.estimate(fit.stock_power_w), 1),
        confidence=fit.confidence,
        stock=stock,
        tuned=tuned,
        at_limit=None if question.limit_w is None else _at_limit(question.limit_w, fit),
        reason=None,
        withheld_text=_withheld(question, pool, fit),
        method=words.method(),
        revision=revision,
        summary=words.summary_of_power(
            pool.load,
            question.keep_share,
            (_limit_w(stock), _limit_w(tuned)),
            (_best_w(stock), _best_w(tuned)),
        ),
        cautions=cautions_about_power(question),
    )


def _without_numbers(question: PowerQuestion, pool: PowerPool | None, revision: str) -> PowerAnswer:
    chip = question.chip
    text = words.why_nothing(0 if pool is None else pool.units, is_filtered=bool(question.load))
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
        reason=NoPowerReason("no_curves" if pool is None else "too_few_units", text),
        withheld_text=None,
        method=words.method(),
        revision=revision,
        summary=words.nothing_measured(),
        cautions=cautions_about_power(question),
    )


def _limit_w(curve: PooledCurve | None) -> float | None:
    if curve is None or curve.smallest_limit is None:
        return None
    return curve.smallest_limit.limit_w.value


def _best_w(curve: PooledCurve | None) -> float | None:
    return None if curve is None else curve.best_per_watt.limit_w


def _withheld(question: PowerQuestion, pool: PowerPool, fit: PowerFit) -> str | None:
    for state, curve, points in (
        ("stock", fit.stock, pool.stock),
        ("tuned", fit.tuned, pool.tuned),
    ):
        units = len(np.unique(points.unit))
        if curve is None and units:
            return words.withheld_curve(state, units, is_filtered=bool(question.load))
    return None


def _number(estimate: Estimate, digits: int = 4) -> NumberWithInterval:
    return NumberWithInterval(
        round(estimate.value, digits), (round(estimate.low, digits), round(estimate.high, digits))
    )


def _curve_told(
    question: PowerQuestion, fit: PowerFit, curve: PowerCurve | None, state: str
) -> PooledCurve | None:
    if curve is None:
        return None
    return PooledCurve(
        units=curve.units,
        points=tuple(_knot_told(fit, curve, float(power)) for power in curve.power),
        smallest_limit=_limit_told(question.keep_share, fit, curve, state),
        best_per_watt=_best_told(fit, curve, state),
    )


def _knot_told(fit: PowerFit, curve: PowerCurve, power: float) -> CurvePoint:
    heights = fit.estimate(curve.at(power))
    return CurvePoint(
        power_share=round(power, 4),
        power_w=round(power * float(fit.stock_power_w[0]), 1),
        performance_share=round(heights.value, 4),
        interval=(round(heights.low, 4), round(heights.high, 4)),
    )


def _limit_told(
    keep_share: float, fit: PowerFit, curve: PowerCurve, state: str
) -> SmallestLimit | None:
    share = fit.smallest_limit(curve, keep_share)
    in_w = fit.smallest_limit_w(curve, keep_share)
    if share is None or in_w is None:
        return None
    told = _number(in_w, 1)
    return SmallestLimit(
        power_share=_number(share),
        limit_w=told,
        is_at_edge=share.is_at_edge,
        text=words.limit_in_words(
            state, keep_share, share.value, told.value, told.interval, is_at_edge=share.is_at_edge
        ),
    )


def _best_told(fit: PowerFit, curve: PowerCurve, state: str) -> BestEfficiency:
    best = fit.best_per_watt(curve)
    limit_w = round(best.value * float(fit.stock_power_w[0]), 1)
    per_watt = fit.per_watt(curve, best.value)
    return BestEfficiency(
        power_share=_number(best),
        limit_w=limit_w,
        performance_per_watt=_number(per_watt),
        is_at_edge=best.is_at_edge,
        text=words.best_in_words(state, limit_w, per_watt.value, is_at_edge=best.is_at_edge),
    )


def _at_limit(limit_w: float, fit: PowerFit) -> AtPowerLimit:
    share = limit_w / float(fit.stock_power_w[0])
    if share > 1:
        return AtPowerLimit(limit_w, None, None, None, None, words.above_stock(limit_w))
    stock, tuned = (
        None if curve is None or not curve.covers(share) else _number(fit.estimate(curve.at(share)))
        for curve in (fit.stock, fit.tuned)
    )
    gain = fit.gain_at(share)
    return AtPowerLimit(
        limit_w=limit_w,
        power_share=round(share, 4),
        stock_performance=stock,
        tuned_performance=tuned,
        gain=None if gain is None else _number(gain),
        text=words.at_limit_in_words(
            limit_w,
            None if stock is None else stock.value,
            None if gain is None else (gain.value, gain.low, gain.high),
        ),
    )
