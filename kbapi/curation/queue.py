"""The queue of curators: excluded settings without a decision, page by page."""

import base64
import binascii
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any, Final

import orjson
from marshmallow import fields, validate
from sqlalchemy import Connection

from kbapi.advice.documented import FactoryLockAnswer, find_contradicted
from kbapi.advice.evidence_found import find_asked_pool, load_standing_in
from kbapi.advice.start.answer import advise_start
from kbapi.advice.start.query import Question
from kbapi.bounds import LARGEST_INTEGER
from kbapi.chips.catalogue import Catalogue, resolve_chip
from kbapi.curation.starts import PoolName, name_of, question_about
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import (
    OneChoiceOf,
    ParameterCount,
    StrictSchema,
    Text,
    described,
)
from kbapi.errors import Problem, QueryInvalid, StorageBusy, StorageUnwritable
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.intake.responses import EXCLUDING_CODES, Reason, describe_settings
from kbapi.storage import review
from kbapi.storage.answers import PoolFinding, save_pool_check
from kbapi.storage.contributors import find_contributor
from kbapi.storage.pools import load_chips, load_pools
from kbapi.storage.results import StoredSubmission, load_submission
from kbapi.storage.review import (
    BEGIN,
    PARTS,
    UncheckedPool,
    Waiting,
    WaitingAt,
    WaitingFilters,
    find_unchecked_pools,
)
from kbapi.vocabulary import Domain, Grade, LimitControl, PoolCode, ScreeningStatus

_DEFAULT_PAGE: Final = 20
_LARGEST_PAGE: Final = 100
_MOST_LOOKED_AT: Final = 1_000
_MOST_RESULTS_COUNTED: Final = 100
_MOST_CONTRADICTED: Final = 20
_MOST_POOLS: Final = 100
_MOST_CHECKED: Final = 16
"""Each costs a start; the next request goes on."""
_CHECK_LOCK_TIMEOUT_S: Final = 0.1
"""A check that is not stored is made again, so results of senders go first."""


@dataclass(frozen=True, slots=True)
class BelowStock:
    """How far below stock a setting passed and failed, as sent; a positive number is lower."""

    stable: float | None
    """Deepest setting that passed, in mV below stock, in counts for count_offset; null if none was
    sent, or the stock voltage is unknown."""
    unstable: float | None
    """Shallowest setting that failed, in mV below stock, in counts for count_offset; null if none
    was sent, or the stock voltage is unknown."""


@dataclass(frozen=True, slots=True)
class ReviewedSender:
    """The contributor of a result, by number."""

    contributor: int
    """Number of the contributor on this instance; it reveals no name, address or token."""
    is_shared: bool
    """Whether the number is shared by all who send without a contributor token."""
    other_results: int
    """Other results of this contributor; counting ends at 99."""


@dataclass(frozen=True, slots=True)
class ReviewedSetting:
    """A setting that a curator may decide about."""

    submission: str
    """Id of the result, a UUID."""
    ordinal: int
    """Position of the setting in the result, from 0."""
    month: str
    """Month of the measurement, YYYY-MM."""
    chip: str
    """Catalogue key of the chip."""
    domain: Domain
    """The supply rail that was adjusted."""
    control: LimitControl
    """How it was adjusted."""
    moved_with: tuple[Domain, ...]
    """Other domains that were adjusted together with this one; empty for the domain alone."""
    clock_mhz: float | None
    """The clock of a fixed_clock_voltage setting, in MHz; null for the other controls."""
    below_stock: BelowStock
    """How far below stock it passed and failed."""
    grade: Grade
    """How strongly the passed setting was tested."""
    status: ScreeningStatus
    """How it is screened now, earlier decisions and the outlier check included."""
    reasons: tuple[Reason, ...]
    """Every reason for the status, the main reason first."""
    sender: ReviewedSender
    """The contributor of the result."""


