"""The answer of a next step as it is sent, and what is known before it is computed."""

from dataclasses import dataclass
from typing import Literal

from kbapi.advice.cautions import Caution
from kbapi.advice.evidence_found import EvidenceFound, EvidenceSummary, moved_with, setting_of
from kbapi.advice.next_step.query import Search
from kbapi.advice.next_step.terms import careful_gain, deepest_steps, terms_of
from kbapi.advice.start.answer import LockSummary
from kbapi.advice.start.query import DEFAULT_CONFIDENCE, DEFAULT_SHARE, Question
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipSummary
from kbapi.evidence.own_runs import OwnRuns, UnusedTrialCode, find_own_runs
from kbapi.evidence.pools import SCALES
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import Grid
from kbapi.stats.search.chances import chances_of_unit, limit_chances
from kbapi.stats.search.next_step import CarefulPlan, SearchPlan, SearchTerms, Stop, plan_search
from kbapi.stats.start.pool import PoolFit, fit_pool
from kbapi.stats.start.start import depth_in_reach, says_something
from kbapi.vocabulary import DOMAINS, Domain, LimitControl, MarginSource, Outcome

NoStepCode = Literal["fails_at_stock", "bracketed", "too_risky", "deepest_allowed_reached"]
NextStepBasis = Literal["pool", "no_evidence"]


@dataclass(frozen=True, slots=True)
class GridSetting:
    """One setting on the control's grid, and what a person enters for it."""

    setting_mv: float | None
    """The setting in mV with two decimals, negative is lower; for fixed_clock_voltage it is below
    the unit's own stock voltage; null for count_offset."""
    setting_counts: int | None
    """The setting in counts, negative is lower; null except for count_offset."""
    grid_steps: int
    """The setting as grid steps below stock."""
    value_to_enter: int
    """Whole number of mV or counts, rounded toward stock; negative is lower. For
    fixed_clock_voltage it is the distance below your own stock voltage at that clock."""
    at_clock_mv: float | None
    """The absolute voltage in mV, with fixed_clock_voltage; else null."""


@dataclass(frozen=True, slots=True)
class ProposedSetting(GridSetting):
    """The setting to try next."""

    chance_stable: float | None
    """Chance that it passes, from the pool and your own trials, 0 to 1; null without results."""


@dataclass(frozen=True, slots=True)
class NoStepReason:
    """Why no further setting is proposed."""

    code: NoStepCode
    """The reason as a code that never changes."""
    text: str
    """The reason in one sentence."""


@dataclass(frozen=True, slots=True)
class OwnBracket:
    """What your own trials say of the limit of this unit."""

    stable: GridSetting | None
    """The deepest setting that passed, short of every failure; null for stock."""
    unstable: GridSetting | None
    """The shallowest setting that failed; null where none did."""
    passes: int
    """Number of trials that passed and count."""
    failures: int
    """Number of trials that failed and count."""


@dataclass(frozen=True, slots=True)
class UnusedTrial:
    """A trial that says nothing about the limit that is searched for."""

    trial: int
    """Its index in `trials` of the request, from 0."""
    code: UnusedTrialCode
    """The reason as a code that never changes."""
    text: str
    """The reason in one sentence."""


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


@dataclass(frozen=True, slots=True)
class RecommendedInUse:
    """The setting to use from day to day if the search ended now."""

    setting: GridSetting | None
    """The setting; null for stock."""
    margin: float
    """Distance from the deepest setting that passed, in mV or counts, positive is toward stock."""
    text: str
    """The recommendation in one sentence."""


@dataclass(frozen=True, slots=True)
class PlanStep:
    """What to do after the next trials end in one way."""

    outcomes: tuple[Outcome, ...]
    """How the next one or two trials ended, in order."""
    next_step: ProposedSetting | None
    """The setting to try then; null where the search ends."""
    recommended_in_use: RecommendedInUse
    """The setting to use from day to day if the search ended then."""
    text: str
    """The plan in one sentence."""


@dataclass(frozen=True, slots=True)
class DomainGroup:
    """Domains that are moved together, in the order in which to search them."""

    domains: tuple[Domain, ...]
    """The domains of the group."""
    is_requested: bool
    """Whether the domain that was asked about is among them."""
    has_been_moved: bool
    """Whether any of the trials that were sent moved one of them."""


