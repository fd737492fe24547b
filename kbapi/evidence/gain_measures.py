"""What pairs of readings tell: ratios of what was done and drawn, differences of heat and sound."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.physics import expected_cooling_c
from kbapi.storage.reading_rows import Numbers, PairColumns, RepeatRow

Vector = NDArray[np.float64]
GainMeasure = Literal[
    "performance",
    "power",
    "performance_per_watt",
    "clock",
    "temperature",
    "temperature_free_fan",
    "loudness",
]
GainMeasureUnit = Literal["C", "dB(A)"]


@dataclass(frozen=True, slots=True)
class Measure:
    """Something that a pair of readings tells: a ratio as its logarithm, or a difference."""

    name: GainMeasure
    unit: GainMeasureUnit | None
    """Of a difference; None for ratios."""
    repeated: Callable[[RepeatRow], float | None]
    """What of a single reading is compared between repeats."""

    @property
    def is_ratio(self) -> bool:
        """Whether it is tuned over stock, rather than tuned less stock."""
        return self.unit is None


def _per_watt(row: RepeatRow) -> float | None:
    return row.performance / row.power_w if row.performance and row.power_w else None


MEASURES: Final = (
    Measure("performance", None, lambda row: row.performance),
    Measure("power", None, lambda row: row.power_w),
    Measure("performance_per_watt", None, _per_watt),
    Measure("clock", None, lambda row: row.clock_mhz),
    Measure("temperature", "C", lambda row: row.heat_c),
    Measure("temperature_free_fan", "C", lambda row: row.heat_c),
    Measure("loudness", "dB(A)", lambda row: row.noise_dba),
)


def changes_in(pairs: PairColumns) -> Mapping[str, Vector]:
    """By measure, how much each pair changed; NaN where that was not told."""
    performance, power = _log(pairs.performance_ratio), _log(pairs.power_ratio)
    rise, is_fixed = told(pairs.rise_c), np.array(pairs.is_fan_fixed) == 1
    return {
        "performance": performance,
        "power": power,
        "performance_per_watt": performance - power,
        "clock": _log(pairs.clock_ratio),
        "temperature": np.where(is_fixed, rise, np.nan),
        "temperature_free_fan": np.where(is_fixed, np.nan, rise),
        "loudness": told(pairs.louder_dba),
    }


def told(numbers: Numbers | tuple[int, ...]) -> Vector:
    """The numbers as an array, NaN where nothing was told."""
    # numpy reads None as NaN where it is told that floats are meant.
    return np.array(numbers, dtype=np.float64)


def _log(ratios: Numbers) -> Vector:
    numbers = told(ratios)
    return np.log(np.where(numbers > 0, numbers, np.nan))


def expected_rise_c(pairs: PairColumns) -> Vector:
    """What the saved power explains at a fixed fan, negative where it cools; NaN if untold."""
    heat_c = told(pairs.stock_heat_c)
    explained = -expected_cooling_c(heat_c, np.zeros_like(heat_c), told(pairs.power_ratio))
    return np.where(np.array(pairs.is_fan_fixed) == 1, explained, np.nan)
