"""Up to a thousand results, read and stored in small groups, each with its own outcome.

The outcome of a group is final when its transaction is committed. The items after the end of the
time budget, or after a fault of the database, are not tried.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import Final

from sqlalchemy import Connection

from kbapi.bounds import MOST_ITEMS
from kbapi.documents.reader import find_items, find_lines, read_json
from kbapi.documents.shapes import child
from kbapi.errors import (
    DocumentRefused,
    IdempotencyKeyReused,
    JsonUnreadable,
    Problem,
    ScopeMissing,
    StorageBroken,
    StorageBusy,
    StorageUnwritable,
    SubmissionGone,
    TooCostly,
)
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.intake.responses import Accepted, Reason
from kbapi.intake.submit import (
    Prepared,
    Replay,
    Stored,
    answer_again,
    count_accepted,
    count_refused,
    find_earlier_answer,
    keep_answer,
    outdate_lines,
    prepare,
    replay_of,
    store_once,
)
from kbapi.storage.keys import Voucher
from kbapi.storage.sqlite.database import WRITE_LOCK_TIMEOUT_S
from kbapi.time_budget import BATCH_TIME, DOCUMENT_TIME, limited_time, time_left_s
from kbapi.vocabulary import BatchItemStatus

_WITHDRAWN: Final = Reason(
    "withdrawn",
    "This result was withdrawn. To store it again, send the batch under another Idempotency-Key.",
)
_MOST_PROBLEMS_LISTED: Final = 100
"""In the answer to a batch of which every item is refused."""
_MOST_ERRORS_LISTED: Final = 1_000
"""In the answer to any other batch; the first error of each item is listed in any case."""
_GROUP_ITEMS: Final = 100
"""More items cost hardly less each, and keep other writers waiting for longer."""
_GROUP_BYTES: Final = 262_144
"""More text would take more memory than one large item does."""
_SHORTEST_WAIT_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class BatchItem:
    """The outcome of one item of a batch."""

    index: int
    """Position of the item in the batch, from 0."""
    status: BatchItemStatus
    """`counted`, `unverified` or `excluded`: how a new result was screened. `repeated`: the same
    result is stored already. `refused`: not stored. `withdrawn`: the same batch had stored it, and
    it was withdrawn since. `not_tried`: not stored, send it again."""
    id: str | None
    """Id of the stored result; null where nothing is stored."""
    receipt: str | None
    """Secret that reads, follows up and withdraws the result; null where nothing is stored."""
    warnings: tuple[Reason, ...] = ()
    """What it costs that the result has no tokens; empty for one with both."""


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
    """Why no setting of the item counts, or why it was not tried; empty for a refused item."""
    errors: tuple[BatchItemError, ...]
    """The faults of a refused item; empty for the others. `more_problems` is for faults that
    are not listed: about 1,000 are listed for a whole batch, and at least one for each item."""


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
    not_tried: int
    """Items that were not tried for lack of time or space: send them again."""


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
    voucher: Voucher | None = None,
) -> BatchResponse:
    """The outcome of each item, once all plausible items are stored, as far as time allows.

    Each group of items is a transaction, and what is stored is kept. The key is stored for each
    item by its place, so a repeat tries what was not tried.

    Raises
    ------
    JsonUnreadable, DocumentRefused
        When the body is not a list of 1 to 1,000 items, or each item is refused.
    IdempotencyKeyReused
        When the key was used for a different batch.
    ScopeMissing
        When it has results of several contributors and the sender may not forward them.
    StorageBusy, StorageUnwritable, StorageBroken
        When the database cannot be written before any item is stored.
    """
    batch = _Batch(instance, body, is_ndjson, idempotency_key, dry_run, voucher)
    batch.require_allowed(may_forward)
    listing = _Listing(len(batch.places), dry_run)
    not_tried = _TIME_IS_UP
    for group in batch.groups():
        try:
            outcomes = batch.store(group)
        except _ENDS_A_BATCH as fault:
            if not listing.has_stored:
                raise
            not_tried = Reason(fault.code, fault.detail)
            break
        listing.add(outcomes)
    return listing.response(not_tried)


_TIME_IS_UP: Final = Reason(
    TooCostly.code,
    f"The batch took more than {BATCH_TIME.seconds:.0f} s. Send this item again.",
)
_ENDS_A_BATCH: Final = (StorageBusy, StorageUnwritable, StorageBroken, IdempotencyKeyReused)
CODES_OF_BATCHES: Final = (
    _WITHDRAWN.code,
    _TIME_IS_UP.code,
    *(fault.code for fault in _ENDS_A_BATCH),
)
"""Why an item of a batch is not stored although nothing is wrong with it."""

_Group = list[tuple[int, Prepared | DocumentRefused]]
"""Items that one transaction stores, each with its place in the batch."""


class _Batch:
    """The body of a batch, the places of its items, and the key of the request."""

    def __init__(
        self,
        instance: Instance,
        body: bytes,
        is_ndjson: bool,
        key: str | None,
        dry_run: bool,
        voucher: Voucher | None,
    ) -> None:
        self.places = find_lines(body) if is_ndjson else find_items(body)
        if not 1 <= len(self.places) <= MOST_ITEMS:
            sent = "more" if self.places else "none"
            detail = f"A batch has 1 to {MOST_ITEMS} items; this one has {sent}."
            raise DocumentRefused(problems=[Problem("", "wrong_number_of_items", detail)])
        self.key = None if dry_run else key
        self._instance, self._body, self._dry_run = instance, body, dry_run
        self._voucher = voucher
        # Hashed once, not for each item: each item's answer is stored under the whole request.
        self._digest = b"" if self.key is None else sha256(body).digest()
        self._seen: dict[bytes, Accepted] = {}

    def require_allowed(self, may_forward: bool) -> None:
        """Nothing, if the key is new or belongs to this batch, and the senders are allowed.

        The tokens are read in a pass of their own, before anything is stored.

        Raises
        ------
        IdempotencyKeyReused
            When the key was used for a different batch.
        ScopeMissing
            When it has results of several contributors and the sender may not forward them.
        """
        if self.key is None and may_forward:
            return
        senders = dict(self._senders())
        if self.key is not None:
            with self._instance.reading() as connection:
                for place, sender in senders.items():
                    find_earlier_answer(self._instance, connection, self._replay(place, sender))
        if not may_forward and len(set(senders.values())) > 1:
            self._require_one_contributor()

    def _senders(self) -> Iterator[tuple[int, bytes]]:
        """The place and the sender of each item that can be stored, as far as its text shows."""
        for place, item in enumerate(self.places):
            if item.stop - item.start > self._instance.settings.max_body_bytes:
                continue
            try:
                value = read_json(self._body[item]).value
            except JsonUnreadable:
                continue
            token = value.get("contributor_token") if isinstance(value, dict) else 0
            if token is None or (isinstance(token, str) and token.isascii()):
                yield place, contributor_hash(self._instance.secret, token)

    def _require_one_contributor(self) -> None:
        """Nothing, if all items but one contributor's are refused anyway."""
        senders = set()
        for group in self.groups():
            senders |= {
                one.sender.contributor_hash for _, one in group if isinstance(one, Prepared)
            }
            if len(senders) > 1:
                raise ScopeMissing(
                    "The batch has results of several contributors. It needs a key with the scope "
                    "submit_for_members. Nothing was stored."
                )

    def groups(self) -> Iterator[_Group]:
        """The items, read and screened in small groups; none after the end of the time budget."""
        group: _Group = []
        size = 0
        for place, item in enumerate(self.places):
            group.append((place, self._prepared(item)))
            size += item.stop - item.start
            is_over = time_left_s() <= 0
            if is_over or len(group) == _GROUP_ITEMS or size >= _GROUP_BYTES:
                yield group
                group, size = [], 0
            if is_over:
                return
        if group:
            yield group

    def _prepared(self, item: slice) -> Prepared | DocumentRefused:
        size, most = item.stop - item.start, self._instance.settings.max_body_bytes
        if size > most:
            detail = f"An item has at most {most:,} bytes; this one has {size:,}."
            return DocumentRefused(problems=[Problem("", "item_too_large", detail)])
        try:
            with limited_time(DOCUMENT_TIME):
                return prepare(self._instance, read_json(self._body[item]))
        except (JsonUnreadable, TooCostly) as fault:
            problems: Sequence[Problem] = [Problem("", fault.code, fault.detail)]
        except DocumentRefused as refused:
            problems = refused.problems
        # A new error: the traceback of the raised one would keep the whole item in memory.
        return DocumentRefused(problems=problems)

    def store(self, group: _Group) -> list[Outcome]:
        """The outcomes of a group, once its plausible items are stored."""
        refused = [one for _, one in group if isinstance(one, DocumentRefused)]
        if len(refused) == len(group):
            return [*refused]
        with self._transaction() as connection:
            stored: list[Stored] = []
            outcomes = [self._store(connection, place, one, stored) for place, one in group]
            outdate_lines(connection, stored)
        return outcomes

    def _transaction(self) -> AbstractContextManager[Connection]:
        if self._dry_run:
            return self._instance.dry_run()
        wait_s = max(_SHORTEST_WAIT_S, time_left_s())
        return self._instance.writing(min(WRITE_LOCK_TIMEOUT_S, wait_s), shared=True)

    def _store(
        self,
        connection: Connection,
        place: int,
        prepared: Prepared | DocumentRefused,
        all_stored: list[Stored],
    ) -> Outcome:
        if isinstance(prepared, DocumentRefused):
            return prepared
        replay = self._replay(place, prepared.sender.contributor_hash)
        earlier = find_earlier_answer(self._instance, connection, replay)
        if earlier is not None:
            try:
                return answer_again(self._instance, connection, earlier)
            except SubmissionGone:
                return SubmissionGone()
        if (known := self._seen.get(prepared.sender.content_hash or b"")) is not None:
            return known
        stored = store_once(self._instance, connection, prepared, self._voucher)
        all_stored.append(stored)
        accepted = stored.accepted
        if replay is not None:
            answer = accepted.without_receipt()
            keep_answer(self._instance, connection, replay, stored.submission_id, answer)
        if self._dry_run and prepared.sender.content_hash is not None:
            # The next group will not find this item in the database.
            self._seen[prepared.sender.content_hash] = _as_repeated(accepted)
        return accepted

    def _replay(self, place: int, sender: bytes) -> Replay | None:
        item = f"\n{place}"
        return replay_of(self._instance, "batch", sender, self._digest, self.key, place=item)


