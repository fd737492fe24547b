"""How often intervals of gains hold, and how often nothing is called larger than the noise."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.gains import MEASURES, MeasuredGain, UnitGains, gain_block
from kbapi.stats.gains.gains import RunNoise, compare_runs, pool_run_noise, pool_shift
from tests.report import Row, measured

SEED = 20261125
SHORT_RUNS, FULL_RUNS = 500, 10_000
SHORT_PAIRS, FULL_PAIRS = (5, 8, 20, 60), (5, 8, 12, 20, 60, 200)
SHIFT = 0.06

Errors = Callable[[np.random.Generator, int], NDArray[np.float64]]

SYMMETRIC: dict[str, Errors] = {
    "normal": lambda rng, n: rng.normal(0, 0.03, n),
    "heavy tails": lambda rng, n: 0.02 * rng.standard_t(3, n),
    "even": lambda rng, n: rng.uniform(-0.05, 0.05, n),
    "two heaps": lambda rng, n: rng.choice([-0.04, 0.04], n) + rng.normal(0, 0.01, n),
    "a tenth from faulty sensors": lambda rng, n: rng.normal(
        0, np.where(rng.random(n) < 0.1, 0.3, 0.02)
    ),
    "rounded to half a percent": lambda rng, n: (rng.normal(0, 0.03, n) / 0.005).round() * 0.005,
}
SKEWED: dict[str, Errors] = {
    "exponential": lambda rng, n: 0.03 * (rng.exponential(1, n) - np.log(2)),
    "exponential, mirrored": lambda rng, n: 0.03 * (np.log(2) - rng.exponential(1, n)),
    "lognormal": lambda rng, n: 0.02 * (rng.lognormal(0, 1, n) - 1),
    # Its median lies where 0.7 of the main part's probability add up to a half.
    "three in ten gain much more": lambda rng, n: (
        rng.normal(0, 0.01, n) + np.where(rng.random(n) < 0.3, 0.15, 0) - 0.00566
    ),
}
"""Differences with a median of zero, on the scale of logarithms of ratios."""
SHAPES = SYMMETRIC | SKEWED


def measure(*, short: bool, runs: int | None = None, seeds: Sequence[int] = (SEED,)) -> list[Row]:
    """Coverage of intervals, their width, and errors of "larger than the noise"."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    pairs = SHORT_PAIRS if short else FULL_PAIRS
    seed = seeds[0]
    return [
        *(_cell(seed, name, units, runs) for units in pairs for name in SHAPES),
        *(row for units in pairs[1:] for row in _called_larger(seed, units, max(200, runs // 5))),
        *_own_runs(seed, runs),
    ]


def _cell(seed: int, name: str, units: int, runs: int) -> Row:
    rng = np.random.default_rng([seed, units, list(SHAPES).index(name)])
    shifts = [pool_shift(SHIFT + SHAPES[name](rng, units)) for _ in range(runs)]
    held = [one.low - 1e-12 <= SHIFT <= one.high + 1e-12 for one in shifts]
    width = float(np.mean([one.high - one.low for one in shifts]))
    shape = "skewed" if name in SKEWED else "symmetric"
    return measured(
        f"coverage of the median, {units} units, {shape}: {name}",
        float(np.mean(held)),
        "share",
        ">= 0.93" if units >= 8 else "",
        f"attained {shifts[0].attained_confidence:.4f}, mean width {width:.4f}",
    )


RUN_SD = 0.01
REPEATED = 8
"""Units that were read three times at stock, from which the noise of runs is learned."""
NO_EFFECT: dict[str, Errors] = {
    "runs alone differ": lambda rng, n: rng.normal(0, RUN_SD * np.sqrt(2), n),
    "machines differ as much as runs": lambda rng, n: rng.normal(0, 2 * RUN_SD, n),
    "machines differ five times as much": lambda rng, n: rng.normal(0, 7 * RUN_SD, n),
    "skewed": lambda rng, n: 3 * RUN_SD * (rng.exponential(1, n) - np.log(2)),
}


def _called_larger(seed: int, units: int, runs: int) -> list[Row]:
    """How often a change is called larger without an effect, and with one of 5 %."""
    rows = []
    for place, (name, errors) in enumerate((NO_EFFECT | {"": SHAPES["normal"]}).items()):
        rng = np.random.default_rng([seed, units, 50 + place])
        for noise, most in (("known", 0.03), ("unknown", 0.05)):
            larger = [
                _gain(rng, errors(rng, units) + (0 if name else 0.05), noise == "known")
                for _ in range(runs)
            ]
            share = float(np.mean([one.significance == "larger" for one in larger]))
            what = f"called larger without an effect, {name}" if name else "a gain of 5 % found"
            wanted = f"<= {most}" if name else ""
            rows.append(measured(f"{what}, noise {noise}, {units} units", share, "share", wanted))
    return rows


def _gain(
    rng: np.random.Generator, changes: NDArray[np.float64], is_noise_known: bool
) -> MeasuredGain:
    """The gain in performance of units of as many contributors."""
    units, unknown = len(changes), np.full(len(changes), np.nan)
    every = {measure.name: unknown for measure in MEASURES} | {"performance": changes}
    one = np.ones(units)
    gains = UnitGains(every, unknown, one, one, unknown, np.arange(float(units)))
    block = gain_block(gains, {"performance": _learned(rng)} if is_noise_known else {})
    assert block is not None
    (found,) = block.measured
    return found


def _learned(rng: np.random.Generator) -> RunNoise:
    repeats = np.repeat(np.arange(REPEATED), 3)
    noise = pool_run_noise(rng.normal(0, RUN_SD, len(repeats)), np.ones(len(repeats)), repeats)
    assert noise is not None
    return noise


OWN: dict[str, Errors] = {
    "normal": lambda rng, n: rng.normal(0, 1, n),
    "skewed": lambda rng, n: rng.lognormal(0, 1, n),
    "heavy tails": lambda rng, n: rng.standard_t(3, n),
    "one run in five slow": lambda rng, n: rng.normal(0, 1, n) - 8 * (rng.random(n) < 0.2),
    "rounded to the spread": lambda rng, n: rng.normal(0.5, 1, n).round(),
}


def _own_runs(seed: int, runs: int) -> list[Row]:
    """How often one's own runs call a change larger where nothing changed."""
    rows = []
    for stock, tuned in ((3, 3), (3, 5), (10, 3), (10, 10)):
        for place, (name, errors) in enumerate(OWN.items()):
            rng = np.random.default_rng([seed, stock, tuned, 90 + place])
            pairs = ((errors(rng, stock), errors(rng, tuned)) for _ in range(runs))
            compared = [compare_runs(*pair) for pair in pairs]
            larger = [one.noise is not None and abs(one.change) > one.noise for one in compared]
            what = f"own runs, larger without an effect, {stock} and {tuned}, {name}"
            error = f"binomial error {np.sqrt(0.05 * 0.95 / runs):.4f}"
            rows.append(measured(what, float(np.mean(larger)), "share", "<= 0.05", error))
    return rows
