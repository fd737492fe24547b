"""What siblings bring when they agree, what they cost when they do not, and invented ones.

Also what one chip of each other line brings to a chip without siblings, in drawn worlds, and what
both bring where people have hidden habits.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.estimate.siblings import Siblings, summarise_sibling
from kbapi.stats.intervals import GroupedIntervals
from kbapi.stats.scale import VOLTAGE_OFFSET
from tests.calibration._drawn import World, draw_pools, draw_world
from tests.calibration._liars import cluster, lent_by
from tests.calibration._reports import answered
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
LINES, BETWEEN_LINES_MV, BESIDE_LINES = (4, 8, 12), (10.0, 25.0, 40.0), (0, 3)
SHORT_LINES, SHORT_BETWEEN_MV, SHORT_SEEDS = (4,), (10.0, 40.0), range(1, 6)
FULL_SEEDS = range(1, 201)
MOST_LENT = 8
RELATIVES = (("series", 4, 12.0, (0, 3, 10, 40)), ("all_chips", 8, 25.0, (0, 3)))
"""The level, how many chips lend, how many mV they lie apart, and numbers of own units."""


def measure(
    *, short: bool, runs: int | None = None, seeds: tuple[int, int] | None = None
) -> list[Row]:
    """Coverage and timidity for each truth, kind of siblings and number of own units.

    From 200 own units on siblings are not leaned on; with siblings that disagree the cells end
    there. With `seeds`, from the first to the last, only worlds of several lines and of hidden
    habits are drawn.
    """
    if seeds is not None:
        return _drawn_rows(range(seeds[0], seeds[1] + 1))
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
    rows += _invented(rng=np.random.default_rng([SEED, 3]), runs=runs)
    if short:
        return [*rows, *rows_of_lines(SHORT_SEEDS, SHORT_LINES, SHORT_BETWEEN_MV)]
    return [*rows, *_drawn_rows(FULL_SEEDS)]


def _drawn_rows(seeds: Sequence[int]) -> list[Row]:
    return [*rows_of_lines(seeds, LINES, BETWEEN_LINES_MV), *rows_of_habits(seeds)]


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


@dataclass(frozen=True)
class LinesWorld:
    """A chip of one line, and the largest pools of other lines, one for each."""

    siblings: Siblings
    own: dict[int, GroupedIntervals]
    """The chip's own units, by their number."""
    depth_90_mv: float
    """The depth that 90 % of the units of the chip reach."""


def a_world_of_lines(seed: int, lines: int, between_mv: float) -> LinesWorld:
    """A drawn world: lines differ by `between_mv`, chips within a line by 12 mV.

    With an odd seed each line has a truth of its own, else all have the same. Nine of ten units of
    every chip reach below stock: a chip that fails at stock is not sold.
    """
    rng = np.random.default_rng([seed, lines, int(between_mv)])
    truths = [TRUTHS[place] for place in rng.integers(0, len(TRUTHS), lines + 1)]
    truths = truths if seed % 2 else truths[:1] * (lines + 1)
    shifts = rng.normal(0, between_mv, lines + 1) + rng.normal(0, BETWEEN_CHIPS_MV, lines + 1)
    units = rng.integers(20, 121, lines)
    for place, truth in enumerate(truths):
        while truth.depth_90_mv + shifts[place] <= 0:
            shifts[place] = rng.normal(0, between_mv) + rng.normal(0, BETWEEN_CHIPS_MV)
    pools = [
        a_tested_pool(rng, truth, int(number), float(shift))
        for truth, number, shift in zip(truths[1:], units, shifts[1:], strict=True)
    ]
    pools = sorted(pools, key=lambda pool: -pool.total_weight)[:MOST_LENT]
    lent = tuple(summarise_sibling(pool, STEP_MV, VOLTAGE_OFFSET) for pool in pools)
    own = {n: a_tested_pool(rng, truths[0], n, float(shifts[0])) for n in BESIDE_LINES}
    return LinesWorld(Siblings(all_chips=lent), own, truths[0].depth_90_mv + float(shifts[0]))


def rows_of_lines(
    seeds: Iterable[int], numbers: Iterable[int], apart_mv: Iterable[float]
) -> list[Row]:
    """Coverage of the starts that are given, their share, and timidity, in each cell of worlds.

    Timidity counts a start that is not given as stock.
    """
    rows: list[Row] = []
    for lines, between_mv in product(numbers, apart_mv):
        worlds = [a_world_of_lines(seed, lines, between_mv) for seed in seeds]
        true_mv = np.array([world.depth_90_mv for world in worlds])
        for n in BESIDE_LINES:
            starts = np.array([start_mv(world.own[n], world.siblings) for world in worlds])
            where = f"{lines} lines {between_mv:g} mV apart, n = {n}"
            rows += _rows_of_starts(where, starts, true_mv)
    return rows


def _rows_of_starts(
    where: str, starts: NDArray[np.float64], true_mv: NDArray[np.float64]
) -> list[Row]:
    given = starts > 0
    covered = float(np.mean(starts[given] <= true_mv[given]))
    error = f"binomial error {np.sqrt(covered * (1 - covered) / given.sum()):.3f}"
    timid = round(float(np.mean(true_mv - starts)), 2)
    return [
        measured(f"coverage of given starts, {where}", covered, "share", ">= 0.90", error),
        measured(f"starts given, {where}", float(np.mean(given)), "share", ""),
        measured(f"timidity, {where}", timid, "mV", ""),
    ]


def rows_of_habits(seeds: Iterable[int]) -> list[Row]:
    """As `rows_of_lines`, in drawn worlds with their hidden habits and without them.

    Chips of which fewer than nine of ten units reach below stock are left out: none is sold.
    """
    found: dict[str, list[tuple[float, float]]] = {}
    for seed in seeds:
        drawn = draw_world(seed)
        for world, habits in ((drawn, "hidden"), (drawn.without_hidden_habits(), "no hidden")):
            for where, start, true_mv in starts_beside_relatives(world):
                if true_mv > 0:
                    found.setdefault(f"{habits} habits, {where}", []).append((start, true_mv))
    rows: list[Row] = []
    for where, pairs in found.items():
        starts, true_depths = np.array(pairs).T
        rows += _rows_of_starts(where, starts, true_depths)
    return rows


def starts_beside_relatives(world: World) -> Iterator[tuple[str, float, float]]:
    """The level and the number of own units, the start of one such chip, and its true depth."""
    # The same draws whatever the habits are.
    rng = np.random.default_rng([20261130, world.seed, 0, 2])
    for level, chips, apart_mv, numbers in RELATIVES:
        shifts = rng.normal(0.0, apart_mv, chips + 1)
        units = rng.integers(60, 121, chips)
        own, *others = (_shifted(world, float(shift)) for shift in shifts)
        made = rng.spawn(chips + len(numbers))
        pools = [
            draw_pools(each, other, int(count), 1)[0]
            for each, other, count in zip(made, others, units, strict=False)
        ]
        siblings = Siblings(**{level: lent_by(pools).series})
        for each, n in zip(made[chips:], numbers, strict=True):
            pool = draw_pools(each, own, n, 1)[0] if n else cluster(each, 0, 0.0)
            start = answered(pool, siblings).start_mv
            yield f"{level}, n = {n}", start, own.truth.depth_mv(0.90)


def _shifted(world: World, shift_mv: float) -> World:
    """The same people testing a chip whose limits all lie deeper by so much."""
    parts = world.truth.components
    moved = tuple(replace(part, mean_mv=part.mean_mv + shift_mv) for part in parts)
    return replace(world, truth=replace(world.truth, components=moved))
