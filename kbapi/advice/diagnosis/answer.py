"""Why a setting may no longer be stable: what to check first, likely causes, what to do."""

from dataclasses import dataclass, replace
from typing import Final

from kbapi.advice.cautions import Caution, cautions_about_failure
from kbapi.advice.diagnosis import text as diagnosis_text
from kbapi.advice.diagnosis.query import Diagnosis
from kbapi.advice.diagnosis.text import CheckFirstCode, NextActionCode, OtherCauseCode
from kbapi.advice.longevity.answer import (
    DriftSummary,
    LongevityFound,
    RecommendedMargin,
    SurvivalShare,
    drift_response,
    find_longevity,
    margin_response,
    survival_share,
)
from kbapi.advice.stored_answers import revision_of
from kbapi.chips.chip import ChipSummary
from kbapi.evidence.longevity import ChangeCompared, ChangesFound, compare_changes
from kbapi.instance.instance import Instance
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.locks.shares import ShareEstimate
from kbapi.time_budget import check_time
from kbapi.vocabulary import (
    FOLLOW_UP_CHANGES,
    Domain,
    FollowUpChange,
    LimitControl,
    YesNoUnknown,
)


@dataclass(frozen=True, slots=True)
class CheckFirst:
    """A question to answer before anything else, and what each answer means."""

    code: CheckFirstCode
    """The question as a code that never changes."""
    question: str
    """The question."""
    your_answer: YesNoUnknown
    """The answer that follows from your request."""
    if_yes: str
    """What it means if the answer is yes."""
    if_no: str
    """What it means if the answer is no."""
    then: str
    """What follows from your answer."""


@dataclass(frozen=True, slots=True)
class UnitsWithOutcome:
    """Units with a change, or without it: how many failed later and how many stayed stable."""

    failed: int
    """Number of units whose setting failed later."""
    stable: int
    """Number of units whose setting stayed stable."""
    share_failed: float
    """Share of these units that failed later, by weight, 0 to 1."""
    interval: tuple[float, float]
    """Interval of the failed share: lower end, upper end."""
    confidence: float
    """Two-sided confidence of the interval, 0 to 1."""


@dataclass(frozen=True, slots=True)
class ChangeOutcome:
    """What happened on other units after a change, compared with units without the change."""

    change: FollowUpChange
    """The change."""
    is_yours: bool
    """Whether you reported this change."""
    units_with_change: UnitsWithOutcome
    """Units on which this had changed."""
    units_without_change: UnitsWithOutcome
    """Units on which this had not changed."""
    is_by_memory: bool
    """Whether a unit reported this change without its day. People remember more changes after a
    failure."""
    risk_ratio: float
    """Failed share with the change over the failed share without it; above 1 is more failures."""
    risk_ratio_lower: float
    """One-sided lower bound of the ratio, 95 % for all changes together; below 1 the change may
    have no influence."""


@dataclass(frozen=True, slots=True)
class OtherCause:
    """A physical cause that reports cannot show, as a question."""

    code: OtherCauseCode
    """The cause as a code that never changes."""
    text: str
    """The question."""


@dataclass(frozen=True, slots=True)
class NextAction:
    """One thing to do now."""

    code: NextActionCode
    """The action as a code that never changes."""
    text: str
    """The action in one or two sentences."""


@dataclass(frozen=True, slots=True)
class StepBack:
    """How far to go back toward stock."""

    step: float
    """Size of the step in mV, or counts for count_offset; positive is toward stock."""
    setting: float | None
    """The setting after the step in mV or counts, negative is lower, never above stock; null for
    fixed_clock_voltage and where no setting was sent."""
    text: str
    """The step in one sentence."""


@dataclass(frozen=True, slots=True)
class DiagnosisAnswer:
    """Why a setting may no longer be stable, and what to do now."""

    chip: ChipSummary
    """The chip that was asked about."""
    domain: Domain
    """The supply rail that was asked about."""
    control: LimitControl
    """The control that was asked about."""
    check_first: tuple[CheckFirst, ...]
    """Questions to answer before anything else, in this order."""
    level: Level
    """Whose follow-ups were compared: `chip`, `series` where the chip has too few, or `none`."""
    units: int
    """Number of units whose follow-ups were compared."""
    after_changes: tuple[ChangeOutcome, ...]
    """What happened on other units after the changes that you reported, or after all kinds of
    change where you reported none; the likeliest cause first."""
    changes_outside: tuple[FollowUpChange, ...]
    """Your changes before the last good day or after the failure, which are not the cause."""
    withheld_changes: int
    """Number of changes with fewer than five contributors on either side, which are not shown."""
    withheld_text: str | None
    """What is withheld, and how many more machines it takes; null where nothing is."""
    survival: SurvivalShare | None
    """Share of other settings still stable after as many days; null where no days were sent or
    fewer than five contributors are known."""
    drift: DriftSummary | None
    """Drift of the chip's largest pool on this control; null where it has none."""
    other_causes: tuple[OtherCause, ...]
    """Physical causes that reports cannot show, as questions."""
    recommended_margin: RecommendedMargin
    """The margin to keep from the deepest setting that passed."""
    step_back: StepBack | None
    """How far to go back toward stock; null where it fails at stock or has no effect."""
    failure_meaning: str | None
    """What this kind of failure means; null where nothing is known about it."""
    next_actions: tuple[NextAction, ...]
    """What to do now, in this order."""
    revision: str
    """Value of the answer's ETag: it changes when the answer does."""
    summary: str
    """The answer in one or two sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""


def diagnose(instance: Instance, asked: Diagnosis) -> DiagnosisAnswer:
    """What to check first, what followed the same changes on other units, and what to do now.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    with instance.reading() as connection:
        found = find_longevity(connection, asked.chip, asked.domain, asked.control, instance)
    check_time("reading of evidence")
    changes = compare_changes(found.rows, asked.chip.key, found.evidence.known, asked.changed)
    if asked.changed_outside and not asked.changed:
        # Without any change of your own all kinds are compared; yours are known not to matter.
        changes = replace(changes, compared=())
    check_time("changes")
    answer = _diagnosis_answer(asked, found, changes)
    check_time("answer")
    return replace(answer, revision=revision_of(answer))


