"""What wrong results among right ones do to a start, after the outlier check."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.outlier_check import (
    check_outliers,
    counted_units,
    standing_flags,
    weight_under,
)
from kbapi.evidence.units import MILLION
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.start import Guard, Start, pool_start
from tests.calibration._attacks import (
    ATTACKS,
    OWN_ATTACKS,
    Attack,
    Reports,
    honest_reports,
    within_soft_bound,
)
from tests.calibration._rows import GRID
from tests.calibration.testers import STEP_MV, TRUTHS, Truth
from tests.report import Row, measured

SEED = 20261101
UNITS = 100
SHARES = (0.05, 0.10, 0.20, 0.30)
SHORT_RUNS, FULL_RUNS = 8, 300
FLOOR_STEPS = VOLTAGE_OFFSET.least_spread / STEP_MV
MEASURE = 0.20
"""The share of poison that figures are wanted for."""


@dataclass(frozen=True)
class Run:
    """One pool with and without its poison; depths in mV."""

    start_mv: float
    clean_start_mv: float
    depth_mv: float
    clean_depth_mv: float
    honest_rejected: float


@dataclass(frozen=True)
class Answered:
    """A start (0 for none) and the likeliest depth of 90 % of units, in mV; units included."""

    start_mv: float
    depth_mv: float
    stands: NDArray[np.bool_]
    loses: NDArray[np.bool_]
    """Units that are excluded, or weigh less than the others of people of their standing."""


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """What poison moves, by attack, share and truth; then the figures that are wanted of all."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    rows: list[Row] = []
    cells: dict[str, list[Cell]] = {}
    for name, attack in {**ATTACKS, **OWN_ATTACKS}.items():
        for share in (MEASURE,) if short else SHARES:
            for truth in TRUTHS:
                cell = Cell(truth, a_cell(name, attack, truth, share, runs))
                rows += cell_rows(f"{name}, {share:.0%}, {truth.name}", cell)
                if share == MEASURE:
                    cells.setdefault(name, []).append(cell)
    return [*rows, *_honest(runs), *wanted_rows(cells)]


def a_cell(name: str, attack: Attack, truth: Truth, share: float, runs: int) -> list[Run]:
    """The runs of one cell; the same honest pools for every attack."""
    poisoned = round(UNITS * share / (1.0 - share))
    done = []
    for number in range(runs):
        seeds = [SEED, TRUTHS.index(truth), number]
        honest = honest_reports(np.random.default_rng(seeds), truth, UNITS)
        rng = np.random.default_rng([*seeds, len(name), round(100 * share)])
        poison = within_soft_bound(attack(rng, truth, poisoned))
        done.append(a_run(honest, poison, Siblings(), Siblings()))
    return done


def a_run(honest: Reports, poison: Reports, clean: Siblings, dirty: Siblings) -> Run:
    """One pool answered without and with the poison, beside siblings without and with it."""
    before, after = answered(honest, clean), answered(honest.beside(poison), dirty)
    return Run(
        after.start_mv,
        before.start_mv,
        after.depth_mv,
        before.depth_mv,
        float(np.mean(~after.stands[: len(honest.stable)])),
    )


def answered(reports: Reports, siblings: Siblings, share: float = 0.90) -> Answered:
    """The answer of the product: outlier check, guard, bound."""
    return answers(reports, siblings, (share,))[0]


def answers(reports: Reports, siblings: Siblings, shares: Sequence[float]) -> list[Answered]:
    """The answer for each stable share."""
    units = reports.units()
    outlier_report = check_outliers(units, FLOOR_STEPS)
    pool = counted_units(units, outlier_report).intervals
    guard = Guard(outlier_report.flagged_share, drift_alarm=False)
    stands = standing_flags(units, outlier_report) | ~units.informative
    weight = units.weight_ppm / MILLION
    fair = weight * np.where(units.established, 1.0, outlier_report.newcomer_factor)
    less = weight_under(units, outlier_report) < fair * (1.0 - 1e-9)
    loses = units.informative & (less | ~stands)
    found = []
    for share in shares:
        fit = pool_start(pool, siblings, GRID, VOLTAGE_OFFSET, share, 0.95, guard)
        start_mv = fit.answer.steps * STEP_MV if isinstance(fit.answer, Start) else 0.0
        depth_mv = fit.percentiles[0].steps * STEP_MV if fit.percentiles else 0.0
        found.append(Answered(start_mv, depth_mv, stands, loses))
    return found


