"""The one road in: a result is read, screened, stored and merged into evidence, or refused."""

from typing import Final

from kbapi.errors import DocumentRefused
from kbapi.intake.accepted import Accepted, DryRunResponse, accepted_from, dry_run_from
from kbapi.intake.counting import count_accepted, count_refused
from kbapi.intake.json_text import read_json
from kbapi.intake.receipts import receipt_of
from kbapi.intake.replay import find_earlier_answer, keep_answer, replay_of
from kbapi.intake.store import Prepared, prepare, store_once
from kbapi.storage.instance import Instance

_ENDPOINT: Final = "submissions"


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
    prepared = _prepare(instance, body)
    who = prepared.sender.contributor_hash
    replay = replay_of(instance, _ENDPOINT, who, body, idempotency_key)
    with instance.writing() as connection:
        earlier = find_earlier_answer(instance, connection, replay)
        if earlier is not None:
            return accepted_from(earlier.answer, receipt_of(instance.secret, earlier.public_id))
        submission_id, accepted = store_once(instance, connection, prepared)
        keep_answer(instance, connection, replay, submission_id, accepted.without_receipt())
    count_accepted(accepted)
    return accepted


def rehearse_submission(instance: Instance, body: bytes) -> DryRunResponse:
    """What the sender would be told, had the result been stored; nothing is.

    Raises what `accept_submission` raises of the document and the database.
    """
    prepared = prepare(instance, read_json(body))
    with instance.rehearsing() as connection:
        _, accepted = store_once(instance, connection, prepared)
    return dry_run_from(accepted)


def _prepare(instance: Instance, body: bytes) -> Prepared:
    try:
        return prepare(instance, read_json(body))
    except DocumentRefused as refused:
        count_refused(refused)
        raise