def _diagnosis_answer(
    asked: Diagnosis, found: LongevityFound, changes: ChangesFound
) -> DiagnosisAnswer:
    chip, days = asked.chip, asked.days
    margin = margin_response(found)
    outcomes = (_change_outcome(one, asked) for one in changes.compared)
    ranked = tuple(one for one in outcomes if one is not None)
    withheld = len(changes.compared) - len(ranked)
    return DiagnosisAnswer(
        chip=chip.summary,
        domain=asked.domain,
        control=asked.control,
        check_first=_check_first(asked),
        level=changes.level,
        units=changes.units,
        after_changes=ranked,
        changes_outside=tuple(
            change for change in FOLLOW_UP_CHANGES if change in asked.changed_outside
        ),
        withheld_changes=withheld,
        withheld_text=diagnosis_text.withheld_changes(withheld, changes.too_few),
        survival=None if days is None else survival_share(found.evidence, days),
        drift=drift_response(found),
        other_causes=tuple(
            OtherCause(code, text) for code, text in diagnosis_text.OTHER_CAUSES.items()
        ),
        recommended_margin=margin,
        step_back=_step_back(asked, margin.margin),
        failure_meaning=diagnosis_text.FAILURES.get(asked.failure or ""),
        next_actions=tuple(
            NextAction(code, diagnosis_text.NEXT_ACTIONS[code]) for code in _next_actions(asked)
        ),
        revision="",
        summary=_summary(asked, changes),
        cautions=cautions_about_failure(
            asked.failure,
            is_graphics=chip.kind == "gpu",
            fails_at_stock=asked.fails_at_stock == "yes",
        ),
    )


def _check_first(asked: Diagnosis) -> tuple[CheckFirst, ...]:
    answers: dict[CheckFirstCode, YesNoUnknown] = {
        "fails_at_stock": asked.fails_at_stock,
        "setting_in_effect": asked.in_effect,
    }
    return tuple(
        CheckFirst(
            code=code,
            question=question,
            your_answer=answers[code],
            if_yes=diagnosis_text.IF_YES[code],
            if_no=diagnosis_text.IF_NO[code],
            then=diagnosis_text.THEN[code, answers[code]],
        )
        for code, question in diagnosis_text.CHECK_FIRST.items()
    )


def _change_outcome(one: ChangeCompared, asked: Diagnosis) -> ChangeOutcome | None:
    if one.lift is None:
        return None
    return ChangeOutcome(
        change=one.change,
        is_yours=one.change in asked.changed,
        is_by_memory=one.is_by_memory,
        units_with_change=_outcome(one.failed_with, one.kept_with, one.lift.with_change),
        units_without_change=_outcome(
            one.failed_without, one.kept_without, one.lift.without_change
        ),
        risk_ratio=round(one.lift.ratio, 2),
        risk_ratio_lower=round(one.lift.lower, 2),
    )


def _outcome(failed: int, stable: int, share: ShareEstimate) -> UnitsWithOutcome:
    interval = (round(share.low, 4), round(share.high, 4))
    return UnitsWithOutcome(failed, stable, round(share.share, 4), interval, share.confidence)


def _step_back(asked: Diagnosis, margin: float) -> StepBack | None:
    if asked.fails_at_stock == "yes" or asked.in_effect == "no":
        return None
    to = None
    if asked.setting is not None and asked.control != "fixed_clock_voltage":
        to = min(0.0, asked.setting + margin)
    return StepBack(margin, to, diagnosis_text.step_back_text(asked.control, margin, to))


_AT_STOCK: Final[tuple[NextActionCode, ...]] = (
    "save_work_and_check_files",
    "return_to_stock",
    "ask_qualified_people",
)
_NOT_IN_EFFECT: Final[tuple[NextActionCode, ...]] = (
    "save_work_and_check_files",
    "return_to_stock",
    "test_stock",
    "check_lock_status",
    "send_follow_up",
)
_USUAL: Final[tuple[NextActionCode, ...]] = (
    "save_work_and_check_files",
    "return_to_stock",
    "test_stock",
    "read_setting_back",
    "find_days_of_changes",
    "test_failing_load",
    "test_every_state",
    "stay_at_stock",
    "send_follow_up",
)


def _next_actions(asked: Diagnosis) -> tuple[NextActionCode, ...]:
    if asked.fails_at_stock == "yes":
        return _AT_STOCK
    if asked.in_effect == "no":
        return _NOT_IN_EFFECT
    return tuple(
        code for code in _USUAL if code != "find_days_of_changes" or asked.changes_without_day
    )


def _summary(asked: Diagnosis, changes: ChangesFound) -> str:
    if asked.fails_at_stock == "yes":
        return diagnosis_text.stop()
    if asked.in_effect == "no":
        return diagnosis_text.not_in_effect()
    if asked.changed_outside and not asked.changed:
        return diagnosis_text.none_in_these_days()
    first = next((one for one in changes.compared if one.stands_out), None)
    if first is None or first.lift is None:
        return diagnosis_text.nothing_stands_out(changes.units)
    return diagnosis_text.most_likely(
        first.change,
        (first.failed_with, first.failed_with + first.kept_with),
        (first.failed_without, first.failed_without + first.kept_without),
        round(first.lift.lower, 2),
        is_by_memory=first.is_by_memory,
    )
