"""The state of a search for the limit of one unit: bracket, plan, and terms in grid steps."""

from dataclasses import dataclass, replace
from fractions import Fraction
from math import ceil, floor
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.advice.evidence_found import EvidenceFound
from kbapi.advice.next_step.query import MOST_RISK, Search
from kbapi.advice.start.query import DEFAULT_CONFIDENCE, DEFAULT_SHARE, Question
from kbapi.bounds import DEPTH_BOUNDS, FIXED_CLOCK_LEAST_MV
from kbapi.errors import DocumentRefused, Problem
from kbapi.evidence.own_runs import OwnRun, OwnRuns, find_own_runs, merge_runs
from kbapi.evidence.pools import SCALES
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import Grid
from kbapi.stats.search.chances import LIGHT_LOAD, Run, limit_chances, weak_limit_chances
from kbapi.stats.search.next_step import (
    ExpectedSearch,
    FixedStepSearch,
    NextRun,
    RunErrors,
    SearchTerms,
    Stop,
    UnitSearch,
    expected_of_plan,
    expected_search,
    search_unit,
)
from kbapi.stats.start.pool import PoolFit
from kbapi.stats.start.start import (
    Start,
    StartFit,
    fit_own_pool,
    is_informative,
    level_of,
    suggested_start,
)
from kbapi.time_budget import check_time
from kbapi.vocabulary import DOMAINS, Domain, LimitControl

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class UsualWidths:
    """The usual widths of a control, in its own unit."""

    resolution: float
    max_step: float
    farthest_step: float
    """No request may ask for more than this as `max_step`."""
    careful: float
    """The coarsest resolution where nothing is known of a chip."""
    first: float
    """Of the fixed-step search: its first setting, its step, and its finer step."""
    step: float
    refine: float


_IN_MV: Final = UsualWidths(5, 20, 40, 10, 50, 10, 5)
USUAL_WIDTHS: Final[dict[LimitControl, UsualWidths]] = {
    "voltage_offset": _IN_MV,
    "fixed_clock_voltage": _IN_MV,
    "count_offset": UsualWidths(1, 4, 8, 2, 10, 2, 1),
}
# Without results, small steps begin at the depth where one chip in five is expected to fail.
_CAREFUL_FROM: Final = 0.20
_LIGHT_LOADS: Final[dict[str, frozenset[Domain]]] = {
    "idle_resume": frozenset(),
    "light_bursts": frozenset(),
    "gpu_only": frozenset({"gpu_core", "graphics"}),
}
"""Loads that leave most of the chip idle, each with the domains that it does load."""
_INTERVAL: Final = 0.90
_STEP_TOO_SHORT: Final = (
    "A step must be allowed to reach the wanted resolution, and the next setting of the control."
)


@dataclass(frozen=True, slots=True)
class SearchForecast:
    """What a search will still take, on average, without the long run that confirms its end."""

    trials: float
    """Mean number of trials."""
    failures: float
    """Mean number of failures among them."""
    minutes: float
    """Mean time in minutes, failures included."""
    stable_at: float
    """Mean deepest setting that will have passed, in mV or counts, negative is lower."""


@dataclass(frozen=True)
class SearchState:
    """What is known of a search, from the evidence and from the trials that were sent."""

    question: Question
    search: Search
    found: EvidenceFound
    domains: tuple[Domain, ...]
    """The domains that move together, the one asked about among them, in their fixed order."""
    own: OwnRuns
    fit: PoolFit
    terms: SearchTerms
    deepest: int
    """The deepest grid step that may be proposed."""
    mass: Vector
    """Of the limit of one more unit, at each step to `deepest`."""
    unit: UnitSearch

    @property
    def domains_beside(self) -> tuple[Domain, ...]:
        """The domains that move together with the one asked about."""
        return tuple(code for code in self.domains if code != self.question.domain)

    @property
    def has_evidence(self) -> bool:
        """Whether there are results enough to compute chances from."""
        return is_informative(self.fit)

    @property
    def level(self) -> Level:
        """Whose units the chances are computed from."""
        return level_of(self.fit) if self.has_evidence else Level.NONE

    @property
    def proposed(self) -> NextRun | None:
        """The run to do next, None where the search has ended or stock itself failed."""
        return None if self.own.has_failed_at_stock else self.unit.next_run()

    @property
    def stop(self) -> Stop | None:
        """Why the search ends in its bracket, None where it goes on."""
        return self.unit.plan.stop_in(*self.unit.bracket)

    def value_to_enter(self, run: NextRun) -> int:
        """The whole number of mV or counts below stock that a person types for a run.

        A confirmation has the number that passed: rounded anew it would be another setting.
        """
        if not run.is_confirmation:
            return self.found.grid.enter(run.steps)
        return floor(max(one.below_stock for one in self.own.used if one.is_stable))

    def after(self, outcome: str) -> "SearchState | None":
        """The state after the next run, at the number that is entered; None without one."""
        proposed, grid = self.proposed, self.found.grid
        if proposed is None:
            return None
        run = OwnRun(
            place=len(self.search.trials),
            below_stock=float(self.value_to_enter(proposed)),
            is_stable=outcome == "stable",
            minutes=proposed.minutes,
        )
        return self.with_runs(merge_runs([*self.own.used, run], grid))

    def with_runs(self, own: OwnRuns) -> "SearchState":
        """The state of the same search with these runs of the unit."""
        runs = _runs_of(own, self.found.grid, self.search.trial_minutes, self.domains)
        bracket = own.stable_steps, own.unstable_steps
        return replace(self, own=own, unit=search_unit(self.mass, self.terms, bracket, runs))


