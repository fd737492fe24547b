"""Up to a thousand results in one transaction, each with its own outcome."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Final

from sqlalchemy import Connection

from kbapi.bounds import MOST_ITEMS
from kbapi.documents.reader import JsonReading, read_json, read_json_items
from kbapi.documents.shapes import child
from kbapi.errors import DocumentRefused, JsonUnreadable, Problem, ScopeMissing, SubmissionGone
from kbapi.instance.instance import Instance
from kbapi.intake.responses import Accepted, Reason
from kbapi.intake.submit import (
    Prepared,
    answer_again,
    count_accepted,
    count_refused,
    find_earlier_answer,
    keep_answer,
    prepare,
    replay_of,
    store_once,
)
from kbapi.vocabulary import BatchItemStatus

_WITHDRAWN: Final = Reason(
    "withdrawn",
    "This result was withdrawn. To store it again, send the batch under another Idempotency-Key.",
)
_MOST_PROBLEMS_LISTED: Final = 100


@dataclass(frozen=True, slots=True)
class BatchItem:
    """The outcome of one item of a batch."""

    index: int
    """Position of the item in the batch, from 0."""
    status: BatchItemStatus
    """`counted`, `unverified` or `excluded`: how a new result was screened. `repeated`: the same
    result is stored already. `refused`: not stored. `withdrawn`: the same batch had stored it, and
    it was withdrawn since."""
    id: str | None
    """Id of the stored result; null where nothing is stored."""
    receipt: str | None
    """Secret that reads, follows up and withdraws the result; null where nothing is stored."""


@dataclass(frozen=True, slots=True)
class BatchItemError:
    """One fault of a refused item."""

    pointer: str
    """JSON pointer into the item."""
    code: str
    """Code of the fault."""
    detail: str
    """What is wrong and how to correct it."""
    candidates: tuple[str, ...]
    """Catalogue keys to choose from; empty unless a name fits several chips."""


@dataclass(frozen=True, slots=True)
class UncountedItem:
    """Why an item of a batch does not count as a new result, and what would change that."""

    index: int
    """Position of the item in the batch, from 0."""
    status: BatchItemStatus
    """As in `items`."""
    reasons: tuple[Reason, ...]
    """Why no setting of the item counts; empty for a refused item."""
    errors: tuple[BatchItemError, ...]
    """Every fault of a refused item; empty for the others."""


@dataclass(frozen=True, slots=True)
class BatchCounts:
    """How many items of a batch had which outcome."""

    items: int
    """Items in the batch."""
    stored: int
    """Items that are in the database, repeated ones included; in a dry run, those that would be."""
    counted: int
    """New results with at least one setting that counts."""
    unverified: int
    """New results without proof that a setting took effect."""
    excluded: int
    """New results of which nothing counts for another reason."""
    repeated: int
    """Results that were stored before."""
    refused: int
    """Items that cannot be right and were not stored."""
    withdrawn: int
    """Items of a repeated batch whose results were withdrawn since; they were not stored again."""


@dataclass(frozen=True, slots=True)
class BatchResponse:
    """The answer to a batch."""

    counts: BatchCounts
    """How many items had which outcome."""
    items: tuple[BatchItem, ...]
    """The outcome of each item, in the order of the batch."""
    not_counted: tuple[UncountedItem, ...]
    """Every item whose status is not counted, with its reasons or errors."""
    dry_run: bool
    """Whether this was a dry run, which stores nothing."""


Outcome = Accepted | DocumentRefused | SubmissionGone
"""Gone is a result that was withdrawn since the same batch was sent before."""


def accept_batch(
    instance: Instance,
    body: bytes,
    *,
    is_ndjson: bool = False,
    idempotency_key: str | None = None,
    dry_run: bool = False,
    may_forward: bool = True,
) -> BatchResponse:
    """The outcome of each item, once all plausible items are stored.

    One transaction: all of them are stored, or none. The key is stored for each item by its
    place, so that the withdrawal of one result leaves the answers of the others.

    Raises
    ------
    JsonUnreadable, DocumentRefused
        When the body is not a list of 1 to 1,000 items, or each item is refused.
    IdempotencyKeyReused
        When the key was used for a different batch.
    ScopeMissing
        When it has results of several contributors and the sender may not forward them.
    """
    prepared = [_prepare(instance, reading) for reading in _readings_of(body, is_ndjson)]
    if all(isinstance(one, DocumentRefused) for one in prepared):
        raise _all_refused(prepared)
    if not may_forward:
        _require_one_contributor(prepared)
    # Hashed once, not for each item: each item's answer is stored under the whole request.
    request = _Request(sha256(body).digest(), None if dry_run else idempotency_key)
    with instance.dry_run() if dry_run else instance.writing() as connection:
        outcomes = [
            _store(instance, connection, one, request, place) for place, one in enumerate(prepared)
        ]
    if not dry_run:
        _count(outcomes)
    return _response(outcomes, dry_run)


@dataclass(frozen=True, slots=True)
class _Request:
    """What identifies a repeated batch."""

    digest: bytes
    key: str | None


def _readings_of(body: bytes, is_ndjson: bool) -> list[JsonReading | JsonUnreadable]:
    readings: list[JsonReading | JsonUnreadable] = []
    if is_ndjson:
        lines = [line for line in body.split(b"\n") if line.strip()]
        _refuse_too_many(len(lines))
        readings += [_read_line(line) for line in lines]
    else:
        readings += read_json_items(body)
        _refuse_too_many(len(readings))
    return readings


def _read_line(line: bytes) -> JsonReading | JsonUnreadable:
    try:
        return read_json(line)
    except JsonUnreadable as unreadable:
        return unreadable


def _refuse_too_many(items: int) -> None:
    if not 1 <= items <= MOST_ITEMS:
        detail = f"A batch has 1 to {MOST_ITEMS} items; this one has {items}."
        raise DocumentRefused(problems=[Problem("", "wrong_number_of_items", detail)])


def _prepare(
    instance: Instance, reading: JsonReading | JsonUnreadable
) -> Prepared | DocumentRefused:
    if isinstance(reading, JsonUnreadable):
        return DocumentRefused(problems=[Problem("", reading.code, reading.detail)])
    try:
        return prepare(instance, reading)
    except DocumentRefused as refused:
        return refused


def _all_refused(refused: Sequence[Prepared | DocumentRefused]) -> DocumentRefused:
    problems = [
        replace(problem, pointer=child("", place) + problem.pointer)
        for place, one in enumerate(refused)
        if isinstance(one, DocumentRefused)
        for problem in one.problems
    ]
    _count([one for one in refused if isinstance(one, DocumentRefused)])
    if len(problems) > _MOST_PROBLEMS_LISTED:
        left = len(problems) - _MOST_PROBLEMS_LISTED
        more = Problem("", "more_problems", f"{left} more problems are not listed.")
        problems = [*problems[:_MOST_PROBLEMS_LISTED], more]
    return DocumentRefused(
        "Every item was refused. Nothing was stored: correct the items and send them again.",
        problems,
    )


def _require_one_contributor(prepared: Sequence[Prepared | DocumentRefused]) -> None:
    senders = {one.sender.contributor_hash for one in prepared if isinstance(one, Prepared)}
    if len(senders) > 1:
        raise ScopeMissing(
            "The batch has results of several contributors. It needs a key with the scope "
            "submit_for_members. Nothing was stored."
        )


def _store(
    instance: Instance,
    connection: Connection,
    prepared: Prepared | DocumentRefused,
    request: _Request,
    place: int,
) -> Outcome:
    if isinstance(prepared, DocumentRefused):
        return prepared
    sender, item = prepared.sender.contributor_hash, f"\n{place}"
    replay = replay_of(instance, "batch", sender, request.digest, request.key, place=item)
    earlier = find_earlier_answer(instance, connection, replay)
    if earlier is not None:
        try:
            return answer_again(instance, connection, earlier)
        except SubmissionGone as gone:
            return gone
    submission_id, accepted = store_once(instance, connection, prepared)
    if replay is not None:
        keep_answer(instance, connection, replay, submission_id, accepted.without_receipt())
    return accepted


def _count(outcomes: Sequence[Outcome]) -> None:
    for outcome in outcomes:
        if isinstance(outcome, DocumentRefused):
            count_refused(outcome)
        elif isinstance(outcome, Accepted):
            count_accepted(outcome)


def _response(outcomes: Sequence[Outcome], dry_run: bool) -> BatchResponse:
    items = tuple(_item(place, one, dry_run) for place, one in enumerate(outcomes))
    by_status = Counter(item.status for item in items)
    return BatchResponse(
        counts=BatchCounts(
            items=len(items),
            stored=len(items) - by_status["refused"] - by_status["withdrawn"],
            counted=by_status["counted"],
            unverified=by_status["unverified"],
            excluded=by_status["excluded"],
            repeated=by_status["repeated"],
            refused=by_status["refused"],
            withdrawn=by_status["withdrawn"],
        ),
        items=items,
        not_counted=tuple(_not_counted(items, outcomes)),
        dry_run=dry_run,
    )


def _item(place: int, outcome: Outcome, dry_run: bool) -> BatchItem:
    if isinstance(outcome, DocumentRefused):
        return BatchItem(place, "refused", None, None)
    if isinstance(outcome, SubmissionGone):
        return BatchItem(place, "withdrawn", None, None)
    is_repeated = outcome.duplicate_of is not None
    status: BatchItemStatus = "repeated" if is_repeated else outcome.screening.status
    if dry_run and status != "repeated":
        return BatchItem(place, status, None, None)
    return BatchItem(place, status, outcome.id, outcome.receipt)


def _not_counted(
    items: Sequence[BatchItem], outcomes: Sequence[Outcome]
) -> Iterator[UncountedItem]:
    for item, outcome in zip(items, outcomes, strict=True):
        if isinstance(outcome, DocumentRefused):
            errors = tuple(
                BatchItemError(one.pointer, one.code, one.detail, one.candidates)
                for one in outcome.problems
            )
            yield UncountedItem(item.index, item.status, (), errors)
        elif isinstance(outcome, SubmissionGone):
            yield UncountedItem(item.index, item.status, (_WITHDRAWN,), ())
        elif item.status != "counted":
            reasons = outcome.screening.reasons
            yield UncountedItem(item.index, item.status, reasons, ())
