"""What pairs of readings tell: ratios of what was done and drawn, differences of heat and noise."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.physics import expected_cooling_c
from kbapi.storage.reading_rows import MeasuredColumns, Numbers, PairColumns, RepeatRow

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Measure:
    """Something that a pair of readings tells: a ratio as its logarithm, or a difference."""

    name: str
    is_ratio: bool
    repeated: Callable[[RepeatRow], float | None]
    """What of a single reading is compared between repeats."""


def _per_watt(row: RepeatRow) -> float | None:
    return row.performance / row.power_w if row.performance and row.power_w else None


MEASURES: Final = (
    Measure("performance", True, lambda row: row.performance),
    Measure("power", True, lambda row: row.power_w),
    Measure("performance_per_watt", True, _per_watt),
    Measure("clock", True, lambda row: row.clock_mhz),
    Measure("temperature", False, lambda row: row.heat_c),
    Measure("temperature_free_fan", False, lambda row: row.heat_c),
    Measure("noise", False, lambda row: row.noise_dba),
)


def changes_in(pairs: PairColumns) -> Mapping[str, Vector]:
    """By measure, how much each pair changed; NaN where that was not told."""
    stock, tuned = pairs.stock, pairs.tuned
    power = _log_ratio(tuned.power_w, stock.power_w)
    performance = _log_ratio(tuned.performance, stock.performance) * _told(pairs.performance_sign)
    rise = _heat(tuned) - _heat(stock)
    is_fixed = np.array(pairs.is_fan_fixed) == 1
    return {
        "performance": performance,
        "power": power,
        "performance_per_watt": performance - power,
        "clock": _log_ratio(tuned.clock_mhz, stock.clock_mhz),
        "temperature": np.where(is_fixed, rise, np.nan),
        "temperature_free_fan": np.where(is_fixed, np.nan, rise),
        "noise": _told(tuned.noise_dba) - _told(stock.noise_dba),
    }


def _told(numbers: Numbers) -> Vector:
    # numpy reads None as NaN where it is told that floats are meant.
    return np.array(numbers, dtype=np.float64)


def _log_ratio(tuned: Numbers, stock: Numbers) -> Vector:
    return _log(_told(tuned)) - _log(_told(stock))


def _log(numbers: Vector) -> Vector:
    return np.log(np.where(numbers > 0, numbers, np.nan))


def _heat(told: MeasuredColumns) -> Vector:
    """Above the room; without the room's own temperature nothing can be compared."""
    return _told(told.temp_c) - _told(told.ambient_c)


def expected_rise_c(pairs: PairColumns, power: Vector) -> Vector:
    """What the saved power explains at a fixed fan, negative where it cools; NaN if untold.

    `power` is the logarithm of its ratio, shape (n,).
    """
    stock_c, ambient_c = _told(pairs.stock.temp_c), _told(pairs.stock.ambient_c)
    explained = -expected_cooling_c(stock_c, ambient_c, np.exp(power))
    return np.where(np.array(pairs.is_fan_fixed) == 1, explained, np.nan)


def clock_spread(told: MeasuredColumns) -> Vector:
    """Of one run, as a share of the clock; NaN where it was not told."""
    spread = _told(told.clock_spread_mhz)
    return np.where(spread > 0, spread, np.nan) / _told(told.clock_mhz)


def runs_of(told: MeasuredColumns) -> Vector:
    """How many runs each reading is the mean of; one where nobody said."""
    return np.nan_to_num(_told(told.runs), nan=1.0)