@dataclass(frozen=True, slots=True)
class ContradictedLock:
    """A chip whose lock reports contradict what is documented about its series."""

    chip: str
    """Catalogue key of the chip."""
    factory_lock: FactoryLockAnswer
    """What is documented, and how many machines say otherwise."""


@dataclass(frozen=True, slots=True)
class PoolReason:
    """Why a curator should look at a pool."""

    code: PoolCode
    """The reason as a code that never changes."""
    text: str
    """The reason in one sentence."""


@dataclass(frozen=True, slots=True)
class ReviewedPool:
    """A pool that a curator should look at, as of its latest answer."""

    pool: int
    """Number of the pool on this instance, for a decision."""
    name: PoolName
    """Chip, domains and control of the pool."""
    units: int
    """Units with settings that count in the pool."""
    reasons: tuple[PoolReason, ...]
    """Every reason, the main one first."""
    contributor: int | None
    """Number of the contributor that moves the start; null where none moves it by much."""
    moves_by: float | None
    """How far the start moves without this contributor, in mV or counts; negative is deeper."""


@dataclass(frozen=True, slots=True)
class ReviewPage:
    """A page of the settings that wait for a decision."""

    waiting: tuple[ReviewedSetting, ...]
    """Settings that the rules excluded, oldest first; then those that the outlier check found."""
    pools: tuple[ReviewedPool, ...]
    """Pools to look at, at most 100; empty on later pages and with a filter. The first page checks
    up to 16 pools that have changed since their latest answer."""
    contradicted_locks: tuple[ContradictedLock, ...]
    """Chips whose lock reports contradict the catalogue, at most 20; empty on later pages and with
    a filter."""
    next_cursor: str | None
    """Send it as `cursor` for the next page; null on the last page. With a filter, a page may hold
    fewer settings than `limit` although more follow."""


class ReviewSchema(StrictSchema):
    """The query parameters of the queue."""

    chip = Text(
        metadata=described(
            "Only settings of this chip, by any of its names.", "norvane-sable-7-4820mx"
        )
    )
    code = fields.String(
        validate=OneChoiceOf(EXCLUDING_CODES),
        metadata=described(
            "Only settings that were excluded for this reason.", "beyond_soft_bound"
        ),
    )
    contributor = ParameterCount(
        validate=validate.Range(1, LARGEST_INTEGER),
        metadata=described("Only settings of the contributor with this number.", 17),
    )
    limit = ParameterCount(
        load_default=_DEFAULT_PAGE,
        validate=validate.Range(1, _LARGEST_PAGE),
        metadata=described("Largest number of settings on a page.", 20),
    )
    cursor = Text(
        metadata=described(
            "`next_cursor` of the page before; the first page unless given.",
            "WyJzY3JlZW5pbmciLDIwMjYwOTE0LDAsMTcsMF0",
        )
    )


_REVIEW: Final = ReviewSchema()


def list_waiting(instance: Instance, sent: Mapping[str, Sequence[str]]) -> ReviewPage:
    """A page of waiting settings; later ones are on later pages.

    Raises
    ------
    QueryInvalid
        With every problem of the parameters.
    """
    read = read_parameters(_REVIEW, sent)
    after = _read_place(read.values.get("cursor"))
    chip_key = _chip_key(read.values.get("chip"), instance.catalogue)
    problems = [*read.problems, *(x for x in (after, chip_key) if isinstance(x, Problem))]
    if problems or isinstance(after, Problem) or isinstance(chip_key, Problem):
        raise QueryInvalid(problems=problems)
    filters = WaitingFilters(chip_key, read.values.get("code"), read.values.get("contributor"))
    is_whole = filters == WaitingFilters() and "cursor" not in read.values
    if is_whole:
        _check_pools(instance)
    with instance.reading() as connection:
        found = _find_page(connection, after, filters, read.values["limit"])
        reader = SettingReader(connection, instance)
        waiting = tuple(reader.load(one.submission_id, one.ordinal) for one in found.waiting)
        pools = tuple(_waiting_pools(connection)) if is_whole else ()
        contradicted = _contradicted_locks(connection, instance) if is_whole else ()
    return ReviewPage(
        waiting,
        pools,
        contradicted,
        None if found.next is None else cursor_text([found.next.part, *found.next.key]),
    )


