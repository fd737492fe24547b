"""What was measured in drawn worlds, summed up over them: tables, figures that are wanted."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr

from tests.calibration._liars import INVENTED_WANTED, SCENES, Moved
from tests.calibration._reports import USUAL, Pair
from tests.report import Row, measured

PLAIN, HIDDEN, LIARS = "no hidden habits", "hidden habits", "liars"
ONE_DEEP, COARSE = "one unit far deeper", "steps of 25 and 50 mV"
PAIRS: tuple[Pair, ...] = (USUAL, (0.50, 0.90), (0.75, 0.90), (0.95, 0.95), (0.99, 0.95))
STRICT: Pair = (0.95, 0.95)
MANY_UNITS = 100
PAIRED_UNITS = (10, 40, 100, 300, 1000)
"""Numbers of units at which all pairs are asked for."""
COMPARED_UNITS = {5: 0, 10: -4, 20: -6, 40: -7, 70: -3, 100: 6, 300: 6, 1000: 6}
"""By how many mV more timid starts may be than in an earlier run, by number of units."""
QUANTILE = 0.05
BINS, ROUNDS = 200, 500
BINS_AT = (np.arange(BINS) + 0.5) / BINS

Vector = NDArray[np.float64]
Integers = NDArray[np.int64]
Key = tuple[int, int]
"""A seed and a number of units."""


def asked_pairs(label: str, units: int) -> tuple[Pair, ...]:
    """The pairs that worlds under this label are asked for with so many units."""
    return PAIRS if label == PLAIN and units in PAIRED_UNITS else PAIRS[:1]


@dataclass(frozen=True)
class Cell:
    """One world, number of units, stable share and confidence: its runs in figures."""

    units: int
    share: float
    confidence: float
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
    def pair(self) -> Pair:
        """The share and confidence."""
        return self.share, self.confidence

    @property
    def covers(self) -> bool:
        """Whether it held in as many runs as the confidence says."""
        return self.covered >= self.confidence * self.runs


@dataclass(frozen=True)
class Measured:
    """All cells of a world under one label."""

    seed: int
    label: str
    words: str
    cells: tuple[Cell, ...]
    moved: tuple[Moved, ...] = ()


def true_coverages(covered: Integers, runs: Integers, weight: Vector) -> Vector:
    """How probable each of `BINS` equal bins of coverage is among worlds, shape (BINS,).

    All have shape (worlds,). A world's own share of covered runs has binomial noise, which would
    widen the spread. This is the likeliest distribution of the true coverages, by expectation and
    maximisation.

    References
    ----------
    Laird (1978), J. Am. Statist. Ass. 73:805-811 (nonparametric mixing distribution).
    """
    column, asked = covered[:, None], runs[:, None]
    below = np.where(column > 0, bdtr(np.maximum(column - 1, 0), asked, BINS_AT), 0.0)
    chance = np.maximum(bdtr(column, asked, BINS_AT) - below, 1e-300)
    mass = np.full(BINS, 1.0 / BINS)
    for _ in range(ROUNDS):
        joint = chance * mass
        mass = weight @ (joint / joint.sum(axis=1, keepdims=True)) / weight.sum()
    return mass


def low_quantile(covered: Integers, runs: Integers, weight: Vector) -> float:
    """The 5 % quantile over worlds of the true coverage."""
    reached = np.cumsum(true_coverages(covered, runs, weight))
    return float(BINS_AT[np.searchsorted(reached, QUANTILE)])


@dataclass(frozen=True)
class Coverage:
    """The mean over worlds, the 5 % quantile of the true coverages, the least."""

    mean: float
    low: float
    worst: float


def coverage_of(covered: Integers, runs: Integers, *, by_runs: bool = False) -> Coverage:
    """The coverage over worlds, each alike or by its runs; worlds without a run are left out."""
    covered, runs = covered[runs > 0], runs[runs > 0]
    if len(runs) == 0:
        return Coverage(1.0, 1.0, 1.0)
    share, weight = covered / runs, runs.astype(float) if by_runs else np.ones(len(runs))
    mean = float(np.average(share, weights=weight))
    return Coverage(mean, low_quantile(covered, runs, weight), float(share.min()))


@dataclass(frozen=True)
class Summary:
    """One class of worlds at one number of units, stable share and confidence."""

    label: str
    units: int
    pair: Pair
    worlds: int
    all_runs: Coverage
    """None counts as depth 0, which always holds."""
    of_starts: Coverage
    """Of the starts that are given, each world with any alike."""
    by_starts: Coverage
    """The same, each world by the number of its starts."""
    timidity_mv: float
    timidity_90_mv: float
    without: float
    lost: float
    worst_words: str


def summaries(label: str, worlds: Sequence[Measured]) -> list[Summary]:
    """A summary for each number of units, stable share and confidence."""
    keys = sorted({(cell.pair, cell.units) for one in worlds for cell in one.cells})
    return [_summary(label, worlds, pair, units) for pair, units in keys]


def _summary(label: str, worlds: Sequence[Measured], pair: Pair, units: int) -> Summary:
    found = [
        (one.words, cell)
        for one in worlds
        for cell in one.cells
        if (cell.pair, cell.units) == (pair, units)
    ]
    cells = [cell for _, cell in found]
    covered, runs, none = (
        np.array([getattr(cell, name) for cell in cells]) for name in ("covered", "runs", "none")
    )
    timid = np.array([cell.depth_mv - cell.start_mv for cell in cells])
    return Summary(
        label=label,
        units=units,
        pair=pair,
        worlds=len(cells),
        all_runs=coverage_of(covered, runs),
        of_starts=coverage_of(covered - none, runs - none),
        by_starts=coverage_of(covered - none, runs - none, by_runs=True),
        timidity_mv=float(timid.mean()),
        timidity_90_mv=float(np.quantile(timid, 0.9)),
        without=float(none.sum() / runs.sum()),
        lost=max(cell.lost for cell in cells),
        worst_words=found[int(np.argmin(covered / runs))][0],
    )


HEADER = (
    "| worlds | share, confidence | n | mean coverage | 5 % quantile | worst | timidity |"
    " its 90 % quantile | without a start | coverage of starts, worlds alike | 5 % quantile |"
    " worlds by starts | 5 % quantile |"
    " honest units that lose, most |"
)


def table(found: Sequence[Summary]) -> str:
    """The summaries as a Markdown table, and the worst world of each row in words."""
    lines = [HEADER, "|" + "---|" * (HEADER.count("|") - 1)]
    lines += [
        f"| {one.label} ({one.worlds}) | {_words(one.pair)} | {one.units}"
        f" | {one.all_runs.mean:.3f} | {one.all_runs.low:.3f} | {one.all_runs.worst:.2f}"
        f" | {one.timidity_mv:.1f} | {one.timidity_90_mv:.1f} | {one.without:.1%}"
        f" | {one.of_starts.mean:.3f} | {one.of_starts.low:.3f}"
        f" | {one.by_starts.mean:.3f} | {one.by_starts.low:.3f} | {one.lost:.2%} |"
        for one in found
    ]
    worst = [
        f"- {one.label}, {_words(one.pair)}, n = {one.units}: {one.all_runs.worst:.2f},"
        f" {one.worst_words}"
        for one in found
    ]
    return "\n".join([*lines, "", "Worst worlds:", "", *worst])


def _words(pair: Pair) -> str:
    return f"{pair[0]:.2f}, {pair[1]:.2f}"


def wanted_of(label: str, pair: Pair, units: int) -> tuple[str, str]:
    """The mean coverage and the 5 % quantile that are wanted where none counts as depth 0."""
    if label == HIDDEN and units >= 40:
        return ">= 0.92", ">= 0.8"
    if label == PLAIN and pair == USUAL and units >= 10:
        return ">= 0.95", ">= 0.9" if units >= MANY_UNITS else ">= 0.85"
    if label == PLAIN and pair == STRICT and units >= MANY_UNITS:
        return ">= 0.95", ">= 0.88"
    return "", ""


def rows_of(found: Sequence[Summary]) -> list[Row]:
    """The figures that are wanted, and those that are only reported."""
    rows = []
    for one in found:
        where = f"{one.label}, ({_words(one.pair)}), n = {one.units}"
        mean, low = wanted_of(one.label, one.pair, one.units)
        rows += [
            measured(f"mean coverage, {where}", one.all_runs.mean, "share", mean),
            measured(f"5 % quantile, {where}", one.all_runs.low, "share", low),
            measured(f"worst world, {where}", one.all_runs.worst, "share", ""),
            measured(f"timidity, {where}", round(one.timidity_mv, 2), "mV", ""),
            measured(f"timidity, 90 % quantile, {where}", round(one.timidity_90_mv, 2), "mV", ""),
        ]
        if one.pair != USUAL:
            rows += _rows_of_starts(one, where)
        elif one.units >= 30 and one.label in (PLAIN, HIDDEN):
            rows.append(measured(f"honest units that lose, {where}", one.lost, "share", "< 0.01"))
    return rows


def _rows_of_starts(one: Summary, where: str) -> list[Row]:
    """Coverage wherever a number is given: the confidence less 0.02, and less 0.10.

    In a world in which nearly no share is stable at any setting, a start is rare and wrong each
    time. So worlds count both alike, and by their starts.
    """
    mean, low = (f">= {one.pair[1] - less:.2f}" for less in (0.02, 0.10))
    rows = [measured(f"without a start, {where}", one.without, "share", "")]
    for name, found in (("worlds alike", one.of_starts), ("worlds by starts", one.by_starts)):
        rows += [
            measured(f"mean coverage of starts, {name}, {where}", found.mean, "share", mean),
            measured(f"5 % quantile of starts, {name}, {where}", found.low, "share", low),
        ]
    return rows


def moved_by_one(worlds: Sequence[Measured]) -> list[Row]:
    """How much shallower one unit that is far deeper than the others makes the same starts."""
    without = _starts(worlds, PLAIN)
    rows = []
    for units in sorted({at for _, at in _starts(worlds, ONE_DEEP)}):
        moves = [
            without[seed, at].start_mv - cell.start_mv
            for (seed, at), cell in _starts(worlds, ONE_DEEP).items()
            if at == units and (seed, at) in without
        ]
        for what, value in (("", np.mean(moves)), (", 95 % quantile", np.quantile(moves, 0.95))):
            name = f"shallower by {ONE_DEEP}{what}, n = {units}"
            rows.append(measured(name, round(float(value), 2), "mV", "<= 5"))
    return rows


def _starts(worlds: Sequence[Measured], label: str) -> dict[Key, Cell]:
    """The usual answers under this label, by seed and number of units."""
    return {
        (one.seed, cell.units): cell
        for one in worlds
        for cell in one.cells
        if one.label == label and cell.pair == USUAL
    }


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
    given: float | None
    """Starts given, of those that are given without liars; None without any of those."""


def crowd_summaries(worlds: Sequence[Measured]) -> list[CrowdSummary]:
    """One for each scene, in their order."""
    found = []
    for of_scene in zip(*(one.moved for one in worlds), strict=True):
        deeper = np.array([moved.deeper_mv for moved in of_scene])
        before = sum(moved.given_before for moved in of_scene)
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
                given=sum(moved.given for moved in of_scene) / before if before else None,
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
        f" | {one.shallower_95_mv:.1f} | {one.coverage:.3f}"
        f" | {'-' if one.given is None else f'{one.given:.1%}'} |"
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
            measured(f"start deeper, 95 % quantile, {where}", deeper_95, "mV", ""),
            measured(f"coverage, {where}", one.coverage, "share", wanted.coverage),
        ]
        if one.given is not None:
            what = f"starts still given, {where}"
            rows.append(measured(what, one.given, "share", wanted.given))
    return rows


def compared(worlds: Sequence[Measured], before: Sequence[Measured]) -> list[Row]:
    """How much more timid the same worlds are than in an earlier run: all, and where it covered."""
    now, old = _starts(worlds, PLAIN), _starts(before, PLAIN)
    rows = []
    for units, most in COMPARED_UNITS.items():
        for only, what in ((False, "all worlds"), (True, "where that covered")):
            more = [
                old[key].start_mv - cell.start_mv
                for key, cell in now.items()
                if key[1] == units and key in old and (old[key].covers or not only)
            ]
            if more:
                note = f"{len(more)} worlds, 90 % quantile {np.quantile(more, 0.9):.2f}"
                name = f"more timid than before, {what}, n = {units}"
                value = round(float(np.mean(more)), 2)
                rows.append(measured(name, value, "mV", f"<= {most}", note))
    return rows + _coarse_rows(_starts(worlds, COARSE), _starts(before, COARSE))


def _coarse_rows(now: Mapping[Key, Cell], old: Mapping[Key, Cell]) -> list[Row]:
    """The timidity of coarse testers as a share of what it was in the same worlds."""
    both = [key for key in now if key in old]
    if not both:
        return []
    timid, was = (
        float(np.mean([run[key].depth_mv - run[key].start_mv for key in both]))
        for run in (now, old)
    )
    name = f"timidity over that before, {COARSE}"
    return [measured(name, round(timid / was, 3), "share", "<= 0.5", f"{was:.1f} mV before")]


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
            tuple(Moved(**moved) for moved in one.get("moved", ())),
        )
        for one in json.loads(path.read_text())
    ]
