"""How often intervals of paired shifts contain the true shift, and the confidence they state."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.gains.gains import pool_shift
from tests.report import Row, measured

SEED = 20261125
SHORT_RUNS, FULL_RUNS = 1_000, 10_000
SHORT_PAIRS, FULL_PAIRS = (5, 8, 20, 50), (5, 8, 12, 20, 50, 100, 200, 400)
SHIFT = 0.06
TOLERANCE = 0.02

Errors = Callable[[np.random.Generator, int], NDArray[np.float64]]

# Symmetric about zero, on the scale of logarithms of ratios; the last are readings rounded
# to half a percent, where ties make the interval wider than stated.
SHAPES: dict[str, Errors] = {
    "normal": lambda rng, n: rng.normal(0, 0.03, n),
    "heavy tails": lambda rng, n: 0.02 * rng.standard_t(3, n),
    "even": lambda rng, n: rng.uniform(-0.05, 0.05, n),
    "two heaps": lambda rng, n: rng.choice([-0.04, 0.04], n) + rng.normal(0, 0.01, n),
    "a tenth from faulty sensors": lambda rng, n: rng.normal(
        0, np.where(rng.random(n) < 0.1, 0.3, 0.02)
    ),
}


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """Coverage less attained confidence, the worst and every cell; then how wide intervals are."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    cells = [
        _cell(name, pairs, runs)
        for pairs in (SHORT_PAIRS if short else FULL_PAIRS)
        for name in SHAPES
    ]
    worst = max(abs(row.value or 0.0) for row in cells)
    rounded = [_rounded(pairs, runs) for pairs in (SHORT_PAIRS if short else FULL_PAIRS)]
    return [
        *cells,
        measured("largest distance from what is attained", worst, "share", f"<= {TOLERANCE}"),
        *rounded,
    ]


def _cell(name: str, pairs: int, runs: int) -> Row:
    rng = np.random.default_rng([SEED, pairs, list(SHAPES).index(name)])
    covered, attained = _coverage(rng, SHAPES[name], pairs, runs)
    return measured(
        f"coverage less attained {attained:.4f}, {pairs} pairs, {name}",
        covered - attained,
        "share",
        f">= {-TOLERANCE}",
    )


def _rounded(pairs: int, runs: int) -> Row:
    """Ties may only add to the coverage."""
    rng = np.random.default_rng([SEED, pairs, 99])
    covered, attained = _coverage(
        rng,
        lambda generator, n: (generator.normal(0, 0.03, n) / 0.005).round() * 0.005,
        pairs,
        runs,
    )
    return measured(
        f"coverage less attained, {pairs} pairs told to half a percent",
        covered - attained,
        "share",
        f">= {-TOLERANCE}",
    )


def _coverage(
    rng: np.random.Generator, errors: Errors, pairs: int, runs: int
) -> tuple[float, float]:
    shifts = [pool_shift(SHIFT + errors(rng, pairs)) for _ in range(runs)]
    held = [one.low - 1e-12 <= SHIFT <= one.high + 1e-12 for one in shifts]
    return float(np.mean(held)), shifts[0].attained_confidence
