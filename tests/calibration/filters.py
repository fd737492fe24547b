"""How often groups of units are reported to differ: where they do not, and where they do."""

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.time.two_groups import compare_groups, holm_adjusted
from tests.calibration.testers import TRUTHS, Truth, a_tested_pool
from tests.report import Row, measured

SEED = 20260908
SHORT_RUNS, FULL_RUNS = 60, 2000
UNITS, PERMUTATIONS, FILTERS = (20, 80), 199, 4
SHIFTS_MV = (0.0, 15.0, 30.0)
LEVEL = 0.05


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """Share of comparisons of two groups with p <= 0.05, by how much deeper one of them lies.

    Then how often at least one of four meaningless filters is said to matter, after Holm.
    """
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    rows: list[Row] = []
    for truth in TRUTHS:
        for shift_mv in SHIFTS_MV[:2] if short else SHIFTS_MV:
            rng = np.random.default_rng([SEED, TRUTHS.index(truth), int(shift_mv)])
            found = np.mean([_p_value(rng, truth, shift_mv) <= LEVEL for _ in range(runs)])
            where = f"{UNITS[0]} of {sum(UNITS)} units {shift_mv:.0f} mV deeper, {truth.name}"
            wanted = "" if shift_mv else f"<= {_allowed(LEVEL, runs)}"
            rows.append(measured(f"said to differ, {where}", float(found), "share", wanted))
    rng = np.random.default_rng([SEED, 99])
    families = runs // 4
    wrong = np.mean([_any_of_a_family(rng) for _ in range(families)])
    wanted = f"<= {_allowed(LEVEL, families)}"
    what = f"one of {FILTERS} meaningless filters said to matter, Holm"
    return [*rows, measured(what, float(wrong), "share", wanted)]


def _allowed(level: float, runs: int) -> float:
    """The level and three binomial errors."""
    return round(level + 3 * float(np.sqrt(level * (1 - level) / runs)), 4)


def _p_value(rng: np.random.Generator, truth: Truth, shift_mv: float) -> float:
    usual, deeper = _rows(rng, truth, UNITS[1], 0.0), _rows(rng, truth, UNITS[0], shift_mv)
    group = np.repeat([0, 1], [len(usual), len(deeper)])
    return _compared(np.concatenate([usual, deeper]), group, rng)


def _any_of_a_family(rng: np.random.Generator) -> bool:
    units = _rows(rng, TRUTHS[0], 100, 0.0)
    p_values = [_compared(units, rng.integers(0, 2, len(units)), rng) for _ in range(FILTERS)]
    return min(holm_adjusted(p_values)) <= LEVEL


def _rows(rng: np.random.Generator, truth: Truth, units: int, shift_mv: float) -> NDArray[np.int64]:
    """One row a unit: stable and unstable steps."""
    pool = a_tested_pool(rng, truth, units, shift_mv)
    ends = np.column_stack([pool.stable_steps, pool.unstable_steps])
    return np.repeat(ends, pool.weight.astype(int), axis=0)


def _compared(ends: NDArray[np.int64], group: NDArray[np.int64], rng: np.random.Generator) -> float:
    weight = np.ones(len(ends))
    return compare_groups(ends[:, 0], ends[:, 1], weight, group, rng, PERMUTATIONS).p_value
