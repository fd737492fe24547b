"""The one road in: a result is read, screened, stored and merged into evidence, or refused."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final

import orjson
import uuid_utils
from sqlalchemy import Connection

from kbapi.chips.chip import ChipName
from kbapi.chips.names import GRAMMAR_VERSION
from kbapi.errors import IdempotencyKeyReused
from kbapi.evidence.book import book_evidence
from kbapi.intake.accepted import Accepted, accepted_from
from kbapi.intake.reader import ReadDocument, read_submission
from kbapi.intake.receipts import contributor_hash, receipt_of, unit_hash
from kbapi.intake.screening import ScreenedSetting, screen_setting
from kbapi.intake.telling import tell_repeated, tell_stored
from kbapi.storage import chip_rows, idempotency, submissions
from kbapi.storage.instance import Instance
from kbapi.storage.people import find_or_add_unit
from kbapi.versions import RULES_VERSION

_IDEMPOTENCY_LIFE: Final = timedelta(hours=24)
_ENDPOINT: Final = "submissions"


@dataclass(frozen=True, slots=True)
class _Sender:
    """Who sent a document, as far as anybody can know."""

    contributor_hash: bytes
    unit_hash: bytes | None
    content_hash: bytes | None


@dataclass(frozen=True, slots=True)
class _Replay:
    """Under which hashes the answer to a request is kept."""

    scope_hash: bytes
    fingerprint: bytes


def accept_submission(
    instance: Instance, body: bytes, idempotency_key: str | None = None
) -> Accepted:
    """What the sender is told once the result is stored and merged into evidence.

    One transaction: when it returns, the result is on disk; when it raises, nothing is.

    Raises
    ------
    JsonUnreadable, DocumentRefused
        When the document can't be right; nothing is stored.
    IdempotencyKeyReused
        When the key was used for a different document.
    StorageBusy, StorageUnwritable, StorageBroken
        When the database can't take it now.
    """
    document = read_submission(body, f"{instance.today():%Y-%m}", instance.catalogue)
    screened = _screen(instance, document)
    sender = _sender_of(instance, document)
    replay = _replay_of(instance, sender, body, idempotency_key)
    with instance.writing() as connection:
        if replay is not None:
            earlier = _find_earlier_answer(instance, connection, replay)
            if earlier is not None:
                return earlier
        submission_id, accepted = _store_once(instance, connection, document, screened, sender)
        if replay is not None:
            _keep_answer(instance, connection, replay, submission_id, accepted)
    return accepted


def _screen(instance: Instance, document: ReadDocument) -> tuple[ScreenedSetting, ...]:
    return tuple(
        screen_setting(
            setting,
            document.result,
            instance.catalogue.grid_for(document.chip, setting.control),
        )
        for setting in document.result.settings
    )


def _sender_of(instance: Instance, document: ReadDocument) -> _Sender:
    result, secret = document.result, instance.secret
    who = contributor_hash(secret, result.contributor_token)
    which = unit_hash(secret, result.contributor_token, result.unit_token)
    content = None
    if which is not None:
        canonical = orjson.dumps(document.raw, option=orjson.OPT_SORT_KEYS)
        content = secret.keyed_hash("content", which + canonical)
    return _Sender(who, which, content)


def _replay_of(instance: Instance, sender: _Sender, body: bytes, key: str | None) -> _Replay | None:
    if key is None:
        return None
    secret = instance.secret
    scope = f"{_ENDPOINT}\n{key}\n".encode() + sender.contributor_hash
    return _Replay(
        scope_hash=secret.keyed_hash("idempotency", scope),
        fingerprint=secret.keyed_hash("fingerprint", body),
    )


def _find_earlier_answer(
    instance: Instance, connection: Connection, replay: _Replay
) -> Accepted | None:
    now_s = int(instance.now().timestamp())
    outcome = idempotency.find_outcome(connection, replay.scope_hash, now_s)
    if outcome is None:
        return None
    if outcome.fingerprint != replay.fingerprint:
        raise IdempotencyKeyReused
    return accepted_from(outcome.answer, receipt_of(instance.secret, outcome.public_id))


def _keep_answer(
    instance: Instance,
    connection: Connection,
    replay: _Replay,
    submission_id: int,
    accepted: Accepted,
) -> None:
    now = instance.now()
    idempotency.save_outcome(
        connection,
        scope_hash=replay.scope_hash,
        fingerprint=replay.fingerprint,
        submission_id=submission_id,
        answer=accepted.without_receipt(),
        now_s=int(now.timestamp()),
        expires_at=int((now + _IDEMPOTENCY_LIFE).timestamp()),
    )


def _store_once(
    instance: Instance,
    connection: Connection,
    document: ReadDocument,
    screened: tuple[ScreenedSetting, ...],
    sender: _Sender,
) -> tuple[int, Accepted]:
    """The stored submission's number and answer; a repeat answers with the first one."""
    if sender.content_hash is not None:
        first = submissions.find_by_content(connection, sender.content_hash)
        if first is not None:
            return first.id, tell_repeated(instance, connection, first)
    new = _new_submission(instance, connection, document, screened, sender)
    submission_id, places = submissions.save_submission(connection, new)
    book_evidence(connection, places, new.unit.contributor_id)
    stored = submissions.load_submission(connection, submission_id)
    chip_rows.raise_line_revision(connection, stored.line_id)
    return submission_id, tell_stored(instance, connection, stored)


