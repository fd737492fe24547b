"""It was stable and now it is not: what to find out first, what others saw, what to do."""

from dataclasses import dataclass
from typing import Final

from kbapi.advice.cautions import Caution, cautions_about_failure
from kbapi.advice.time_found import TimeFound, find_time, lasting_of
from kbapi.advice.time_told import (
    DriftSummary,
    RecommendedMargin,
    SurvivalShare,
    drift_told,
    lasted_told,
    settle_told,
)
from kbapi.advice.wording import diagnose as words
from kbapi.advice.wording.language import say
from kbapi.chips.chip import ChipSummary
from kbapi.evidence.changes import ChangeCompared, ChangesFound, compare_changes
from kbapi.evidence.diagnosis import Diagnosis, Told
from kbapi.stats.shares import ShareEstimate
from kbapi.storage.instance import Instance


@dataclass(frozen=True, slots=True)
class CheckFirst:
    """What to find out before anything else, and what each answer would mean."""

    code: str
    question: str
    your_answer: Told
    """What you said of it: yes, no or unknown."""
    if_yes: str
    if_no: str
    then: str
    """What follows from your answer."""


@dataclass(frozen=True, slots=True)
class UnitsWithOutcome:
    """Units with a change, or without it: how many failed later, how many had no trouble."""

    failed: int
    stable: int
    share_failed: float
    interval: tuple[float, float]
    confidence: float


@dataclass(frozen=True, slots=True)
class ChangeOutcome:
    """What others saw after a change, beside those who did not make it."""

    change: str
    is_yours: bool
    units_with_change: UnitsWithOutcome
    units_without_change: UnitsWithOutcome
    risk_ratio: float
    risk_ratio_lower: float
    """One-sided lower bound, 95 % for all changes here together; below 1 it may mean nothing."""


@dataclass(frozen=True, slots=True)
class CodedText:
    """A question or a step, with a code that never changes."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class StepBack:
    """By how much to go toward stock."""

    step: float
    """mV, or counts for count_offset."""
    setting: float | None
    """Never above stock; None where the setting was not told, or is an absolute voltage."""
    text: str


@dataclass(frozen=True, slots=True)
class DiagnosisAnswer:
    """The whole answer."""

    chip: ChipSummary
    domain: str
    control: str
    check_first: tuple[CheckFirst, ...]
    level: str
    """Whose follow-ups it stands on: chip, series where those are too few, none."""
    units: int
    after_changes: tuple[ChangeOutcome, ...]
    """The likeliest cause first: of the changes that were told, or of all where none was."""
    withheld_changes: int
    """Changes with fewer than five units on either side, which are not shown."""
    withheld_text: str | None
    """What is withheld, and how many more machines it takes; None where nothing is."""
    survival: SurvivalShare | None
    """Settings of others that were still stable after as many days."""
    drift: DriftSummary | None
    other_causes: tuple[CodedText, ...]
    """Physical explanations, as questions: reports can't tell them."""
    recommended_margin: RecommendedMargin
    step_back: StepBack | None
    """None where it fails at stock, or is not in effect."""
    about_failure: str | None
    next_actions: tuple[CodedText, ...]
    revision: str
    summary: str
    cautions: tuple[Caution, ...]


