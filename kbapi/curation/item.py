"""One setting for the decision of a curator: its document, its history, and its pool."""

from dataclasses import dataclass
from typing import Any, Literal

import orjson
from sqlalchemy import Connection

from kbapi.advice.cautions import Caution
from kbapi.advice.evidence_found import EvidenceFound, Percentile, find_evidence
from kbapi.advice.start.answer import StartAnswer, start_answer
from kbapi.advice.start.query import Question
from kbapi.chips.catalogue import Catalogue
from kbapi.curation.queue import ReviewedSetting, SettingReader
from kbapi.curation.starts import PoolName, StartOutcome, outcome_of, question_about
from kbapi.errors import SettingUnknown
from kbapi.instance.instance import Instance
from kbapi.intake.decision_reasons import DECISION_SENTENCES
from kbapi.intake.responses import Reason
from kbapi.storage.decisions import DecisionKept, find_setting_at, load_history
from kbapi.storage.pools import WhatIf
from kbapi.storage.results import StoredSubmission, load_submission
from kbapi.vocabulary import DecisionAction


@dataclass(frozen=True, slots=True)
class PastDecision:
    """One earlier decision about the setting."""

    decision: DecisionAction
    """`include`: counts. `exclude`: does not count for now. `invalidate`: cannot be right. `undo`:
    the rules decide again."""
    reason: Reason
    """The curator's reason."""
    day: str
    """Day of the decision, YYYY-MM-DD."""
    key: int | None
    """Number of the access key that made the decision; null for a command on the host's folder."""
    key_name: str
    """Name that the host gave the access key; empty if it has no name or there was no key."""


@dataclass(frozen=True, slots=True)
class PoolComparison:
    """The pool of the setting, and how the decision would change its start."""

    percentiles: tuple[Percentile, ...]
    """Percentiles of the limits in the pool without the setting; empty with too few results."""
    start_with: StartOutcome | None
    """The start if you include the setting; null if it has neither a pass nor a failure that can
    count."""
    start_without: StartOutcome
    """The start if you exclude the setting."""


@dataclass(frozen=True, slots=True)
class ReviewItem:
    """A setting with everything that a curator needs for a decision."""

    setting: ReviewedSetting
    """The setting as it is screened now."""
    document: dict[str, Any]
    """The whole result as it was sent, without its tokens."""
    history: tuple[PastDecision, ...]
    """Earlier decisions about this setting, oldest first."""
    pool: PoolComparison | None
    """The other results that it would be counted with; null if the chip's name is no longer
    recognised."""
    cautions: tuple[Caution, ...]
    """Cautions of the start without the setting; empty where `pool` is null."""


@dataclass(frozen=True, slots=True)
class _Context:
    """A setting with its document and history, and the evidence with and without it."""

    setting: ReviewedSetting
    stored: StoredSubmission
    history: tuple[PastDecision, ...]
    question: Question | None
    found_with: EvidenceFound | None
    found_without: EvidenceFound | None


def show_item(instance: Instance, public_id: str, ordinal: int) -> ReviewItem:
    """The setting with its document, its history and the comparison of its pool.

    Both starts are those of the next answer: the pool is read as if the decision was made. The
    lock reports of the document are read without a change.

    Raises
    ------
    SettingUnknown
        When no stored result has this setting.
    """
    with instance.reading() as connection:
        context = _load_context(instance, connection, public_id, ordinal)
    without = _answer(context, context.found_without)
    return ReviewItem(
        setting=context.setting,
        document=orjson.loads(context.stored.document),
        history=context.history,
        pool=None if without is None else _pool(context, without),
        cautions=() if without is None else without.cautions,
    )


def _load_context(
    instance: Instance, connection: Connection, public_id: str, ordinal: int
) -> _Context:
    at = find_setting_at(connection, public_id, ordinal)
    if at is None:
        raise SettingUnknown
    stored = load_submission(connection, at.submission_id)
    setting = SettingReader(connection, instance).read(stored, ordinal)
    history = past_decisions(connection, at.submission_id, ordinal)
    question = _question(instance.catalogue, setting)

    def found_if(decision: Literal["include", "exclude"]) -> EvidenceFound | None:
        if question is None:
            return None
        what_if = WhatIf(at.submission_id, at.ordinal, decision)
        return find_evidence(connection, question, instance, what_if=what_if)

    with_it = found_if("include") if at.has_end else None
    without = found_if("exclude")
    return _Context(setting, stored, history, question, with_it, without)


def past_decisions(
    connection: Connection, submission_id: int, ordinal: int
) -> tuple[PastDecision, ...]:
    """Every decision about a setting, oldest first."""
    return tuple(map(_past_decision, load_history(connection, submission_id, ordinal)))


def _past_decision(kept: DecisionKept) -> PastDecision:
    return PastDecision(
        decision=kept.decision,
        reason=Reason(kept.reason_code, DECISION_SENTENCES[kept.reason_code]),
        day=kept.decided_day.isoformat(),
        key=kept.key_number,
        key_name=kept.key_name,
    )


def _question(catalogue: Catalogue, setting: ReviewedSetting) -> Question | None:
    """The question that this pool answers, None if the catalogue does not know the chip."""
    pool = PoolName(setting.chip, setting.domain, setting.control, setting.moved_with, None)
    return question_about(pool, catalogue, setting.clock_mhz, detail="percentiles")


def _answer(context: _Context, found: EvidenceFound | None) -> StartAnswer | None:
    question = context.question
    return None if question is None or found is None else start_answer(question, found)


def _pool(context: _Context, without: StartAnswer) -> PoolComparison:
    with_it = _answer(context, context.found_with)
    return PoolComparison(
        percentiles=without.percentiles or (),
        start_with=None if with_it is None else outcome_of(with_it),
        start_without=outcome_of(without),
    )
