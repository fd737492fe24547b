"""Does the stated confidence hold in worlds that were drawn, truths and testers alike."""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from kbapi.stats.estimate.siblings import Siblings
from tests.calibration._drawn import World, draw_pools, draw_world
from tests.calibration._liars import move_all
from tests.calibration._reports import Reports, answers
from tests.calibration._world_report import (
    HIDDEN,
    LIARS,
    MANY_UNITS,
    PLAIN,
    SHARES,
    Cell,
    Measured,
    compared,
    crowd_rows,
    crowd_summaries,
    crowd_table,
    read_worlds,
    rows_of,
    summaries,
    table,
    write_worlds,
)
from tests.report import Row

FULL_SEEDS, SHORT_SEEDS = (1, 300), (1, 4)


@dataclass(frozen=True)
class Plan:
    """How often pools are drawn: by habits and number of units, and for each crowd of liars."""

    runs: dict[str, dict[int, int]]
    crowd_runs: int
    most_units: int
    """Of the pools that crowds attack."""

    def at_most(self, runs: int | None, part: str | None) -> "Plan":
        """The same with fewer runs, or with one part alone."""
        most = runs or max(FULL.runs[PLAIN].values())
        return Plan(
            {
                label: {units: min(most, count) for units, count in by_units.items()}
                for label, by_units in self.runs.items()
                if part != "liars"
            },
            0 if part == "honest" else min(most, self.crowd_runs),
            self.most_units,
        )


FULL = Plan(
    {
        PLAIN: {3: 40, 5: 40, 10: 60, 20: 60, 40: 60, 100: 60, 300: 40, 1000: 30},
        HIDDEN: {10: 30, 40: 30, 100: 30, 1000: 20},
    },
    crowd_runs=2,
    most_units=1000,
)
SHORT = Plan({PLAIN: {10: 10, 40: 8}, HIDDEN: {40: 8}}, crowd_runs=1, most_units=60)


def measure_world(seed: int, plan: Plan) -> list[Measured]:
    """The cells of the world of this seed, by the habits of its testers, and what liars do."""
    drawn = draw_world(seed)
    plain = drawn.without_hidden_habits()
    found = []
    for label, counts in plan.runs.items():
        world = plain if label == PLAIN else drawn
        cells = []
        for units, count in counts.items():
            # Each size of pool draws from a seed of its own, so that it can be repeated alone.
            rng = np.random.default_rng([20261130, seed, units])
            cells += cells_of(world, units, draw_pools(rng, world, units, count))
        found.append(Measured(seed, label, world.words(), tuple(cells)))
    if plan.crowd_runs:
        moved = move_all(plain, plan.crowd_runs, plan.most_units)
        found.append(Measured(seed, LIARS, plain.words(), (), moved))
    return found


def cells_of(world: World, units: int, pools: Sequence[Reports]) -> list[Cell]:
    """What the product answers to these pools of a world, one cell for each stable share."""
    shares = SHARES if units >= MANY_UNITS else SHARES[:1]
    found = [answers(pool, Siblings(), shares) for pool in pools]
    lost = float(np.mean([one[0].loses.mean() for one in found]))
    cells = []
    for place, share in enumerate(shares):
        starts = np.array([one[place].start_mv for one in found])
        depth_mv = world.truth.depth_mv(share)
        # A start exactly at the true depth covers, whatever bisection rounded.
        covered = int((starts <= depth_mv + 1e-5).sum())
        none = int((starts == 0).sum())
        cells.append(
            Cell(units, share, len(starts), covered, depth_mv, float(starts.mean()), none, lost)
        )
    return cells


def _measure_one(task: tuple[int, Plan]) -> list[Measured]:
    return measure_world(*task)


def measure_worlds(seeds: Iterable[int], plan: Plan, jobs: int) -> list[Measured]:
    """Every world, in the order of the seeds, however many processes there are."""
    tasks = [(seed, plan) for seed in seeds]
    if jobs == 1:
        return [one for task in tasks for one in _measure_one(task)]
    # The matrices are small: threads of the linear algebra would only wait for each other.
    os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1", MKL_NUM_THREADS="1")
    with get_context("spawn").Pool(jobs) as pool:
        return [one for found in pool.imap(_measure_one, tasks) for one in found]


def measure(
    *,
    short: bool,
    runs: int | None = None,
    seeds: tuple[int, int] | None = None,
    jobs: int = 1,
    part: str | None = None,
    write: Path | None = None,
    against: Path | None = None,
) -> list[Row]:
    """The figures of all worlds of these seeds; prints the Markdown table first."""
    first, last = seeds or (SHORT_SEEDS if short else FULL_SEEDS)
    plan = (SHORT if short else FULL).at_most(runs, part)
    worlds = measure_worlds(range(first, last + 1), plan, jobs)
    if write:
        write_worlds(write, worlds)
    found = [
        one
        for label in plan.runs
        for one in summaries(label, [world for world in worlds if world.label == label])
    ]
    crowds = crowd_summaries([world for world in worlds if world.label == LIARS])
    print(table(found), crowd_table(crowds), sep="\n\n")
    rows = [*rows_of(found), *crowd_rows(crowds)]
    return rows + (compared(worlds, read_worlds(against)) if against else [])
