"""It was stable and now it is not: what to find out first, what others saw, what to do."""

from dataclasses import dataclass
from typing import Final

from kbapi.advice.cautions import Caution, cautions_about_time
from kbapi.advice.time_found import TimeFound, find_time, lasting_of
from kbapi.advice.time_told import (
    DriftTold,
    LastedTold,
    SettleTold,
    drift_told,
    lasted_told,
    settle_told,
)
from kbapi.advice.told import ChipAnswered
from kbapi.advice.wording import diagnose as words
from kbapi.advice.wording.language import say
from kbapi.evidence.changes import ChangeCompared, ChangesFound, compare_changes
from kbapi.evidence.diagnosis import Diagnosis, Told
from kbapi.stats.shares import ShareEstimate
from kbapi.storage.instance import Instance


@dataclass(frozen=True, slots=True)
class FirstQuestion:
    """What to find out before anything else, and what each answer would mean."""

    code: str
    question: str
    told: Told
    """What was told of it: yes, no or unknown."""
    if_yes: str
    if_no: str
    so: str
    """What follows from what was told."""


@dataclass(frozen=True, slots=True)
class UnitsAfter:
    """Units with a change, or without it: how many failed later, how many had no trouble."""

    failed: int
    kept: int
    share_failed: float
    interval: tuple[float, float]
    confidence: float


@dataclass(frozen=True, slots=True)
class AfterChange:
    """What others saw after a change, beside those who did not make it."""

    change: str
    is_yours: bool
    with_it: UnitsAfter
    without: UnitsAfter
    times_as_often: float
    at_least: float
    """One-sided lower bound, 95 % for all changes here together; below 1 it may mean nothing."""


@dataclass(frozen=True, slots=True)
class CodedText:
    """A question or a step, with a code that never changes."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class StepBack:
    """By how much to go toward stock."""

    by: float
    """mV, or counts for count_offset."""
    to: float | None
    """Never above stock; None where the setting was not told, or is an absolute voltage."""
    in_words: str


@dataclass(frozen=True, slots=True)
class DiagnosisAnswer:
    """The whole answer."""

    chip: ChipAnswered
    domain: str
    control: str
    first: tuple[FirstQuestion, ...]
    level: str
    """Whose follow-ups it stands on: chip, series where those are too few, none."""
    units: int
    after_changes: tuple[AfterChange, ...]
    """The likeliest cause first: of the changes that were told, or of all where none was."""
    withheld_changes: int
    """Changes with fewer than five units on either side, which are not shown."""
    others_after: LastedTold | None
    """Settings of others that were still stable after as many days."""
    drift: DriftTold | None
    could_also_be: tuple[CodedText, ...]
    """Physical explanations, as questions: reports can't tell them."""
    settle: SettleTold
    step_back: StepBack | None
    """None where it fails at stock, or is not in effect."""
    about_the_failure: str | None
    to_do: tuple[CodedText, ...]
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
        chip=ChipAnswered(chip.key, chip.name, chip.kind, chip.series, chip.line),
        domain=asked.domain,
        control=control,
        first=_first_questions(asked),
        level=changes.level,
        units=changes.units,
        after_changes=ranked,
        withheld_changes=len(compared) - len(ranked),
        others_after=None if asked.days is None else lasted_told(evidence, asked.days),
        drift=drift_told(found.drift, instance.catalogue.grid_for(chip, control), control),
        could_also_be=_coded(words.OTHER_CAUSES, tuple(words.OTHER_CAUSES)),
        settle=settle,
        step_back=_step_back(asked, settle.margin),
        about_the_failure=_about(asked.failure),
        to_do=_coded(words.TO_DO, _steps(asked)),
        revision=found.revision,
        summary=_summary(asked, ranked),
        cautions=cautions_about_time(),
    )


def _about(failure: str | None) -> str | None:
    text = words.FAILURES.get(failure or "")
    return None if text is None else say(text)


def _first_questions(asked: Diagnosis) -> tuple[FirstQuestion, ...]:
    told = {"fails_at_stock": asked.fails_at_stock, "in_effect": asked.in_effect}
    follows = {
        "yes": words.IF_YES,
        "no": words.IF_NO,
        "unknown": words.IF_UNKNOWN,
    }
    return tuple(
        FirstQuestion(
            code=code,
            question=say(question),
            told=told[code],
            if_yes=say(words.IF_YES[code]),
            if_no=say(words.IF_NO[code]),
            so=say(follows[told[code]][code]),
        )
        for code, question in words.FIRST_QUESTIONS.items()
    )


def _after_change(one: ChangeCompared, asked: Diagnosis) -> AfterChange | None:
    if one.lift is None:
        return None
    return AfterChange(
        change=one.change,
        is_yours=one.change in asked.changed,
        with_it=_units_after(one.failed_with, one.kept_with, one.lift.with_it),
        without=_units_after(one.failed_without, one.kept_without, one.lift.without),
        times_as_often=round(one.lift.ratio, 2),
        at_least=round(one.lift.at_least, 2),
    )


def _units_after(failed: int, kept: int, share: ShareEstimate) -> UnitsAfter:
    interval = (round(share.low, 4), round(share.high, 4))
    return UnitsAfter(failed, kept, round(share.share, 4), interval, share.confidence)


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


def _summary(asked: Diagnosis, ranked: tuple[AfterChange, ...]) -> str:
    if asked.fails_at_stock == "yes":
        return words.stop()
    if asked.in_effect == "no":
        return words.not_in_effect()
    if not ranked or ranked[0].at_least <= 1:
        return words.nothing_stands_out()
    first = ranked[0]
    return words.most_likely(
        first.change, first.with_it.share_failed, first.without.share_failed, first.at_least
    )