def _check_pools(instance: Instance) -> None:
    """Compute the starts of pools that have changed since: each answer checks its pool."""
    with instance.reading() as connection:
        unchecked = find_unchecked_pools(connection, instance.today(), _MOST_CHECKED)
        pools = {one.id: one for one in load_pools(connection, [one.pool_id for one in unchecked])}
    for one in unchecked:
        question = question_about(name_of(pools[one.pool_id]), instance.catalogue)
        if question is not None:
            advise_start(instance, question)
        if not _is_check_kept(instance, one, question):
            return


_NOTHING_FOUND: Final = PoolFinding(
    has_start=False, codes=(), contributor_id=None, moves_by=None, evidence=""
)


def _is_check_kept(instance: Instance, pool: UncheckedPool, question: Question | None) -> bool:
    """Whether the check of a pool is stored, or need not be.

    A check without a finding is stored where the answer was about another pool, or there was none.
    """
    today = instance.today()
    with instance.reading() as connection:
        if pool not in find_unchecked_pools(connection, today, 1, pool.pool_id):
            return True
        asked = None if question is None else find_asked_pool(connection, question, instance)
        if asked == pool.pool_id:
            return False
    try:
        with instance.writing(_CHECK_LOCK_TIMEOUT_S) as connection:
            if pool in find_unchecked_pools(connection, today, 1, pool.pool_id):
                save_pool_check(connection, pool.pool_id, pool.revision, today, _NOTHING_FOUND)
    except (StorageBusy, StorageUnwritable):
        return False
    return True


_POOL_TEXTS: Final[dict[PoolCode, str]] = {
    "moved_by_one_contributor": "One contributor moves the start by more than 10 mV (2 counts).",
    "start_lost": "The pool had a start, and its present results allow none.",
    "fails_near_stock": "Ten contributors or more have sent results, which allow no start.",
}


def pool_reasons(codes: Sequence[PoolCode]) -> tuple[PoolReason, ...]:
    """The reasons with these codes."""
    return tuple(PoolReason(code, _POOL_TEXTS[code]) for code in codes)


def _waiting_pools(connection: Connection) -> Iterator[ReviewedPool]:
    waiting = review.find_waiting_pools(connection, _MOST_POOLS)
    sizes = {one.id: one for one in load_pools(connection, [one.pool_id for one in waiting])}
    for one in waiting:
        yield ReviewedPool(
            pool=one.pool_id,
            name=name_of(sizes[one.pool_id]),
            units=sizes[one.pool_id].units,
            reasons=pool_reasons(one.codes),
            contributor=one.contributor_id,
            moves_by=one.moves_by,
        )


def _contradicted_locks(connection: Connection, instance: Instance) -> tuple[ContradictedLock, ...]:
    catalogue = instance.catalogue
    stored = (resolve_chip(one.key, "chip", catalogue) for one in load_chips(connection))
    chips = (chip for chip in stored if not isinstance(chip, Problem))
    standing = load_standing_in(connection, instance)
    found = find_contradicted(connection, catalogue, chips, standing, _MOST_CONTRADICTED)
    return tuple(ContradictedLock(key, lock) for key, lock in found.items())


def _chip_key(text: str | None, catalogue: Catalogue) -> str | Problem | None:
    if text is None:
        return None
    chip = resolve_chip(text, "chip", catalogue)
    return chip if isinstance(chip, Problem) else chip.key


@dataclass(frozen=True, slots=True)
class _Page:
    waiting: tuple[Waiting, ...]
    next: WaitingAt | None


