"""The range of limits that is expected before any is reported, in each control's own unit."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class PriorScale:
    """Ranges of the mean and standard deviation of limits, in mV or counts below stock.

    These are scales of a prior, not conversions: a count is not a number of mV.

    >>> VOLTAGE_OFFSET.mean_high, COUNT_OFFSET.mean_high, FIXED_CLOCK_VOLTAGE.mean_high
    (220.0, 44.0, 350.0)
    """

    mean_low: float
    mean_high: float
    sd_low: float
    sd_high: float
    between_chips: float
    """Standard deviation of the mean limit from chip to chip within a series."""
    least_spread: float
    """A smaller spread of limits is an effect of rounded numbers."""


VOLTAGE_OFFSET: Final = PriorScale(20.0, 220.0, 5.0, 70.0, 12.0, 5.0)
"""mV; 120 mV is a usual mean, 20 mV a usual spread."""

COUNT_OFFSET: Final = PriorScale(4.0, 44.0, 1.0, 14.0, 2.4, 1.0)
"""Counts: the constants in mV divided by 5."""

FIXED_CLOCK_VOLTAGE: Final = PriorScale(20.0, 350.0, 5.0, 70.0, 12.0, 5.0)
"""mV below the report's own stock voltage at that clock, where curves have a wider range."""
