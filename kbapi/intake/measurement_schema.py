"""The wire format of trials, power limits and readings: shape only."""

from typing import Any, Final

from marshmallow import post_load, validate

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ, MOST_RUNS, MOST_SECONDS, MOST_WATTS
from kbapi.intake.documents import InForce, PowerLimits, Reading, StockPass, Trial
from kbapi.intake.shapes import (
    MINUTES,
    as_set,
    as_tuple,
    number,
    several,
    text,
    told,
    word,
    words,
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
    THROTTLE_REASONS,
)
from kbapi.wire import Flag, StrictSchema, Whole, WholeNumber

_MOST_IN_FORCE: Final = 16
_WATTS: Final = validate.Range(0, MOST_WATTS)
_IN_FORCE: Final = [
    {"domain": "core", "control": "voltage_offset", "value": -82},
    {"domain": "ring", "control": "voltage_offset", "value": -82},
]
"""Two domains that move together, as examples show them."""
_SECONDS: Final = validate.Range(0, MOST_SECONDS)


class StockPassSchema(StrictSchema):
    """A load that passed at stock."""

    load = word(LOADS, "Load class.", "vector_heavy", required=True)  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    minutes = number("How long it passed.", 20, required=True, validate=MINUTES)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> StockPass:
        return StockPass(**data)


class SettingInForceSchema(StrictSchema):
    """One control at one value."""

    domain = word(DOMAINS, "The supply rail.", "core", required=True)
    control = word(CONTROLS, "The control.", "voltage_offset", required=True)
    value = number("The value in force, in the control's unit.", -82, required=True)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> InForce:
        return InForce(**data)


class TrialSchema(StrictSchema):
    """One run of one load, with everything that was in force."""

    settings = several(
        SettingInForceSchema, _MOST_IN_FORCE, "All that differed from stock.", _IN_FORCE
    )
    load = word(LOADS, "Load class.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    seconds = number("How long it ran; a failure of any length counts.", 2700, validate=_SECONDS)
    outcome = word(OUTCOMES, "How it ended.", "stable", required=True)
    failure = word(FAILURES, "How it failed.", "wrong_result")
    checked_results = Flag(
        allow_none=True, metadata=told("Whether the load checked its own results.", True)
    )
    power_cap_w = number("Power limit in force, in W.", 60, validate=_WATTS)
    clock_mhz = number(
        "The clock, with a fixed voltage, in MHz.",
        1800,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
    )
    temp_max_c = number("Highest temperature, in Celsius.", 84)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Trial:
        as_tuple(data, "settings")
        return Trial(**data)


class PowerSchema(StrictSchema):
    """Power limits in use, and those of stock."""

    long_term_w = number("Long-term limit, in W.", 52, validate=_WATTS)
    long_term_window_s = number("Its window, in seconds.", 28, validate=_SECONDS)
    short_term_w = number("Short-term limit, in W.", 70, validate=_WATTS)
    stock_long_term_w = number("Long-term limit at stock, in W.", 60, validate=_WATTS)
    stock_long_term_window_s = number("Its window at stock, in s.", 28, validate=_SECONDS)
    stock_short_term_w = number("Short-term limit at stock, in W.", 78, validate=_WATTS)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> PowerLimits:
        return PowerLimits(**data)


class ReadingSchema(StrictSchema):
    """What sensors and a load told; a number that cannot be right is ignored, and told."""

    state = word(READING_STATES, "At stock or tuned.", "tuned", required=True)
    settings = several(
        SettingInForceSchema, _MOST_IN_FORCE, "What was in force; untold means in_use.", _IN_FORCE
    )
    load = word(LOADS, "Load class.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    runs = WholeNumber(
        allow_none=True,
        validate=validate.Range(1, MOST_RUNS),
        metadata=told("How many runs the numbers are the mean of.", 3),
    )
    minutes = number("Minutes of a run.", 25, validate=MINUTES)
    power_w = number("Mean power, in W.", 60.0)
    power_scope = word(POWER_SCOPES, "What the power is of.", "package")
    power_cap_w = number("Power limit in force, in W.", 60)
    clock_mhz = number("Mean clock, in MHz.", 2710)
    clock_kind = word(CLOCK_KINDS, "Whether the clock was reached or asked for.", "effective")
    clock_spread_mhz = number("Spread of the clock, in MHz.", 40)
    temp_avg_c = number("Mean temperature, in Celsius.", 84)
    temp_max_c = number("Highest temperature, in Celsius.", 91)
    temp_sensor = text(
        "Which sensor the temperature is of.",
        "package",
        Whole(r"[A-Za-z][A-Za-z0-9 ._/+-]{0,39}", error="A short name of a sensor."),
    )
    ambient_c = number("Temperature of the room, in Celsius.", 22)
    fan = word(FANS, "Whether the fan was held at one speed.", "fixed")
    noise_dba = number("Noise, in dB(A).", 38)
    performance = number("What the load achieved.", 41.2)
    performance_unit = word(PERFORMANCE_UNITS, "Its unit.", "jobs_per_h")
    performance_low = number("Its low end: the slowest hundredth, in the same unit.", 39.8)
    throttle_reasons = words(THROTTLE_REASONS, "What held it back.", ["long_term_power"])

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Reading:
        as_tuple(data, "settings")
        as_set(data, "throttle_reasons")
        return Reading(**data)
