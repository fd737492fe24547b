"""The next setting of a search, its chance to be stable, when to stop, what to use."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from itertools import product
from math import ceil, floor
from typing import Final, Literal

import orjson

from kbapi.advice.cautions import Caution, cautions_while_searching
from kbapi.advice.evidence_found import (
    EvidenceSummary,
    evidence_summary,
    find_evidence,
    load_standing_in,
    setting_of,
)
from kbapi.advice.next_step import text as next_step_text
from kbapi.advice.next_step.query import Search
from kbapi.advice.next_step.search import (
    SearchForecast,
    SearchState,
    depth_left,
    fixed_step_search,
    max_step_of,
    rest_of_search,
    search_state,
)
from kbapi.advice.phrases import amount_text, domains_text
from kbapi.advice.start.answer import LockSummary, advise_start, lock_summary
from kbapi.advice.start.no_start import WithoutControlCode, why_without_control
from kbapi.advice.start.query import DEFAULT_CONFIDENCE, DEFAULT_SHARE, Question
from kbapi.advice.start.text import factory_lead, lead, no_start_without_control
from kbapi.advice.stored_answers import revision_of
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipSummary
from kbapi.documents.reader import refusal_of
from kbapi.documents.refusal_rules import NOT_ON_THIS_CHIP
from kbapi.errors import Problem
from kbapi.evidence.longevity import load_recommended_margin
from kbapi.evidence.own_runs import UnusedTrialCode
from kbapi.evidence.units import EVERYTHING
from kbapi.instance.instance import Instance
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.search.next_step import Stop
from kbapi.stats.search.recommended_margin import (
    InUseReason,
    RecommendedMargin,
    SettingInUse,
    setting_in_use,
)
from kbapi.time_budget import check_time
from kbapi.vocabulary import OUTCOMES, Domain, LimitControl, MarginSource, Outcome

NoStepCode = Literal[
    "fails_at_stock",
    "bracketed",
    "too_risky",
    "deepest_allowed_reached",
    WithoutControlCode,
]
NextStepBasis = Literal["pool", "no_evidence"]
RunPurpose = Literal["search", "confirm"]


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
    """Chance that the limit of this unit lies at or beyond it, from the pool and your own trials,
    0 to 1; null without results."""
    minutes: float
    """How long to run it, in minutes."""
    purpose: RunPurpose
    """What the run is for: `search`, or `confirm` for the long run at the deepest pass that ends a
    search."""


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
class RecommendedInUse:
    """The setting to use from day to day if the search ended now."""

    setting: GridSetting | None
    """The setting; null for stock."""
    margin: float
    """Distance from the deepest setting that passed, in mV or counts, positive is toward stock."""
    reason: InUseReason
    """Why this margin. `usual_margin`: too few follow-ups show another. `wider_margin`: follow-ups
    rule the usual one out. `survival`: the deepest setting expected to stay stable on 95 % of
    machines for 90 days. `half_of_proven`: half of the deepest pass, where the others are
    shallower."""
    text: str
    """The recommendation with its reason."""


@dataclass(frozen=True, slots=True)
class GoingOn:
    """What is probably left where risk ends a search, and what going on would take."""

    left: float
    """How much deeper the limit lies than the deepest pass, in mV or counts: half of such units
    have more."""
    interval: tuple[float, float]
    """Interval of `left` that holds 90 % of such units: lower end, upper end. It ends at the
    deepest setting that is ever proposed."""
    max_risk: float | None
    """The highest `max_risk`, with which the search would go on; null where it would not."""
    next_step: ProposedSetting | None
    """The setting to try then; null where the search would not go on."""
    expected_search: SearchForecast | None
    """What the rest of the search would take then; null where it would not go on."""
    text: str
    """What is left, and what going on would take."""


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
    """Whose units the chances are computed from: `chip`, `series`, `line`, `all_chips` of the same
    kind, or `none`."""
    own_bracket: OwnBracket
    """What your own trials say of the limit of this unit."""
    unused_trials: tuple[UnusedTrial, ...]
    """Trials that say nothing about this limit, each with its reason."""
    next_step: ProposedSetting | None
    """The setting to try next; null where the search ends, `reason` says why."""
    reason: NoStepReason | None
    """Why no further setting is proposed; null where one is."""
    going_on: GoingOn | None
    """What is left, and what going on at the highest risk would take; null unless `max_risk` ends
    the search."""
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


_CODES: Final[dict[Stop, NoStepCode]] = {
    Stop.BRACKETED: "bracketed",
    Stop.TOO_RISKY: "too_risky",
    Stop.DEEPEST_ALLOWED_REACHED: "deepest_allowed_reached",
}
_OUTCOMES_AHEAD: Final = [one for trials in (1, 2) for one in product(OUTCOMES, repeat=trials)]


def advise_next_step(instance: Instance, search: Search) -> NextStepAnswer:
    """The setting to try next, or why there is none, and the setting to use from day to day.

    The setting to use is learned from follow-ups of the series. With too few of them it is 10 mV
    or 2 counts short of the deepest pass.

    Raises
    ------
    DocumentRefused
        When the trials or the terms are impossible with the control of the evidence.
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    catalogue = instance.catalogue
    question = _question(search, catalogue)
    with instance.reading() as connection:
        found = find_evidence(connection, question, instance, is_delayed=True, memory=instance.lent)
        margin = load_recommended_margin(
            connection,
            question.chip,
            question.domain,
            found.control,
            catalogue,
            load_standing_in(connection, instance),
        )
    check_time("reading of evidence")
    if any(absent.is_certain for absent in found.absences):
        raise refusal_of(
            Problem("/control", NOT_ON_THIS_CHIP, absent.text) for absent in found.absences
        )
    start_steps = None if search.trials else _usual_start(instance, question)
    state = search_state(question, search, found, start_steps=start_steps)
    answer = _next_step_answer(state, margin, catalogue)
    check_time("answer")
    return replace(answer, evidence=replace(answer.evidence, revision=revision_of(answer)))


