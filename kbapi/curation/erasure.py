"""Erasing results without a receipt or a token: for members who lost theirs, and for junk."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from marshmallow import fields
from sqlalchemy import Connection

from kbapi.access.keys import KeyHolder
from kbapi.curation.decisions import MOST_POOLS
from kbapi.curation.queue import confirmation_of, shared_contributor
from kbapi.curation.starts import PoolName, StartChange, changes_between, find_pools, name_of
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import (
    OneChoiceOf,
    ParameterFlag,
    StrictSchema,
    Whole,
    described,
)
from kbapi.errors import Problem, QueryInvalid, ResultUnknown
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import remove_contributor, remove_result
from kbapi.storage import results
from kbapi.storage.contributors import load_sent
from kbapi.storage.decisions import ErasureRow, add_erasure
from kbapi.storage.host_views import count_settings, find_first_seen, find_state_of
from kbapi.storage.pools import load_pools
from kbapi.storage.sql import hold_state
from kbapi.vocabulary import ERASURE_REASONS, ErasureReason

MOST_LISTED: Final = 100
_TEXT: Final = "They were deleted here. Backups made before still contain them."
_DRY_TEXT: Final = "Nothing was deleted. Send it again with confirm instead of dry_run to erase."


class ErasureSchema(StrictSchema):
    """The query parameters of an erasure."""

    reason = fields.String(
        required=True,
        validate=OneChoiceOf(ERASURE_REASONS),
        metadata=described("Why; kept without anything of the results.", "asked_by_sender"),
    )
    dry_run = ParameterFlag(
        load_default=False,
        metadata=described("With true, the answer says what would be erased.", True),
    )
    confirm = fields.String(
        validate=Whole("[0-9a-f]{16}", error="Send confirm of the dry run, unchanged."),
        metadata=described(
            "`confirm` of the dry run; needed to erase all results of a contributor.",
            "4f6be1b0c1a95e27",
        ),
    )


@dataclass(frozen=True, slots=True)
class ErasureResponse:
    """What was erased, or would be in a dry run."""

    dry_run: bool
    """Whether nothing was erased."""
    confirm: str
    """Send it as `confirm` to erase exactly these results."""
    results: int
    """Results that were erased."""
    contributor: int
    """Number of their contributor."""
    is_shared: bool
    """Whether the number is shared by all who send without a contributor token."""
    ids: tuple[str, ...]
    """Ids of the first 100 of them."""
    starts: tuple[StartChange, ...]
    """The start before and after, of the eight pools with the most of their units."""
    text: str
    """What erasing removes, and what it cannot remove."""


_ERASURE: Final = ErasureSchema()


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A request to erase."""

    reason: ErasureReason
    dry_run: bool
    confirm: str | None


def erase_submission(
    instance: Instance,
    holder: KeyHolder | None,
    public_id: str,
    sent: Mapping[str, Sequence[str]],
) -> ErasureResponse:
    """What erasing one result removed; it is overwritten in the file like a withdrawn one.

    Raises
    ------
    QueryInvalid
        With every problem of the parameters.
    ResultUnknown
        When no stored result has this id.
    StorageBusy, StorageUnwritable, StorageBroken
        When the database cannot be written now.
    """

    def erase(connection: Connection, _: _Wanted) -> _Erased:
        stored = results.find_submission(connection, public_id)
        if stored is None:
            raise ResultUnknown
        pools = _names(connection, [setting.place.pool_id for setting in stored.settings])
        contributor = stored.unit.contributor_id
        is_shared = contributor == shared_contributor(connection, instance)
        remove_result(connection, stored)
        return _Erased((public_id,), 1, contributor, is_shared, confirmation_of(public_id), pools)

    return _erase(instance, holder, sent, erase)


def erase_contributor(
    instance: Instance, holder: KeyHolder | None, number: int, sent: Mapping[str, Sequence[str]]
) -> ErasureResponse:
    """What erasing all results of a contributor removed; it needs the confirmation of a dry run.

    Raises what `erase_submission` raises.
    """

    def erase(connection: Connection, wanted: _Wanted) -> _Erased:
        if find_first_seen(connection, number) is None:
            raise ResultUnknown
        state = find_state_of(connection, number)
        confirm = confirmation_of([number, state.results, state.newest])
        if not wanted.dry_run and wanted.confirm != confirm:
            raise QueryInvalid(problems=[_unconfirmed(state.results, wanted)])
        ids = tuple(one.public_id for one in load_sent(connection, number, None, MOST_LISTED))
        pools = _names(connection, [one.pool_id for one in count_settings(connection, number)])
        is_shared = number == shared_contributor(connection, instance)
        remove_contributor(connection, number)
        return _Erased(ids, state.results, number, is_shared, confirm, pools)

    return _erase(instance, holder, sent, erase)


@dataclass(frozen=True, slots=True)
class _Erased:
    """What was erased, and the pools that it was in."""

    ids: tuple[str, ...]
    results: int
    contributor: int
    is_shared: bool
    confirm: str
    pools: tuple[PoolName, ...]


def _erase(
    instance: Instance,
    holder: KeyHolder | None,
    sent: Mapping[str, Sequence[str]],
    erase: Callable[[Connection, _Wanted], _Erased],
) -> ErasureResponse:
    wanted = _read(sent)
    with instance.reading() as earlier:
        hold_state(earlier)
        writing = instance.dry_run() if wanted.dry_run else instance.writing(takes_back=True)
        with writing as connection:
            erased = erase(connection, wanted)
            add_erasure(connection, _row(instance, holder, wanted.reason, erased.results))
            after = find_pools(connection, instance, erased.pools) if wanted.dry_run else {}
        before = find_pools(earlier, instance, erased.pools)
    if not wanted.dry_run:
        instance.overwrite_withdrawn()
        with instance.reading() as later:
            after = find_pools(later, instance, erased.pools)
    return ErasureResponse(
        dry_run=wanted.dry_run,
        confirm=erased.confirm,
        results=erased.results,
        contributor=erased.contributor,
        is_shared=erased.is_shared,
        ids=erased.ids,
        starts=changes_between(before, after),
        text=_DRY_TEXT if wanted.dry_run else _TEXT,
    )


def _read(sent: Mapping[str, Sequence[str]]) -> _Wanted:
    read = read_parameters(_ERASURE, sent)
    if read.problems:
        raise QueryInvalid(problems=read.problems)
    values: dict[str, Any] = read.values
    return _Wanted(values["reason"], values["dry_run"], values.get("confirm"))


def _unconfirmed(count: int, wanted: _Wanted) -> Problem:
    advice = (
        "These are not the results of the dry run. Look at a new dry run."
        if wanted.confirm
        else "Send it with dry_run=true first, and then with confirm of that answer."
    )
    return Problem("confirm", "confirmation_needed", f"Matching results: {count:,}. {advice}")


def _names(connection: Connection, pools: Sequence[int]) -> tuple[PoolName, ...]:
    return tuple(name_of(one) for one in load_pools(connection, pools[:MOST_POOLS]))


def _row(
    instance: Instance, holder: KeyHolder | None, reason: ErasureReason, count: int
) -> ErasureRow:
    return ErasureRow(
        erased_day=instance.today(),
        reason_code=reason,
        results=count,
        decided_by=None if holder is None else holder.id,
    )
