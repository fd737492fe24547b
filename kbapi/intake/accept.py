"""The one road in: a result is read, screened, stored and merged into evidence, or refused."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import orjson
from sqlalchemy import Connection

from kbapi.errors import DocumentRefused, IdempotencyKeyReused
from kbapi.evidence.book import book_evidence
from kbapi.intake.accepted import Accepted, accepted_from
from kbapi.intake.counting import count_accepted, count_refused
from kbapi.intake.new_rows import Sender, new_submission
from kbapi.intake.reader import ReadDocument, read_submission
from kbapi.intake.receipts import contributor_hash, receipt_of, unit_hash
from kbapi.intake.screening import ScreenedSetting, screen_setting
from kbapi.intake.telling import tell_repeated, tell_stored
from kbapi.storage import chip_rows, idempotency, submissions
from kbapi.storage.instance import Instance

_IDEMPOTENCY_LIFE: Final = timedelta(hours=24)
_ENDPOINT: Final = "submissions"


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
    document = _read(instance, body)
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
    count_accepted(accepted)
    return accepted


def _read(instance: Instance, body: bytes) -> ReadDocument:
    try:
        return read_submission(body, f"{instance.today():%Y-%m}", instance.catalogue)
    except DocumentRefused as refused:
        count_refused(refused)
        raise


def _screen(instance: Instance, document: ReadDocument) -> tuple[ScreenedSetting, ...]:
    return tuple(
        screen_setting(
            setting,
            document.result,
            instance.catalogue.grid_for(document.chip, setting.control),
        )
        for setting in document.result.settings
    )


def _sender_of(instance: Instance, document: ReadDocument) -> Sender:
    result, secret = document.result, instance.secret
    who = contributor_hash(secret, result.contributor_token)
    which = unit_hash(secret, result.contributor_token, result.unit_token)
    content = None
    if which is not None:
        canonical = orjson.dumps(document.raw, option=orjson.OPT_SORT_KEYS)
        content = secret.keyed_hash("content", which + canonical)
    return Sender(who, which, content)


def _replay_of(instance: Instance, sender: Sender, body: bytes, key: str | None) -> _Replay | None:
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
    sender: Sender,
) -> tuple[int, Accepted]:
    """The stored submission's number and answer; a repeat answers with the first one."""
    if sender.content_hash is not None:
        first = submissions.find_by_content(connection, sender.content_hash)
        if first is not None:
            return first.id, tell_repeated(instance, connection, first)
    new = new_submission(instance, connection, document, screened, sender)
    submission_id, places = submissions.save_submission(connection, new)
    book_evidence(connection, places, new.unit.contributor_id)
    stored = submissions.load_submission(connection, submission_id)
    chip_rows.raise_line_revision(connection, stored.line_id)
    return submission_id, tell_stored(instance, connection, stored)
