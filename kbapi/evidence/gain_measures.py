"""What a pair of readings tells: ratios of what it did and drew, differences of heat and noise."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from kbapi.stats.physics import expected_cooling_c
from kbapi.storage.reading_rows import Measured, PairRow, RepeatRow

_LESS_IS_MORE: Final = "s_per_job"


@dataclass(frozen=True, slots=True)
class Measure:
    """Something that a pair of readings tells: a ratio as its logarithm, or a difference."""

    name: str
    is_ratio: bool
    change_in: Callable[[PairRow], float | None]
    repeated: Callable[[RepeatRow], float | None]
    """The same of a single reading, for what repeats differ by."""


def _log_ratio(tuned: float | None, stock: float | None) -> float | None:
    if tuned is None or stock is None or tuned <= 0 or stock <= 0:
        return None
    return math.log(tuned / stock)


def _performance(pair: PairRow) -> float | None:
    if not pair.place.performance_unit:
        return None
    change = _log_ratio(pair.tuned.performance, pair.stock.performance)
    is_time = pair.place.performance_unit == _LESS_IS_MORE
    return -change if is_time and change is not None else change


def _power(pair: PairRow) -> float | None:
    return _log_ratio(pair.tuned.power_w, pair.stock.power_w)


def _clock(pair: PairRow) -> float | None:
    return _log_ratio(pair.tuned.clock_mhz, pair.stock.clock_mhz)


def _per_watt(pair: PairRow) -> float | None:
    performance, power = _performance(pair), _power(pair)
    return None if performance is None or power is None else performance - power


def _heat(told: Measured) -> float | None:
    """Above the room; without the room's own temperature nothing can be compared."""
    return None if told.temp_c is None or told.ambient_c is None else told.temp_c - told.ambient_c


def _rise(pair: PairRow) -> float | None:
    stock, tuned = _heat(pair.stock), _heat(pair.tuned)
    return None if stock is None or tuned is None else tuned - stock


def _rise_at_fixed_fan(pair: PairRow) -> float | None:
    return _rise(pair) if pair.place.fan == "fixed" else None


def _rise_at_free_fan(pair: PairRow) -> float | None:
    return _rise(pair) if pair.place.fan != "fixed" else None


def _loudness(pair: PairRow) -> float | None:
    stock, tuned = pair.stock.noise_dba, pair.tuned.noise_dba
    return None if stock is None or tuned is None else tuned - stock


def _log(value: float | None) -> float | None:
    return math.log(value) if value is not None and value > 0 else None


def _repeated_per_watt(row: RepeatRow) -> float | None:
    return _log_ratio(row.performance, row.power_w)


MEASURES: Final = (
    Measure("performance", True, _performance, lambda row: _log(row.performance)),
    Measure("power", True, _power, lambda row: _log(row.power_w)),
    Measure("performance_per_watt", True, _per_watt, _repeated_per_watt),
    Measure("clock", True, _clock, lambda row: _log(row.clock_mhz)),
    Measure("temperature", False, _rise_at_fixed_fan, lambda row: row.heat_c),
    Measure("temperature_free_fan", False, _rise_at_free_fan, lambda row: row.heat_c),
    Measure("noise", False, _loudness, lambda row: row.noise_dba),
)
MEASURE_OF: Final = {measure.name: measure for measure in MEASURES}


def expected_rise_c(pair: PairRow) -> float | None:
    """What the saved power explains at a fixed fan, negative where it cools."""
    power, stock = _power(pair), pair.stock
    if pair.place.fan != "fixed" or power is None:
        return None
    if stock.temp_c is None or stock.ambient_c is None:
        return None
    return -expected_cooling_c(stock.temp_c, stock.ambient_c, math.exp(power))


def clock_spread(told: Measured) -> float | None:
    """Of one run, as a share of the clock."""
    if not told.clock_spread_mhz or not told.clock_mhz:
        return None
    return told.clock_spread_mhz / told.clock_mhz