@dataclass(frozen=True)
class Cell:
    """The runs of one truth under one attack."""

    truth: Truth
    runs: list[Run]

    @property
    def bias_mv(self) -> float:
        """How much deeper poison makes the likeliest depth of 90 % of units."""
        return float(np.mean([run.depth_mv - run.clean_depth_mv for run in self.runs]))

    @property
    def start_moves_mv(self) -> float:
        """How much deeper poison makes the start."""
        return float(np.mean([run.start_mv - run.clean_start_mv for run in self.runs]))

    @property
    def coverage(self) -> float:
        """How often the poisoned start holds."""
        return float(np.mean([run.start_mv <= self.truth.depth_90_mv for run in self.runs]))

    @property
    def honest_rejected(self) -> float:
        """Share of the honest units that the outlier check excludes."""
        return float(np.mean([run.honest_rejected for run in self.runs]))


def cell_rows(where: str, cell: Cell) -> list[Row]:
    """The four figures of a cell."""
    return [
        measured(f"10 % depth moves by, {where}", round(cell.bias_mv, 2), "mV", ""),
        measured(f"start moves by, {where}", round(cell.start_moves_mv, 2), "mV", ""),
        measured(f"coverage, {where}", cell.coverage, "share", ""),
        measured(f"honest units set aside, {where}", round(cell.honest_rejected, 5), "share", ""),
    ]


def wanted_rows(cells: dict[str, list[Cell]]) -> list[Row]:
    """What is wanted of the eight attacks together, over all truths."""
    known = {name: cells[name] for name in ATTACKS}
    every = [cell for of_attack in known.values() for cell in of_attack]
    within = sum(all(abs(c.bias_mv) <= 5 for c in of_attack) for of_attack in known.values())
    sybils = min(cell.bias_mv for cell in known["dense shallow Sybils"])
    deepest = max(cell.bias_mv for cell in every)
    deeper = max(cell.start_moves_mv for cell in every)
    rejected = max(cell.honest_rejected for cell in every)
    share = f"{MEASURE:.0%} poison"
    return [
        measured(f"attacks within 5 mV on every truth, {share}", float(within), "of 8", ">= 7"),
        measured(f"10 % depth moves deeper at most by, {share}", round(deepest, 2), "mV", "<= 2"),
        measured(f"start moves deeper at most by, {share}", round(deeper, 2), "mV", "<= 2"),
        measured(f"Sybils make it timid by, {share}", round(-sybils, 2), "mV", "<= 10"),
        measured(f"least coverage, {share}", min(c.coverage for c in every), "share", ">= 0.90"),
        measured(f"honest units set aside, {share}", round(rejected, 5), "share", "< 0.01"),
    ]


def _honest(runs: int) -> list[Row]:
    """Honest units that the outlier check excludes where there is no poison at all."""
    rows = []
    for truth in TRUTHS:
        for units in (10, 30, 100, 500):
            rng = np.random.default_rng([SEED, TRUTHS.index(truth), units])
            rejected = []
            for _ in range(runs):
                pool = honest_reports(rng, truth, units).units()
                rejected.append(check_outliers(pool, FLOOR_STEPS).excluded_units / units)
            what = f"honest units set aside, no poison, {truth.name}, n = {units}"
            rows.append(measured(what, round(float(np.mean(rejected)), 5), "share", "< 0.01"))
    return rows