@dataclass(frozen=True, slots=True)
class NextStepAnswer:
    """The next setting to try in a search, with its risk, or the reason why there is none."""

    chip: ChipSummary
    """The chip that was asked about."""
    domain: Domain
    """The supply rail that was asked about."""
    control: LimitControl
    """The control that the answer is about: the one asked for, else the one with most results."""
    moved_with: tuple[Domain, ...]
    """Domains that move together with the one asked about; empty where it moves alone."""
    clock_band_mhz: int | None
    """Lower end of the clock band of the results in MHz, with fixed_clock_voltage; else null."""
    locks: LockSummary
    """Whether the control can be used on this chip."""
    basis: NextStepBasis
    """What the steps are computed from: `pool`, or `no_evidence` where steps are small and chances
    unknown."""
    level: Level
    """Whose units the chances are computed from: `chip`, `series`, `line` or `none`."""
    own_bracket: OwnBracket
    """What your own trials say of the limit of this unit."""
    unused_trials: tuple[UnusedTrial, ...]
    """Trials that say nothing about this limit, each with its reason."""
    next_step: ProposedSetting | None
    """The setting to try next; null where the search ends, `reason` says why."""
    reason: NoStepReason | None
    """Why no further setting is proposed; null where one is."""
    recommended_in_use: RecommendedInUse
    """The setting to use from day to day if the search ended now."""
    expected_search: SearchForecast | None
    """What the rest of this search will take; null where it is not known."""
    margin_source: MarginSource
    """Where the margin of `recommended_in_use` comes from."""
    fixed_step_search: SearchForecast | None
    """What a search by fixed steps would take from here; null where it is not known."""
    fixed_step_search_text: str
    """What a search by fixed steps is, in one sentence."""
    plan: tuple[PlanStep, ...]
    """What to do after each way in which the next one or two trials can end; empty at the end."""
    domain_order: tuple[DomainGroup, ...]
    """All domains of the chip in the order in which to search them, one group at a time."""
    resolution: float
    """How finely the limit is searched, in mV or counts, rounded up to whole grid steps."""
    max_risk: float
    """Highest chance of failure of a proposed setting, 0 to 1."""
    max_step: float
    """Farthest step beyond the deepest pass or the suggested start, in mV or counts."""
    stop_rules: tuple[str, ...]
    """When to stop a trial or the search, one sentence each."""
    evidence: EvidenceSummary
    """The evidence behind the answer."""
    summary: str
    """The answer in one or two sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""


@dataclass(frozen=True)
class SearchScene:
    """Everything that the parts of one answer are made from."""

    question: Question
    search: Search
    found: EvidenceFound
    control: LimitControl
    grid: Grid
    rails: tuple[Domain, ...]
    """Moved together, the one asked for among them, in their fixed order."""
    own: OwnRuns
    pool: PoolFit
    terms: SearchTerms
    deepest: int
    plan: SearchPlan | CarefulPlan

    @property
    def has_evidence(self) -> bool:
        """Whether anybody's results say where to go."""
        return says_something(self.pool)

    @property
    def bracket(self) -> tuple[int, int]:
        """What is known of the unit's limit, ended where nobody is sent any deeper."""
        if isinstance(self.plan, SearchPlan):
            return self.plan.chances.stable_steps, self.plan.chances.unstable_steps
        return self.own.stable_steps, self.own.unstable_steps

    def setting(self, steps: int) -> GridSetting:
        """A depth as a setting."""
        setting = setting_of(self.control, self.grid, steps)
        in_counts = self.control == "count_offset"
        stock_mv = self.search.stock_mv if self.control == "fixed_clock_voltage" else None
        return GridSetting(
            setting_mv=None if in_counts else setting,
            setting_counts=int(setting) if in_counts else None,
            grid_steps=steps,
            value_to_enter=-self.grid.enter(steps),
            at_clock_mv=None if stock_mv is None else round(stock_mv + setting, 2),
        )

    def next_in(self, stable: int, unstable: int) -> ProposedSetting | None:
        """What to try in a bracket; None where the search ends, or stock itself fails."""
        steps = self.plan.next_from(stable, unstable)
        if steps is None or self.own.has_failed_at_stock:
            return None
        chance = self.plan.chance_stable(steps, stable, unstable)
        told = self.setting(steps)
        return ProposedSetting(
            setting_mv=told.setting_mv,
            setting_counts=told.setting_counts,
            grid_steps=steps,
            value_to_enter=told.value_to_enter,
            at_clock_mv=told.at_clock_mv,
            chance_stable=None if chance is None else round(chance, 4),
        )

    def after(self, outcome: str, bracket: tuple[int, int]) -> tuple[int, int] | None:
        """The bracket that the next trial leaves, as it is typed; None where there is none."""
        stable, unstable = bracket
        steps = self.plan.next_from(stable, unstable)
        if steps is None:
            return None
        typed = self.grid.enter(steps)
        if outcome == "stable":
            return self.grid.stable_steps(typed), unstable
        return stable, max(self.grid.unstable_steps(typed), stable + 1)

    def stop_in(self, stable: int, unstable: int) -> Stop:
        """Why the search ends in a bracket in which it does."""
        return self.plan.stop_in(stable, unstable) or Stop.BRACKETED


def search_scene(
    question: Question,
    search: Search,
    found: EvidenceFound,
    control: LimitControl,
    catalogue: Catalogue,
) -> SearchScene:
    """Where a search stands.

    Raises
    ------
    DocumentRefused
        When the runs, or what is wished for, can't be right for this control.
    """
    grid = catalogue.grid_for(question.chip, control)
    rails = _rails(question, found)
    own = find_own_runs(search.trials, search.setting(control, rails), grid)
    pool = fit_pool(found.intervals, found.siblings, float(grid.step), SCALES[control])
    terms = terms_of(search, control, grid, _start_of(pool, found))
    deepest = deepest_steps(search, control, rails, grid)
    plan: SearchPlan | CarefulPlan
    if says_something(pool) and deepest > 0:
        limit_posterior = limit_chances(pool, deepest)
        chances = chances_of_unit(limit_posterior, own.stable_steps, own.unstable_steps)
        plan = plan_search(chances, terms)
    else:
        gain = careful_gain(control, grid, terms.resolution_steps)
        plan = CarefulPlan(gain, terms.resolution_steps, deepest)
    return SearchScene(
        question, search, found, control, grid, rails, own, pool, terms, deepest, plan
    )


def _rails(question: Question, found: EvidenceFound) -> tuple[Domain, ...]:
    others = moved_with(question, found) if found.pool else question.moved_with or ()
    return tuple(code for code in DOMAINS if code == question.domain or code in others)


def _start_of(pool: PoolFit, found: EvidenceFound) -> int:
    """The suggested start in steps, 0 where there is none."""
    if not says_something(pool):
        return 0
    stable_share_used = found.guard.stable_share_used(DEFAULT_SHARE)
    return max(0, depth_in_reach(pool, stable_share_used, DEFAULT_CONFIDENCE).shallow)
