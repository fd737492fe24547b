"""What the planned search costs beside the fixed-step one, and whether its chances are true.

The limit is the deepest stable setting itself, so that N(110, 25) is put on the grid by the
nearest step. The fixed-step search: first 50 mV, deeper by 10 mV until one fails, then the setting
5 mV beyond the last that passed; where the first fails, toward stock by 10 mV until one passes,
then 5 mV deeper. Nothing is tried twice, a failure ends the way down, and both searches count every
trial alike. Without a cap both end in brackets of 5 mV on a grid of 5 mV: equal resolution.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.search.chances import LimitChances, chances_of_unit, limit_chances
from kbapi.stats.search.next_step import (
    Choose,
    ExpectedSearch,
    FixedStepSearch,
    SearchPlan,
    SearchTerms,
    Stop,
    expected_of_plan,
    expected_search,
    plan_search,
)
from kbapi.stats.start.pool import fit_pool
from kbapi.stats.start.start import share_depth
from tests.calibration.testers import STEP_MV, TRUTHS, Truth, a_tested_pool
from tests.report import Row, measured

SEED = 20260907
COSTS = {(20, 10): "<= 0.57", (20, 40): "<= 0.68", (5, 15): "<= 0.72"}
MEAN_MV, SD_MV, DEEPEST_MV, POOL_DEEPEST_MV = 110.0, 25.0, 250.0, 160.0
RESOLUTION_MV, MAX_STEP_MV, MARGIN_MV = 5.0, 20.0, 10.0
LUCKY = 0.05
SHORT_UNITS, SHORT_RUNS = (20, 100), 12
FULL_UNITS, FULL_RUNS = (5, 20, 50, 100, 500), 300
OWN_UNITS = 100
"""Units that search with each simulated pool behind them."""


@dataclass(frozen=True)
class Cap:
    """What is allowed of a proposed setting, and what is wanted of the search then."""

    name: str
    max_risk: float
    has_max_step: bool
    ratio: str = ""
    failures: str = ""
    left_mv: str = ""


FREE = Cap("no cap", 1.0, has_max_step=False, left_mv="<= 5")
BOLD = Cap("max_risk 0.25", 0.25, has_max_step=True, ratio="<= 0.65", left_mv="<= 5")
USUAL = Cap("default", 0.10, has_max_step=True, ratio="<= 0.5", failures="<= 0.35", left_mv="<= 17")


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """Costs against the fixed-step search, ends of simulated searches, chances against truths."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    rows = [row for costs in COSTS for row in _against_fixed_steps(5.0, costs)]
    rows += [_rounded_down(costs) for costs in COSTS]
    rows += _against_fixed_steps(STEP_MV, (20, 10), is_wanted=False)
    rows += _simulated_ends(2_000 if short else 20_000)
    for truth in TRUTHS:
        for units in SHORT_UNITS if short else FULL_UNITS:
            rows += _with_a_pool(truth, units, runs)
    return rows


def a_normal_unit(step_mv: float, nearer: float = 0.5) -> LimitChances:
    """A unit with the limit N(110, 25) mV on the nearest step, or, with 0, on the one before."""
    ends = (np.arange(int(DEEPEST_MV / step_mv) + 2) - nearer) * step_mv
    before = ndtr((ends - MEAN_MV) / SD_MV)
    before[0], before[-1] = 0.0, 1.0
    return LimitChances(0, np.diff(before), is_open=True)