def _runs_of(
    own: OwnRuns, grid: Grid, trial_minutes: float, domains: tuple[Domain, ...]
) -> list[Run]:
    """The runs of a unit in grid steps, with the minutes for which they show a limit."""
    runs = []
    for run in own.used:
        minutes = trial_minutes if run.minutes is None else run.minutes
        loaded = None if run.load is None else _LIGHT_LOADS.get(run.load)
        if loaded is not None and not loaded & set(domains):
            minutes *= LIGHT_LOAD
        steps = grid.stable_steps(run.below_stock)
        if not run.is_stable:
            steps = max(grid.unstable_steps(run.below_stock), own.stable_steps + 1)
        runs.append(Run(steps, minutes, run.is_stable))
    return runs


def search_state(
    question: Question,
    search: Search,
    found: EvidenceFound,
    fitted: StartFit | None = None,
    start_steps: int | None = None,
) -> SearchState:
    """The state of a search, from the fit that is given or else from that of its evidence.

    `start_steps` is where to begin, unless that is the start of the fit.

    Raises
    ------
    DocumentRefused
        When the trials or the terms are impossible with the control of the evidence.
    """
    control, grid = found.control, found.grid
    domains = _domains(question, found)
    own = find_own_runs(search.trials, search.setting(control, domains), grid)
    check_time("own runs")
    if fitted is None:
        fit = fit_own_pool(found.intervals, found.siblings, float(grid.step), SCALES[control])
        check_time("fit")
        start = suggested_start(fit, grid, DEFAULT_SHARE, DEFAULT_CONFIDENCE, found.guard)
    else:
        fit, start = fitted.pool, fitted.answer
    deepest = _deepest_steps(search, control, domains, grid)
    mass = _mass(fit, deepest, control, grid)
    if start_steps is None:
        start_steps = start.steps if isinstance(start, Start) else 0
    terms = _terms(search, control, grid, start_steps)
    if not is_informative(fit):
        terms = _careful(terms, mass, control, grid)
    runs = _runs_of(own, grid, search.trial_minutes, domains)
    unit = search_unit(mass, terms, (own.stable_steps, own.unstable_steps), runs)
    return SearchState(question, search, found, domains, own, fit, terms, deepest, mass, unit)


def _domains(question: Question, found: EvidenceFound) -> tuple[Domain, ...]:
    others = found.domains_beside(question.domain) if found.pool else question.moved_with or ()
    return tuple(code for code in DOMAINS if code == question.domain or code in others)


def _mass(fit: PoolFit, deepest: int, control: LimitControl, grid: Grid) -> Vector:
    if deepest == 0:
        return np.ones(1)
    if is_informative(fit):
        return limit_chances(fit, deepest)
    return weak_limit_chances(SCALES[control], float(grid.step), deepest)


def _careful(terms: SearchTerms, mass: Vector, control: LimitControl, grid: Grid) -> SearchTerms:
    """The terms where nothing is known of a chip: no long steps to where chips are known to fail.

    A coarser resolution would only end the search earlier, at the risk of its first long step.
    """
    coarsest = ceil(_exact(USUAL_WIDTHS[control].careful) / grid.step)
    return replace(
        terms,
        resolution_steps=min(terms.resolution_steps, max(coarsest, terms.least_gain_steps)),
        careful_from_steps=int(np.searchsorted(np.cumsum(mass) - mass, _CAREFUL_FROM)),
    )


def _resolution(search: Search, control: LimitControl) -> float:
    """How finely the limit is wanted, in the control's unit."""
    wanted = search.resolution_counts if control == "count_offset" else search.resolution_mv
    return USUAL_WIDTHS[control].resolution if wanted is None else float(wanted)


def max_step_of(search: Search, control: LimitControl) -> float:
    """The largest distance of a proposed setting below the deepest pass, in the control's unit."""
    return USUAL_WIDTHS[control].max_step if search.max_step is None else search.max_step


