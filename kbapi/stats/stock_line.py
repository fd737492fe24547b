"""The stock voltage over the clock, by which a depth becomes an absolute setting."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.interval import frozen_array

_MOST_POINTS: Final = 1000


@dataclass(frozen=True, slots=True)
class StockVoltage:
    """Stock voltage read off the line at one clock, and how far the line's data are from it."""

    clock_mhz: float
    stock_mv: float
    distance_mhz: float
    reports: int


@dataclass(frozen=True, slots=True)
class StockLine:
    """`stock_mv = level_mv + slope_mv_per_mhz * (clock_mhz - centre_mhz)`.

    `clocks_mhz`, float64 array of shape (k,), ascending and distinct, is where data are.
    """

    centre_mhz: float
    level_mv: float
    slope_mv_per_mhz: float
    clocks_mhz: NDArray[np.float64]
    reports: int

    def at(self, clock_mhz: float) -> StockVoltage:
        """The stock voltage at a clock, with the distance to the nearest clock in the data.

        >>> line = fit_stock_line(np.array([1500.0, 1600, 1800]), np.array([700.0, 720, 760]))
        >>> line.at(1900.0)
        StockVoltage(clock_mhz=1900.0, stock_mv=780.0, distance_mhz=100.0, reports=3)
        """
        return StockVoltage(
            clock_mhz=clock_mhz,
            stock_mv=self.level_mv + self.slope_mv_per_mhz * (clock_mhz - self.centre_mhz),
            distance_mhz=float(np.abs(self.clocks_mhz - clock_mhz).min()),
            reports=self.reports,
        )


def fit_stock_line(clock_mhz: NDArray[np.float64], stock_mv: NDArray[np.float64]) -> StockLine:
    """The Theil-Sen line: median slope of all pairs, median level around it.

    Parameters
    ----------
    clock_mhz, stock_mv
        One report each, shape (n,), n at least 1. At a single clock the line is flat.

    Raises
    ------
    ValueError
        When there is no report or the shapes differ.

    References
    ----------
    Sen (1968), J. Am. Statist. Ass. 63:1379-1389.

    >>> clocks = np.array([1500.0, 1600, 1700, 1800])
    >>> fit_stock_line(clocks, np.array([700.0, 720, 900, 760])).slope_mv_per_mhz
    0.2
    """
    if clock_mhz.shape != stock_mv.shape or clock_mhz.ndim != 1 or len(clock_mhz) == 0:
        raise ValueError("a stock line needs reports, one clock and one voltage each")
    order = np.lexsort((stock_mv, clock_mhz))
    # Pairs grow with the square; a thousand reports spread evenly fix a line as well as all.
    order = order[np.unique(np.linspace(0, len(order) - 1, _MOST_POINTS).round().astype(int))]
    clock, stock = clock_mhz[order], stock_mv[order]
    slope, centre = _median_slope(clock, stock), float(np.median(clock))
    return StockLine(
        centre_mhz=centre,
        level_mv=float(np.median(stock - slope * (clock - centre))),
        slope_mv_per_mhz=slope,
        clocks_mhz=frozen_array(np.unique(clock_mhz)),
        reports=len(clock_mhz),
    )


def _median_slope(clock: NDArray[np.float64], stock: NDArray[np.float64]) -> float:
    first, second = np.triu_indices(len(clock), k=1)
    run = clock[second] - clock[first]
    apart = run > 0
    if not apart.any():
        return 0.0
    return float(np.median((stock[second] - stock[first])[apart] / run[apart]))
