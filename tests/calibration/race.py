"""The served start against other ways on the same pools: coverage, timidity, smoothness in n."""

import numpy as np

from kbapi.stats.estimate.siblings import Siblings
from tests.calibration._rows import coverage_of, timidity_of, wanted_coverage
from tests.calibration._ways import WAYS, a_scene
from tests.calibration.siblings import AGREE, DISAGREE, some_siblings
from tests.calibration.testers import STEP_MV, TRUTHS, Truth, a_tested_pool
from tests.report import Row, measured

SEED = 20260907
SHORT_RUNS, FULL_RUNS = 20, 500
ALONE = "no siblings"
UNITS = {
    ALONE: (3, 5, 10, 20, 30, 50, 100, 200, 500),
    AGREE: (3, 10, 30, 50),
    DISAGREE: (3, 10, 30, 50),
}
SHORT_UNITS = (5, 30, 100)
Cells = dict[tuple[str, int], np.ndarray]


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """For each way and kind of siblings: the least coverage, and timidity by n, over the truths."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    kinds = {ALONE: SHORT_UNITS} if short else UNITS
    rows: list[Row] = []
    for kind, units in kinds.items():
        cells = {truth.name: _cells(truth, kind, units, runs) for truth in TRUTHS}
        for way in WAYS:
            rows += _rows_of(way, kind, units, cells)
    return rows


def _cells(truth: Truth, kind: str, units: tuple[int, ...], runs: int) -> Cells:
    rng = np.random.default_rng([SEED, TRUTHS.index(truth), len(kind)])
    depths: Cells = {(way, n): np.zeros(runs) for way in WAYS for n in units}
    for run in range(runs):
        siblings = Siblings() if kind == ALONE else some_siblings(rng, truth, kind)
        for n in units:
            scene = a_scene(a_tested_pool(rng, truth, n), siblings)
            for way, start in WAYS.items():
                # Toward stock, to the whole step.
                depths[way, n][run] = max(np.floor(start(scene)), 0.0) * STEP_MV
    return depths


def _rows_of(way: str, kind: str, units: tuple[int, ...], cells: dict[str, Cells]) -> list[Row]:
    rows = []
    for n in units:
        found = {truth.name: cells[truth.name][way, n] for truth in TRUTHS}
        covered = {truth.name: coverage_of(truth, found[truth.name]) for truth in TRUTHS}
        timid = [timidity_of(truth, found[truth.name]) for truth in TRUTHS]
        worst = min(covered, key=covered.__getitem__)
        where = f"{way}, {kind}, n = {n}"
        wanted = ">= 0.85" if kind == DISAGREE else wanted_coverage(n)
        each = ", ".join(f"{mv:.1f}" for mv in timid)
        rows += [
            measured(f"least coverage, {where}", covered[worst], "share", wanted, worst),
            measured(f"mean timidity, {where}", round(float(np.mean(timid)), 2), "mV", "", each),
        ]
    return rows
