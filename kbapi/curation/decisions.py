"""Decisions of curators: parsed, stored, and applied to the evidence."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

from marshmallow import Schema, ValidationError, fields, post_load, validate, validates_schema
from sqlalchemy import Connection

from kbapi.access.keys import KeyHolder
from kbapi.bounds import LARGEST_INTEGER, LONGEST_MACHINE, LONGEST_VERSION, MOST_SETTINGS
from kbapi.curation.queue import confirmation_of, shared_contributor
from kbapi.curation.starts import PoolName, StartChange, changes_between, find_pools, name_of
from kbapi.documents.reader import read_json, refusal_of
from kbapi.documents.shapes import (
    CLIENT,
    StrictSchema,
    Whole,
    WholeNumber,
    choice,
    described,
    problems_of,
    too_many_unknown_fields,
)
from kbapi.errors import DocumentRefused, Problem
from kbapi.instance.instance import Instance
from kbapi.intake.decision_reasons import DECISION_REASON
from kbapi.storage import answers, decisions, locks, review
from kbapi.storage.decisions import DecisionRow, Origin, SettingAt
from kbapi.storage.locks import LocksAt
from kbapi.storage.pools import load_pools
from kbapi.storage.review import CheckedPool
from kbapi.storage.sql import hold_state
from kbapi.vocabulary import DECISION_REASONS, DECISIONS, DecisionAction, ScreeningStatus

MOST_DECISIONS: Final = 1_000
"""Entries of one request."""
_WHICH: Final = ("submission", "contributor", "origin", "pool")
_ONE_OF: Final = f"Send exactly one of: {', '.join(_WHICH)}."
_WITH_ORDINAL: Final = "Name a setting by submission and ordinal together."
_ANY_OF_ORIGIN: Final = "Send at least one of client, firmware, machine."


@dataclass(frozen=True, slots=True)
class WantedDecision:
    """One decision, about one setting or about all settings of a contributor or an origin."""

    decision: DecisionAction
    reason: str
    submission: str | None = None
    ordinal: int | None = None
    contributor: int | None = None
    origin: Origin | None = None
    pool: int | None = None


class OriginSchema(StrictSchema):
    """Where results come from; a result must match every field that is sent."""

    client = fields.String(
        validate=CLIENT,
        metadata=described(
            "Name and version of the script that sent the results.", "bench-script/0.3"
        ),
    )
    firmware = fields.String(
        validate=validate.Length(1, LONGEST_VERSION),
        metadata=described(
            "Firmware version, as in the results; send `machine` too, as machines share versions.",
            "1.14",
        ),
    )
    machine = fields.String(
        validate=validate.Length(1, LONGEST_MACHINE),
        metadata=described("Machine class, as in the results.", "harbour-15"),
    )

    @validates_schema
    def _has_content(self, data: dict[str, Any], **_: Any) -> None:
        if not data:
            raise ValidationError(_ANY_OF_ORIGIN)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Origin:
        return Origin(**data)


class DecisionSchema(StrictSchema):
    """A decision about one setting, all settings of a contributor or an origin, or a pool.

    Send exactly one of `submission`, `contributor`, `origin` and `pool`.
    """

    reason = choice(
        DECISION_REASONS,
        "Why; the sender reads a sentence about it.",
        "depth_confirmed",
        required=True,
    )
    decision = choice(
        DECISIONS,
        "`include`: counts, whatever the rules say. `exclude`: does not count for now. "
        "`invalidate`: cannot be right. `undo`: the rules decide again.",
        "include",
        required=True,
    )
    submission = fields.String(
        validate=Whole("[0-9a-f-]{36}", error="Send the id of a result."),
        metadata=described(
            "Id of a result; needs `ordinal`.", "01a21000-8800-736b-8fa7-7e16bf7f60fd"
        ),
    )
    ordinal = WholeNumber(
        validate=validate.Range(0, MOST_SETTINGS - 1),
        metadata=described("Position of the setting in the result, from 0.", 0),
    )
    contributor = WholeNumber(
        validate=validate.Range(1, LARGEST_INTEGER),
        metadata=described(
            "Number of a contributor, as in the queue; means all their settings.", 17
        ),
    )
    origin = fields.Nested(
        OriginSchema, metadata={"description": "Means all settings of matching results."}
    )
    pool = WholeNumber(
        validate=validate.Range(1, LARGEST_INTEGER),
        metadata=described(
            "Number of a pool, as in the queue. `include`: it is right as it is, and leaves the "
            "queue until the evidence behind its reasons changes. `undo`: it returns. Its results "
            "stay as they are.",
            3,
        ),
    )

    @validates_schema(skip_on_field_errors=False)
    def _is_about_one_thing(self, data: dict[str, Any], **_: Any) -> None:
        if sum(name in data for name in _WHICH) != 1:
            raise ValidationError(_ONE_OF)
        if ("ordinal" in data) != ("submission" in data):
            raise ValidationError(_WITH_ORDINAL, "ordinal")

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> WantedDecision:
        return WantedDecision(**data)


class DecisionsSchema(StrictSchema):
    """Decisions of one request: all of them are applied, or none."""

    decisions = fields.List(
        fields.Nested(DecisionSchema),
        required=True,
        validate=validate.Length(1, MOST_DECISIONS),
        metadata={"description": "1 to 1,000 decisions."},
    )
    confirm = fields.String(
        validate=Whole("[0-9a-f]{16}", error="Send confirm of the dry run, unchanged."),
        metadata=described(
            "`confirm` of a dry run of these decisions; needed except with `submission`. It "
            "holds only while the same settings and the same evidence match.",
            "4f6be1b0c1a95e27",
        ),
    )


MOST_SETTINGS_AT_ONCE: Final = 10_000
"""More would delay other writers beyond their timeout."""
MOST_LISTED: Final = 100
_DECISIONS: Final = DecisionsSchema()
_UNKNOWN: Final = "No stored result has this setting. It was withdrawn or never sent."
_NOTHING_TO_COUNT: Final = (
    "After screening, this setting has neither a pass nor a failure, so it cannot count. The "
    "sender must send what is missing."
)
_NO_POOL: Final = "No pool that waits has this number."
_ONLY_INCLUDED: Final = "Send include or undo. Exclude the results of a contributor instead."
_TWICE: Final = "Another entry decides this setting as well. Send one."
_POOL_TWICE: Final = "Another entry decides this pool as well. Send one."
_TOO_MANY: Final = (
    f"More than {MOST_SETTINGS_AT_ONCE:,} settings or lock-only results match. Narrow the "
    "origin, or decide in parts."
)


_NOT_CONFIRMED: Final = "Send it with dry_run=true first, and then with confirm of that answer."
_CHANGED_SINCE: Final = "These are not the settings of the dry run. Look at a new dry run."
MOST_POOLS: Final = 8
"""More starts would take seconds to compute."""


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
    """What the decisions changed, or would change in a dry run."""

    dry_run: bool
    """Whether nothing was stored."""
    confirm: str
    """Send it as `confirm` to store these decisions about exactly these settings."""
    settings: int
    """Settings that the decisions are about."""
    decided: int
    """How many of these settings got a new decision."""
    unchanged: int
    """How many of these settings had the same decision for the same reason before."""
    lock_only_results: int
    """Results with locks alone that got a new decision as well."""
    pools: int
    """Pools that left the queue, or returned to it."""
    contributors: int
    """Contributors of these settings."""
    includes_shared_contributor: bool
    """Whether settings of the contributor number are among them that all senders without a token
    share."""
    changed: tuple[ChangedSetting, ...]
    """The first 100 settings with a new decision."""
    starts: tuple[StartChange, ...]
    """The start before and after, of the eight pools with the most changed settings."""
    other_pools: int
    """Pools with changed settings whose starts were not compared."""


@dataclass(frozen=True, slots=True)
class _Target:
    """A setting with the wanted decision."""

    setting: SettingAt
    wanted: WantedDecision
    pointer: str

    @property
    def is_new(self) -> bool:
        return _is_new(self.wanted, self.setting)


@dataclass(frozen=True, slots=True)
class _Touched:
    """What the decisions are about."""

    targets: list[_Target]
    locks_alone: list[tuple[WantedDecision, list[LocksAt]]]
    """The lock-only results of each decision."""
    pools: list[tuple[WantedDecision, CheckedPool]]


def _is_new(wanted: WantedDecision, at: SettingAt | LocksAt) -> bool:
    after = ("", None) if wanted.decision == "undo" else (wanted.decision, wanted.reason)
    return after != (at.decision, at.decision_reason if at.decision else None)


@dataclass(frozen=True, slots=True)
class _Sent:
    """The decisions of a request, with the confirmation of what they touch."""

    decisions: tuple[WantedDecision, ...]
    confirm: str | None

    @property
    def needs_confirmation(self) -> bool:
        """Whether any of them names its settings by something else than their ids."""
        return any(one.submission is None for one in self.decisions)


def accept_decisions(
    instance: Instance, holder: KeyHolder | None, body: bytes, *, dry_run: bool = False
) -> DecisionsResponse:
    """The changes of the decisions, which are stored and applied together or not at all.

    `holder` is None for a command on the folder. A dry run stores nothing.

    Raises
    ------
    JsonUnreadable, DocumentRefused
        With every problem; nothing is changed.
    StorageBusy, StorageUnwritable, StorageBroken
        When the database cannot be written now.
    """
    sent = _read(body)
    with instance.reading() as earlier:
        hold_state(earlier)
        with instance.dry_run() if dry_run else instance.writing() as connection:
            done = _decide(connection, instance, holder, sent, is_confirmed=dry_run)
            # Only this connection sees what a dry run would change.
            after = find_pools(connection, instance, done.pools) if dry_run else {}
        before = find_pools(earlier, instance, done.pools)
    if not dry_run:
        with instance.reading() as later:
            after = find_pools(later, instance, done.pools)
    starts = changes_between(before, after)
    return replace(done.response, dry_run=dry_run, starts=starts)


@dataclass(frozen=True, slots=True)
class _Done:
    """What was decided, without the starts, and the pools whose starts are compared."""

    response: DecisionsResponse
    pools: tuple[PoolName, ...]


def _decide(
    connection: Connection,
    instance: Instance,
    holder: KeyHolder | None,
    sent: _Sent,
    *,
    is_confirmed: bool,
) -> _Done:
    touched = _find_valid(connection, sent.decisions)
    targets, confirm = touched.targets, _confirmation_of(sent, touched)
    if sent.needs_confirmation and not is_confirmed and sent.confirm != confirm:
        raise DocumentRefused(problems=[_unconfirmed(sent, targets)])
    today, new = instance.today(), [target for target in targets if target.is_new]
    store_decisions(
        connection, [(one.setting, _row(holder, today, one.wanted, one.setting)) for one in new]
    )
    about_locks = _decide_about_locks(connection, holder, today, touched)
    about_pools = _decide_about_pools(connection, holder, today, touched)
    pools = _most_changed_pools(connection, new)
    contributors = {target.setting.contributor_id for target in targets}
    response = DecisionsResponse(
        dry_run=is_confirmed,
        confirm=confirm,
        settings=len(targets),
        decided=len(new),
        unchanged=len(targets) - len(new),
        lock_only_results=about_locks,
        pools=about_pools,
        contributors=len(contributors),
        includes_shared_contributor=shared_contributor(connection, instance) in contributors,
        changed=tuple(_changed_setting(connection, target) for target in new[:MOST_LISTED]),
        starts=(),
        other_pools=len({target.setting.place.pool_id for target in new}) - len(pools),
    )
    return _Done(response, pools)


def _confirmation_of(sent: _Sent, touched: _Touched) -> str:
    """A text that changes with any setting that the decisions touch."""
    settings = [
        (one.setting.submission_id, one.setting.ordinal, one.pointer) for one in touched.targets
    ]
    locks_alone = [[at.submission_id for at in found] for _, found in touched.locks_alone]
    decided = [(one.decision, one.reason) for one in sent.decisions]
    pools = [[pool.pool_id, pool.evidence] for _, pool in touched.pools]
    return confirmation_of([settings, locks_alone, decided, pools])


def _unconfirmed(sent: _Sent, targets: Sequence[_Target]) -> Problem:
    contributors = len({target.setting.contributor_id for target in targets})
    touched = f"Matching settings: {len(targets):,}, of {contributors:,} contributors."
    advice = _CHANGED_SINCE if sent.confirm else _NOT_CONFIRMED
    return Problem("/confirm", "confirmation_needed", f"{touched} {advice}")


def _most_changed_pools(connection: Connection, new: Sequence[_Target]) -> tuple[PoolName, ...]:
    by_pool = Counter(target.setting.place.pool_id for target in new)
    most = [pool for pool, _ in by_pool.most_common(MOST_POOLS)]
    return tuple(name_of(pool) for pool in load_pools(connection, most))


def _read(body: bytes) -> _Sent:
    reading = read_json(body)
    if not reading.is_complete:
        raise refusal_of(reading.problems)
    if unknown := too_many_unknown_fields(_DECISIONS, reading.value):
        raise refusal_of([*reading.problems, *unknown])
    try:
        sent = Schema.load(_DECISIONS, reading.value)
    except ValidationError as error:
        raise refusal_of([*reading.problems, *problems_of(error.messages)]) from None
    if reading.problems:
        raise refusal_of(reading.problems)
    return _Sent(tuple(sent["decisions"]), sent.get("confirm"))


def _find_valid(connection: Connection, wanted: tuple[WantedDecision, ...]) -> _Touched:
    targets: list[_Target] = []
    locks_alone = []
    pools, named = [], set[int]()
    problems: list[Problem] = []
    about_locks = 0
    for place, one in enumerate(wanted):
        pointer = f"/decisions/{place}"
        if one.decision not in DECISION_REASON[one.reason].decisions:
            problems.append(_wrong_reason(pointer, one))
        if one.pool is not None:
            checked = review.find_checked_pool(connection, one.pool)
            if one.pool in named:
                problems.append(Problem(pointer, "duplicate_decision", _POOL_TWICE))
            named.add(one.pool)
            problems += _faults_of_pool(pointer, one, checked)
            pools += [] if checked is None else [(one, checked)]
            continue
        found, lock_only_results = (
            _settings_of(connection, one),
            _lock_only_results_of(connection, one),
        )
        targets += [_Target(setting, one, pointer) for setting in found]
        if not found and not lock_only_results:
            problems.append(Problem(pointer, "setting_unknown", _UNKNOWN))
        locks_alone.append((one, lock_only_results))
        about_locks += len(lock_only_results)
        if max(len(targets), about_locks) > MOST_SETTINGS_AT_ONCE:
            raise DocumentRefused(problems=[Problem(pointer, "too_many_settings", _TOO_MANY)])
    problems += _faults_of(targets)
    if problems:
        raise DocumentRefused(problems=problems)
    return _Touched(targets, locks_alone, pools)


def _faults_of_pool(
    pointer: str, wanted: WantedDecision, checked: CheckedPool | None
) -> Iterator[Problem]:
    if checked is None or not (checked.waits or checked.settled):
        yield Problem(pointer, "pool_unknown", _NO_POOL)
    if wanted.decision not in ("include", "undo"):
        yield Problem(f"{pointer}/decision", "pool_not_excluded", _ONLY_INCLUDED)


def _wrong_reason(pointer: str, wanted: WantedDecision) -> Problem:
    fitting = [
        reason.code for reason in DECISION_REASON.values() if wanted.decision in reason.decisions
    ]
    detail = f"Send a reason for {wanted.decision}: {', '.join(fitting)}."
    return Problem(f"{pointer}/reason", "reason_does_not_fit", detail)


def _settings_of(connection: Connection, wanted: WantedDecision) -> list[SettingAt]:
    most = MOST_SETTINGS_AT_ONCE + 1
    if wanted.contributor is not None:
        return decisions.find_settings_of_contributor(connection, wanted.contributor, most)
    if wanted.origin is not None:
        return decisions.find_settings_of_origin(connection, wanted.origin, most)
    found = decisions.find_setting_at(connection, wanted.submission or "", wanted.ordinal or 0)
    return [] if found is None else [found]


def _lock_only_results_of(connection: Connection, wanted: WantedDecision) -> list[LocksAt]:
    most = MOST_SETTINGS_AT_ONCE + 1
    if wanted.contributor is not None:
        return locks.find_locks_alone_of_contributor(connection, wanted.contributor, most)
    if wanted.origin is not None:
        return locks.find_locks_alone_of_origin(connection, wanted.origin, most)
    if wanted.ordinal:
        return []
    return locks.find_locks_alone(connection, wanted.submission or "")


def _decide_about_locks(
    connection: Connection, holder: KeyHolder | None, today: date, touched: _Touched
) -> int:
    """The number of lock-only results that got a new decision; the decisions are stored."""
    decided = 0
    for one, found in touched.locks_alone:
        new = [at for at in found if _is_new(one, at)]
        decisions.add_decisions(connection, [_row(holder, today, one, at) for at in new])
        for line_id in sorted({at.line_id for at in new}):
            answers.outdate_answers_of_line(connection, line_id)
        decided += len(new)
    return decided


def _decide_about_pools(
    connection: Connection, holder: KeyHolder | None, today: date, touched: _Touched
) -> int:
    """The number of pools with another decision than before; the decisions are stored."""
    decided = 0
    key = None if holder is None else holder.id
    for one, pool in touched.pools:
        settled = pool.evidence if one.decision == "include" else ""
        if settled != pool.settled:
            review.settle_pool(connection, pool.pool_id, settled, one.reason, key, today)
            decided += 1
    return decided


def _faults_of(targets: list[_Target]) -> Iterator[Problem]:
    seen: set[tuple[int, int]] = set()
    reported: set[tuple[str, str]] = set()
    for target in targets:
        setting = target.setting
        where = f"{setting.public_id}/{setting.ordinal}: "
        fault = None
        if (setting.submission_id, setting.ordinal) in seen:
            fault = Problem(target.pointer, "duplicate_decision", where + _TWICE)
        elif target.wanted.decision == "include" and not setting.has_end:
            fault = Problem(target.pointer, "nothing_to_count", where + _NOTHING_TO_COUNT)
        seen.add((setting.submission_id, setting.ordinal))
        # One problem of a kind for each entry is enough for a correction.
        if fault is not None and (fault.pointer, fault.code) not in reported:
            reported.add((fault.pointer, fault.code))
            yield fault


def store_decisions(
    connection: Connection, decided: Sequence[tuple[SettingAt, DecisionRow]]
) -> None:
    """Store decisions in the history, apply them, and update the evidence of their settings."""
    decisions.add_decisions(connection, [row for _, row in decided])
    settings = [setting for setting, _ in decided]
    decisions.apply_decisions(connection, {setting.submission_id for setting in settings})
    for line_id in sorted({setting.line_id for setting in settings}):
        answers.outdate_answers_of_line(connection, line_id)


def _row(
    holder: KeyHolder | None, today: date, wanted: WantedDecision, at: SettingAt | LocksAt
) -> DecisionRow:
    return DecisionRow(
        submission_id=at.submission_id,
        ordinal=at.ordinal if isinstance(at, SettingAt) else 0,
        decision=wanted.decision,
        reason_code=wanted.reason,
        decided_by=None if holder is None else holder.id,
        decided_day=today,
    )


def _changed_setting(connection: Connection, target: _Target) -> ChangedSetting:
    before = target.setting
    now = decisions.find_setting_at(connection, before.public_id, before.ordinal) or before
    return ChangedSetting(
        before.public_id, before.ordinal, target.wanted.decision, before.status, now.status
    )
