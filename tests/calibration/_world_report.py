"""What was measured in drawn worlds, summed up over them: tables, figures that are wanted."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr

from tests.calibration._liars import INVENTED_WANTED, SCENES, Moved
from tests.report import Row, measured

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


def true_coverages(covered: Integers, runs: int) -> Vector:
    """How probable each of `BINS` equal bins of coverage is among worlds, shape (BINS,).

    A world's own share of covered runs has binomial noise, which would widen the spread. This is
    the likeliest distribution of the true coverages, by expectation and maximisation.

    References
    ----------
    Laird (1978), J. Am. Statist. Ass. 73:805-811 (nonparametric mixing distribution).
    """
    column = covered[:, None]
    below = np.where(column > 0, bdtr(np.maximum(column - 1, 0), runs, BINS_AT), 0.0)
    chance = np.maximum(bdtr(column, runs, BINS_AT) - below, 1e-300)
    mass = np.full(BINS, 1.0 / BINS)
    for _ in range(ROUNDS):
        joint = chance * mass
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
    of_starts: float
    """Coverage of the starts that are given: none counts as depth 0, which always holds."""
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
    none, asked = sum(cell.none for cell in cells), runs * len(cells)
    return Summary(
        label=label,
        units=units,
        share=share,
        worlds=len(cells),
        coverage=float(covered.mean() / runs),
        low=low_quantile(covered, runs),
        timidity_mv=float(timid.mean()),
        timidity_90_mv=float(np.quantile(timid, 0.9)),
        without=none / asked,
        of_starts=(int(covered.sum()) - none) / max(1, asked - none),
        lost=max(cell.lost for cell in cells),
        worst=float(covered[worst] / runs),
        worst_words=pairs[worst][0].words,
    )


HEADER = (
    "| worlds | share | n | mean coverage | 5 % quantile | worst | timidity | its 90 % quantile |"
    " without a start | coverage of the others | honest units that lose, most |"
)


def table(found: Sequence[Summary]) -> str:
    """The summaries as a Markdown table, and the worst world of each row in words."""
    lines = [HEADER, "|" + "---|" * (HEADER.count("|") - 1)]
    lines += [
        f"| {one.label} ({one.worlds}) | {one.share:.2f} | {one.units} | {one.coverage:.3f}"
        f" | {one.low:.3f} | {one.worst:.2f} | {one.timidity_mv:.1f} | {one.timidity_90_mv:.1f}"
        f" | {one.without:.1%} | {one.of_starts:.3f} | {one.lost:.2%} |"
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
            tuple(Moved(**moved) for moved in one.get("moved", ())),
        )
        for one in json.loads(path.read_text())
    ]
