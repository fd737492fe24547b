"""What physics expects of a lower voltage: the only place for these formulas.

Dynamic power of CMOS logic is P = a C V^2 f (Weste & Harris, *CMOS VLSI Design*, 4th ed., 2011,
section 5.2), so that at an equal clock power falls about with the square of the voltage. A chip's
temperature exceeds the ambient one by P times the thermal resistance between them (Incropera et
al., *Fundamentals of Heat and Mass Transfer*, 7th ed., 2011, section 3.1), which a fan held at one
speed keeps constant.
"""

from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from kbapi.bounds import CLOCK_NOISE, EQUAL_POWER, TEMPERATURE_NOISE_C

# Voltages of compute and graphics domains in laptops and desktops: idle, load and boost.
LEAST_DOMAIN_MV: Final = 600.0
MOST_DOMAIN_MV: Final = 1_350.0
# Part of the measured power does not come from the domain that was lowered.
LEAST_DOMAIN_SHARE: Final = 0.25


_Number = TypeVar("_Number", float, NDArray[np.float64])


def expected_cooling_c(stock_c: _Number, ambient_c: _Number, power_ratio: _Number) -> _Number:
    """How much cooler it gets at a fixed fan: (T_stock - T_ambient) (1 - P_tuned/P_stock).

    >>> expected_cooling_c(84, 22, 45 / 60)
    15.5
    """
    return (stock_c - ambient_c) * (1 - power_ratio)


def power_ratio_at(domain_mv: float, depth_mv: float) -> float:
    """Tuned over stock power at an equal clock, the domain lowered by depth_mv.

    >>> round(power_ratio_at(1000, 80), 4)
    0.8464
    """
    return ((domain_mv - depth_mv) / domain_mv) ** 2


def power_ratio_range(depth_mv: float) -> tuple[float, float]:
    """The least and the most that tuned over stock power may be, over all domains and shares.

    >>> [round(ratio, 3) for ratio in power_ratio_range(80)]
    [0.751, 0.971]
    """
    least = power_ratio_at(LEAST_DOMAIN_MV, depth_mv)
    most = 1 - LEAST_DOMAIN_SHARE * (1 - power_ratio_at(MOST_DOMAIN_MV, depth_mv))
    return least, most


def clock_ratio_range(depth_mv: float) -> tuple[float, float]:
    """The least and the most that tuned over stock clock may be at equal power.

    At equal power V^2 f stays, so that the clock rises by the inverse of the power ratio.

    >>> [round(ratio, 3) for ratio in clock_ratio_range(80)]
    [1.03, 1.331]
    """
    least, most = power_ratio_range(depth_mv)
    return 1 / most, 1 / least


def is_spent_on_clock(
    clock_ratio: NDArray[np.float64], power_ratio: NDArray[np.float64], rise_c: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Where the gain of a lower voltage is a higher clock, at equal power or temperature.

    A chip that runs into its limit of power or of heat keeps that power or heat when its voltage
    falls, and runs faster. Float64 arrays of one shape, NaN where nothing is known; `rise_c` is how
    much hotter tuned is than stock, above the room.

    >>> ratios = np.array([1.06, 1.0, 1.06]), np.array([1.0, 0.85, np.nan])
    >>> is_spent_on_clock(*ratios, np.array([0.3, -9.0, np.nan])).tolist()
    [True, False, False]
    """
    keeps_power = np.abs(power_ratio - 1) <= EQUAL_POWER
    keeps_heat = np.abs(rise_c) <= TEMPERATURE_NOISE_C
    return (clock_ratio > 1 + CLOCK_NOISE) & (keeps_power | keeps_heat)
