"""The state of a search for the limit of one unit: bracket, plan, and terms in grid steps."""

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import Final

from kbapi.advice.evidence_found import EvidenceFound
from kbapi.advice.next_step.query import Search
from kbapi.advice.start.query import DEFAULT_CONFIDENCE, DEFAULT_SHARE, Question
from kbapi.bounds import DEPTH_BOUNDS, FIXED_CLOCK_LEAST_MV
from kbapi.errors import DocumentRefused, Problem
from kbapi.evidence.own_runs import OwnRuns, find_own_runs
from kbapi.evidence.pools import SCALES
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import Grid
from kbapi.stats.search.chances import chances_of_unit, limit_chances
from kbapi.stats.search.next_step import (
    CarefulPlan,
    ExpectedSearch,
    FixedStepSearch,
    SearchPlan,
    SearchTerms,
    expected_of_plan,
    expected_search,
    plan_search,
)
from kbapi.stats.start.pool import PoolFit, fit_pool
from kbapi.stats.start.start import depth_in_reach, is_informative, level_of
from kbapi.time_budget import check_time
from kbapi.vocabulary import DOMAINS, Domain, LimitControl


@dataclass(frozen=True, slots=True)
class UsualWidths:
    """The usual widths of a control, in its own unit."""

    resolution: float
    max_step: float
    farthest_step: float
    """No request may ask for more than this as `max_step`."""
    careful: float
    """The step where nothing is known of a chip."""
    first: float
    """Of the fixed-step search: its first setting, its step, and its finer step."""
    step: float
    refine: float


_IN_MV: Final = UsualWidths(5, 20, 40, 5, 50, 10, 5)
USUAL_WIDTHS: Final[dict[LimitControl, UsualWidths]] = {
    "voltage_offset": _IN_MV,
    "fixed_clock_voltage": _IN_MV,
    "count_offset": UsualWidths(1, 4, 8, 1, 10, 2, 1),
}
_STEP_TOO_SHORT: Final = (
    "A step must be allowed to reach the wanted resolution, and the next setting of the control."
)


@dataclass(frozen=True, slots=True)
class SearchForecast:
    """What a search will still take, on average."""

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
    plan: SearchPlan | CarefulPlan

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
    def bracket(self) -> tuple[int, int]:
        """The deepest pass and the shallowest failure in steps, no deeper than is proposed."""
        if isinstance(self.plan, SearchPlan):
            return self.plan.chances.stable_steps, self.plan.chances.unstable_steps
        return self.own.stable_steps, self.own.unstable_steps

    def bracket_after(self, outcome: str, bracket: tuple[int, int]) -> tuple[int, int] | None:
        """The bracket after the next trial, whose setting is entered rounded; None without one."""
        stable, unstable = bracket
        steps = self.plan.next_from(stable, unstable)
        if steps is None:
            return None
        grid = self.found.grid
        entered = grid.enter(steps)
        if outcome == "stable":
            return grid.stable_steps(entered), unstable
        return stable, max(grid.unstable_steps(entered), stable + 1)


def search_state(question: Question, search: Search, found: EvidenceFound) -> SearchState:
    """The state of a search.

    Raises
    ------
    DocumentRefused
        When the trials or the terms are impossible with the control of the evidence.
    """
    control, grid = found.control, found.grid
    domains = _domains(question, found)
    own = find_own_runs(search.trials, search.setting(control, domains), grid)
    check_time("own runs")
    fit = fit_pool(found.intervals, found.siblings, float(grid.step), SCALES[control])
    check_time("fit")
    terms = _terms(search, control, grid, _start_steps(fit, found))
    deepest = _deepest_steps(search, control, domains, grid)
    plan = _plan(fit, own, terms, deepest, control, grid)
    return SearchState(question, search, found, domains, own, fit, terms, deepest, plan)


def _domains(question: Question, found: EvidenceFound) -> tuple[Domain, ...]:
    others = found.domains_beside(question.domain) if found.pool else question.moved_with or ()
    return tuple(code for code in DOMAINS if code == question.domain or code in others)


def _start_steps(fit: PoolFit, found: EvidenceFound) -> int:
    """The suggested start in steps, 0 where there is none."""
    if not is_informative(fit):
        return 0
    stable_share_used = found.guard.stable_share_used(DEFAULT_SHARE, fit.own_units)
    return max(0, depth_in_reach(fit, stable_share_used, DEFAULT_CONFIDENCE).shallow)


def _plan(
    fit: PoolFit,
    own: OwnRuns,
    terms: SearchTerms,
    deepest: int,
    control: LimitControl,
    grid: Grid,
) -> SearchPlan | CarefulPlan:
    if is_informative(fit) and deepest > 0:
        chances = chances_of_unit(limit_chances(fit, deepest), own.stable_steps, own.unstable_steps)
        return plan_search(chances, terms)
    # Where nothing is known: the smallest step that can be entered, and no finer than wanted.
    smallest = max(grid.least_gain(), ceil(_exact(USUAL_WIDTHS[control].careful) / grid.step))
    gain = min(smallest, terms.resolution_steps)
    return CarefulPlan(gain, terms.resolution_steps, deepest)


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
    if not isinstance(state.plan, SearchPlan) or state.own.has_failed_at_stock:
        return None
    return _forecast(state, expected_of_plan(state.plan))


def fixed_step_search(state: SearchState) -> SearchForecast | None:
    """What a search by fixed steps would take; None where it is not known.

    Each of its settings is the grid step nearest to the number that is entered.
    """
    if not isinstance(state.plan, SearchPlan) or state.own.has_failed_at_stock:
        return None
    usual, grid, terms = USUAL_WIDTHS[state.found.control], state.found.grid, state.terms
    steps = (grid.stable_steps(width) for width in (usual.first, usual.step, usual.refine))
    first, step, refine = (max(1, one) for one in steps)
    search = FixedStepSearch(first, step, refine, state.deepest)
    expected = expected_search(
        state.plan.chances, search, terms.trial_minutes, terms.failure_minutes
    )
    return _forecast(state, expected)


def _forecast(state: SearchState, expected: ExpectedSearch) -> SearchForecast:
    return SearchForecast(
        trials=round(expected.trials, 2),
        failures=round(expected.failures, 2),
        minutes=round(expected.minutes, 1),
        stable_at=round(-expected.stable_steps * float(state.found.grid.step), 2) + 0.0,
    )


def in_use_steps(stable_steps: int, margin: float, grid: Grid) -> int:
    """The step to use from day to day: the deepest pass less the margin, or stock.

    >>> in_use_steps(84, 10.0, Grid(Fraction(125, 128))), in_use_steps(1, 2.0, Grid(Fraction(1)))
    (73, 0)
    """
    return max(0, stable_steps - ceil(_exact(margin) / grid.step))


def _exact(width: float) -> Fraction:
    """The decimal that was sent, so that 0.3 is three tenths."""
    return Fraction(repr(float(width)))