def _as_repeated(accepted: Accepted) -> Accepted:
    return replace(accepted, settings=(), reading_ignored=(), duplicate_of=accepted.id)


class _Listing:
    """The outcomes so far, with as many errors as an answer lists."""

    def __init__(self, items: int, dry_run: bool) -> None:
        self.has_stored = False
        self._number, self._dry_run = items, dry_run
        self._items: list[BatchItem] = []
        self._not_counted: list[UncountedItem] = []
        self._errors_left = _MOST_ERRORS_LISTED
        self._first_problems: list[Problem] = []
        self._problems = 0

    def add(self, outcomes: Sequence[Outcome]) -> None:
        """List the outcomes of the next items, and count them unless this is a dry run."""
        for outcome in outcomes:
            self._add(outcome)

    def _add(self, outcome: Outcome) -> None:
        place = len(self._items)
        if isinstance(outcome, DocumentRefused):
            self._items.append(BatchItem(place, "refused", None, None))
            errors = self._errors_of(place, outcome)
            self._not_counted.append(UncountedItem(place, "refused", (), errors))
            if not self._dry_run:
                count_refused(outcome)
            return
        if isinstance(outcome, SubmissionGone):
            self._items.append(BatchItem(place, "withdrawn", None, None))
            self._not_counted.append(UncountedItem(place, "withdrawn", (_WITHDRAWN,), ()))
            return
        item = _item(place, outcome, self._dry_run)
        self._items.append(item)
        if item.status != "counted":
            reasons = outcome.screening.reasons
            self._not_counted.append(UncountedItem(place, item.status, reasons, ()))
        if not self._dry_run:
            self.has_stored = True
            count_accepted(outcome)

    def _errors_of(self, place: int, refused: DocumentRefused) -> tuple[BatchItemError, ...]:
        problems = refused.problems
        listed = problems[: max(1, self._errors_left)]
        self._errors_left -= len(listed)
        self._problems += len(problems)
        room = _MOST_PROBLEMS_LISTED - len(self._first_problems)
        self._first_problems += [
            replace(problem, pointer=child("", place) + problem.pointer)
            for problem in problems[:room]
        ]
        if len(listed) < len(problems):
            listed = (*listed, _more_problems(len(problems) - len(listed)))
        return tuple(
            BatchItemError(one.pointer, one.code, one.detail, one.candidates) for one in listed
        )

    def response(self, not_tried: Reason) -> BatchResponse:
        """The answer; `not_tried` is the reason for all items without an outcome.

        Raises
        ------
        DocumentRefused
            When every item is refused.
        """
        by_status = Counter(item.status for item in self._items)
        if by_status["refused"] == self._number:
            raise self._all_refused()
        for place in range(len(self._items), self._number):
            self._items.append(BatchItem(place, "not_tried", None, None))
            self._not_counted.append(UncountedItem(place, "not_tried", (not_tried,), ()))
        return BatchResponse(
            counts=BatchCounts(
                items=self._number,
                stored=by_status.total() - by_status["refused"] - by_status["withdrawn"],
                counted=by_status["counted"],
                unverified=by_status["unverified"],
                excluded=by_status["excluded"],
                repeated=by_status["repeated"],
                refused=by_status["refused"],
                withdrawn=by_status["withdrawn"],
                not_tried=self._number - by_status.total(),
            ),
            items=tuple(self._items),
            not_counted=tuple(self._not_counted),
            dry_run=self._dry_run,
        )

    def _all_refused(self) -> DocumentRefused:
        problems = self._first_problems
        if self._problems > len(problems):
            problems = [*problems, _more_problems(self._problems - len(problems))]
        return DocumentRefused(
            "Every item was refused. Nothing was stored: correct the items and send them again.",
            problems,
        )


def _more_problems(left: int) -> Problem:
    return Problem("", "more_problems", f"{left} more problems are not listed.")


def _item(place: int, accepted: Accepted, dry_run: bool) -> BatchItem:
    is_repeated = accepted.duplicate_of is not None
    status: BatchItemStatus = "repeated" if is_repeated else accepted.screening.status
    if dry_run and not is_repeated:
        return BatchItem(place, status, None, None, accepted.warnings)
    return BatchItem(place, status, accepted.id, accepted.receipt, accepted.warnings)
