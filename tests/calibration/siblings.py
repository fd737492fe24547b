"""What siblings bring when they agree, what they cost when they do not, and invented ones."""

import numpy as np

from kbapi.stats.estimate.siblings import Siblings, summarise_sibling
from kbapi.stats.scale import VOLTAGE_OFFSET
from tests.calibration._liars import cluster, lent_by
from tests.calibration._rows import (
    Depths,
    growing_timidity,
    mean_coverage,
    rows_of_depths,
    start_mv,
    wanted_coverage,
)
from tests.calibration.testers import STEP_MV, TRUTHS, Truth, a_tested_pool
from tests.report import Row, measured

SEED = 20260903
SHORT_UNITS, SHORT_RUNS = (0, 5, 20), 80
FULL_UNITS, FULL_RUNS = (0, 3, 5, 10, 20, 30, 50, 100, 200, 500, 2000), 2000
SIBLINGS, BETWEEN_CHIPS_MV, DISAGREEMENT_MV = 4, 12.0, 25.0
AGREE, DISAGREE = "agreeing siblings", "disagreeing siblings"
TIMIDITY = {0: "<= 35", 100: "<= 18", 500: "<= 8"}


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """Coverage and timidity for each truth, kind of siblings and number of own units.

    From 200 own units on siblings are not leaned on; with siblings that disagree the cells end
    there.
    """
    units = SHORT_UNITS if short else FULL_UNITS
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    agreeing: list[Row] = []
    for truth in TRUTHS:
        depths = _depths(truth, AGREE, units, runs)
        for n in units:
            where = f"{truth.name}, {AGREE}, n = {n}"
            agreeing += rows_of_depths(
                where, truth, depths[n], wanted_coverage(n), TIMIDITY.get(n, "")
            )
        agreeing.append(growing_timidity(f"{truth.name}, {AGREE}", truth, depths))
    rows = [*agreeing, mean_coverage(AGREE, agreeing)]
    for truth in TRUTHS:
        depths = _depths(truth, DISAGREE, tuple(n for n in units if n <= 200), runs)
        for n in depths:
            rows += rows_of_depths(
                f"{truth.name}, {DISAGREE}, n = {n}", truth, depths[n], ">= 0.85"
            )
    return [*rows, *_invented(rng=np.random.default_rng([SEED, 3]), runs=runs)]


def _invented(rng: np.random.Generator, runs: int) -> list[Row]:
    """What three invented chips move, of twelve units of four new accounts each."""
    truth, rows = TRUTHS[0], []
    for n in (0, 2, 20):
        moved = []
        for _ in range(runs):
            lent = lent_by(cluster(rng, 4, 155.0, units=3, established=False) for _ in range(3))
            pool = a_tested_pool(rng, truth, n)
            moved.append(abs(start_mv(pool, lent) - start_mv(pool, Siblings())))
        rows.append(measured(f"moved by invented siblings, n = {n}", max(moved), "mV", "<= 0"))
    return rows


def _depths(truth: Truth, kind: str, units: tuple[int, ...], runs: int) -> Depths:
    rng = np.random.default_rng([SEED, TRUTHS.index(truth), len(kind)])
    depths = {n: np.zeros(runs) for n in units}
    for run in range(runs):
        siblings = some_siblings(rng, truth, kind)
        for n in units:
            depths[n][run] = start_mv(a_tested_pool(rng, truth, n), siblings)
    return depths


def some_siblings(rng: np.random.Generator, truth: Truth, kind: str) -> Siblings:
    """Four chips with 100 to 120 units each, agreeing with the target or all much deeper."""
    # The target is a draw from its series like the others: its own place is subtracted.
    agreeing = rng.normal(0, BETWEEN_CHIPS_MV, SIBLINGS) - rng.normal(0, BETWEEN_CHIPS_MV)
    shifts = agreeing if kind == AGREE else np.full(SIBLINGS, DISAGREEMENT_MV)
    pools = [a_tested_pool(rng, truth, int(rng.integers(100, 121)), shift) for shift in shifts]
    return Siblings(tuple(summarise_sibling(pool, STEP_MV, VOLTAGE_OFFSET) for pool in pools))
