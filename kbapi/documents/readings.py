"""Rules that ignore implausible numbers of readings: an ordered table, each with its sentence.

A wrong sensor does not refuse a good result: no computation uses the number, and the answer lists
it with the reason. Nothing is converted.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import chain, islice
from typing import Any, Final

from kbapi import bounds
from kbapi.documents.measurements import Reading, rise_c
from kbapi.documents.results import SubmittedResult

_CHIP_TEMPERATURES: Final = ("temp_avg_c", "temp_max_c")
_TEMPERATURES: Final = (*_CHIP_TEMPERATURES, "ambient_c")
_POWERS: Final = ("power_w", "power_cap_w")
_CLOCKS: Final = ("clock_mhz", "clock_spread_mhz")
_PERFORMANCES: Final = ("performance", "performance_low")

Fault = tuple[str, str]
"""A field and a hint for the sender."""


@dataclass(frozen=True, slots=True)
class ReadingRule:
    """A named rule about one number of a reading."""

    code: str
    sentence: str
    faults_of: Callable[[Reading, SubmittedResult], Iterator[Fault]]


@dataclass(frozen=True, slots=True)
class Ignored:
    """A number that is not used: its pointer and the reason."""

    pointer: str
    code: str
    text: str


def _sent(reading: Reading, names: tuple[str, ...]) -> Iterator[tuple[str, float]]:
    for name in names:
        value = getattr(reading, name)
        if value is not None:
            yield name, value


def _sensor_sentinel(reading: Reading, result: SubmittedResult) -> Iterator[Fault]:
    under_load = reading.load != "idle_resume"
    for name, value in _sent(reading, (*_TEMPERATURES, "noise_dba")):
        if value in bounds.ABSENT_SENSOR:
            yield name, "Leave the field out if there is no such sensor."
    for name, value in _sent(reading, _CHIP_TEMPERATURES):
        if value in bounds.DUMMY_C and (under_load or _is_constant(name, value, result)):
            yield name, "Some firmware always reports this number. Leave the field out."
        elif value == 0 and under_load:
            yield name, "A running machine does not read 0. Leave the field out."
    for name, value in _sent(reading, ("power_w", "clock_mhz")):
        if value == 0 and (under_load or name == "clock_mhz"):
            yield name, "A running machine does not read 0. Leave the field out."
        elif value == bounds.ABSENT_WORD:
            yield name, "Leave the field out if there is no such sensor."


def _is_constant(name: str, value: float, result: SubmittedResult) -> bool:
    sent = [getattr(other, name) for other in result.readings if getattr(other, name) is not None]
    return len(sent) > 1 and set(sent) == {value}


def _fahrenheit(reading: Reading, _: SubmittedResult) -> Iterator[Fault]:
    sent = dict(_sent(reading, _TEMPERATURES))
    suspects = {name for name, value in sent.items() if _is_hot(name, value, reading)}
    # Sensors of one reading have one unit; a single maximum can be a spike.
    if suspects - {"temp_max_c"}:
        suspects = set(sent)
    for name, value in sent.items():
        if name in suspects:
            yield name, f"Is it Fahrenheit? {value:.10g} F is {(value - 32) / 1.8:.1f} C."


def _is_hot(name: str, value: float, reading: Reading) -> bool:
    if value > bounds.HOTTEST_AS_FAHRENHEIT:
        return False
    if name == "ambient_c":
        return value > bounds.HOTTEST_ROOM_C
    hottest = bounds.HOTTEST_IDLE_C if reading.load == "idle_resume" else bounds.HOTTEST_C
    return value > hottest


def _temperature_out_of_range(reading: Reading, _: SubmittedResult) -> Iterator[Fault]:
    for name, value in _sent(reading, _TEMPERATURES):
        if not bounds.COLDEST_C <= value <= bounds.HOTTEST_C:
            kelvin = 2_300 <= value <= 4_000
            yield (
                name,
                "Is it tenths of a kelvin?" if kelvin else "Check the sensor and its unit.",
            )


def _maximum_below_average(reading: Reading, _: SubmittedResult) -> Iterator[Fault]:
    average, highest = reading.temp_avg_c, reading.temp_max_c
    if average is not None and highest is not None and highest < average:
        yield "temp_max_c", "Check whether both are in the same unit."


def _power_out_of_range(reading: Reading, _: SubmittedResult) -> Iterator[Fault]:
    for name, value in _sent(reading, _POWERS):
        if not 0 <= value <= bounds.MOST_POWER_W:
            yield (
                name,
                "Send W, not mW or uW." if value > 0 else "Check the sensor.",
            )


def _clock_out_of_range(reading: Reading, _: SubmittedResult) -> Iterator[Fault]:
    for name, value in _sent(reading, _CLOCKS):
        if not 0 <= value <= bounds.CLOCK_MOST_MHZ:
            yield name, "Send MHz. Was it converted twice?"
    if reading.clock_mhz is not None and 0 < reading.clock_mhz < bounds.LEAST_CLOCK_MHZ:
        yield "clock_mhz", f"Send MHz: did you mean {reading.clock_mhz * 1000:.10g}?"


def _noise_out_of_range(reading: Reading, _: SubmittedResult) -> Iterator[Fault]:
    for name, value in _sent(reading, ("noise_dba",)):
        if not bounds.QUIETEST_DBA <= value <= bounds.LOUDEST_DBA:
            yield name, "Send dB(A), and check the meter."


def _performance_not_positive(reading: Reading, _: SubmittedResult) -> Iterator[Fault]:
    for name, value in _sent(reading, _PERFORMANCES):
        if value <= 0:
            yield name, "Leave the field out if nothing was measured."


def _hotter_at_equal_power(reading: Reading, result: SubmittedResult) -> Iterator[Fault]:
    names = [name for name, _ in _sent(reading, _CHIP_TEMPERATURES)]
    if not names or reading.fan != "fixed":
        return
    pairs = chain.from_iterable(pairs for tuned, pairs in result.comparisons if tuned is reading)
    for pair in pairs:
        if pair.stock.fan != "fixed" or not pair.has_equal_power:
            continue
        for name in names:
            rise = rise_c(pair, name)
            if rise is not None and rise > bounds.TEMPERATURE_NOISE_C:
                yield name, "Check the ambient temperature and the fan speed."


def _best_of_runs(reading: Reading, result: SubmittedResult) -> Iterator[Fault]:
    if reading.runs_summary != "best":
        return
    alike = {
        (other.runs_summary, other.runs)
        for other in result.readings
        if other.load == reading.load and other.performance is not None
    }
    if len(alike) > 1:
        for name, _ in _sent(reading, _PERFORMANCES):
            yield name, "Send the mean of all runs."


READING_RULES: Final = (
    ReadingRule(
        "sensor_sentinel",
        "This number appears when a sensor is missing or was not read.",
        _sensor_sentinel,
    ),
    ReadingRule(
        "fahrenheit",
        "This is hotter than such a machine gets. Temperatures are in Celsius.",
        _fahrenheit,
    ),
    ReadingRule(
        "temperature_out_of_range",
        f"Temperatures are between {bounds.COLDEST_C} and {bounds.HOTTEST_C} C.",
        _temperature_out_of_range,
    ),
    ReadingRule(
        "maximum_below_average",
        "The highest temperature is below the average temperature.",
        _maximum_below_average,
    ),
    ReadingRule(
        "power_out_of_range",
        f"Power is between 0 and {bounds.MOST_POWER_W} W.",
        _power_out_of_range,
    ),
    ReadingRule(
        "clock_out_of_range",
        f"Clocks are between {bounds.LEAST_CLOCK_MHZ} and {bounds.CLOCK_MOST_MHZ} MHz.",
        _clock_out_of_range,
    ),
    ReadingRule(
        "noise_out_of_range",
        f"Noise is between {bounds.QUIETEST_DBA} and {bounds.LOUDEST_DBA} dB(A).",
        _noise_out_of_range,
    ),
    ReadingRule(
        "performance_not_positive",
        "Performance is more than zero.",
        _performance_not_positive,
    ),
    ReadingRule(
        "best_of_runs",
        "The best of several runs is compared only with the best of equally many.",
        _best_of_runs,
    ),
    ReadingRule(
        "hotter_at_equal_power",
        "The chip is hotter than at stock with a fixed fan and equal power. Another condition "
        "changed.",
        _hotter_at_equal_power,
    ),
)


_OF_ONE_TEMPERATURE: Final = READING_RULES[:3]


def ignore_readings(result: SubmittedResult) -> tuple[SubmittedResult, tuple[Ignored, ...]]:
    """The result without implausible numbers, and the list of these."""
    ignored: dict[str, Ignored] = {}
    for rule in READING_RULES:
        found = list(_faults(rule, result))
        for place, name, hint in found:
            pointer = f"/readings/{place}/{name}"
            ignored.setdefault(pointer, Ignored(pointer, rule.code, f"{rule.sentence} {hint}"))
        result = _without(result, [(place, name) for place, name, _ in found])
    hot = {one.pointer: one for one in _ignored_of_runs(result)}
    if not hot:
        return result, tuple(ignored.values())
    trials = tuple(
        replace(trial, temp_max_c=None) if f"/trials/{place}/temp_max_c" in hot else trial
        for place, trial in enumerate(result.trials)
    )
    return replace(result, trials=trials), (*ignored.values(), *hot.values())


def _ignored_of_runs(result: SubmittedResult) -> Iterator[Ignored]:
    """The implausible temperatures of runs, by the rules for a single sensor."""
    for place, trial in enumerate(result.trials):
        if trial.temp_max_c is None:
            continue
        alone = Reading("tuned", load=trial.load, temp_max_c=trial.temp_max_c)
        alone_in_result = replace(result, readings=(alone,))
        faults = (
            (rule, hint)
            for rule in _OF_ONE_TEMPERATURE
            for _, hint in rule.faults_of(alone, alone_in_result)
        )
        for rule, hint in islice(faults, 1):
            pointer = f"/trials/{place}/temp_max_c"
            yield Ignored(pointer, rule.code, f"{rule.sentence} {hint}")


def _faults(rule: ReadingRule, result: SubmittedResult) -> Iterator[tuple[int, str, str]]:
    for place, reading in enumerate(result.readings):
        for name, hint in rule.faults_of(reading, result):
            yield place, name, hint


def _without(result: SubmittedResult, faults: list[tuple[int, str]]) -> SubmittedResult:
    readings = list(result.readings)
    for place, name in faults:
        left_out: dict[str, Any] = {name: None}
        readings[place] = replace(readings[place], **left_out)
    return replace(result, readings=tuple(readings)) if faults else result