def _find_page(
    connection: Connection, after: WaitingAt, filters: WaitingFilters, limit: int
) -> _Page:
    """The settings after a position that match the filters; reads a bounded number of rows."""
    is_filtered = filters != WaitingFilters()
    found: list[Waiting] = []
    last = after
    for part in PARTS[PARTS.index(after.part) :]:
        begin = after if part == after.part else WaitingAt(part, BEGIN)
        look = _MOST_LOOKED_AT if is_filtered else limit - len(found) + 1
        looked = review.find_waiting(connection, begin, filters, look)
        for one in looked:
            if one.fits and len(found) == limit:
                return _Page(tuple(found), last)
            if one.fits:
                found.append(one)
            last = one.at
        if len(looked) == look:
            return _Page(tuple(found), last)
    return _Page(tuple(found), None)


def cursor_text(place: Sequence[object]) -> str:
    """The cursor of a place in a list."""
    return base64.urlsafe_b64encode(orjson.dumps(list(place))).decode().rstrip("=")


def read_cursor(text: str) -> list[Any]:
    """The place that a cursor names; empty for a text that is no cursor."""
    try:
        place = orjson.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    except (binascii.Error, orjson.JSONDecodeError, ValueError):
        return []
    return place if isinstance(place, list) else []


def _read_place(text: str | None) -> WaitingAt | Problem:
    if text is None:
        return WaitingAt(PARTS[0], BEGIN)
    part, *key = read_cursor(text) or [None]
    is_sound = len(key) == len(BEGIN) and all(type(one) is int and 0 <= one < 2**63 for one in key)
    if part not in PARTS or not is_sound:
        return Problem("cursor", "invalid", "Send next_cursor of the previous page, unchanged.")
    first, second, third, fourth = key
    return WaitingAt(part, (first, second, third, fourth))


def shared_contributor(connection: Connection, instance: Instance) -> int | None:
    """The contributor number that all senders without a token share; None before the first."""
    return find_contributor(connection, contributor_hash(instance.secret, None))


def confirmation_of(touched: object) -> str:
    """A short text for what a request would touch; another one if any of it changes."""
    return blake2b(orjson.dumps(touched), digest_size=8).hexdigest()


class SettingReader:
    """Reads settings for curators over one connection."""

    def __init__(self, connection: Connection, instance: Instance) -> None:
        self._connection = connection
        self._shared = shared_contributor(connection, instance)

    def load(self, submission_id: int, ordinal: int) -> ReviewedSetting:
        """One setting of a stored document."""
        return self.read(load_submission(self._connection, submission_id), ordinal)

    def read(self, stored: StoredSubmission, ordinal: int) -> ReviewedSetting:
        """One setting of this document, as curators see it."""
        (setting,) = describe_settings(self._connection, stored, stored.settings[ordinal:][:1])
        sent = orjson.loads(stored.document)["settings"][ordinal]
        return ReviewedSetting(
            submission=stored.public_id,
            ordinal=ordinal,
            month=stored.measured_month,
            chip=stored.chip_key,
            domain=setting.domain,
            control=setting.control,
            moved_with=setting.moved_with,
            clock_mhz=sent.get("clock_mhz"),
            below_stock=BelowStock(_depth(sent, "stable_at"), _depth(sent, "unstable_at")),
            grade=setting.grade,
            status=setting.status,
            reasons=setting.reasons,
            sender=self._sender(stored.unit.contributor_id),
        )

    def _sender(self, contributor_id: int) -> ReviewedSender:
        results = review.count_results_of(self._connection, contributor_id, _MOST_RESULTS_COUNTED)
        return ReviewedSender(contributor_id, contributor_id == self._shared, results - 1)


def _depth(sent: dict[str, Any], name: str) -> float | None:
    """The distance below stock of an end of a setting, as sent."""
    value = sent.get(name)
    stock = sent.get("stock_mv") if sent["control"] == "fixed_clock_voltage" else 0
    return None if value is None or stock is None else float(stock - value)
