"""Does 95 % mean 95 %, and what does it cost in depth: pools without siblings."""

import numpy as np

from kbapi.stats.estimate.siblings import Siblings
from tests.calibration._rows import (
    Depths,
    growing_timidity,
    mean_coverage,
    rows_of_depths,
    start_mv,
    wanted_coverage,
)
from tests.calibration.testers import HABITS, TRUTHS, USUAL, Habit, Truth, a_tested_pool
from tests.report import Row

SEED = 20260901
SHORT_UNITS, SHORT_RUNS = (5, 20, 50, 100), 120
FULL_UNITS, FULL_RUNS = (3, 5, 10, 20, 30, 50, 100, 200, 500, 2000), 2000
HABIT_UNITS = (30, 100, 500)
TIMIDITY = {100: "<= 18", 500: "<= 8"}


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """Coverage and timidity for each truth and number of units, then for other habits.

    Other habits get a quarter of the runs.
    """
    units = SHORT_UNITS if short else FULL_UNITS
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    rows: list[Row] = []
    for truth in TRUTHS:
        depths = _depths(truth, USUAL, units, runs)
        for n in units:
            rows += rows_of_depths(
                f"{truth.name}, n = {n}", truth, depths[n], wanted_coverage(n), TIMIDITY.get(n, "")
            )
        rows.append(growing_timidity(truth.name, truth, depths))
    rows.append(mean_coverage("usual testers", rows))
    for habit in HABITS[-1:] if short else HABITS:
        for truth in TRUTHS:
            depths = _depths(truth, habit, HABIT_UNITS[:1] if short else HABIT_UNITS, runs // 4)
            for n in depths:
                where = f"{truth.name}, {habit.name}, n = {n}"
                rows += rows_of_depths(
                    where, truth, depths[n], "" if habit.quick else wanted_coverage(n)
                )
    return rows


def _depths(truth: Truth, habit: Habit, units: tuple[int, ...], runs: int) -> Depths:
    place = (USUAL, *HABITS).index(habit)
    rng = np.random.default_rng([SEED, TRUTHS.index(truth), place])
    depths = {n: np.zeros(runs) for n in units}
    for run in range(runs):
        for n in units:
            pool = a_tested_pool(rng, truth, n, habit=habit)
            depths[n][run] = start_mv(pool, Siblings())
    return depths
