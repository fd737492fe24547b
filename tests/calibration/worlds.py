"""Does the stated confidence hold in worlds that nobody chose: truths and testers by lot."""

import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.estimate.siblings import Siblings
from tests.calibration._attacks import Reports
from tests.calibration._drawn import World, draw_pools, draw_world
from tests.calibration._liars import INVENTED_WANTED, SCENES, Moved, move_all
from tests.calibration.poison import answers
from tests.report import Row, measured

FULL_SEEDS, SHORT_SEEDS = (1, 300), (1, 6)
PLAIN, HIDDEN, LIARS = "no hidden habits", "hidden habits", "liars"
CONFIDENCE = 0.95
SHARES = (0.90, 0.95)
MANY_UNITS = 100
"""The stable share 0.95 is asked for from so many units on."""
COMPARED_UNITS = (20, 40, 100)
QUANTILE = 0.05
BINS, ROUNDS = 200, 500
BINS_AT = (np.arange(BINS) + 0.5) / BINS

Vector = NDArray[np.float64]
Integers = NDArray[np.int64]


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


@dataclass(frozen=True)
class Cell:
    """One world, number of units and stable share: its runs in figures."""

    units: int
    share: float
    runs: int
    covered: int
    depth_mv: float
    """The true one."""
    start_mv: float
    """The mean, none as 0."""
    none: int
    """Runs without a start."""
    lost: float
    """Share of the honest units that lose weight by the outlier check."""

    @property
    def covers(self) -> bool:
        """Whether it held in as many runs as the confidence says."""
        return self.covered >= CONFIDENCE * self.runs


@dataclass(frozen=True)
class Measured:
    """All cells of a world with or without hidden habits."""

    seed: int
    label: str
    words: str
    cells: tuple[Cell, ...]
    moved: tuple[Moved, ...] = ()


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
            cells += _cells(world, units, draw_pools(rng, world, units, count))
        found.append(Measured(seed, label, world.words(), tuple(cells)))
    if plan.crowd_runs:
        moved = move_all(plain, plan.crowd_runs, plan.most_units)
        found.append(Measured(seed, LIARS, plain.words(), (), moved))
    return found


def _cells(world: World, units: int, pools: Sequence[Reports]) -> list[Cell]:
    shares = SHARES if units >= MANY_UNITS else SHARES[:1]
    found = [answers(pool, Siblings(), shares) for pool in pools]
    lost = float(np.mean([~one[0].stands for one in found]))
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


def true_coverages(covered: Integers, runs: int) -> Vector:
    """How probable each of `BINS` equal bins of coverage is among worlds, shape (BINS,).

    A world's own share of covered runs has binomial noise, which would widen the spread. This is
    the likeliest distribution of the true coverages, by expectation and maximisation.

    References
    ----------
    Laird (1978), J. Am. Statist. Ass. 73:805-811 (nonparametric mixing distribution).
    """
    chance = scipy.special.bdtr(covered[:, None], runs, BINS_AT) - np.where(
        covered[:, None] > 0,
        scipy.special.bdtr(np.maximum(covered - 1, 0)[:, None], runs, BINS_AT),
        0,
    )
    mass = np.full(BINS, 1.0 / BINS)
    for _ in range(ROUNDS):
        joint = np.maximum(chance, 1e-300) * mass
        mass = (joint / joint.sum(axis=1, keepdims=True)).mean(axis=0)
    return mass


def low_quantile(covered: Integers, runs: int) -> float:
    """The 5 % quantile over worlds of the true coverage."""
    reached = np.cumsum(true_coverages(covered, runs))
    return float(BINS_AT[np.searchsorted(reached, QUANTILE)])


@dataclass(frozen=True)
class Summary:
    """One class of worlds at one number of units and stable share."""

    label: str
    units: int
    share: float
    worlds: int
    coverage: float
    low: float
    timidity_mv: float
    timidity_90_mv: float
    without: float
    lost: float
    worst: float
    worst_words: str


def summaries(label: str, worlds: Sequence[Measured]) -> list[Summary]:
    """A summary for each number of units and stable share."""
    keys = sorted({(cell.share, cell.units) for one in worlds for cell in one.cells})
    return [_summary(label, worlds, share, units) for share, units in keys]


def _summary(label: str, worlds: Sequence[Measured], share: float, units: int) -> Summary:
    pairs = [
        (one, cell)
        for one in worlds
        for cell in one.cells
        if (cell.share, cell.units) == (share, units)
    ]
    cells = [cell for _, cell in pairs]
    covered = np.array([cell.covered for cell in cells])
    runs = cells[0].runs
    timid = np.array([cell.depth_mv - cell.start_mv for cell in cells])
    worst = int(np.argmin(covered))
    return Summary(
        label=label,
        units=units,
        share=share,
        worlds=len(cells),
        coverage=float(covered.mean() / runs),
        low=low_quantile(covered, runs),
        timidity_mv=float(timid.mean()),
        timidity_90_mv=float(np.quantile(timid, 0.9)),
        without=sum(cell.none for cell in cells) / (runs * len(cells)),
        lost=max(cell.lost for cell in cells),
        worst=float(covered[worst] / runs),
        worst_words=pairs[worst][0].words,
    )


HEADER = (
    "| worlds | share | n | mean coverage | 5 % quantile | worst | timidity | its 90 % quantile |"
    " without a start | honest units that lose, most |"
)


