"""The next setting of a search, its chance to be stable, when to stop, what to use."""

from collections.abc import Iterator
from itertools import product
from typing import Final

from kbapi.advice.cautions import cautions_while_searching
from kbapi.advice.chip_query import usual_domain
from kbapi.advice.evidence_found import control_of, evidence_summary, find_evidence
from kbapi.advice.next_step import text as next_step_text
from kbapi.advice.next_step.query import Search
from kbapi.advice.next_step.response import (
    DomainGroup,
    NextStepAnswer,
    NoStepCode,
    NoStepReason,
    OwnBracket,
    PlanStep,
    ProposedSetting,
    RecommendedInUse,
    SearchForecast,
    SearchScene,
    UnusedTrial,
    search_scene,
)
from kbapi.advice.next_step.terms import fixed_step_search, max_step_of, settle_steps
from kbapi.advice.phrases import amount_text, domains_text
from kbapi.advice.start.answer import locks_response
from kbapi.advice.start.query import DEFAULT_CONFIDENCE, DEFAULT_SHARE, Question
from kbapi.advice.start.text import lock_lead
from kbapi.chips.catalogue import Catalogue
from kbapi.evidence.longevity import load_recommended_margin
from kbapi.evidence.units import EVERYTHING
from kbapi.instance.instance import Instance
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.search.next_step import (
    ExpectedSearch,
    SearchPlan,
    Stop,
    expected_of_plan,
    expected_search,
)
from kbapi.stats.search.settle import RecommendedMargin
from kbapi.stats.start.start import level_of
from kbapi.vocabulary import OUTCOMES

_CODES: Final[dict[Stop, NoStepCode]] = {
    Stop.BRACKETED: "bracketed",
    Stop.TOO_RISKY: "too_risky",
    Stop.DEEPEST_ALLOWED_REACHED: "deepest_allowed_reached",
}
_LINES: Final = [line for depth in (1, 2) for line in product(OUTCOMES, repeat=depth)]


def next_step_answer(
    scene: SearchScene, catalogue: Catalogue, recommended_margin: RecommendedMargin
) -> NextStepAnswer:
    """The next setting, or why none, with what stands behind it and what comes after it.

    `recommended_margin` is how far to stay from the deepest pass.
    """
    question, search, control = scene.question, scene.search, scene.control
    margin = recommended_margin.margin
    following = scene.next_in(*scene.bracket)
    settle = _settle(scene, scene.own.stable_steps, margin, () if following else None)
    level = level_of(scene.pool) if scene.has_evidence else Level.NONE
    borrowed = scene.pool.prior.borrowed_units if level is not Level.CHIP else 0.0
    key = scene.found.pool.key if scene.found.pool else None
    return NextStepAnswer(
        chip=question.chip.summary,
        domain=question.domain,
        control=control,
        moved_with=tuple(code for code in scene.rails if code != question.domain),
        clock_band_mhz=key.clock_band_mhz or None if key else None,
        locks=locks_response(scene.found),
        basis="pool" if scene.has_evidence else "no_evidence",
        level=level,
        own_bracket=_own_response(scene),
        unused_trials=tuple(
            UnusedTrial(run.place, run.code, next_step_text.why_unused(run.code, run.place))
            for run in scene.own.unused
        ),
        next_step=following,
        reason=None if following else _reason(scene, *scene.bracket),
        recommended_in_use=settle,
        margin_source=recommended_margin.standing,
        expected_search=_expected(scene),
        fixed_step_search=_fixed_step_search(scene),
        fixed_step_search_text=next_step_text.fixed_step_search(),
        plan=tuple(_plan_lines(scene, margin)) if following else (),
        domain_order=_order(scene, catalogue),
        resolution=_resolution(scene),
        max_risk=search.max_risk,
        max_step=max_step_of(search, control),
        stop_rules=next_step_text.stop_rules(),
        evidence=evidence_summary(
            scene.found, borrowed, scene.pool.agreement, scene.pool.optimality_gap
        ),
        summary=_summary(scene, following, settle),
        cautions=cautions_while_searching(
            question, control, fails_at_stock=scene.own.has_failed_at_stock
        ),
    )


def _own_response(scene: SearchScene) -> OwnBracket:
    own = scene.own
    has_limit = own.unstable_steps < NEVER_FAILED and not own.has_failed_at_stock
    return OwnBracket(
        stable=scene.setting(own.stable_steps) if own.stable_steps else None,
        unstable=scene.setting(own.unstable_steps) if has_limit else None,
        passes=own.passes,
        failures=own.failures,
    )


def _reason(scene: SearchScene, stable: int, unstable: int) -> NoStepReason:
    if scene.own.has_failed_at_stock:
        return NoStepReason("fails_at_stock", next_step_text.fails_at_stock())
    stop = scene.stop_in(stable, unstable)
    resolution = amount_text(scene.control, _resolution(scene))
    return NoStepReason(
        _CODES[stop], next_step_text.why_stopped(stop, resolution, scene.search.max_risk)
    )


