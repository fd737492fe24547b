"""Does the stated confidence hold in worlds that were drawn, truths and testers alike."""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from kbapi.stats.estimate.siblings import Siblings
from tests.calibration._drawn import World, draw_pools, draw_world
from tests.calibration._liars import middles_mv, move_all
from tests.calibration._reports import SOFT_BOUND_MV, Pair, Reports, answered, bracketed
from tests.calibration._world_report import (
    COARSE,
    HIDDEN,
    LIARS,
    ONE_DEEP,
    PAIRS,
    PLAIN,
    Cell,
    Measured,
    asked_pairs,
    compared,
    crowd_rows,
    crowd_summaries,
    crowd_table,
    moved_by_one,
    read_worlds,
    rows_of,
    summaries,
    table,
    write_worlds,
)
from tests.report import Row

FULL_SEEDS, SHORT_SEEDS = (1, 300), (1, 4)
FAR_MV = 40.0


@dataclass(frozen=True)
class Plan:
    """How often pools are drawn: by label and number of units, and for each crowd of liars."""

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
        PLAIN: {3: 20, 5: 20, 10: 20, 20: 20, 40: 20, 70: 20, 100: 20, 300: 16, 1000: 12},
        HIDDEN: {40: 20, 100: 20, 300: 16, 1000: 10},
        ONE_DEEP: {20: 20},
        COARSE: {1000: 6},
    },
    crowd_runs=2,
    most_units=1000,
)
SHORT = Plan({PLAIN: {10: 10, 40: 8}, HIDDEN: {40: 8}}, crowd_runs=1, most_units=60)


def measure_world(seed: int, plan: Plan) -> list[Measured]:
    """The cells of the world of this seed under each label, and what liars do."""
    drawn = draw_world(seed)
    found = []
    for label, counts in plan.runs.items():
        world = world_of(label, drawn)
        cells = []
        for units, count in counts.items():
            # Each size of pool draws from a seed of its own, so that it can be repeated alone.
            rng = np.random.default_rng([20261130, seed, units])
            pools = draw_pools(rng, world, units, count)
            if label == ONE_DEEP:
                pools = [beside_one_deep(pool) for pool in pools]
            cells += cells_of(world, units, pools, asked_pairs(label, units))
        found.append(Measured(seed, label, world.words(), tuple(cells)))
    if plan.crowd_runs:
        plain = drawn.without_hidden_habits()
        moved = move_all(plain, plan.crowd_runs, plan.most_units)
        found.append(Measured(seed, LIARS, plain.words(), (), moved))
    return found


def world_of(label: str, drawn: World) -> World:
    """The drawn world with the habits of this label."""
    if label == HIDDEN:
        return drawn
    plain = drawn.without_hidden_habits()
    coarse = replace(plain.testers, step_shares=(0.0, 0.0, 0.5, 0.5))
    return replace(plain, testers=coarse) if label == COARSE else plain


def beside_one_deep(pool: Reports) -> Reports:
    """The pool and one honest unit 40 mV beyond all others, as far as intake counts a pass."""
    far_mv = min(float(middles_mv(pool).max()) + FAR_MV, SOFT_BOUND_MV)
    one = bracketed(np.array([far_mv]), established=bool(pool.established.any()))
    return pool.beside(replace(one, honest=np.ones(1, dtype=np.bool_)))


def cells_of(
    world: World, units: int, pools: Sequence[Reports], pairs: Sequence[Pair] = PAIRS
) -> list[Cell]:
    """What the product answers to these pools of a world, one cell for each pair."""
    found = [answered(pool, Siblings(), pairs) for pool in pools]
    lost = float(np.mean([one.loses.mean() for one in found]))
    cells = []
    for place, (share, confidence) in enumerate(pairs):
        starts = np.array([one.starts_mv[place] for one in found])
        depth_mv = world.truth.depth_mv(share)
        cells.append(
            Cell(
                units=units,
                share=share,
                confidence=confidence,
                runs=len(starts),
                # A start exactly at the true depth covers, whatever bisection rounded.
                covered=int((starts <= depth_mv + 1e-5).sum()),
                depth_mv=depth_mv,
                start_mv=float(starts.mean()),
                none=int((starts == 0).sum()),
                lost=lost,
            )
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
    rows = [*rows_of(found), *moved_by_one(worlds), *crowd_rows(crowds)]
    return rows + (compared(worlds, read_worlds(against)) if against else [])
