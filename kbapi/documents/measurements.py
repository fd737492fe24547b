"""The wire format of trials, power limits and readings: shape only."""

from typing import Any, Final

from marshmallow import post_load, validate

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ, MOST_RUNS, MOST_SECONDS, MOST_WATTS
from kbapi.documents.shapes import (
    IN_CONTROL_UNIT,
    MINUTES,
    Flag,
    StrictSchema,
    Whole,
    WholeNumber,
    as_set,
    as_tuple,
    number,
    several,
    text,
    told,
    word,
    words,
)
from kbapi.documents.types import InForce, PowerLimits, Reading, StockPass, Trial
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
    THROTTLE_REASONS,
)

_MOST_IN_FORCE: Final = 16
_WATTS: Final = validate.Range(0, MOST_WATTS)
_IN_FORCE: Final = [
    {"domain": "core", "control": "voltage_offset", "value": -82},
    {"domain": "ring", "control": "voltage_offset", "value": -82},
]
"""Two domains that move together, as examples show them."""
_SECONDS: Final = validate.Range(0, MOST_SECONDS)


class StockPassSchema(StrictSchema):
    """A load that the machine passed at stock."""

    load = word(LOADS, "The load.", "vector_heavy", required=True)  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    minutes = number("Minutes for which it passed.", 20, required=True, validate=MINUTES)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> StockPass:
        return StockPass(**data)


class SettingInForceSchema(StrictSchema):
    """One control at one value."""

    domain = word(DOMAINS, "The supply rail.", "core", required=True)
    control = word(CONTROLS, "How it is adjusted.", "voltage_offset", required=True)
    value = number(
        "The value in force. " + IN_CONTROL_UNIT + " A power_limit is in W.", -82, required=True
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> InForce:
        return InForce(**data)


class TrialSchema(StrictSchema):
    """One run of one load."""

    settings = several(
        SettingInForceSchema,
        _MOST_IN_FORCE,
        "Every setting that differed from stock during the run.",
        _IN_FORCE,
    )
    load = word(LOADS, "The load.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    seconds = number(
        "Length of the run, in s; a failure counts after any length.", 2700, validate=_SECONDS
    )
    outcome = word(OUTCOMES, "How it ended.", "stable", required=True)
    failure = word(FAILURES, "How it failed; null for a stable run.", "wrong_result")
    checked_results = Flag(
        allow_none=True, metadata=told("Whether the load checked its own results.", True)
    )
    power_cap_w = number("Power limit during the run, in W; null for none.", 60, validate=_WATTS)
    clock_mhz = number(
        "The clock, in MHz; only with fixed_clock_voltage.",
        1800,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
    )
    temp_max_c = number("Highest temperature, in °C.", 84)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Trial:
        as_tuple(data, "settings")
        return Trial(**data)


class PowerSchema(StrictSchema):
    """Power limits in use, and those of stock."""

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

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> PowerLimits:
        return PowerLimits(**data)


class ReadingSchema(StrictSchema):
    """Measurements under one load; a number that cannot be right is ignored and reported."""

    state = word(READING_STATES, "Measured at stock or tuned.", "tuned", required=True)
    settings = several(
        SettingInForceSchema,
        _MOST_IN_FORCE,
        "Every setting in force during the measurement; without it, `in_use` of each setting.",
        _IN_FORCE,
    )
    load = word(LOADS, "The load.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    runs = WholeNumber(
        allow_none=True,
        validate=validate.Range(1, MOST_RUNS),
        metadata=told("Number of runs that the numbers are the mean of.", 3),
    )
    minutes = number("Length of one run, in minutes.", 25, validate=MINUTES)
    power_w = number("Mean power draw, in W.", 60.0)
    power_scope = word(POWER_SCOPES, "What the power draw was measured of.", "package")
    power_cap_w = number("Power limit during the measurement, in W; null for none.", 60)
    clock_mhz = number("Mean clock, in MHz.", 2710)
    clock_kind = word(
        CLOCK_KINDS, "Whether it is the clock that was reached or that was requested.", "effective"
    )
    clock_spread_mhz = number("Spread of the clock during the measurement, in MHz.", 40)
    temp_avg_c = number("Mean temperature, in °C.", 84)
    temp_max_c = number("Highest temperature, in °C.", 91)
    temp_sensor = text(
        "Name of the temperature sensor.",
        "package",
        Whole(
            r"[A-Za-z][A-Za-z0-9 ._/+-]{0,39}",
            error="Send a short name of the sensor, such as package.",
        ),
    )
    ambient_c = number("Ambient temperature, in °C.", 22)
    fan = word(FANS, "Whether the fan regulated itself or was fixed at one speed.", "fixed")
    noise_dba = number("Noise level, in dB(A).", 38)
    performance = number("Performance of the load, in `performance_unit`.", 41.2)
    performance_unit = word(PERFORMANCE_UNITS, "Unit of the performance.", "jobs_per_h")
    performance_low = number("Performance of the slowest 1 %, in `performance_unit`.", 39.8)
    throttle_reasons = words(THROTTLE_REASONS, "What limited the clock.", ["long_term_power"])

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Reading:
        as_tuple(data, "settings")
        as_set(data, "throttle_reasons")
        return Reading(**data)
