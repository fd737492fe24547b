"""What people decide about results: read, checked, kept in the history, and made to hold."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from marshmallow import Schema, ValidationError
from sqlalchemy import Connection

from kbapi.access.keys import KeyHolder
from kbapi.curation.decision_schema import DecisionsSchema, WantedDecision
from kbapi.errors import DocumentRefused, Problem
from kbapi.evidence.book import book_evidence
from kbapi.intake.decided import DECISION_REASON
from kbapi.intake.json_text import read_json
from kbapi.storage import answers, decision_rows, lock_decisions
from kbapi.storage.decision_rows import DecisionRow, SettingAt
from kbapi.storage.instance import Instance
from kbapi.storage.lock_decisions import LocksAt
from kbapi.vocabulary import DecisionAction, ScreeningStatus
from kbapi.wire import problems_of

MOST_SETTINGS_AT_ONCE: Final = 10_000
"""More would hold the writers up for longer than they wait."""
MOST_TOLD: Final = 100
_DECISIONS: Final = DecisionsSchema()
_UNKNOWN: Final = "No stored result has this setting. It was withdrawn or never sent."
_NOTHING_TO_COUNT: Final = (
    "After screening, this setting has neither a pass nor a failure, so it cannot count. The "
    "sender must send what is missing."
)
_TWICE: Final = "Another entry decides this setting as well. Send one."
_TOO_MANY: Final = (
    f"More than {MOST_SETTINGS_AT_ONCE:,} settings or lock-only results match. Narrow the "
    "origin, or decide in parts."
)


@dataclass(frozen=True, slots=True)
class ChangedSetting:
    """A setting with a new decision."""

    submission: str
    """Id of the result, a UUID."""
    ordinal: int
    """Position of the setting in the result, from 0."""
    decision: DecisionAction
    """The new decision."""
    before: ScreeningStatus
    """Status before the decision."""
    now: ScreeningStatus
    """Status after the decision."""


@dataclass(frozen=True, slots=True)
class DecisionsResponse:
    """What the decisions changed."""

    settings: int
    """Settings that the decisions are about."""
    decided: int
    """How many of these settings got a new decision."""
    unchanged: int
    """How many of these settings had the same decision for the same reason before."""
    lock_only_results: int
    """Results with locks alone that got a new decision as well."""
    changed: tuple[ChangedSetting, ...]
    """The first 100 settings with a new decision."""


@dataclass(frozen=True, slots=True)
class _Target:
    """A setting and what is wanted of it."""

    setting: SettingAt
    wanted: WantedDecision
    pointer: str

    @property
    def is_new(self) -> bool:
        return _says_something_new(self.wanted, self.setting)


def _says_something_new(wanted: WantedDecision, at: SettingAt | LocksAt) -> bool:
    said = ("", None) if wanted.decision == "undo" else (wanted.decision, wanted.reason)
    return said != (at.decision, at.decision_reason if at.decision else None)


def accept_decisions(instance: Instance, holder: KeyHolder, body: bytes) -> DecisionsResponse:
    """What the decisions changed, once they are kept and hold: all of them, or none.

    Raises
    ------
    JsonUnreadable, DocumentRefused
        With every problem; nothing is changed.
    StorageBusy, StorageUnwritable, StorageBroken
        When the database can't take it now.
    """
    wanted = _read(body)
    with instance.writing() as connection:
        targets = _sound_targets(connection, wanted)
        new = [target for target in targets if target.is_new]
        hold_decisions(
            connection,
            [(one.setting, _row(instance, holder, one.wanted, one.setting)) for one in new],
        )
        about_locks = _decide_about_locks(instance, connection, holder, wanted)
        changed = tuple(_tell(connection, target) for target in new[:MOST_TOLD])
    return DecisionsResponse(len(targets), len(new), len(targets) - len(new), about_locks, changed)


def _read(body: bytes) -> tuple[WantedDecision, ...]:
    reading = read_json(body)
    try:
        sent = Schema.load(_DECISIONS, reading.value)
    except ValidationError as error:
        raise DocumentRefused(problems=[*reading.problems, *problems_of(error.messages)]) from None
    if reading.problems:
        raise DocumentRefused(problems=reading.problems)
    return tuple(sent["decisions"])


def _sound_targets(connection: Connection, wanted: tuple[WantedDecision, ...]) -> list[_Target]:
    targets: list[_Target] = []
    problems: list[Problem] = []
    about_locks = 0
    for place, one in enumerate(wanted):
        pointer = f"/decisions/{place}"
        if one.decision not in DECISION_REASON[one.reason].words:
            problems.append(_wrong_reason(pointer, one))
        found, lock_only_results = _settings_of(connection, one), _locks_alone_of(connection, one)
        targets += [_Target(setting, one, pointer) for setting in found]
        if not found and not lock_only_results:
            problems.append(Problem(pointer, "setting_unknown", _UNKNOWN))
        about_locks += len(lock_only_results)
        if max(len(targets), about_locks) > MOST_SETTINGS_AT_ONCE:
            raise DocumentRefused(problems=[Problem(pointer, "too_many_settings", _TOO_MANY)])
    problems += _faults_of(targets)
    if problems:
        raise DocumentRefused(problems=problems)
    return targets


def _wrong_reason(pointer: str, wanted: WantedDecision) -> Problem:
    fitting = [
        reason.code for reason in DECISION_REASON.values() if wanted.decision in reason.words
    ]
    told = f"Send a reason for {wanted.decision}: {', '.join(fitting)}."
    return Problem(f"{pointer}/reason", "reason_does_not_fit", told)


def _settings_of(connection: Connection, wanted: WantedDecision) -> list[SettingAt]:
    most = MOST_SETTINGS_AT_ONCE + 1
    if wanted.contributor is not None:
        return decision_rows.find_settings_of_contributor(connection, wanted.contributor, most)
    if wanted.origin is not None:
        return decision_rows.find_settings_of_origin(connection, wanted.origin, most)
    found = decision_rows.find_setting_at(connection, wanted.submission or "", wanted.ordinal or 0)
    return [] if found is None else [found]


def _locks_alone_of(connection: Connection, wanted: WantedDecision) -> list[LocksAt]:
    most = MOST_SETTINGS_AT_ONCE + 1
    if wanted.contributor is not None:
        return lock_decisions.find_locks_alone_of_contributor(connection, wanted.contributor, most)
    if wanted.origin is not None:
        return lock_decisions.find_locks_alone_of_origin(connection, wanted.origin, most)
    if wanted.ordinal:
        return []
    return lock_decisions.find_locks_alone(connection, wanted.submission or "")


def _decide_about_locks(
    instance: Instance,
    connection: Connection,
    holder: KeyHolder,
    wanted: tuple[WantedDecision, ...],
) -> int:
    """About how many documents of locks alone something new was said, now that it is kept."""
    decided = 0
    for one in wanted:
        new = [at for at in _locks_alone_of(connection, one) if _says_something_new(one, at)]
        decision_rows.add_decisions(connection, [_row(instance, holder, one, at) for at in new])
        for line_id in sorted({at.line_id for at in new}):
            answers.outdate_answers_of_line(connection, line_id)
        decided += len(new)
    return decided


def _faults_of(targets: list[_Target]) -> Iterator[Problem]:
    seen: set[tuple[int, int]] = set()
    told: set[tuple[str, str]] = set()
    for target in targets:
        setting = target.setting
        where = f"{setting.public_id}/{setting.ordinal}: "
        fault = None
        if (setting.submission_id, setting.ordinal) in seen:
            fault = Problem(target.pointer, "duplicate_decision", where + _TWICE)
        elif target.wanted.decision == "include" and not setting.has_end:
            fault = Problem(target.pointer, "nothing_to_count", where + _NOTHING_TO_COUNT)
        seen.add((setting.submission_id, setting.ordinal))
        # One of a kind for each entry: the others are for when this one is corrected.
        if fault is not None and (fault.pointer, fault.code) not in told:
            told.add((fault.pointer, fault.code))
            yield fault


def hold_decisions(
    connection: Connection, decided: Sequence[tuple[SettingAt, DecisionRow]]
) -> None:
    """Keep these in the history, and rebuild what stands on their settings."""
    decision_rows.add_decisions(connection, [row for _, row in decided])
    settings = [setting for setting, _ in decided]
    for submission_id in {setting.submission_id for setting in settings}:
        decision_rows.apply_decisions(connection, submission_id)
    for setting in settings:
        places = decision_rows.find_places_of(connection, setting)
        book_evidence(connection, places, setting.contributor_id)
    for line_id in sorted({setting.line_id for setting in settings}):
        answers.outdate_answers_of_line(connection, line_id)


def _row(
    instance: Instance, holder: KeyHolder, wanted: WantedDecision, at: SettingAt | LocksAt
) -> DecisionRow:
    return DecisionRow(
        submission_id=at.submission_id,
        ordinal=at.ordinal if isinstance(at, SettingAt) else 0,
        decision=wanted.decision,
        reason_code=wanted.reason,
        decided_by=holder.id,
        decided_day=instance.today(),
    )


def _tell(connection: Connection, target: _Target) -> ChangedSetting:
    before = target.setting
    now = decision_rows.find_setting_at(connection, before.public_id, before.ordinal) or before
    return ChangedSetting(
        before.public_id, before.ordinal, target.wanted.decision, before.status, now.status
    )
