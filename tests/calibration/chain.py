"""The whole chain under attack: gate, weights, outlier check, siblings, spreading and bound."""

import numpy as np

from tests.calibration._attacks import (
    ATTACKS,
    Attack,
    honest_reports,
    within_soft_bound,
)
from tests.calibration._liars import lent_by
from tests.calibration.poison import (
    MEASURE,
    Cell,
    Run,
    a_run,
    cell_rows,
    wanted_rows,
)
from tests.calibration.siblings import BETWEEN_CHIPS_MV, SIBLINGS
from tests.calibration.testers import TRUTHS, Truth
from tests.report import Row

SEED = 20261102
UNITS = 100
SHORT_RUNS, FULL_RUNS = 2, 300


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """What 20 % of poison in a chip's pool and in those of its siblings moves."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    rows: list[Row] = []
    cells: dict[str, list[Cell]] = {}
    for name, attack in ATTACKS.items():
        for truth in TRUTHS:
            cell = Cell(truth, [_one_run(name, attack, truth, number) for number in range(runs)])
            rows += cell_rows(f"{name}, {truth.name}", cell)
            cells.setdefault(name, []).append(cell)
    return [*rows, *wanted_rows(cells)]


def _one_run(name: str, attack: Attack, truth: Truth, number: int) -> Run:
    seeds = [SEED, TRUTHS.index(truth), number]
    rng, bad = np.random.default_rng(seeds), np.random.default_rng([*seeds, len(name)])
    own = within_soft_bound(honest_reports(rng, truth, UNITS))
    own_poison = within_soft_bound(attack(bad, truth, _poison_of(UNITS)))
    clean, dirty = [], []
    # The target is a draw from its series like the others: its own place is subtracted.
    places = rng.normal(0, BETWEEN_CHIPS_MV, SIBLINGS) - rng.normal(0, BETWEEN_CHIPS_MV)
    for shift_mv in places:
        units = int(rng.integers(100, 121))
        honest = within_soft_bound(honest_reports(rng, truth, units, shift_mv))
        poison = within_soft_bound(attack(bad, truth, _poison_of(units)))
        clean.append(honest)
        dirty.append(honest.beside(poison))
    return a_run(own, own_poison, lent_by(clean), lent_by(dirty))


def _poison_of(units: int) -> int:
    return round(units * MEASURE / (1.0 - MEASURE))
