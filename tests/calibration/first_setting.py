"""First settings that lie within the weak tail, or beyond it: units that fail at once."""

import numpy as np

from kbapi.stats.estimate.siblings import Siblings
from tests.calibration._rows import rows_of_depths, start_mv, wanted_coverage
from tests.calibration.testers import TRUTHS, Habit, a_tested_pool
from tests.report import Row

SEED = 20260904
SHORT_UNITS, SHORT_RUNS = (50,), 80
FULL_UNITS, FULL_RUNS = (10, 30, 50, 100, 500), 2000
RANGES_MV = ((20.0, 50.0), (50.0, 80.0), (65.0, 95.0), (80.0, 110.0))


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """Coverage and timidity for each truth and range of first settings, without siblings."""
    units = SHORT_UNITS if short else FULL_UNITS
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    rows: list[Row] = []
    for place, first_mv in enumerate(RANGES_MV):
        habit = Habit("first settings", first_mv=first_mv)
        for truth in TRUTHS:
            rng = np.random.default_rng([SEED, TRUTHS.index(truth), place])
            for n in units:
                pools = (a_tested_pool(rng, truth, n, habit=habit) for _ in range(runs))
                depths = np.array([start_mv(pool, Siblings()) for pool in pools])
                where = f"{truth.name}, first {first_mv[0]:.0f}..{first_mv[1]:.0f} mV, n = {n}"
                rows += rows_of_depths(where, truth, depths, wanted_coverage(n))
    return rows
