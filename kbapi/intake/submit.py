"""Accept one result: read it, screen it, store it and merge it into evidence, or refuse it."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from typing import Final, Literal

import orjson
from sqlalchemy import Connection

from kbapi.clock import full_hour_s
from kbapi.documents.reader import JsonReading, ReadDocument, read_document, read_json
from kbapi.errors import DocumentRefused, IdempotencyKeyReused, SubmissionGone
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash, receipt_of, unit_hash
from kbapi.intake.responses import (
    Accepted,
    DryRunResponse,
    accepted_from,
    describe_repeated,
    describe_stored,
    dry_run_from,
)
from kbapi.intake.result_rows import Sender, find_known_of, new_submission
from kbapi.intake.screening import ScreenedSetting, screen_setting
from kbapi.metrics.counters import count_rule, count_submission
from kbapi.storage import pools, results
from kbapi.storage.contributors import NO_ANSWER, mark_vouched
from kbapi.storage.keys import Voucher, use_vouch
from kbapi.storage.results import StoredOutcome
from kbapi.time_budget import check_time
from kbapi.vocabulary import KeyedEndpoint

_EARLIEST_ZONE: Final = timedelta(hours=14)


@dataclass(frozen=True, slots=True)
class Prepared:
    """A sound document, its screened settings and its sender."""

    document: ReadDocument
    screened: tuple[ScreenedSetting, ...]
    sender: Sender


def prepare(instance: Instance, reading: JsonReading) -> Prepared:
    """The document, read and screened without the database.

    Raises
    ------
    DocumentRefused
        With every problem of the document.
    """
    # The earliest time zone is fourteen hours ahead of UTC.
    this_month = f"{instance.now() + _EARLIEST_ZONE:%Y-%m}"
    document = read_document(reading, this_month, instance.catalogue)
    screened = screen(instance, document)
    check_time("screening")
    return Prepared(document, screened, _sender_of(instance, document))


def screen(instance: Instance, document: ReadDocument) -> tuple[ScreenedSetting, ...]:
    """Every setting of the document with its status."""
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
    contributor = contributor_hash(secret, result.contributor_token)
    unit = unit_hash(secret, result.contributor_token, result.unit_token)
    return Sender(contributor, unit, document_hash(instance, unit or contributor, document))


def document_hash(instance: Instance, sender: bytes, document: ReadDocument) -> bytes:
    """The keyed hash of a document and of its unit, or of its contributor without a unit token."""
    canonical = orjson.dumps(document.raw, option=orjson.OPT_SORT_KEYS)
    return instance.secret.keyed_hash("content", sender + canonical)


@dataclass(frozen=True, slots=True)
class Stored:
    """A stored document, and the line of which it outdates the answers."""

    submission_id: int
    accepted: Accepted
    line_id: int | None
    """None for a repeat, which changes nothing."""


def store_once(
    instance: Instance,
    connection: Connection,
    prepared: Prepared,
    voucher: Voucher | None = None,
) -> Stored:
    """The stored document; a repeat gets the number and the answer of the first one.

    The caller outdates the answers of its line before the commit, as the last step: from then on
    PostgreSQL keeps other writers of the line waiting.
    The key that sent it vouches for its contributor, unless it has no contributor token.
    """
    sender = prepared.sender
    if prepared.document.result.contributor_token is None:
        voucher = None
    document = prepared.document
    known = find_known_of(connection, document, sender)
    if known.document is not None:
        first = results.load_submission(connection, known.document)
        _vouch(connection, voucher, first.unit.contributor_id)
        return Stored(first.id, describe_repeated(instance, connection, first), None)
    new = new_submission(instance, connection, document, prepared.screened, sender, known)
    # Before its result is saved: of a new contributor no answer is outdated by the key.
    _vouch(connection, voucher, new.unit.contributor_id)
    submission_id, settings = results.save_submission(connection, new)
    stored = results.load_with(connection, submission_id, settings)
    # Without a unit token the unit may be that of an equal document, which must not show.
    is_new = sender.unit_hash is None
    accepted = describe_stored(instance, connection, stored, is_new_unit=is_new)
    return Stored(submission_id, accepted, stored.line_id)


def outdate_lines(connection: Connection, all_stored: Iterable[Stored]) -> None:
    """Outdate the answers of the lines of these documents, each once and always in one order.

    So no writer waits for one that waits for it.
    """
    for line_id in sorted({one.line_id for one in all_stored if one.line_id is not None}):
        pools.raise_line_revision(connection, line_id)


def _vouch(connection: Connection, voucher: Voucher | None, contributor_id: int) -> None:
    """Mark the contributor as vouched for, if a key vouches for one more."""
    if voucher is not None and use_vouch(connection, voucher):
        mark_vouched(connection, contributor_id)


def count_accepted(accepted: Accepted, outcome: Literal["stored", "corrected"] = "stored") -> None:
    """Count a stored document, with each rule that applied to its settings and readings."""
    if accepted.duplicate_of is not None:
        count_submission("repeated")
        return
    count_submission(outcome)
    for setting in accepted.settings:
        for reason in setting.reasons:
            count_rule(reason.code, "setting")
    for ignored in accepted.reading_ignored:
        count_rule(ignored.code, "reading")


def count_refused(refused: DocumentRefused) -> None:
    """Count a refused document, with each rule that it breaks."""
    count_submission("refused")
    for problem in refused.problems:
        count_rule(problem.code, "refusal")


_IDEMPOTENCY_LIFE: Final = timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Replay:
    """The hashes under which the answer to a request is stored."""

    endpoint: KeyedEndpoint
    scope_hash: bytes
    fingerprint: bytes


def replay_of(
    instance: Instance,
    endpoint: KeyedEndpoint,
    sender: bytes,
    body: bytes,
    key: str | None,
    *,
    place: str = "",
) -> Replay | None:
    """The hashes for the answer to this request; None for a request without a key.

    `place` separates the items of a batch.
    """
    if key is None:
        return None
    secret = instance.secret
    scope = f"{endpoint}{place}\n{key}\n".encode()
    return Replay(
        endpoint=endpoint,
        scope_hash=secret.keyed_hash("idempotency", scope + sender),
        fingerprint=secret.keyed_hash("fingerprint", body),
    )


def find_earlier_answer(
    instance: Instance, connection: Connection, replay: Replay | None
) -> StoredOutcome | None:
    """The answer that the same request got before, if any.

    Raises
    ------
    IdempotencyKeyReused
        When the key came with another body.
    """
    if replay is None:
        return None
    now_s = int(instance.now().timestamp())
    outcome = results.find_outcome(connection, replay.scope_hash, now_s)
    if outcome is not None and outcome.fingerprint != replay.fingerprint:
        raise IdempotencyKeyReused
    return outcome


def keep_answer(
    instance: Instance,
    connection: Connection,
    replay: Replay,
    submission_id: int,
    answer: str,
) -> None:
    """Store an answer for a day, up to a full hour; a withdrawal of its submission deletes it."""
    now = instance.now()
    results.save_outcome(
        connection,
        scope_hash=replay.scope_hash,
        fingerprint=replay.fingerprint,
        endpoint=replay.endpoint,
        submission_id=submission_id,
        answer=answer,
        now_s=int(now.timestamp()),
        expires_at=full_hour_s(now + _IDEMPOTENCY_LIFE),
    )


def answer_again(instance: Instance, connection: Connection, earlier: StoredOutcome) -> Accepted:
    """The answer to a repeated request; of a corrected result, its present state.

    Raises
    ------
    SubmissionGone
        When the result was withdrawn.
    """
    if earlier.public_id is None:
        raise SubmissionGone
    if earlier.answer == NO_ANSWER:
        stored = results.load_submission_of(connection, earlier.public_id)
        return describe_stored(instance, connection, stored)
    return accepted_from(earlier.answer, receipt_of(instance.secret, earlier.public_id))


def accept_submission(
    instance: Instance,
    body: bytes,
    idempotency_key: str | None = None,
    voucher: Voucher | None = None,
) -> Accepted:
    """The answer to a result, once it is stored and merged into evidence.

    One transaction: if it returns, the result is on disk; if it raises, nothing is. `voucher` is
    the key that sent it, if it vouches for contributors.

    Raises
    ------
    JsonUnreadable, DocumentRefused
        When the document is not possible; nothing is stored.
    IdempotencyKeyReused
        When the key was used for a different document.
    StorageBusy, StorageUnwritable, StorageBroken
        When the database cannot be written now.
    """
    prepared = prepare_counted(instance, body)
    sender = prepared.sender.contributor_hash
    replay = replay_of(instance, "submissions", sender, body, idempotency_key)
    # The same document at the same time waits, so that the second one finds the first.
    once = prepared.sender.content_hash
    with instance.writing(shared=True, once=once) as connection:
        earlier = find_earlier_answer(instance, connection, replay)
        if earlier is not None:
            return answer_again(instance, connection, earlier)
        stored = store_once(instance, connection, prepared, voucher)
        if replay is not None:
            answer = stored.accepted.without_receipt()
            keep_answer(instance, connection, replay, stored.submission_id, answer)
        outdate_lines(connection, (stored,))
    count_accepted(stored.accepted)
    return stored.accepted


def dry_run_submission(instance: Instance, body: bytes) -> DryRunResponse:
    """The answer that the result would get; nothing is stored.

    Raises what `accept_submission` raises about the document and the database.
    """
    prepared = prepare(instance, read_json(body))
    with instance.dry_run() as connection:
        stored = store_once(instance, connection, prepared)
    return dry_run_from(stored.accepted)


def prepare_counted(instance: Instance, body: bytes) -> Prepared:
    """The document, read and screened; a refused one is counted.

    Raises what `prepare` raises, and JsonUnreadable.
    """
    try:
        return prepare(instance, read_json(body))
    except DocumentRefused as refused:
        count_refused(refused)
        raise
