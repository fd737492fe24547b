"""What the planned search costs beside the fixed-step one, and whether its chances are true.

The limit is the deepest stable setting itself, so that N(110, 25) is put on the grid by the
nearest step. The fixed-step search: first 50 mV, deeper by 10 mV until one fails, then the setting
5 mV beyond the last that passed; where the first fails, toward stock by 10 mV until one passes,
then 5 mV deeper. Nothing is tried twice, a failure ends the way down, and both searches count every
trial alike. Without a cap both end in brackets of 5 mV on a grid of 5 mV: equal resolution.

In drawn worlds outcomes mislead: a stable setting fails in one run of twenty, and an unstable one
passes 5 minutes in three runs of ten, longer runs more rarely. The long run that confirms the end
is counted apart, as the fixed-step search has none.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from kbapi.evidence.outlier_check import check_outliers, counted_units
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.search.chances import (
    FALSE_FAILURE,
    LimitChances,
    Run,
    chances_of_unit,
    limit_chances,
    missed_failure,
    weak_limit_chances,
)
from kbapi.stats.search.next_step import (
    Choose,
    ExpectedSearch,
    FixedStepSearch,
    SearchPlan,
    SearchTerms,
    Stop,
    UnitSearch,
    expected_of_plan,
    expected_search,
    plan_search,
    search_unit,
)
from kbapi.stats.search.recommended_margin import (
    RecommendedMargin,
    recommended_margin,
    setting_in_use,
)
from kbapi.stats.start.pool import fit_pool
from kbapi.stats.start.start import (
    Guard,
    Start,
    is_informative,
    share_depth,
    suggested_start,
)
from tests.calibration._drawn import World, draw_pools, draw_world
from tests.calibration._reports import FLOOR_STEPS
from tests.calibration._rows import GRID
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


SHORT_SEEDS, FULL_SEEDS = (9001, 9002), (9001, 9040)
WORLD_UNITS, WORLD_OWN = (0, 5, 20, 100), 6
"""Units in a pool of a drawn world, and units that search with it behind them."""
DEEPEST = int(POOL_DEEPEST_MV / STEP_MV)
FOLLOWED = 200
DRIFT_MV = (1.0, 4.0)
"""Mean of the exponential distance by which limits move toward stock in 90 days, in a world."""


def measure(
    *, short: bool, runs: int | None = None, seeds: tuple[int, int] | None = None
) -> list[Row]:
    """Costs against the fixed-step search, ends of simulated searches, chances against truths.

    With seeds, the searches in the worlds of these alone.
    """
    if seeds:
        return list(_in_worlds(range(seeds[0], seeds[1] + 1)))
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    rows = [row for costs in COSTS for row in _against_fixed_steps(5.0, costs)]
    rows += [_rounded_down(costs) for costs in COSTS]
    rows += _against_fixed_steps(STEP_MV, (20, 10), is_wanted=False)
    rows += _simulated_ends(2_000 if short else 20_000)
    for truth in TRUTHS:
        for units in SHORT_UNITS if short else FULL_UNITS:
            rows += _with_a_pool(truth, units, runs)
    first, last = SHORT_SEEDS if short else FULL_SEEDS
    rows += _in_worlds(range(first, last + 1))
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


@dataclass(frozen=True)
class Searched:
    """One unit's search beside the fixed-step search, and its setting in use in the end.

    `in_use` and `stays_stable`: the distance from the limit in mV, and whether the setting stays
    stable for 90 days; with the usual margin, and with one that is learned from follow-ups.
    """

    trials: int
    failures: int
    fixed_trials: int
    fixed_failures: int
    confirming_minutes: float
    steps: int
    limit: int
    in_use: tuple[float, float]
    stays_stable: tuple[bool, bool]


def _in_worlds(seeds: range) -> Iterator[Row]:
    """Searches on noisy outcomes in drawn worlds, by the highest risk."""
    for cap in (USUAL, BOLD):
        found: dict[int, list[Searched]] = {}
        for seed in seeds:
            world = draw_world(seed).without_hidden_habits()
            for units in WORLD_UNITS:
                found.setdefault(units, []).extend(_searches(world, units, cap))
        for units, some in found.items():
            yield from _world_rows(f"{cap.name}, n = {units}", some, cap, is_wanted=False)
        evidence = [one for units, some in found.items() if units for one in some]
        yield from _world_rows(f"{cap.name}, n >= 5", evidence, cap, is_wanted=True)


def _searches(world: World, units: int, cap: Cap) -> Iterator[Searched]:
    """The searches of some units with one pool behind them."""
    rng = np.random.default_rng([SEED, world.seed, units])
    mass, start, careful = _evidence_of(rng, world, units)
    terms = SearchTerms(20, 10, 6, cap.max_risk, int(MAX_STEP_MV // STEP_MV), start, 2, careful)
    drift_mv = rng.uniform(*DRIFT_MV)
    margins = RecommendedMargin(MARGIN_MV, "default", None), _learned(rng, drift_mv)
    for limit_mv in world.truth.draw(rng, WORLD_OWN):
        limit = int(limit_mv / STEP_MV)
        trials, failures, minutes, search = noisy_walk(rng, mass, terms, limit)
        chances = search.plan.chances
        in_use = [setting_in_use(chances, margin, GRID).steps for margin in margins]
        left = [(limit - steps) * STEP_MV for steps in in_use]
        drifted_mv = rng.exponential(drift_mv)
        # A machine that stays at stock does not depend on the limit.
        stays_stable = [
            one >= drifted_mv or steps == 0 for one, steps in zip(left, in_use, strict=True)
        ]
        fixed = _noisy_fixed_walk(rng, limit)
        end = chances.stable_steps
        yield Searched(
            trials, failures, *fixed, minutes, end, limit, tuple(left), tuple(stays_stable)
        )


def _evidence_of(
    rng: np.random.Generator, world: World, units: int
) -> tuple[np.ndarray, int, int | None]:
    """Chances of a limit, the start, and from where steps are short, as the product has them."""
    if units:
        reports = draw_pools(rng, world, units, 1)[0].units()
        checked = check_outliers(reports, FLOOR_STEPS)
        counted = counted_units(reports, checked, FLOOR_STEPS).intervals
        pool = fit_pool(counted, Siblings(), STEP_MV, VOLTAGE_OFFSET)
        if is_informative(pool):
            guard = Guard(checked.flagged_share, drift_alarm=False)
            start = suggested_start(pool, GRID, 0.90, 0.95, guard)
            steps = start.steps if isinstance(start, Start) else 0
            return limit_chances(pool, DEEPEST), steps, None
    mass = weak_limit_chances(VOLTAGE_OFFSET, STEP_MV, DEEPEST)
    return mass, 0, int(np.searchsorted(np.cumsum(mass) - mass, 0.20))


def _passes(rng: np.random.Generator, steps: int, limit: int, minutes: float) -> bool:
    chance = 1.0 - FALSE_FAILURE if steps <= limit else missed_failure(minutes)
    return bool(rng.random() < chance)


def noisy_walk(
    rng: np.random.Generator,
    mass: np.ndarray,
    terms: SearchTerms,
    limit: int,
    first: int | None = None,
) -> tuple[int, int, float, UnitSearch]:
    """Trials, failures, minutes of the runs that confirm, and the search in the end.

    `first` is the setting to begin with, None for the one that the search proposes.
    """
    runs: list[Run] = []
    bracket, trials, failures, confirming = (0, NEVER_FAILED), 0, 0, 0.0
    search = search_unit(mass, terms, bracket, runs)
    if first is not None:
        search = replace(search, plan=replace(search.plan, first_steps=first))
    while (following := search.next_run()) is not None:
        passed = _passes(rng, following.steps, limit, following.minutes)
        if following.is_confirmation:
            confirming += following.minutes
        else:
            trials, failures = trials + 1, failures + (not passed)
        runs.append(Run(following.steps, following.minutes, passed))
        failed = min((run.steps for run in runs if not run.is_stable), default=NEVER_FAILED)
        runs = [run for run in runs if not run.is_stable or run.steps < failed]
        bracket = max((run.steps for run in runs if run.is_stable), default=0), failed
        search = search_unit(mass, terms, bracket, runs)
    return trials, failures, confirming, search


def _noisy_fixed_walk(rng: np.random.Generator, limit: int) -> tuple[int, int]:
    """Trials and failures of the fixed-step search on the same unit."""
    choose = fixed_step_search(STEP_MV, DEEPEST)
    stable, unstable, trials, failures = 0, DEEPEST + 1, 0, 0
    while (setting := choose(stable, unstable)) is not None:
        trials += 1
        if _passes(rng, setting, limit, 20.0):
            stable = setting
        else:
            unstable, failures = setting, failures + 1
    return trials, failures


def _learned(rng: np.random.Generator, drift_mv: float) -> RecommendedMargin:
    """The margin learned from follow-ups over 100 days, of settings 0 to 30 mV before a pass."""
    margin_mv = rng.uniform(0, 30, FOLLOWED)
    beyond_mv = rng.uniform(0, 10, FOLLOWED)
    daily_mv = rng.exponential(drift_mv, FOLLOWED) / 90
    days = np.minimum((margin_mv + beyond_mv) / daily_mv, 100).astype(int)
    place = np.searchsorted([10.0, 20.0, 30.0], margin_mv)
    followed = days, days < 100, np.ones(FOLLOWED)
    return recommended_margin(*followed, place, (10.0, 20.0, 30.0), kept=margin_mv)


def _world_rows(where: str, found: list[Searched], cap: Cap, *, is_wanted: bool) -> Iterator[Row]:
    is_usual = cap is USUAL

    def mean(value: str) -> float:
        return float(np.mean([getattr(one, value) for one in found]))

    trials, failures = mean("trials"), mean("failures")
    fixed_trials, fixed_failures = mean("fixed_trials"), mean("fixed_failures")
    cost = (20 * trials + 10 * failures) / (20 * fixed_trials + 10 * fixed_failures)
    beyond = float(np.mean([one.steps > one.limit for one in found]))
    figures = [
        ("proposals that fail", failures / trials, "share", f"<= {cap.max_risk + 0.02:.2f}"),
        ("searches that end beyond the limit", beyond, "share", "<= 0.05"),
        ("cost over fixed_step_search", cost, "ratio", "<= 0.50" if is_usual else "<= 0.62"),
        (
            "failures over fixed_step_search",
            failures / fixed_failures,
            "ratio",
            "<= 0.40" if is_usual else "<= 1.0",
        ),
        ("trials", trials, "count", ""),
        ("minutes of the confirming run", mean("confirming_minutes"), "minutes", ""),
        ("searches without a pass", float(np.mean([one.steps == 0 for one in found])), "share", ""),
    ]
    for place, margin in enumerate(("usual margin", "learned margin")):
        left = float(np.median([one.in_use[place] for one in found]))
        stays_stable = float(np.mean([one.stays_stable[place] for one in found]))
        figures.append((f"in use, mV before the limit, median, {margin}", left, "mV", "<= 20"))
        figures.append(
            (f"in use, stable after 90 days, {margin}", stays_stable, "share", ">= 0.95")
        )
    for what, value, unit, wanted in figures:
        yield measured(f"worlds: {what}, {where}", value, unit, wanted if is_wanted else "")
