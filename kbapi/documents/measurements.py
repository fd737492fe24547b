"""Trials, power limits and readings of a result: each record and its wire schema."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

from marshmallow import validate

from kbapi.bounds import (
    CLOCK_LEAST_MHZ,
    CLOCK_MOST_MHZ,
    EQUAL_CLOCK,
    EQUAL_POWER,
    MOST_RUNS,
    MOST_SECONDS,
    MOST_WATTS,
)
from kbapi.documents.shapes import (
    IN_CONTROL_UNIT,
    MINUTES,
    Flag,
    RecordSchema,
    WholeNumber,
    choice,
    choices,
    described,
    number,
    several,
)
from kbapi.vocabulary import (
    CLOCK_KINDS,
    CONTROLS,
    DOMAINS,
    FAILURES,
    FANS,
    LOADS,
    OUTCOMES,
    PERFORMANCE_UNITS,
    POWER_SCOPES,
    READING_STATES,
    RUNS_SUMMARIES,
    TEMPERATURE_SENSORS,
    THROTTLE_REASONS,
    Control,
    Domain,
)

_MOST_IN_FORCE: Final = 16
_WATTS: Final = validate.Range(0, MOST_WATTS)
_IN_FORCE: Final = [
    {"domain": "core", "control": "voltage_offset", "value": -82},
    {"domain": "ring", "control": "voltage_offset", "value": -82},
]
"""Two domains that move together, as examples show them."""
_SECONDS: Final = validate.Range(0, MOST_SECONDS)


@dataclass(frozen=True, slots=True)
class StockPass:
    """A load class and for how many minutes it passed at stock."""

    load: str
    minutes: float


class StockPassSchema(RecordSchema):
    """A load that the machine passed at stock."""

    makes = StockPass

    load = choice(LOADS, "The load.", "vector_heavy", required=True)  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    minutes = number("Minutes for which it passed.", 20, required=True, validate=MINUTES)


@dataclass(frozen=True, slots=True)
class InForce:
    """One control at one value, as it was in force during a trial or a reading."""

    domain: Domain
    control: Control
    value: float


class SettingInForceSchema(RecordSchema):
    """One control at one value."""

    makes = InForce

    domain = choice(DOMAINS, "The supply rail.", "core", required=True)
    control = choice(CONTROLS, "How it is adjusted.", "voltage_offset", required=True)
    value = number(
        "The value in force. " + IN_CONTROL_UNIT + " A power_limit is in W.", -82, required=True
    )


@dataclass(frozen=True, slots=True)
class Trial:
    """One run of one load with all settings in force, and how it ended."""

    outcome: str
    settings: tuple[InForce, ...] = ()
    load: str | None = None
    seconds: float | None = None
    failure: str | None = None
    checked_results: bool | None = None
    power_cap_w: float | None = None
    clock_mhz: float | None = None
    temp_max_c: float | None = None


class TrialSchema(RecordSchema):
    """One run of one load."""

    makes = Trial

    settings = several(
        SettingInForceSchema,
        _MOST_IN_FORCE,
        "Every setting that differed from stock during the run.",
        _IN_FORCE,
    )
    load = choice(LOADS, "The load.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    seconds = number(
        "Length of the run, in s; a failure counts after any length.", 2700, validate=_SECONDS
    )
    outcome = choice(OUTCOMES, "How it ended.", "stable", required=True)
    failure = choice(FAILURES, "How it failed; null for a stable run.", "wrong_result")
    checked_results = Flag(
        allow_none=True, metadata=described("Whether the load verified what it computed.", True)
    )
    power_cap_w = number("Power limit during the run, in W; null for none.", 60, validate=_WATTS)
    clock_mhz = number(
        "The clock, in MHz; only with fixed_clock_voltage.",
        1800,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
    )
    temp_max_c = number("Highest temperature, in °C.", 84)


@dataclass(frozen=True, slots=True)
class PowerLimits:
    """Power limits in use, and those of stock."""

    long_term_w: float | None = None
    long_term_window_s: float | None = None
    short_term_w: float | None = None
    stock_long_term_w: float | None = None
    stock_long_term_window_s: float | None = None
    stock_short_term_w: float | None = None


class PowerSchema(RecordSchema):
    """Power limits in use, and those of stock."""

    makes = PowerLimits

    long_term_w = number("Long-term power limit in use, in W.", 52, validate=_WATTS)
    long_term_window_s = number(
        "Averaging window of the long-term limit in use, in s.", 28, validate=_SECONDS
    )
    short_term_w = number("Short-term power limit in use, in W.", 70, validate=_WATTS)
    stock_long_term_w = number("Long-term power limit at stock, in W.", 60, validate=_WATTS)
    stock_long_term_window_s = number(
        "Averaging window of the long-term limit at stock, in s.", 28, validate=_SECONDS
    )
    stock_short_term_w = number("Short-term power limit at stock, in W.", 78, validate=_WATTS)


@dataclass(frozen=True, slots=True)
class Reading:
    """Measurements at stock or tuned, as sent; implausible numbers are possible."""

    state: str
    settings: tuple[InForce, ...] = ()
    load: str | None = None
    runs: int | None = None
    runs_summary: str | None = None
    minutes: float | None = None
    power_w: float | None = None
    power_scope: str | None = None
    power_cap_w: float | None = None
    clock_mhz: float | None = None
    clock_kind: str | None = None
    clock_spread_mhz: float | None = None
    temp_avg_c: float | None = None
    temp_max_c: float | None = None
    temp_sensor: str | None = None
    ambient_c: float | None = None
    fan: str | None = None
    noise_dba: float | None = None
    performance: float | None = None
    performance_unit: str | None = None
    performance_low: float | None = None
    throttle_reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class ReadingPair:
    """Two readings, at stock and tuned, with equal load, power limit and way of measuring."""

    stock: Reading
    tuned: Reading

    @cached_property
    def power_ratio(self) -> float | None:
        """Power draw tuned over stock, None unless both are positive."""
        return ratio(self.tuned.power_w, self.stock.power_w)

    @cached_property
    def clock_ratio(self) -> float | None:
        """Clock tuned over stock, None unless both are positive."""
        return ratio(self.tuned.clock_mhz, self.stock.clock_mhz)

    @cached_property
    def has_equal_power(self) -> bool:
        """Whether the power draws are equal within the spread of repeated runs."""
        return is_equal(self.stock.power_w, self.tuned.power_w, EQUAL_POWER)

    @cached_property
    def has_equal_clock(self) -> bool:
        """Whether the clocks are equal within the spread of repeated runs."""
        return is_equal(self.stock.clock_mhz, self.tuned.clock_mhz, EQUAL_CLOCK)


Comparisons = tuple[tuple[Reading, tuple[ReadingPair, ...]], ...]
"""Each tuned reading with its pairs."""


def pairs_of(readings: Sequence[Reading]) -> Comparisons:
    """Every pair of comparable readings, by the tuned one."""
    stock: dict[Any, list[Reading]] = {}
    for reading in readings:
        if reading.state == "stock" and reading.load is not None:
            stock.setdefault(_conditions_of(reading), []).append(reading)
    return tuple(
        (tuned, tuple(ReadingPair(one, tuned) for one in stock.get(_conditions_of(tuned), ())))
        for tuned in readings
        if tuned.state == "tuned"
    )


def _conditions_of(reading: Reading) -> tuple[str | float | None, ...]:
    return reading.load, reading.power_cap_w, reading.power_scope, reading.clock_kind


def is_equal(one: float | None, other: float | None, tolerance: float) -> bool:
    """Whether both were sent and differ by no more than this share of the larger."""
    if one is None or other is None:
        return False
    return abs(one - other) <= tolerance * max(one, other)


def ratio(tuned: float | None, stock: float | None) -> float | None:
    """Tuned over stock, None unless both were sent and are positive."""
    if tuned is None or stock is None or tuned <= 0 or stock <= 0:
        return None
    return tuned / stock


def rise_c(pair: ReadingPair, name: str) -> float | None:
    """How much the rise above ambient grew from stock to tuned; None where it is not known.

    Without both ambient temperatures these are taken to be equal.
    """
    stock, tuned = getattr(pair.stock, name), getattr(pair.tuned, name)
    ambient = (pair.stock.ambient_c, pair.tuned.ambient_c)
    if stock is None or tuned is None or pair.stock.temp_sensor != pair.tuned.temp_sensor:
        return None
    if ambient == (None, None):
        return float(tuned - stock)
    if None in ambient:
        return None
    return float((tuned - pair.tuned.ambient_c) - (stock - pair.stock.ambient_c))


class ReadingSchema(RecordSchema):
    """Measurements under one load; a number that cannot be right is ignored and reported."""

    makes = Reading

    state = choice(READING_STATES, "Measured at stock or tuned.", "tuned", required=True)
    settings = several(
        SettingInForceSchema,
        _MOST_IN_FORCE,
        "Every setting in force during the measurement; without it, `in_use` of each setting.",
        _IN_FORCE,
    )
    load = choice(LOADS, "The load.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    runs = WholeNumber(
        allow_none=True,
        validate=validate.Range(1, MOST_RUNS),
        metadata=described("Number of runs behind the numbers.", 3),
    )
    runs_summary = choice(
        RUNS_SUMMARIES,
        "What the numbers are of these runs. Send the mean; the best of several runs counts only "
        "beside the best of equally many.",
        "mean",
    )
    minutes = number("Length of one run, in minutes.", 25, validate=MINUTES)
    power_w = number("Mean power draw, in W.", 60.0)
    power_scope = choice(POWER_SCOPES, "What the power draw was measured of.", "package")
    power_cap_w = number("Power limit during the measurement, in W; null for none.", 60)
    clock_mhz = number("Mean clock, in MHz.", 2710)
    clock_kind = choice(
        CLOCK_KINDS, "Whether it is the clock that was reached or that was requested.", "effective"
    )
    clock_spread_mhz = number("Spread of the clock during the measurement, in MHz.", 40)
    temp_avg_c = number("Mean temperature, in °C.", 84)
    temp_max_c = number("Highest temperature, in °C.", 91)
    temp_sensor = choice(TEMPERATURE_SENSORS, "Where the temperature was measured.", "package")
    ambient_c = number("Ambient temperature, in °C.", 22)
    fan = choice(FANS, "Whether the fan regulated itself or was fixed at one speed.", "fixed")
    noise_dba = number("Noise level, in dB(A).", 38)
    performance = number("Performance of the load, in `performance_unit`.", 41.2)
    performance_unit = choice(PERFORMANCE_UNITS, "Unit of the performance.", "jobs_per_h")
    performance_low = number("Performance of the slowest 1 %, in `performance_unit`.", 39.8)
    throttle_reasons = choices(THROTTLE_REASONS, "What limited the clock.", ["long_term_power"])
