"""Accept a follow-up: read it, screen it, store it and merge it into evidence."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import orjson
from marshmallow import Schema, ValidationError
from sqlalchemy import Connection

from kbapi.chips.naming import identify_chip
from kbapi.documents.follow_ups import FollowUpSchema, SubmittedFollowUp
from kbapi.documents.reader import read_body, refusal_of
from kbapi.documents.refusal_rules import refuse_value
from kbapi.documents.results import SubmittedSetting
from kbapi.documents.shapes import problems_of
from kbapi.errors import DocumentRefused, Problem, SubmissionGone
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up_rules import (
    NEEDS_A_SETTING,
    SENTENCES,
    ScreenedFollowUp,
    ValuesFollowed,
    conditions_of,
    match_setting,
    screen_follow_up,
)
from kbapi.intake.my_submissions import require_receipt
from kbapi.intake.responses import Reason
from kbapi.intake.submit import find_earlier_answer, keep_answer, replay_of
from kbapi.metrics.counters import count_follow_up
from kbapi.stats.intervals import Grid
from kbapi.storage import answers, results
from kbapi.storage.follow_ups import (
    FollowedSetting,
    NewFollowUp,
    delete_follow_up,
    drop_still_stable,
    load_follow_ups,
    load_followed,
    replace_follow_up,
    save_follow_up,
)
from kbapi.storage.pools import drop_unused_places, moved_with
from kbapi.storage.results import StoredSubmission
from kbapi.time_budget import check_time
from kbapi.vocabulary import Domain, FollowUpOutcome, FollowUpStatus, LimitControl

_FOLLOW_UP: Final = FollowUpSchema()
_THANKS: Final = {
    "still_stable": "Thank you. Long-term results help others to choose a margin.",
    "failed_later": "Thank you. Step back toward stock and check your files.",
    "locked_later": "Thank you. This warns others about the same update.",
    "fails_at_stock_too": "Thank you. Stop tuning: a machine that fails at stock needs qualified "
    "people.",
    "given_up": "Thank you. Without this report the setting would look stable.",
    "machine_gone": "Thank you. Without this report the setting would look stable.",
}


@dataclass(frozen=True, slots=True)
class FollowUpResponse:
    """How a follow-up was understood and screened."""

    submission: str
    """Id of the result that it belongs to, a UUID."""
    domain: Domain
    """The supply rail of the setting."""
    control: LimitControl
    """How it was adjusted."""
    moved_with: tuple[Domain, ...]
    """Other domains that were adjusted together with this one; empty for the domain alone."""
    setting: float | None
    """The setting that it is about: mV from stock, negative is lower (voltage_offset); counts from
    stock, negative is lower (count_offset); absolute mV (fixed_clock_voltage). Null if neither the
    follow-up nor the result names one."""
    outcome: FollowUpOutcome
    """The outcome that was sent."""
    status: FollowUpStatus
    """`counted`: part of every answer. `unverified`: stored, without proof that the setting still
    takes effect. `recorded`: stored with the result and changes no number."""
    reasons: tuple[Reason, ...]
    """Why the follow-up does not count; empty for a counted one."""
    replaced: bool
    """Whether it replaces an earlier still_stable follow-up on this setting of the same month."""
    thanks: str
    """A sentence of thanks for a person."""


@dataclass(frozen=True, slots=True)
class _Followed:
    """A follow-up with its setting and its value."""

    sent: SubmittedFollowUp
    setting: FollowedSetting
    values: ValuesFollowed


def accept_follow_up(
    instance: Instance,
    public_id: str,
    receipt: str,
    body: bytes,
    idempotency_key: str | None = None,
) -> FollowUpResponse:
    """The response to a follow-up, once it is stored and merged into evidence.

    Raises
    ------
    ReceiptWrong, SubmissionGone
        As for reading the result.
    JsonUnreadable, DocumentRefused
        When the follow-up is not possible; nothing is stored.
    IdempotencyKeyReused
        When the key was used for a different follow-up.
    """
    require_receipt(instance, public_id, receipt)
    sent, raw = _read(body)
    replay = replay_of(instance, "follow-ups", public_id.encode(), body, idempotency_key)
    with instance.writing() as connection:
        stored = results.find_submission(connection, public_id)
        if stored is None:
            raise SubmissionGone
        earlier = find_earlier_answer(instance, connection, replay)
        if earlier is not None:
            return _response_from(earlier.answer)
        response = _store(instance, connection, stored, _followed(connection, stored, sent), raw)
        if replay is not None:
            answer = orjson.dumps(response).decode()
            keep_answer(instance, connection, replay, stored.id, answer)
    count_follow_up(response.status)
    return response


@dataclass(frozen=True, slots=True)
class RemovedFollowUp:
    """A follow-up that does not fit the corrected result and was removed."""

    month: str
    """Month of its arrival, YYYY-MM."""
    outcome: FollowUpOutcome
    """Its outcome."""
    text: str
    """Why it does not fit."""


def follow_again(
    instance: Instance, connection: Connection, stored: StoredSubmission
) -> tuple[RemovedFollowUp, ...]:
    """The follow-ups that do not fit a corrected result, removed; the others are screened again."""
    removed = []
    for earlier in load_follow_ups(connection, stored.id):
        sent = _parse(orjson.loads(earlier.document), ())
        try:
            followed = _followed(connection, stored, sent)
        except DocumentRefused as refused:
            delete_follow_up(connection, earlier.id)
            text = " ".join(problem.detail.strip() for problem in refused.problems)
            removed.append(RemovedFollowUp(earlier.measured_month, sent.outcome, text))
            continue
        screened = _screened(instance, stored, followed)
        new = replace(
            _new_follow_up(instance, stored, followed, screened, earlier.document),
            received_day=earlier.received_day,
            measured_month=earlier.measured_month,
        )
        month, setting = earlier.measured_month, followed.setting
        conditions = conditions_of(sent, setting.conditions, screened.status, month)
        replace_follow_up(connection, earlier.id, new, conditions)
    return tuple(removed)


def _read(body: bytes) -> tuple[SubmittedFollowUp, str]:
    reading = read_body(body, _FOLLOW_UP)
    sent = _parse(reading.value, reading.problems)
    return sent, orjson.dumps(reading.value).decode()


def _parse(value: Any, problems: Sequence[Problem]) -> SubmittedFollowUp:
    try:
        # Called on the class, because the schema has a field with the name load.
        sent: SubmittedFollowUp = Schema.load(_FOLLOW_UP, value)
    except ValidationError as error:
        raise refusal_of([*problems, *problems_of(error.messages)]) from None
    check_time("shape")
    if problems:
        raise refusal_of(problems)
    return sent


def _followed(
    connection: Connection, stored: StoredSubmission, sent: SubmittedFollowUp
) -> _Followed:
    """The setting that the follow-up is about, and the value in use.

    Raises
    ------
    DocumentRefused
        When the result has no such setting, or the value is not possible.
    """
    setting = match_setting(load_followed(connection, stored.id), sent)
    if setting is None:
        raise refusal_of([_problem("/domain", "setting_not_reported")])
    reported = orjson.loads(stored.document)["settings"][setting.ordinal]
    value = sent.setting if sent.setting is not None else reported.get("in_use")
    if value is None and sent.outcome in NEEDS_A_SETTING:
        raise refusal_of([_problem("/setting", "setting_missing")])
    problems = [] if value is None else list(_faults_of(sent, setting, value))
    if problems:
        raise refusal_of(problems)
    passed = reported.get("stable_at")
    return _Followed(
        sent, setting, ValuesFollowed(value, reported.get("in_use") if passed is None else passed)
    )


def _problem(pointer: str, code: str) -> Problem:
    return Problem(pointer, code, SENTENCES[code])


def _faults_of(
    sent: SubmittedFollowUp, setting: FollowedSetting, value: float
) -> Iterator[Problem]:
    alone = SubmittedSetting(sent.domain, sent.control, stable_at=value, stock_mv=setting.stock_mv)
    yield from refuse_value(alone, "/setting")


def _store(
    instance: Instance,
    connection: Connection,
    stored: StoredSubmission,
    followed: _Followed,
    raw: str,
) -> FollowUpResponse:
    month = f"{instance.today():%Y-%m}"
    screened = _screened(instance, stored, followed)
    places = []
    unit = followed.setting.unit
    if followed.sent.outcome == "still_stable":
        places = drop_still_stable(
            connection, stored.id, unit.id, followed.setting.pool_id, screened.steps, month
        )
    new = _new_follow_up(instance, stored, followed, screened, raw)
    conditions = conditions_of(followed.sent, followed.setting.conditions, screened.status, month)
    save_follow_up(connection, new, conditions)
    drop_unused_places(connection, places)
    answers.outdate_answers_of_line(connection, stored.line_id)
    return _response(stored, followed, screened, replaced=bool(places))


def _screened(
    instance: Instance, stored: StoredSubmission, followed: _Followed
) -> ScreenedFollowUp:
    grid = _grid_of(instance, stored, followed)
    return screen_follow_up(followed.sent, followed.setting, followed.values, grid)


def _grid_of(instance: Instance, stored: StoredSubmission, followed: _Followed) -> Grid:
    chip = identify_chip(stored.chip_key).chip
    if chip is None:
        raise SubmissionGone  # the current grammar does not read the key of its chip
    return instance.catalogue.grid_for(instance.catalogue.placed(chip), followed.sent.control)


def _new_follow_up(
    instance: Instance,
    stored: StoredSubmission,
    followed: _Followed,
    screened: ScreenedFollowUp,
    raw: str,
) -> NewFollowUp:
    return NewFollowUp(
        submission_id=stored.id,
        pool_id=followed.setting.pool_id,
        unit_id=followed.setting.unit.id,
        received_day=instance.today(),
        measured_month=f"{instance.today():%Y-%m}",
        outcome=followed.sent.outcome,
        status=screened.status,
        reasons=orjson.dumps(screened.reasons).decode(),
        document=raw,
        days=followed.sent.days,
        steps=screened.steps,
        stable_steps=screened.stable_steps,
        unstable_steps=screened.unstable_steps,
        early_stop_steps=followed.setting.early_stop_steps if screened.stable_steps else 0,
    )


def _response(
    stored: StoredSubmission, followed: _Followed, screened: ScreenedFollowUp, replaced: bool
) -> FollowUpResponse:
    setting = followed.setting
    return FollowUpResponse(
        submission=stored.public_id,
        domain=setting.domain,
        control=setting.control,
        moved_with=moved_with(setting.domain, setting.domains),
        setting=followed.values.value,
        outcome=followed.sent.outcome,
        status=screened.status,
        reasons=tuple(Reason(code, SENTENCES[code]) for code in screened.reasons),
        replaced=replaced,
        thanks=_THANKS[followed.sent.outcome],
    )


def _response_from(kept: str) -> FollowUpResponse:
    fields: dict[str, Any] = orjson.loads(kept)
    reasons = tuple(Reason(**reason) for reason in fields["reasons"])
    return FollowUpResponse(
        **{**fields, "reasons": reasons, "moved_with": tuple(fields["moved_with"])}
    )
