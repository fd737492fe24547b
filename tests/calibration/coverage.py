"""Does 95 % mean 95 %, and what does it cost in depth: simulated pools against their truth."""

from fractions import Fraction

import numpy as np

from kbapi.stats.grid import Grid
from kbapi.stats.guard import NO_GUARD
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.siblings import Sibling, Siblings, summarise_sibling
from kbapi.stats.start import Start, pool_start
from tests.calibration.report import Row
from tests.calibration.testers import STEP_MV, TRUTHS, Truth, a_tested_pool

SEED = 20260901
SHORT_UNITS, SHORT_RUNS = (5, 20, 50, 100), 300
FULL_UNITS, FULL_RUNS = (3, 5, 10, 20, 30, 50, 100, 200, 500, 2000), 2000
SIBLINGS, BETWEEN_CHIPS_MV, DISAGREEMENT_MV = 4, 12.0, 25.0

GRID = Grid(Fraction(125, 128))


def run(short: bool) -> list[Row]:
    """Rows of coverage and timidity for each truth, kind of siblings and number of units."""
    units, runs = (SHORT_UNITS, SHORT_RUNS) if short else (FULL_UNITS, FULL_RUNS)
    kinds = ("no siblings", "agreeing siblings") + (() if short else ("disagreeing siblings",))
    rows: list[Row] = []
    for kind in kinds:
        for truth in TRUTHS:
            cell = {n: start_depths_mv(truth, kind, n, runs) for n in units_of(kind, units)}
            rows += [row for n, depths in cell.items() for row in judged(truth, kind, n, depths)]
    return rows + [mean_coverage(rows, short)]


def units_of(kind: str, units: tuple[int, ...]) -> tuple[int, ...]:
    return units if kind == "no siblings" else (0, *units)


def start_depths_mv(truth: Truth, kind: str, units: int, runs: int) -> np.ndarray:
    """The suggested depth in mV of each run, 0 where none is suggested."""
    place = [truth_.name for truth_ in TRUTHS].index(truth.name)
    rng = np.random.default_rng([SEED, place, len(kind), units])
    depths = np.zeros(runs)
    for number in range(runs):
        siblings = Siblings(series=_siblings(rng, truth, kind))
        pool = a_tested_pool(rng, truth, units)
        fit = pool_start(pool, siblings, GRID, VOLTAGE_OFFSET, 0.90, 0.95, NO_GUARD)
        depths[number] = fit.answer.steps * STEP_MV if isinstance(fit.answer, Start) else 0.0
    return depths


def _siblings(rng: np.random.Generator, truth: Truth, kind: str) -> tuple[Sibling, ...]:
    """Four chips with 100 to 120 units each, spread about a series mean that the target shares."""
    if kind == "no siblings":
        return ()
    if kind == "disagreeing siblings":
        shifts = np.full(SIBLINGS, DISAGREEMENT_MV)
    else:
        # The target is one draw from its series as well: its own place is subtracted.
        shifts = rng.normal(0, BETWEEN_CHIPS_MV, SIBLINGS) - rng.normal(0, BETWEEN_CHIPS_MV)
    return tuple(
        summarise_sibling(
            a_tested_pool(rng, truth, int(rng.integers(100, 121)), float(shift)),
            STEP_MV,
            VOLTAGE_OFFSET,
        )
        for shift in shifts
    )


def judged(truth: Truth, kind: str, units: int, depths: np.ndarray) -> list[Row]:
    where = f"{truth.name}, {kind}, n = {units}"
    covered = float(np.mean(depths <= truth.depth_90_mv))
    timid = float(np.mean(truth.depth_90_mv - depths))
    if kind == "disagreeing siblings":
        wanted = ">= 0.85"
    else:
        wanted = ">= 0.92" if units >= 30 else ">= 0.90"
    note = f"binomial error {np.sqrt(covered * (1 - covered) / len(depths)):.3f}"
    return [
        Row(f"coverage, {where}", round(covered, 4), "share", wanted, note),
        Row(f"timidity, {where}", round(timid, 2), "mV", _wanted_timidity(kind, units)),
    ]


def _wanted_timidity(kind: str, units: int) -> str:
    if units == 0:
        return "<= 35" if kind == "agreeing siblings" else ""
    return {100: "<= 18", 500: "<= 8"}.get(units, "")


def mean_coverage(rows: list[Row], short: bool) -> Row:
    """The mean over all cells whose siblings, if any, agree."""
    cells = [
        row.value
        for row in rows
        if row.what.startswith("coverage") and "disagreeing" not in row.what and row.value
    ]
    return Row("coverage, mean of the cells", round(float(np.mean(cells)), 4), "share", ">= 0.95")
