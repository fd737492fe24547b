"""Correct a result: a new document replaces the stored one, under the same id and receipt."""

from dataclasses import dataclass
from typing import Final

import orjson
from sqlalchemy import Connection

from kbapi.errors import DocumentRefused, Problem, SubmissionGone
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import RemovedFollowUp, follow_again
from kbapi.intake.my_submissions import require_receipt
from kbapi.intake.responses import Accepted, describe_stored
from kbapi.intake.result_rows import Place, Sender, find_known_of, find_unit_of, submission_at
from kbapi.intake.submit import (
    Prepared,
    answer_again,
    count_accepted,
    document_hash,
    find_earlier_answer,
    keep_answer,
    prepare_counted,
    replay_of,
)
from kbapi.storage import answers, pools, results
from kbapi.storage.contributors import NO_ANSWER, drop_unit_if_unused, load_arrival
from kbapi.storage.rescreening import replace_submission
from kbapi.storage.results import StoredSubmission, forget_answers


@dataclass(frozen=True, slots=True)
class Correction:
    """The answer to a corrected result."""

    accepted: Accepted
    follow_ups_removed: tuple[RemovedFollowUp, ...]


def correct_submission(
    instance: Instance,
    public_id: str,
    receipt: str,
    body: bytes,
    idempotency_key: str | None = None,
) -> Correction:
    """The answer to the new document, once it has replaced the stored one in one transaction.

    The earlier document is overwritten as by a withdrawal.

    Raises
    ------
    ReceiptWrong, SubmissionGone
        As for reading the result.
    JsonUnreadable, DocumentRefused
        When the document is not possible, or is stored already under another id.
    IdempotencyKeyReused
        When the key was used for a different correction.
    """
    require_receipt(instance, public_id, receipt)
    prepared = prepare_counted(instance, body)
    replay = replay_of(instance, "corrections", public_id.encode(), body, idempotency_key)
    with instance.writing() as connection:
        stored = results.find_submission(connection, public_id)
        if stored is None:
            raise SubmissionGone
        earlier = find_earlier_answer(instance, connection, replay)
        if earlier is not None:
            return Correction(
                answer_again(instance, connection, earlier), _removed_in(earlier.answer)
            )
        correction = _replace(instance, connection, stored, prepared)
        if replay is not None:
            keep_answer(instance, connection, replay, stored.id, _as_text(correction))
    instance.overwrite_withdrawn()
    count_accepted(correction.accepted, "corrected")
    return correction


def _replace(
    instance: Instance, connection: Connection, stored: StoredSubmission, prepared: Prepared
) -> Correction:
    sender = _sender_of(instance, connection, stored, prepared)
    _require_new(connection, stored, sender)
    # Without a unit token the unit is that of equal documents.
    keeps_unit = prepared.document.result.contributor_token is None and sender.unit_hash is not None
    known = find_known_of(connection, prepared.document, sender)
    unit = stored.unit if keeps_unit else find_unit_of(instance, connection, sender, known)
    place = Place(stored.public_id, load_arrival(connection, stored.id).day, unit, known.chip)
    new = submission_at(
        instance, connection, prepared.document, prepared.screened, place, sender.content_hash
    )
    places = replace_submission(connection, stored, new)
    forget_answers(connection, stored.id)
    removed = follow_again(instance, connection, results.load_submission(connection, stored.id))
    drop_unit_if_unused(connection, stored.unit)
    pools.drop_unused_places(connection, places)
    now = results.load_submission(connection, stored.id)
    for line_id in {stored.line_id, now.line_id}:
        answers.outdate_answers_of_line(connection, line_id)
    pools.drop_chip_if_unused(connection, stored.chip_id, stored.line_id)
    return Correction(describe_stored(instance, connection, now), removed)


def _sender_of(
    instance: Instance, connection: Connection, stored: StoredSubmission, prepared: Prepared
) -> Sender:
    """The sender of the new document; without a contributor token it stays that of the earlier one.

    The document that is read back has no tokens, and must not lose its unit by a correction.
    """
    if prepared.document.result.contributor_token is not None:
        return prepared.sender
    arrival = load_arrival(connection, stored.id)
    owner = arrival.unit_hash or arrival.contributor_hash
    content = document_hash(instance, owner, prepared.document)
    return Sender(arrival.contributor_hash, arrival.unit_hash, content)


_STORED_ALREADY: Final = "This document is stored already as {}. Withdraw one of the two results."


def _require_new(connection: Connection, stored: StoredSubmission, sender: Sender) -> None:
    """Nothing, unless the same unit has the same document under another id.

    Raises
    ------
    DocumentRefused
        Naming the other id.
    """
    if sender.content_hash is None:
        return
    other = results.find_by_content(connection, sender.content_hash)
    if other is not None and other.id != stored.id:
        detail = _STORED_ALREADY.format(other.public_id)
        raise DocumentRefused(problems=[Problem("", "stored_already", detail)])


def _as_text(correction: Correction) -> str:
    fields = orjson.loads(correction.accepted.without_receipt())
    return orjson.dumps(fields | {"follow_ups_removed": correction.follow_ups_removed}).decode()


def _removed_in(kept: str) -> tuple[RemovedFollowUp, ...]:
    fields = {} if kept == NO_ANSWER else orjson.loads(kept)
    return tuple(RemovedFollowUp(**one) for one in fields.get("follow_ups_removed", ()))