def _usual_start(instance: Instance, question: Question) -> int:
    """The start that the usual answer names, in grid steps; 0 where it names none.

    That answer counts results at once that wait elsewhere. A search must not begin at another
    setting than the one that a person has just read.
    """
    start = orjson.loads(advise_start(instance, question).body)["start"]
    return 0 if start is None else int(start["grid_steps"])


def _question(search: Search, catalogue: Catalogue) -> Question:
    """The question about the start of this search."""
    domain = search.domain or catalogue.usual_domain(search.chip)
    others = search.moved_with
    return Question(
        chip=search.chip,
        domain=domain,
        control=search.control,
        moved_with=None if others is None else tuple(one for one in others if one != domain),
        clock_mhz=search.clock_mhz,
        stable_share=DEFAULT_SHARE,
        confidence=DEFAULT_CONFIDENCE,
        detail="start",
        filters=EVERYTHING,
    )


def _next_step_answer(
    state: SearchState, margin: RecommendedMargin, catalogue: Catalogue
) -> NextStepAnswer:
    question, found = state.question, state.found
    check_time("plan of the search")
    proposed = _proposed_setting(state)
    in_use = _in_use(state, margin, () if proposed else None)
    return NextStepAnswer(
        chip=question.chip.summary,
        domain=question.domain,
        control=found.control,
        moved_with=state.domains_beside,
        clock_band_mhz=found.clock_band_mhz,
        locks=lock_summary(found),
        basis="pool" if state.has_evidence else "no_evidence",
        level=state.level,
        own_bracket=_own_bracket(state),
        unused_trials=_unused_trials(state),
        next_step=proposed,
        reason=None if proposed else _reason(state),
        going_on=_going_on(state),
        recommended_in_use=in_use,
        margin_source="learned" if in_use.reason is InUseReason.SURVIVAL else margin.source,
        expected_search=rest_of_search(state),
        fixed_step_search=fixed_step_search(state),
        fixed_step_search_text=next_step_text.fixed_step_search(),
        plan=tuple(_plan_steps(state, margin)) if proposed else (),
        domain_order=_domain_order(state, catalogue),
        resolution=_resolution(state),
        max_risk=state.search.max_risk,
        max_step=max_step_of(state.search, found.control),
        stop_rules=next_step_text.stop_rules(),
        evidence=_evidence(state),
        summary=_summary(state, proposed, in_use),
        cautions=cautions_while_searching(
            question, found.control, fails_at_stock=state.own.has_failed_at_stock
        ),
    )


def _evidence(state: SearchState) -> EvidenceSummary:
    fit = state.fit
    borrowed = fit.prior.borrowed_units if state.level is not Level.CHIP else 0.0
    return evidence_summary(state.found, borrowed, fit.agreement, fit.optimality_gap)