def _terms(search: Search, control: LimitControl, grid: Grid, start: int) -> SearchTerms:
    """The terms of a search in whole grid steps.

    Raises
    ------
    DocumentRefused
        When a width has the unit of another control, or `max_step` is below the resolution.
    """
    _require_unit(search, control)
    wanted, farthest = _resolution(search, control), max_step_of(search, control)
    max_step = floor(_exact(farthest) / grid.step)
    if farthest < wanted or max_step < grid.least_gain():
        raise DocumentRefused(problems=[Problem("/max_step", "invalid", _STEP_TOO_SHORT)])
    # Rounded up: two settings a resolution apart often lie that many steps and a part apart.
    resolution = min(max(grid.least_gain(), ceil(_exact(wanted) / grid.step)), max_step)
    return SearchTerms(
        trial_minutes=search.trial_minutes,
        failure_minutes=search.failure_minutes,
        resolution_steps=resolution,
        max_risk=search.max_risk,
        max_step_steps=max_step,
        start_steps=start,
        least_gain_steps=grid.least_gain(),
    )


def _require_unit(search: Search, control: LimitControl) -> None:
    in_counts = control == "count_offset"
    wrong, right = ("mv", "counts") if in_counts else ("counts", "mv")
    problems = []
    if getattr(search, f"resolution_{wrong}") is not None:
        problems.append(
            Problem(f"/resolution_{wrong}", "invalid", f"{control} wants resolution_{right}.")
        )
    farthest = USUAL_WIDTHS[control].farthest_step
    if search.max_step is not None and search.max_step > farthest:
        problems.append(Problem("/max_step", "invalid", f"At most {farthest:g} with {control}."))
    if problems:
        raise DocumentRefused(problems=problems)


def _deepest_steps(
    search: Search, control: LimitControl, domains: tuple[Domain, ...], grid: Grid
) -> int:
    """The deepest step that may be proposed: screening counts it on every one of the domains."""
    allowed = float(min(DEPTH_BOUNDS[control, domain].soft for domain in domains))
    if search.stock_mv is not None and control == "fixed_clock_voltage":
        allowed = min(allowed, search.stock_mv - FIXED_CLOCK_LEAST_MV)
    return max(floor(_exact(allowed) / grid.step), 0)


def rest_of_search(state: SearchState) -> SearchForecast | None:
    """What the rest of this search will take; None where it is not known."""
    if not state.has_evidence or state.own.has_failed_at_stock:
        return None
    return forecast_of(state, expected_of_plan(state.unit.plan, _errors(state)))


def fixed_step_search(state: SearchState) -> SearchForecast | None:
    """What a search by fixed steps would take; None where it is not known.

    Each of its settings is the grid step nearest to the number that is entered.
    """
    if not state.has_evidence or state.own.has_failed_at_stock:
        return None
    usual, grid, terms = USUAL_WIDTHS[state.found.control], state.found.grid, state.terms
    steps = (grid.stable_steps(width) for width in (usual.first, usual.step, usual.refine))
    first, step, refine = (max(1, one) for one in steps)
    search = FixedStepSearch(first, step, refine, state.deepest)
    minutes = terms.trial_minutes, terms.failure_minutes
    expected = expected_search(state.unit.plan.chances, search, *minutes, _errors(state))
    return forecast_of(state, expected)


def _errors(state: SearchState) -> RunErrors:
    return RunErrors.of_length(state.terms.trial_minutes)


@dataclass(frozen=True, slots=True)
class DepthLeft:
    """How much deeper the limit of a unit lies than its deepest pass, in mV or counts.

    `likely` is the median, `interval` holds 90 %. `bolder` is the search from here at the highest
    risk, None where that proposes nothing either.
    """

    likely: float
    interval: tuple[float, float]
    bolder: SearchState | None


def depth_left(state: SearchState) -> DepthLeft | None:
    """What is left where risk alone ends a search with evidence; None for every other end."""
    if state.stop is not Stop.TOO_RISKY or not state.has_evidence:
        return None
    if state.own.has_failed_at_stock:
        return None
    chances, grid = state.unit.plan.chances, state.found.grid
    reached = np.cumsum(chances.mass)
    tail = (1.0 - _INTERVAL) / 2.0
    shallow, likely, deep = (
        grid.below_stock(int(np.searchsorted(reached, level))) for level in (tail, 0.5, 1.0 - tail)
    )
    bolder = None
    if state.search.max_risk < MOST_RISK:
        terms = replace(state.terms, max_risk=MOST_RISK)
        bolder = replace(state, terms=terms).with_runs(state.own)
    is_on = bolder is not None and bolder.stop is None
    return DepthLeft(likely, (shallow, deep), bolder if is_on else None)


def forecast_of(state: SearchState, expected: ExpectedSearch) -> SearchForecast:
    """The expectations of a search, as an answer gives them."""
    return SearchForecast(
        trials=round(expected.trials, 2),
        failures=round(expected.failures, 2),
        minutes=round(expected.minutes, 1),
        stable_at=round(-expected.stable_steps * float(state.found.grid.step), 2) + 0.0,
    )


def _exact(width: float) -> Fraction:
    """The decimal that was sent, so that 0.3 is three tenths."""
    return Fraction(repr(float(width)))