def diagnose(instance: Instance, asked: Diagnosis) -> DiagnosisAnswer:
    """What to find out, what others saw after the same changes, and what to do now.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    with instance.reading() as connection:
        found = find_time(connection, asked.chip, asked.domain, asked.control, instance.catalogue)
    changes = compare_changes(found.rows, asked.chip.key, asked.changed)
    return _answer(instance, asked, found, changes)


def _answer(
    instance: Instance, asked: Diagnosis, found: TimeFound, changes: ChangesFound
) -> DiagnosisAnswer:
    chip, control = asked.chip, asked.control
    evidence = lasting_of(found, chip, instance.catalogue)
    settle = settle_told(evidence, control)
    compared = changes.compared
    ranked = tuple(told for one in compared if (told := _after_change(one, asked)) is not None)
    return DiagnosisAnswer(
        chip=chip.summary,
        domain=asked.domain,
        control=control,
        check_first=_first_questions(asked),
        level=changes.level,
        units=changes.units,
        after_changes=ranked,
        withheld_changes=len(compared) - len(ranked),
        withheld_text=words.withheld_changes(len(compared) - len(ranked), changes.too_few),
        survival=None if asked.days is None else lasted_told(evidence, asked.days),
        drift=drift_told(found.drift, instance.catalogue.grid_for(chip, control), control),
        other_causes=_coded(words.OTHER_CAUSES, tuple(words.OTHER_CAUSES)),
        recommended_margin=settle,
        step_back=_step_back(asked, settle.margin),
        about_failure=_about(asked.failure),
        next_actions=_coded(words.TO_DO, _steps(asked)),
        revision=found.revision,
        summary=_summary(asked, ranked, changes.units),
        cautions=cautions_about_failure(
            asked.failure,
            is_graphics=chip.kind == "gpu",
            fails_at_stock=asked.fails_at_stock == "yes",
        ),
    )


def _about(failure: str | None) -> str | None:
    text = words.FAILURES.get(failure or "")
    return None if text is None else say(text)


def _first_questions(asked: Diagnosis) -> tuple[CheckFirst, ...]:
    told = {"fails_at_stock": asked.fails_at_stock, "in_effect": asked.in_effect}
    return tuple(
        CheckFirst(
            code=code,
            question=say(question),
            your_answer=told[code],
            if_yes=say(words.IF_YES[code]),
            if_no=say(words.IF_NO[code]),
            then=say(words.THEN[code, told[code]]),
        )
        for code, question in words.FIRST_QUESTIONS.items()
    )


def _after_change(one: ChangeCompared, asked: Diagnosis) -> ChangeOutcome | None:
    if one.lift is None:
        return None
    return ChangeOutcome(
        change=one.change,
        is_yours=one.change in asked.changed,
        units_with_change=_units_after(one.failed_with, one.kept_with, one.lift.with_it),
        units_without_change=_units_after(one.failed_without, one.kept_without, one.lift.without),
        risk_ratio=round(one.lift.ratio, 2),
        risk_ratio_lower=round(one.lift.at_least, 2),
    )


def _units_after(failed: int, kept: int, share: ShareEstimate) -> UnitsWithOutcome:
    interval = (round(share.low, 4), round(share.high, 4))
    return UnitsWithOutcome(failed, kept, round(share.share, 4), interval, share.confidence)


def _step_back(asked: Diagnosis, margin: float) -> StepBack | None:
    if asked.fails_at_stock == "yes" or asked.in_effect == "no":
        return None
    to = None
    if asked.setting is not None and asked.control != "fixed_clock_voltage":
        to = min(0.0, asked.setting + margin)
    return StepBack(margin, to, words.step_back_in_words(asked.control, margin, to))


_AT_STOCK: Final = ("save_and_check", "take_it_back", "ask_people")
_NOT_IN_EFFECT: Final = ("save_and_check", "take_it_back", "prove_stock", "ask_locks", "tell_it")
_USUAL: Final = (
    "save_and_check",
    "take_it_back",
    "prove_stock",
    "read_it_back",
    "same_load",
    "all_states",
    "stay_at_stock",
    "tell_it",
)


def _steps(asked: Diagnosis) -> tuple[str, ...]:
    if asked.fails_at_stock == "yes":
        return _AT_STOCK
    return _NOT_IN_EFFECT if asked.in_effect == "no" else _USUAL


def _coded(texts: dict[str, str], codes: tuple[str, ...]) -> tuple[CodedText, ...]:
    return tuple(CodedText(code, say(texts[code])) for code in codes)


def _summary(asked: Diagnosis, ranked: tuple[ChangeOutcome, ...], units: int) -> str:
    if asked.fails_at_stock == "yes":
        return words.stop()
    if asked.in_effect == "no":
        return words.not_in_effect()
    if not ranked or ranked[0].risk_ratio_lower <= 1:
        return words.nothing_stands_out(units)
    first = ranked[0]
    return words.most_likely(
        first.change,
        first.units_with_change.share_failed,
        first.units_without_change.share_failed,
        first.risk_ratio_lower,
    )