def _setting(state: SearchState, steps: int) -> GridSetting:
    control, grid = state.found.control, state.found.grid
    setting = setting_of(control, grid, steps)
    in_counts = control == "count_offset"
    stock_mv = state.search.stock_mv if control == "fixed_clock_voltage" else None
    return GridSetting(
        setting_mv=None if in_counts else setting,
        setting_counts=int(setting) if in_counts else None,
        grid_steps=steps,
        value_to_enter=-grid.enter(steps),
        at_clock_mv=None if stock_mv is None else round(stock_mv + setting, 2),
    )


def _proposed_setting(state: SearchState) -> ProposedSetting | None:
    """The setting to run next; None where the search ends, or stock itself fails."""
    run = state.proposed
    if run is None or _is_ruled_out(state):
        return None
    setting = replace(_setting(state, run.steps), value_to_enter=-state.value_to_enter(run))
    return ProposedSetting(
        **asdict(setting),
        chance_stable=round(run.chance_stable, 4) if state.has_evidence else None,
        minutes=run.minutes,
        purpose="confirm" if run.is_confirmation else "search",
    )


def _is_ruled_out(state: SearchState) -> bool:
    """Whether the control is locked, or no source and no result names it; own trials overrule it.

    The trials of a person with an open machine may be all that shows that it is open.
    """
    found, has_moved_it = state.found, state.own.passes + state.own.failures > 0
    is_unknown = found.is_ruled_out and not state.has_evidence
    return not has_moved_it and (found.locked_by is not None or is_unknown)


def _own_bracket(state: SearchState) -> OwnBracket:
    """The bracket, with the numbers that were entered: rounded anew they would be others."""
    own = state.own
    has_limit = own.unstable_steps < NEVER_FAILED and not own.has_failed_at_stock
    passed = [run.below_stock for run in own.used if run.is_stable]
    failed = [run.below_stock for run in own.used if not run.is_stable]
    stable = _setting(state, own.stable_steps) if own.stable_steps else None
    unstable = _setting(state, own.unstable_steps) if has_limit else None
    return OwnBracket(
        stable=stable and replace(stable, value_to_enter=-floor(max(passed))),
        unstable=unstable and replace(unstable, value_to_enter=-ceil(min(failed))),
        passes=own.passes,
        failures=own.failures,
    )


def _unused_trials(state: SearchState) -> tuple[UnusedTrial, ...]:
    return tuple(
        UnusedTrial(run.place, run.code, next_step_text.why_unused(run.code, run.place))
        for run in state.own.unused
    )


def _reason(state: SearchState) -> NoStepReason:
    """Why no setting is proposed in the bracket that the trials leave."""
    if state.own.has_failed_at_stock:
        return NoStepReason("fails_at_stock", next_step_text.fails_at_stock())
    without = why_without_control(state.question, state.found) if _is_ruled_out(state) else None
    if without is not None:
        return NoStepReason(without.code, without.text)
    stop = state.stop or Stop.BRACKETED
    resolution = amount_text(state.found.control, _resolution(state))
    text = next_step_text.why_stopped(stop, resolution, state.search.max_risk)
    if not state.own.failures:
        text = f"{next_step_text.without_failure()} {text}"
    return NoStepReason(_CODES[stop], text)


def _going_on(state: SearchState) -> GoingOn | None:
    """What is left where risk ends the search, and what going on would take."""
    left = None if _is_ruled_out(state) else depth_left(state)
    if left is None:
        return None
    control, bolder = state.found.control, left.bolder
    text = next_step_text.what_is_left(control, left.likely, left.interval)
    if bolder is None:
        text += next_step_text.nothing_bolder()
        return GoingOn(left.likely, left.interval, None, None, None, text)
    forecast = rest_of_search(bolder)
    if forecast is not None:
        text += " " + next_step_text.what_going_on_takes(
            control,
            bolder.terms.max_risk,
            (forecast.trials, forecast.failures, forecast.minutes),
            forecast.stable_at,
        )
    return GoingOn(
        left=left.likely,
        interval=left.interval,
        max_risk=bolder.terms.max_risk,
        next_step=_proposed_setting(bolder),
        expected_search=forecast,
        text=text,
    )


def _resolution(state: SearchState) -> float:
    """The width at which a bracket is fine enough: whole steps, in the control's unit."""
    return state.found.grid.below_stock(state.terms.resolution_steps)