def table(found: Sequence[Summary]) -> str:
    """The summaries as a Markdown table, and the worst world of each row in words."""
    lines = [HEADER, "|" + "---|" * (HEADER.count("|") - 1)]
    lines += [
        f"| {one.label} ({one.worlds}) | {one.share:.2f} | {one.units} | {one.coverage:.3f}"
        f" | {one.low:.3f} | {one.worst:.2f} | {one.timidity_mv:.1f} | {one.timidity_90_mv:.1f}"
        f" | {one.without:.1%} | {one.lost:.2%} |"
        for one in found
    ]
    worst = [
        f"- {one.label}, {one.share:.2f}, n = {one.units}: {one.worst:.2f}, {one.worst_words}"
        for one in found
    ]
    return "\n".join([*lines, "", "Worst worlds:", "", *worst])


def rows_of(found: Sequence[Summary]) -> list[Row]:
    """The figures that are wanted, and those that are only reported."""
    rows = []
    for one in found:
        judged = one.label == PLAIN and one.units >= 10
        low = 0.88 if one.share > 0.9 else 0.90 if one.units >= MANY_UNITS else 0.85
        where = f"{one.label}, share {one.share:.2f}, n = {one.units}"
        rows += [
            measured(f"mean coverage, {where}", one.coverage, "share", ">= 0.95" if judged else ""),
            measured(f"5 % quantile, {where}", one.low, "share", f">= {low}" if judged else ""),
            measured(f"worst world, {where}", one.worst, "share", ""),
            measured(f"timidity, {where}", round(one.timidity_mv, 2), "mV", ""),
            measured(f"timidity, 90 % quantile, {where}", round(one.timidity_90_mv, 2), "mV", ""),
        ]
        if one.units >= 30:
            rows.append(measured(f"honest units that lose, {where}", one.lost, "share", "< 0.01"))
    return rows


@dataclass(frozen=True)
class CrowdSummary:
    """What one crowd does over all worlds; moves in mV, deeper above zero."""

    name: str
    units: int
    worlds: int
    deeper_mv: float
    deeper_95_mv: float
    """The 95 % quantile over worlds of the mean move in a world."""
    shallower_95_mv: float
    coverage: float
    given: float
    """Starts given, of those that are given without liars."""


def crowd_summaries(worlds: Sequence[Measured]) -> list[CrowdSummary]:
    """One for each scene, in their order."""
    found = []
    for of_scene in zip(*(one.moved for one in worlds), strict=True):
        deeper = np.array([moved.deeper_mv for moved in of_scene])
        found.append(
            CrowdSummary(
                name=of_scene[0].name,
                units=of_scene[0].units,
                worlds=len(of_scene),
                deeper_mv=float(deeper.mean()),
                deeper_95_mv=float(np.quantile(deeper, 0.95)),
                shallower_95_mv=float(np.quantile(-deeper, 0.95)),
                coverage=sum(moved.covered for moved in of_scene)
                / sum(moved.runs for moved in of_scene),
                given=sum(moved.given for moved in of_scene)
                / max(1, sum(moved.given_before for moved in of_scene)),
            )
        )
    return found


CROWD_HEADER = (
    "| liars | n | start moves deeper, mean | 95 % quantile | shallower, 95 % quantile | coverage |"
    " starts still given |"
)


def crowd_table(found: Sequence[CrowdSummary]) -> str:
    """What crowds do, as a Markdown table."""
    lines = [CROWD_HEADER, "|" + "---|" * (CROWD_HEADER.count("|") - 1)]
    lines += [
        f"| {one.name} ({one.worlds}) | {one.units} | {one.deeper_mv:.1f} | {one.deeper_95_mv:.1f}"
        f" | {one.shallower_95_mv:.1f} | {one.coverage:.3f} | {one.given:.1%} |"
        for one in found
    ]
    return "\n".join(lines)


def crowd_rows(found: Sequence[CrowdSummary]) -> list[Row]:
    """The figures that are wanted of crowds, and those that are only reported."""
    rows = []
    for one in found:
        wanted = next((scene.wanted for scene in SCENES if scene.name == one.name), INVENTED_WANTED)
        where = f"{one.name}, n = {one.units}"
        deeper, deeper_95 = round(one.deeper_mv, 2), round(one.deeper_95_mv, 2)
        rows += [
            measured(f"start deeper by, {where}", deeper, "mV", wanted.deeper),
            measured(f"start deeper by, 95 % quantile, {where}", deeper_95, "mV", ""),
            measured(f"coverage, {where}", one.coverage, "share", wanted.coverage),
            measured(f"starts still given, {where}", one.given, "share", wanted.given),
        ]
    return rows


def compared(worlds: Sequence[Measured], before: Sequence[Measured]) -> list[Row]:
    """How much more timid the same worlds are than in an earlier run, where that one covered."""
    old = {
        (one.seed, cell.units): cell
        for one in before
        for cell in one.cells
        if one.label == PLAIN and cell.share == SHARES[0]
    }
    rows = []
    for units in COMPARED_UNITS:
        more = [
            old[one.seed, units].start_mv - cell.start_mv
            for one in worlds
            for cell in one.cells
            if one.label == PLAIN and (cell.units, cell.share) == (units, SHARES[0])
            if (one.seed, units) in old and old[one.seed, units].covers
        ]
        if more:
            note = f"{len(more)} worlds, 90 % quantile {np.quantile(more, 0.9):.2f}"
            what = f"more timid than before, n = {units}"
            rows.append(measured(what, round(float(np.mean(more)), 2), "mV", "<= 4", note))
    return rows


def write_worlds(path: Path, worlds: Sequence[Measured]) -> None:
    """Nothing; writes all cells as JSON."""
    path.write_text(json.dumps([asdict(one) for one in worlds], indent=1))


def read_worlds(path: Path) -> list[Measured]:
    """The worlds that an earlier run wrote."""
    return [
        Measured(
            one["seed"],
            one["label"],
            one["words"],
            tuple(Cell(**cell) for cell in one["cells"]),
            tuple(Moved(**moved) for moved in one["moved"]),
        )
        for one in json.loads(path.read_text())
    ]


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
