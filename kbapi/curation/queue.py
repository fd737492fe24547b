"""The queue of curators: what was set aside and nobody has decided about, page by page."""

import base64
import binascii
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
from marshmallow import fields, validate
from sqlalchemy import Connection

from kbapi.bounds import LARGEST_INTEGER
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.resolve import resolve_chip
from kbapi.errors import Problem, QueryInvalid
from kbapi.intake.accepted import Reason
from kbapi.intake.shapes import told
from kbapi.intake.telling import tell_setting
from kbapi.storage import review_rows
from kbapi.storage.contributions import find_contributor
from kbapi.storage.instance import Instance
from kbapi.storage.people import contributor_hash
from kbapi.storage.review_rows import BEGIN, PARTS, Waiting, WaitingAt, WaitingFilters
from kbapi.storage.submissions import StoredSubmission, load_submission
from kbapi.wire import ParameterCount, StrictSchema, Text, Whole, read_parameters

_DEFAULT_PAGE: Final = 20
_LARGEST_PAGE: Final = 100
_MOST_LOOKED_AT: Final = 1_000
_MOST_RESULTS_COUNTED: Final = 100


@dataclass(frozen=True, slots=True)
class BelowStock:
    """The ends of a setting as they were sent, in mV or counts below stock, positive is lower."""

    stable: float | None
    unstable: float | None
    """Each is null where it was not told, or its distance from stock is not known."""


@dataclass(frozen=True, slots=True)
class ReviewedSender:
    """Whose result it is, as far as anybody knows."""

    contributor: int
    """A number of this instance alone; it stands for no name, address or token."""
    is_shared: bool
    """Whether it stands for everybody who sends without a contributor token."""
    other_results: int
    """How many more are from there; counted up to 99."""


@dataclass(frozen=True, slots=True)
class ReviewedSetting:
    """A setting as a curator sees it."""

    submission: str
    ordinal: int
    month: str
    chip: str
    domain: str
    control: str
    moved_with: tuple[str, ...]
    clock_mhz: float | None
    below_stock: BelowStock
    grade: str
    status: str
    reasons: tuple[Reason, ...]
    sender: ReviewedSender


@dataclass(frozen=True, slots=True)
class ReviewPage:
    """Settings that wait: what screening set aside, oldest first, then what statistics did."""

    waiting: tuple[ReviewedSetting, ...]
    next_cursor: str | None
    """Null at the end. With a filter a page may hold fewer than asked, and others follow."""


class ReviewSchema(StrictSchema):
    """The query parameters of the queue."""

    chip = Text(metadata=told("Only this chip, by any of its names.", "norvane-sable-7-4820mx"))
    code = fields.String(
        validate=Whole("[a-z_]{1,60}", error="A code of a reason, such as beyond_soft_bound."),
        metadata=told("Only what this reason set aside.", "beyond_soft_bound"),
    )
    contributor = ParameterCount(
        validate=validate.Range(1, LARGEST_INTEGER),
        metadata=told("Only this contributor, by number.", 17),
    )
    limit = ParameterCount(
        load_default=_DEFAULT_PAGE,
        validate=validate.Range(1, _LARGEST_PAGE),
        metadata=told("Settings on a page.", 20),
    )
    cursor = Text(
        metadata=told(
            "`next_cursor` of the page before.", "WyJzY3JlZW5pbmciLDIwMjYwOTE0LDAsMTcsMF0"
        )
    )


_REVIEW: Final = ReviewSchema()


def list_waiting(instance: Instance, sent: Mapping[str, Sequence[str]]) -> ReviewPage:
    """A page of what waits; who comes later is found on a later page.

    Raises
    ------
    QueryInvalid
        With every problem of the parameters.
    """
    read = read_parameters(_REVIEW, sent)
    after = _read_cursor(read.values.get("cursor"))
    chip_key = _chip_key(read.values.get("chip"), instance.catalogue)
    problems = [*read.problems, *(x for x in (after, chip_key) if isinstance(x, Problem))]
    if problems or isinstance(after, Problem) or isinstance(chip_key, Problem):
        raise QueryInvalid(problems=problems)
    filters = WaitingFilters(chip_key, read.values.get("code"), read.values.get("contributor"))
    with instance.reading() as connection:
        found = _find_page(connection, after, filters, read.values["limit"])
        seen = SettingsSeen(instance, connection)
        waiting = tuple(seen.setting_of(one.submission_id, one.ordinal) for one in found.waiting)
    return ReviewPage(waiting, None if found.next is None else _cursor_text(found.next))


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
    """The fitting settings behind a place; looks at a bounded number of rows."""
    is_filtered = filters != WaitingFilters()
    found: list[Waiting] = []
    last = after
    for part in PARTS[PARTS.index(after.part) :]:
        begin = after if part == after.part else WaitingAt(part, BEGIN)
        look = _MOST_LOOKED_AT if is_filtered else limit - len(found) + 1
        looked = review_rows.find_waiting(connection, begin, filters, look)
        for one in looked:
            if one.fits and len(found) == limit:
                return _Page(tuple(found), last)
            if one.fits:
                found.append(one)
            last = one.at
        if len(looked) == look:
            return _Page(tuple(found), last)
    return _Page(tuple(found), None)


def _cursor_text(at: WaitingAt) -> str:
    return base64.urlsafe_b64encode(orjson.dumps([at.part, *at.key])).decode().rstrip("=")


def _read_cursor(text: str | None) -> WaitingAt | Problem:
    if text is None:
        return WaitingAt(PARTS[0], BEGIN)
    try:
        part, *key = orjson.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
        first, second, third, fourth = key
    except (binascii.Error, orjson.JSONDecodeError, TypeError, ValueError):
        part, key = None, []
    if part not in PARTS or not all(type(number) is int and 0 <= number < 2**63 for number in key):
        return Problem("cursor", "invalid", "Send the next_cursor of the page before, unchanged.")
    return WaitingAt(part, (first, second, third, fourth))


class SettingsSeen:
    """Settings as a curator sees them, read over one connection."""

    def __init__(self, instance: Instance, connection: Connection) -> None:
        self._connection = connection
        nobody = contributor_hash(instance.secret, None)
        self._shared = find_contributor(connection, nobody)

    def setting_of(self, submission_id: int, ordinal: int) -> ReviewedSetting:
        """One setting of a stored document, which must be here."""
        return self.seen(load_submission(self._connection, submission_id), ordinal)

    def seen(self, stored: StoredSubmission, ordinal: int) -> ReviewedSetting:
        """One setting of this document."""
        setting = tell_setting(self._connection, stored, stored.settings[ordinal])
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
        results = review_rows.count_results_of(
            self._connection, contributor_id, _MOST_RESULTS_COUNTED
        )
        return ReviewedSender(contributor_id, contributor_id == self._shared, results - 1)


def _depth(sent: dict[str, Any], name: str) -> float | None:
    """Distance below stock of an end of a setting as it was sent."""
    value = sent.get(name)
    stock = sent.get("stock_mv") if sent["control"] == "fixed_clock_voltage" else 0
    return None if value is None or stock is None else float(stock - value)
