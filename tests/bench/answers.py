"""What one fresh answer costs in CPU time, and the likelihood's maximum within it."""

import time
from collections.abc import Callable
from fractions import Fraction

import numpy as np

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.siblings import Siblings, summarise_sibling
from kbapi.stats.intervals import NEVER_FAILED, Grid
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.search.chances import chances_of_unit, limit_chances
from kbapi.stats.search.next_step import SearchTerms, plan_search, search_options
from kbapi.stats.start.stability import stability_curve
from kbapi.stats.start.start import NO_GUARD, pool_start
from tests.calibration.testers import STEP_MV, TRUTHS, a_tested_pool
from tests.report import Row, measured

SEED = 20260902
UNITS, SIBLING_UNITS = 10_000, (100, 107, 114, 120)
DEEPEST = int(160 / STEP_MV)
GRID = Grid(Fraction(125, 128))


def measure(*, short: bool) -> list[Row]:
    """CPU milliseconds, the median over repetitions, the dearest of the four truths."""
    repeats = 5 if short else 25
    rows = [
        measured(
            f"fresh start, {UNITS} units, four siblings fitted anew",
            max(_start_ms(place, repeats) for place in range(len(TRUTHS))),
            "ms CPU",
            "<= 30",
        ),
        measured(
            f"the same with searches to choose from, {UNITS} units",
            max(_options_ms(place, repeats) for place in range(len(TRUTHS))),
            "ms CPU",
            "<= 45",
        ),
        measured(
            f"stability curve, {UNITS} units, four siblings fitted anew",
            max(_curve_ms(place, repeats) for place in range(len(TRUTHS))),
            "ms CPU",
            "<= 30",
        ),
    ]
    for units in (10_000, 100_000) if short else (10_000, 100_000, 1_000_000):
        cost = [_npmle_ms(place, units, repeats) for place in range(len(TRUTHS))]
        rows.append(
            measured(f"npmle from counts, n = {units}", float(np.median(cost)), "ms CPU", "")
        )
    return rows


def _start_ms(place: int, repeats: int) -> float:
    pool, related = _scene(place)

    def answer() -> None:
        siblings = Siblings(tuple(summarise_sibling(p, STEP_MV, VOLTAGE_OFFSET) for p in related))
        pool_start(pool, siblings, GRID, VOLTAGE_OFFSET, 0.90, 0.95, NO_GUARD)

    return _median_ms(answer, repeats)


def _options_ms(place: int, repeats: int) -> float:
    pool, related = _scene(place)

    def answer() -> None:
        siblings = Siblings(tuple(summarise_sibling(p, STEP_MV, VOLTAGE_OFFSET) for p in related))
        fit = pool_start(pool, siblings, GRID, VOLTAGE_OFFSET, 0.90, 0.95, NO_GUARD)
        chances = chances_of_unit(limit_chances(fit.pool, DEEPEST), 0, NEVER_FAILED)
        terms = SearchTerms(20, 10, 6, 0.10, 20, fit.answer.steps, 2)
        search_options(plan_search(chances, terms))

    return _median_ms(answer, repeats)


def _curve_ms(place: int, repeats: int) -> float:
    pool, related = _scene(place)

    def answer() -> None:
        siblings = Siblings(tuple(summarise_sibling(p, STEP_MV, VOLTAGE_OFFSET) for p in related))
        stability_curve(pool, siblings, GRID, VOLTAGE_OFFSET, 0.95)

    return _median_ms(answer, repeats)


def _npmle_ms(place: int, units: int, repeats: int) -> float:
    pool = a_tested_pool(np.random.default_rng([SEED, place]), TRUTHS[place], units)
    return _median_ms(lambda: fit_npmle(pool), repeats)


def _scene(place: int):
    rng = np.random.default_rng([SEED, place])
    truth = TRUTHS[place]
    return a_tested_pool(rng, truth, UNITS), [a_tested_pool(rng, truth, n) for n in SIBLING_UNITS]


def _median_ms(work: Callable[[], object], repeats: int) -> float:
    work()
    spent = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return 1e3 * float(np.median(spent))