def a_plan(
    chances: LimitChances, step_mv: float, costs: tuple[int, int], cap: Cap, start: int
) -> SearchPlan:
    resolution = int(np.ceil(RESOLUTION_MV / step_mv))
    max_step = int(MAX_STEP_MV // step_mv) if cap.has_max_step else None
    least_gain = 1 if step_mv > 1 else 2
    terms = SearchTerms(*costs, resolution, cap.max_risk, max_step, start, least_gain)
    return plan_search(chances, terms)


def fixed_step_search(step_mv: float, deepest: int) -> FixedStepSearch:
    first, step, refine = (round(width / step_mv) for width in (50, 10, 5))
    return FixedStepSearch(first, step, refine, deepest)


def _start_of(chances: LimitChances) -> int:
    """The deepest step at which nine in ten units are stable."""
    return int(np.searchsorted(chances.failing, 0.10, side="right")) - 1


def _against_fixed_steps(
    step_mv: float, costs: tuple[int, int], *, is_wanted: bool = True
) -> Iterator[Row]:
    chances = a_normal_unit(step_mv)
    fixed = expected_search(chances, fixed_step_search(step_mv, len(chances.mass) - 1), *costs)
    where = f"costs {costs[0]}/{costs[1]}, grid {step_mv:.3g} mV"
    yield measured(f"fixed_step_search: failures, {where}", fixed.failures, "count", "")
    yield measured(f"fixed_step_search: trials, {where}", fixed.trials, "count", "")
    for cap in (FREE, BOLD, USUAL):
        found = expected_of_plan(a_plan(chances, step_mv, costs, cap, _start_of(chances)))
        wanted = COSTS[costs] if cap is FREE else cap.ratio
        yield from _costs_row(f"{cap.name}, {where}", found, fixed, cap, wanted, is_wanted)


def _rounded_down(costs: tuple[int, int]) -> Row:
    """The other reading of a limit: a draw of which the whole steps are the deepest stable one."""
    chances = a_normal_unit(5.0, nearer=0.0)
    fixed = expected_search(chances, fixed_step_search(5.0, len(chances.mass) - 1), *costs)
    found = expected_of_plan(a_plan(chances, 5.0, costs, FREE, 0))
    ratio = found.minutes / fixed.minutes
    where = f"costs {costs[0]}/{costs[1]}"
    return measured(
        f"rounded down: cost over fixed_step_search, no cap, {where}", ratio, "ratio", ""
    )


def _costs_row(
    where: str,
    found: ExpectedSearch,
    fixed: ExpectedSearch,
    cap: Cap,
    ratio: str,
    is_wanted: bool,
) -> Iterator[Row]:
    step_mv = 5.0 if "grid 5 mV" in where else STEP_MV
    figures = {
        "cost over fixed_step_search": (found.minutes / fixed.minutes, "ratio", ratio),
        "failures": (found.failures, "count", cap.failures),
        "left of the limit": (found.left_steps * step_mv, "mV", cap.left_mv),
    }
    for what, (value, unit, wanted) in figures.items():
        yield measured(f"{what}, {where}", float(value), unit, wanted if is_wanted else "")


def walked(
    choose: Choose, begin: tuple[int, int], limit: int, luck: np.random.Generator | None = None
) -> tuple[int, int, int, int]:
    """Trials, failures, and the bracket in the end; with luck, some failing trials pass."""
    (stable, unstable), trials, failures = begin, 0, 0
    while (setting := choose(stable, unstable)) is not None:
        trials += 1
        if setting <= limit or (luck is not None and luck.random() < LUCKY):
            stable = setting
        else:
            unstable, failures = setting, failures + 1
    return trials, failures, stable, unstable


def _simulated_ends(runs: int) -> Iterator[Row]:
    """Where searches end on the grid of 1/1024 V, without noise and with lucky passes."""
    rng = np.random.default_rng(SEED)
    chances = a_normal_unit(STEP_MV)
    begin = chances.stable_steps, chances.unstable_steps
    margin = int(np.ceil(MARGIN_MV / STEP_MV))
    for cap in (FREE, BOLD, USUAL):
        for costs in COSTS:
            plan = a_plan(chances, STEP_MV, costs, cap, _start_of(chances))
            limits = rng.choice(len(chances.mass), runs, p=chances.mass)
            where = f"{cap.name}, costs {costs[0]}/{costs[1]}"
            yield _ended_right(where, plan, begin, limits)
            settled = [walked(plan.next_from, begin, t, rng)[2] - margin for t in limits.tolist()]
            safe = float(np.mean(np.maximum(settled, 0) <= limits))
            yield measured(
                f"settled on the safe side, 5 % lucky passes, {where}", safe, "share", ">= 0.95"
            )


def _ended_right(where: str, plan: SearchPlan, begin: tuple[int, int], limits: np.ndarray) -> Row:
    """Of the searches that caps did not end: how many ended within the resolution of the truth."""
    right, free = 0, 0
    for limit in limits.tolist():
        _, _, stable, unstable = walked(plan.next_from, begin, limit)
        if plan.stop_in(stable, unstable) is not Stop.TOO_RISKY:
            free += 1
            right += 0 <= limit - stable < plan.terms.resolution_steps
    note = f"{free} of {len(limits)} searches were not ended by a cap"
    return measured(f"ended within the resolution, {where}", right / free, "share", ">= 1", note)


def _with_a_pool(truth: Truth, units: int, runs: int) -> Iterator[Row]:
    """What happens to units of the truth whose search leans on a pool of testers."""
    rng = np.random.default_rng([SEED, TRUTHS.index(truth), units])
    deepest = int(POOL_DEEPEST_MV / STEP_MV)
    proposed = failed = first = first_failed = 0
    ours = theirs = 0.0
    fixed = fixed_step_search(STEP_MV, deepest)
    for _ in range(runs):
        pool = fit_pool(a_tested_pool(rng, truth, units), Siblings(), STEP_MV, VOLTAGE_OFFSET)
        chances = chances_of_unit(limit_chances(pool, deepest), 0, deepest + 2)
        start = share_depth(pool.bound, 0.90, 0.95).shallow
        plan = a_plan(chances, STEP_MV, (20, 10), USUAL, start)
        begin = 0, chances.unstable_steps
        beginning = plan.next_from(*begin)
        limits = np.floor(np.maximum(truth.draw(rng, OWN_UNITS), 0.0) / STEP_MV).astype(int)
        for limit in limits.tolist():
            trials, failures, _, _ = walked(plan.next_from, begin, limit)
            proposed, failed = proposed + trials, failed + failures
            ours += 20 * trials + 10 * failures
            trials, failures, _, _ = walked(fixed, begin, limit)
            theirs += 20 * trials + 10 * failures
            if beginning is not None:
                first, first_failed = first + 1, first_failed + (beginning > limit)
    where = f"{truth.name}, n = {units}"
    yield measured(
        f"first settings that fail, {where}", first_failed / max(first, 1), "share", "<= 0.1"
    )
    yield measured(
        f"proposed settings that fail, {where}", failed / max(proposed, 1), "share", "<= 0.1"
    )
    yield measured(f"cost over fixed_step_search, {where}", ours / theirs, "ratio", "")
