"""Starts of many simulated pools against their truth: how often right, and how timid."""

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import Grid, GroupedIntervals
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.start import NO_GUARD, Start, pool_start
from tests.calibration.testers import STEP_MV, Truth
from tests.report import Row, measured

Depths = dict[int, NDArray[np.float64]]
"""Suggested depths in mV of all runs, by the number of units; 0 where none is suggested."""

GRID = Grid(Fraction(125, 128))


def start_mv(pool: GroupedIntervals, siblings: Siblings) -> float:
    fit = pool_start(pool, siblings, GRID, VOLTAGE_OFFSET, 0.90, 0.95, NO_GUARD)
    return fit.answer.steps * STEP_MV if isinstance(fit.answer, Start) else 0.0


def coverage_of(truth: Truth, depths: NDArray[np.float64]) -> float:
    return float(np.mean(depths <= truth.depth_90_mv))


def timidity_of(truth: Truth, depths: NDArray[np.float64]) -> float:
    return float(np.mean(truth.depth_90_mv - depths))


def wanted_coverage(units: int) -> str:
    return ">= 0.92" if units >= 30 else ">= 0.90"


def rows_of_depths(
    where: str, truth: Truth, depths: NDArray[np.float64], coverage: str, timidity: str = ""
) -> list[Row]:
    """Coverage with its binomial error, and mean timidity, of one cell."""
    covered = coverage_of(truth, depths)
    error = f"binomial error {np.sqrt(covered * (1 - covered) / len(depths)):.3f}"
    timid = round(timidity_of(truth, depths), 2)
    return [
        measured(f"coverage, {where}", covered, "share", coverage, error),
        measured(f"timidity, {where}", timid, "mV", timidity),
    ]


def growing_timidity(where: str, truth: Truth, depths: Depths) -> Row:
    """The most by which more units make the start more timid, from each size to the next."""
    timid = [timidity_of(truth, depths[n]) for n in sorted(depths)]
    rise = float(np.diff(timid).max())
    return measured(f"timidity grows at most by, {where}", round(rise, 2), "mV", "<= 1")


def mean_coverage(what: str, rows: Sequence[Row]) -> Row:
    """The mean over the cells of those rows that are coverages."""
    cells = [row.value for row in rows if row.what.startswith("coverage")]
    return measured(f"mean coverage, {what}", float(np.mean(cells)), "share", ">= 0.95")
