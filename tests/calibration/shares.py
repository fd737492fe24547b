"""Other shares than 0.90 in worlds that were drawn, and 0.90 where all people search coarsely."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from kbapi.evidence.outlier_check import check_outliers, counted_units
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.start import Guard, NoStart, NoStartReason, Start, StartFit, pool_start
from tests.calibration._drawn import World, draw_pools, draw_world
from tests.calibration._reports import FLOOR_STEPS, Reports
from tests.calibration._rows import GRID
from tests.calibration._world_report import low_quantile
from tests.calibration.testers import STEP_MV
from tests.report import Row, measured

ASKED: Final = ((0.5, 0.9), (0.75, 0.9), (0.95, 0.95), (0.99, 0.95))
USUAL: Final = (0.90, 0.95)
FULL_UNITS, SHORT_UNITS = (10, 20, 40, 100, 300, 1000), (10, 40, 100)
FULL_SEEDS, SHORT_SEEDS = (1, 120), (1, 6)
FULL_RUNS, SHORT_RUNS = 10, 3
COARSE_UNITS: Final = 1000
COARSE_STEPS: Final = {
    "steps of 25 mV": (0.0, 0.0, 1.0, 0.0),
    "steps of 50 mV": (0.0, 0.0, 0.0, 1.0),
    "steps of 25 and 50 mV": (0.0, 0.0, 0.5, 0.5),
}


@dataclass(frozen=True)
class Cell:
    """The runs of one world, number of units, share and confidence."""

    depth_mv: float
    """The true one."""
    starts_mv: tuple[float, ...]
    """0 for none."""
    lower: tuple[bool, ...]
    """Whether the start for a lower share, where one is given, holds for that share."""
    out_of_reach: int

    @property
    def covered(self) -> int:
        """Runs in which the start held; none at all always holds."""
        return sum(start <= self.depth_mv + 1e-5 for start in self.starts_mv)

    @property
    def timidity_mv(self) -> float:
        """How much shallower the starts are than the true depth, in the mean."""
        return self.depth_mv - float(np.mean(self.starts_mv))


def fit_of(reports: Reports, share: float, confidence: float) -> StartFit:
    """The answer of the product: outlier check, guard, bound."""
    units = reports.units()
    outlier_report = check_outliers(units, FLOOR_STEPS)
    pool = counted_units(units, outlier_report).intervals
    guard = Guard(outlier_report.flagged_share, drift_alarm=False)
    return pool_start(pool, Siblings(), GRID, VOLTAGE_OFFSET, share, confidence, guard)


def cell_of(world: World, pools: Sequence[Reports], share: float, confidence: float) -> Cell:
    """The answers to these pools of a world."""
    found = [fit_of(pool, share, confidence).answer for pool in pools]
    none = [answer for answer in found if isinstance(answer, NoStart)]
    lower = [answer.lower for answer in none if answer.lower is not None]
    return Cell(
        depth_mv=world.truth.depth_mv(share),
        starts_mv=tuple(
            answer.steps * STEP_MV if isinstance(answer, Start) else 0.0 for answer in found
        ),
        lower=tuple(
            start.steps * STEP_MV <= world.truth.depth_mv(start.stable_share) + 1e-5
            for start in lower
        ),
        out_of_reach=sum(one.reason is NoStartReason.SHARE_OUT_OF_REACH for one in none),
    )


def measure(
    *, short: bool, runs: int | None = None, seeds: tuple[int, int] | None = None
) -> list[Row]:
    """Coverage of other shares and of lower ones, and timidity where all people search coarsely."""
    first, last = seeds or (SHORT_SEEDS if short else FULL_SEEDS)
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    worlds = [draw_world(seed).without_hidden_habits() for seed in range(first, last + 1)]
    rows = []
    for units in SHORT_UNITS if short else FULL_UNITS:
        pools = [_pools(world, units, runs) for world in worlds]
        for share, confidence in (*ASKED, USUAL):
            cells = [
                cell_of(world, drawn, share, confidence)
                for world, drawn in zip(worlds, pools, strict=True)
            ]
            rows += _rows_of(cells, share, confidence, units, runs)
    few = worlds[:: 3 if short else 1]
    for name, steps in COARSE_STEPS.items():
        coarse = [replace(one, testers=replace(one.testers, step_shares=steps)) for one in few]
        cells = [cell_of(one, _pools(one, COARSE_UNITS, min(runs, 4)), *USUAL) for one in coarse]
        where = f"{name}, n = {COARSE_UNITS}"
        timid = float(np.mean([cell.timidity_mv for cell in cells]))
        covered = sum(cell.covered for cell in cells) / sum(len(cell.starts_mv) for cell in cells)
        rows += [
            measured(f"timidity, {where}", round(timid, 2), "mV", ""),
            measured(f"mean coverage, {where}", covered, "share", ">= 0.95"),
        ]
    return rows


def _pools(world: World, units: int, runs: int) -> list[Reports]:
    # The seed of the pools of `worlds`, so that both measure the same ones.
    return draw_pools(np.random.default_rng([20261130, world.seed, units]), world, units, runs)


def _rows_of(
    cells: Sequence[Cell], share: float, confidence: float, units: int, runs: int
) -> list[Row]:
    where = f"share {share:.2f} at {confidence:.2f}, n = {units}"
    covered = np.array([cell.covered for cell in cells])
    asked = runs * len(cells)
    none = sum(start == 0.0 for cell in cells for start in cell.starts_mv)
    given = (int(covered.sum()) - none) / max(1, asked - none)
    low = low_quantile(covered, runs)
    is_judged = (share, confidence) != USUAL
    mean_wanted = f">= {confidence - 0.02:.2f}" if is_judged else ""
    low_wanted = f">= {confidence - 0.10:.2f}" if is_judged else ""
    out = sum(cell.out_of_reach for cell in cells) / asked
    rows = [
        measured(f"mean coverage, {where}", float(covered.mean()) / runs, "share", mean_wanted),
        measured(f"5 % quantile, {where}", low, "share", low_wanted),
        measured(f"coverage of the starts given, {where}", given, "share", ""),
        measured(f"without a start, {where}", none / asked, "share", ""),
        measured(f"out of reach, {where}", out, "share", ""),
    ]
    lower = [held for cell in cells for held in cell.lower]
    if lower:
        what = f"coverage of starts for a lower share, {where}"
        rows.append(measured(what, float(np.mean(lower)), "share", "", f"{len(lower)} starts"))
    return rows