def _resolution(scene: SearchScene) -> float:
    """The width that is fine enough, in the control's unit: whole steps."""
    return scene.grid.below_stock(scene.terms.resolution_steps)


def _settle(
    scene: SearchScene, stable_steps: int, margin: float, after: tuple[str, ...] | None
) -> RecommendedInUse:
    """What to use below the deepest pass; stock where that is no step a person can type.

    `after` are the outcomes that the search would end with, None where it is over.
    """
    steps = 0 if scene.own.has_failed_at_stock else settle_steps(stable_steps, margin, scene.grid)
    at = scene.setting(steps) if scene.grid.enter(steps) else None
    width = amount_text(scene.control, margin)
    enter = at.value_to_enter if at else None
    if after is None:
        text = next_step_text.in_use_at_the_end(scene.control, enter, width)
    else:
        text = next_step_text.in_use_text(scene.control, enter, width, after)
    return RecommendedInUse(at, margin, text)


def _expected(scene: SearchScene) -> SearchForecast | None:
    if not isinstance(scene.plan, SearchPlan) or scene.own.has_failed_at_stock:
        return None
    return _told(scene, expected_of_plan(scene.plan))


def _fixed_step_search(scene: SearchScene) -> SearchForecast | None:
    if not isinstance(scene.plan, SearchPlan) or scene.own.has_failed_at_stock:
        return None
    search, terms = fixed_step_search(scene.control, scene.grid, scene.deepest), scene.terms
    expected = expected_search(
        scene.plan.chances, search, terms.trial_minutes, terms.failure_minutes
    )
    return _told(scene, expected)


def _told(scene: SearchScene, expected: ExpectedSearch) -> SearchForecast:
    return SearchForecast(
        trials=round(expected.trials, 2),
        failures=round(expected.failures, 2),
        minutes=round(expected.minutes, 1),
        stable_at=round(-expected.stable_steps * float(scene.grid.step), 2) + 0.0,
    )


def _plan_lines(scene: SearchScene, margin: float) -> Iterator[PlanStep]:
    """What comes after each way in which the next one or two trials can end."""
    for outcomes in _LINES:
        bracket: tuple[int, int] | None = scene.bracket
        for outcome in outcomes:
            bracket = bracket and scene.after(outcome, bracket)
        if bracket is not None:
            following = scene.next_in(*bracket)
            settle = _settle(scene, bracket[0], margin, outcomes)
            text = next_step_text.plan_text(
                outcomes,
                scene.control,
                following.value_to_enter if following else None,
                following.chance_stable if following else None,
            )
            yield PlanStep(outcomes, following, settle, text)


def _order(scene: SearchScene, catalogue: Catalogue) -> tuple[DomainGroup, ...]:
    """The chip's rails in catalogue order, those that move together as one group."""
    known = catalogue.domains_for(scene.question.chip)
    groups = {
        (scene.rails if code in scene.rails else (code,)): None
        for code in (*known, *(rail for rail in scene.rails if rail not in known))
    }
    moved = scene.search.domains_in_force
    return tuple(
        DomainGroup(
            domains=tuple(group),
            is_requested=scene.question.domain in group,
            has_been_moved=bool(moved & set(group)),
        )
        for group in groups
    )


def _summary(
    scene: SearchScene, following: ProposedSetting | None, settle: RecommendedInUse
) -> str:
    if following is None:
        if scene.own.has_failed_at_stock:
            return next_step_text.summary_at_stock()
        at = settle.setting
        return next_step_text.summary_at_the_end(scene.control, at.value_to_enter if at else None)
    others = tuple(code for code in scene.rails if code != scene.question.domain)
    step = next_step_text.try_text(
        scene.control, following.value_to_enter, domains_text(scene.question.domain, others)
    )
    chance = following.chance_stable
    basis = (
        next_step_text.without_evidence()
        if chance is None
        else next_step_text.chance_of_pass(chance)
    )
    locks, has_moved_it = scene.found.locks, scene.own.passes + scene.own.failures > 0
    lead = "" if locks is None or has_moved_it else lock_lead(locks.open.share)
    return f"{lead}{step} {basis}"


def advise_next_step(instance: Instance, search: Search) -> NextStepAnswer:
    """What to try next, or why nothing more, and where to settle.

    How far to stay from the deepest pass is learnt from follow-ups of the series, where these
    tell enough, else one step of 10 mV or 2 counts.

    Raises
    ------
    DocumentRefused
        When the runs, or what is wished for, can't be right for the control that was found.
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    question = question_of(search)
    with instance.reading() as connection:
        found = find_evidence(connection, question, instance)
        control = control_of(question, found, instance.catalogue)
        settle = load_recommended_margin(
            connection, question.chip, question.domain, control, instance.catalogue
        )
    scene = search_scene(question, search, found, control, instance.catalogue)
    return next_step_answer(scene, instance.catalogue, settle)


def question_of(search: Search) -> Question:
    """The question whose start the search begins from."""
    domain = search.domain or usual_domain(search.chip)
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