def _in_use(
    state: SearchState, margin: RecommendedMargin, after: tuple[str, ...] | None
) -> RecommendedInUse:
    """The setting to use with this deepest pass; stock where it rounds to 0.

    `after` are the outcomes that the search would end with, None where it is over.
    """
    control, grid = state.found.control, state.found.grid
    found = setting_in_use(state.unit.plan.chances, margin, grid)
    if state.own.has_failed_at_stock:
        found = SettingInUse(0, InUseReason.USUAL_MARGIN, None)
    setting = _setting(state, found.steps) if grid.enter(found.steps) else None
    kept = grid.below_stock(max(state.own.stable_steps - found.steps, 0))
    is_fixed = found.reason is InUseReason.USUAL_MARGIN or (
        found.reason is InUseReason.WIDER_MARGIN and found.steps > 0
    )
    width = margin.margin if is_fixed else kept
    text = next_step_text.in_use_text(
        control,
        setting.value_to_enter if setting else None,
        amount_text(control, round(width)),
        found.reason,
        after,
    )
    return RecommendedInUse(setting, width, found.reason, text)


def _plan_steps(state: SearchState, margin: RecommendedMargin) -> Iterator[PlanStep]:
    """What to do after each way in which the next one or two trials can end."""
    reached: dict[tuple[Outcome, ...], SearchState | None] = {(): state}
    for outcomes in _OUTCOMES_AHEAD:
        before = reached[outcomes[:-1]]
        then = reached[outcomes] = before and before.after(outcomes[-1])
        if then is None:
            continue
        proposed = _proposed_setting(then)
        text = next_step_text.plan_text(
            outcomes,
            state.found.control,
            None if proposed is None else (proposed.value_to_enter, proposed.minutes),
            proposed.chance_stable if proposed and proposed.purpose == "search" else None,
            is_confirmation=proposed is not None and proposed.purpose == "confirm",
        )
        yield PlanStep(outcomes, proposed, _in_use(then, margin, outcomes), text)


def _domain_order(state: SearchState, catalogue: Catalogue) -> tuple[DomainGroup, ...]:
    """The chip's domains in catalogue order, those that move together as one group."""
    described, together = catalogue.describe(state.question.chip), tuple(state.domains)
    known = described.domains
    if state.found.pool is None:
        # No result says what moved with it: then the supply that the domains share decides.
        shared = (group for group in described.moves_together if together[0] in group)
        together = tuple(dict.fromkeys((*together, *next(shared, ()))))
    others = [group for group in described.moves_together if not set(group) & set(together)]

    def group_of(code: Domain) -> tuple[Domain, ...]:
        return next((group for group in (together, *others) if code in group), (code,))

    groups = {group_of(code): None for code in dict.fromkeys((*known, *together))}
    moved = state.search.domains_in_force
    return tuple(
        DomainGroup(
            domains=tuple(group),
            is_requested=state.question.domain in group,
            has_been_moved=bool(moved & set(group)),
        )
        for group in groups
    )


def _summary(state: SearchState, proposed: ProposedSetting | None, in_use: RecommendedInUse) -> str:
    control = state.found.control
    if proposed is None:
        if state.own.has_failed_at_stock:
            return next_step_text.summary_at_stock()
        if _is_ruled_out(state):
            factory = factory_lead(state.found.factory_lock)
            return factory + no_start_without_control(state.found.locked_by)
        setting, left = in_use.setting, depth_left(state)
        return next_step_text.summary_at_the_end(
            control,
            setting.value_to_enter if setting else None,
            left.likely if left is not None and left.bolder is not None else None,
        )
    domains = domains_text(state.question.domain, state.domains_beside)
    if proposed.purpose == "confirm":
        return next_step_text.confirm_text(
            control, proposed.value_to_enter, domains, proposed.minutes
        )
    step = next_step_text.try_text(control, proposed.value_to_enter, domains)
    chance = proposed.chance_stable
    basis = (
        next_step_text.without_evidence()
        if chance is None
        else next_step_text.chance_of_pass(chance, of_all_chips=state.level is Level.ALL_CHIPS)
    )
    absence = state.found.absence_text
    return f"{_lock_lead(state)}{step} {basis}" + (f" {absence}" if absence else "")


def _lock_lead(state: SearchState) -> str:
    """What a summary begins with where the control may be locked; empty once a trial failed."""
    found, own = state.found, state.own
    if own.failures or (own.passes and found.locked_by is None):
        return ""
    first = lead(found.factory_lock, found.locks, 0 if found.own is None else found.own.units)
    return first + next_step_text.passes_prove_nothing() if own.passes else first
