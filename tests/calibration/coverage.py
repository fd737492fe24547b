"""Does 95 % mean 95 %, and what does it cost in depth: simulated pools against their truth."""

from fractions import Fraction

import numpy as np

from kbapi.stats.grid import Grid
from kbapi.stats.guard import NO_GUARD
from kbapi.stats.interval import GroupedIntervals
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.siblings import Sibling, Siblings, summarise_sibling
from kbapi.stats.start import Start, pool_start
from tests.calibration.testers import STEP_MV, TRUTHS, Truth, a_tested_pool
from tests.report import Row, measured

SEED = 20260901
SHORT_UNITS, SHORT_RUNS = (5, 20, 50, 100), 300
FULL_UNITS, FULL_RUNS = (3, 5, 10, 20, 30, 50, 100, 200, 500, 2000), 2000
SIBLINGS, BETWEEN_CHIPS_MV, DISAGREEMENT_MV = 4, 12.0, 25.0
ALONE, AGREE, DISAGREE = "no siblings", "agreeing siblings", "disagreeing siblings"

# Mean timidity in mV that the study of this rule found over 500 runs without siblings.
STUDY_UNITS = (20, 30, 40, 70, 100)
STUDY_MV = {
    "normal": (30, 29, 29, 20, 13),
    "two revisions": (17, 15, 14, 9, 7),
    "long weak tail": (20, 17, 18, 16, 16),
}

GRID = Grid(Fraction(125, 128))


def measure(*, short: bool) -> list[Row]:
    """Coverage and timidity of the start for each truth, kind of siblings and number of units."""
    units, runs = (SHORT_UNITS, SHORT_RUNS) if short else (FULL_UNITS, FULL_RUNS)
    rows: list[Row] = []
    for kind in (ALONE, AGREE) if short else (ALONE, AGREE, DISAGREE):
        for truth in TRUTHS:
            depths = start_depths_mv(truth, kind, units if kind == ALONE else (0, *units), runs)
            rows += [row for n in depths for row in _judged(truth, kind, n, depths[n])]
    cells = [
        row.value for row in rows if row.what.startswith("coverage") and DISAGREE not in row.what
    ]
    rows.append(measured("coverage, mean of all cells", float(np.mean(cells)), "share", ">= 0.95"))
    return rows


def start_depths_mv(
    truth: Truth, kind: str, units: tuple[int, ...], runs: int
) -> dict[int, np.ndarray]:
    """The suggested depth in mV of each run for each number of units, 0 where none is suggested."""
    rng = np.random.default_rng([SEED, TRUTHS.index(truth), len(kind)])
    depths = {n: np.zeros(runs) for n in units}
    for number in range(runs):
        siblings = Siblings(series=_siblings(rng, truth, kind))
        for n in units:
            depths[n][number] = _start_mv(a_tested_pool(rng, truth, n), siblings)
    return depths


def _start_mv(pool: GroupedIntervals, siblings: Siblings) -> float:
    fit = pool_start(pool, siblings, GRID, VOLTAGE_OFFSET, 0.90, 0.95, NO_GUARD)
    return fit.answer.steps * STEP_MV if isinstance(fit.answer, Start) else 0.0


def _siblings(rng: np.random.Generator, truth: Truth, kind: str) -> tuple[Sibling, ...]:
    """Four chips with 100 to 120 units each, agreeing with the target or all much deeper."""
    if kind == ALONE:
        return ()
    # The target is a draw from its series like the others: its own place is subtracted.
    agreeing = rng.normal(0, BETWEEN_CHIPS_MV, SIBLINGS) - rng.normal(0, BETWEEN_CHIPS_MV)
    shifts = agreeing if kind == AGREE else np.full(SIBLINGS, DISAGREEMENT_MV)
    pools = [a_tested_pool(rng, truth, int(rng.integers(100, 121)), shift) for shift in shifts]
    return tuple(summarise_sibling(pool, STEP_MV, VOLTAGE_OFFSET) for pool in pools)


def _judged(truth: Truth, kind: str, units: int, depths: np.ndarray) -> list[Row]:
    where = f"{truth.name}, {kind}, n = {units}"
    covered = float(np.mean(depths <= truth.depth_90_mv))
    error = f"binomial error {np.sqrt(covered * (1 - covered) / len(depths)):.3f}"
    timid = round(float(np.mean(truth.depth_90_mv - depths)), 2)
    study = dict(zip(STUDY_UNITS, STUDY_MV.get(truth.name, ()), strict=False))
    beside = f"study's blend {study[units]}" if kind == ALONE and units in study else ""
    return [
        measured(f"coverage, {where}", covered, "share", _wanted_coverage(kind, units), error),
        measured(f"timidity, {where}", timid, "mV", _wanted_timidity(kind, units), beside),
    ]


def _wanted_coverage(kind: str, units: int) -> str:
    if kind == DISAGREE:
        return ">= 0.85"
    return ">= 0.92" if units >= 30 else ">= 0.90"


def _wanted_timidity(kind: str, units: int) -> str:
    if kind == AGREE and units == 0:
        return "<= 35"
    return {100: "<= 18", 500: "<= 8"}.get(units, "")