def _new_submission(
    instance: Instance,
    connection: Connection,
    document: ReadDocument,
    screened: tuple[ScreenedSetting, ...],
    sender: _Sender,
) -> submissions.NewSubmission:
    today = instance.today()
    return submissions.NewSubmission(
        public_id=_new_public_id(today),
        chip_id=_find_or_add_chip(instance, connection, document.chip).id,
        unit=find_or_add_unit(
            connection,
            contributor_hash=sender.contributor_hash,
            unit_hash=sender.unit_hash,
            key_id=instance.secret.key_id,
            today=today,
        ),
        received_day=today,
        measured_month=document.result.measured_in or f"{today:%Y-%m}",
        document=orjson.dumps(document.raw).decode(),
        content_hash=sender.content_hash,
        rules_version=RULES_VERSION,
        grammar_version=GRAMMAR_VERSION,
        settings=tuple(_new_setting(instance, document.chip, one) for one in screened),
    )


def _new_public_id(today: date) -> str:
    """A version 7 UUID whose time is only the day: the moment of arrival is nobody's business."""
    midnight = datetime(today.year, today.month, today.day, tzinfo=UTC)
    return str(uuid_utils.uuid7(nanoseconds=int(midnight.timestamp()) * 1_000_000_000))


def _find_or_add_chip(
    instance: Instance, connection: Connection, chip: ChipName
) -> chip_rows.ChipRow:
    return chip_rows.find_chip(connection, chip.key) or chip_rows.add_chip(
        connection,
        key=chip.key,
        name=chip.name,
        kind=chip.kind,
        series=chip.series,
        line=chip.line,
    )


def _new_setting(
    instance: Instance, chip: ChipName, screened: ScreenedSetting
) -> submissions.NewSetting:
    setting = screened.setting
    clock_mhz = setting.clock_mhz if setting.control == "fixed_clock_voltage" else None
    band_mhz = instance.catalogue.find_clock_band(chip, clock_mhz) or 0
    return submissions.NewSetting(
        domain=setting.domain,
        pool=submissions.PoolKey(setting.control, "+".join(setting.domains), band_mhz),
        conditions=submissions.ConditionsKey(",".join(setting.loads), screened.grade),
        status=screened.status,
        reasons=orjson.dumps(screened.reasons).decode(),
        stable_steps=screened.stable_steps,
        unstable_steps=screened.unstable_steps,
        early_stop_steps=screened.early_stop_steps,
        clock_mhz=setting.clock_mhz,
        stock_mv=setting.stock_mv,
    )
