"""All results for the host: page by page in several orders, and one of them whole."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, Final, Literal, get_args

from marshmallow import fields, validate
from sqlalchemy import Connection

from kbapi.advice.start.answer import advise_start
from kbapi.advice.start.query import DomainList
from kbapi.bounds import LARGEST_INTEGER
from kbapi.chips.catalogue import resolve_chip
from kbapi.chips.chip import ChipName
from kbapi.curation.influence import InfluenceRanking, rank_influence
from kbapi.curation.queue import cursor_text, read_cursor
from kbapi.curation.results import ListedSubmission, SubmissionReader
from kbapi.curation.starts import PoolName, name_of, question_about
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import (
    CLIENT,
    OneChoiceOf,
    ParameterCount,
    ParameterDay,
    StrictSchema,
    Text,
    described,
)
from kbapi.errors import Problem, QueryInvalid
from kbapi.evidence.pools import PoolWanted, find_pool
from kbapi.instance.instance import Instance
from kbapi.intake.responses import (
    LISTED_CODES,
)
from kbapi.intake.result_rows import least_id_of
from kbapi.storage import pools as pool_rows
from kbapi.storage import results
from kbapi.storage.host_views import (
    SubmissionFilters,
    Walk,
    find_submissions,
    find_unevaluated_pools,
)
from kbapi.storage.pools import PoolSize, load_pools
from kbapi.vocabulary import (
    DOMAINS,
    LIMIT_CONTROLS,
    SCREENING_STATUSES,
    Domain,
)

_DEFAULT_PAGE: Final = 20
_LARGEST_PAGE: Final = 100
_MOST_LOOKED_AT: Final = 1_000
_MOST_WALKS: Final = 200
"""Contributors of one page; each costs a statement."""
_MOST_EVALUATED: Final = 16
"""Pools of a page that are evaluated because no answer has done so since the last change."""

SubmissionOrder = Literal["newest", "deepest", "shallowest", "influence"]
_ORDERS: Final[tuple[SubmissionOrder, ...]] = get_args(SubmissionOrder)
_FILTERS: Final = ("client", "first_day", "last_day", "status", "code")
_A_DAY: Final = timedelta(days=1)
_LONGEST_ID: Final = 36


@dataclass(frozen=True, slots=True)
class SubmissionPage:
    """A page of results."""

    pool: PoolName | None
    """The pool whose results are listed; null unless they are in the order of depth."""
    submissions: tuple[ListedSubmission, ...]
    """The results, in the order that was asked for."""
    pools_left_out: int
    """Pools that the order of influence does not cover, because the instance has too many units;
    send `chip` to list them."""
    next_cursor: str | None
    """Send it as `cursor` for the next page; null on the last page. With a filter, a page may hold
    fewer results than `limit` although more follow."""


class SubmissionListSchema(StrictSchema):
    """The query parameters of the list of results."""

    order = fields.String(
        load_default="newest",
        validate=OneChoiceOf(_ORDERS),
        metadata=described(
            "`newest`: by day of arrival. `deepest`, `shallowest`: a pool by its deepest pass or "
            "its shallowest failure. `influence`: by how far starts move without the contributor.",
            "deepest",
        ),
    )
    chip = Text(
        metadata=described(
            "Only results of this chip, by any of its names; needed with `deepest` and "
            "`shallowest`.",
            "norvane-sable-7-4820mx",
        )
    )
    domain = fields.String(
        validate=OneChoiceOf(DOMAINS),
        metadata=described(
            "With `deepest` and `shallowest`: the largest pool with this domain; core for a "
            "processor, gpu_core for graphics unless given.",
            "core",
        ),
    )
    control = fields.String(
        validate=OneChoiceOf(LIMIT_CONTROLS),
        metadata=described(
            "With `deepest` and `shallowest`: the largest pool of this control.", "voltage_offset"
        ),
    )
    moved_with = DomainList(
        metadata=described(
            "With `deepest` and `shallowest`: the pool in which exactly these moved together, "
            "joined by commas.",
            "ring",
        )
    )
    status = fields.String(
        validate=OneChoiceOf(SCREENING_STATUSES),
        metadata=described("Only results with a setting of this status.", "counted"),
    )
    code = fields.String(
        validate=OneChoiceOf(LISTED_CODES),
        metadata=described("Only results with a setting that has this reason.", "outlier_deep"),
    )
    contributor = ParameterCount(
        validate=validate.Range(1, LARGEST_INTEGER),
        metadata=described("Only results of the contributor with this number.", 17),
    )
    client = fields.String(
        validate=CLIENT,
        metadata=described("Only results that this script sent.", "bench-script/0.3"),
    )
    first_day = ParameterDay(
        metadata=described("Only results that arrived on this day or later.", "2026-09-01")
    )
    last_day = ParameterDay(
        metadata=described("Only results that arrived on this day or earlier.", "2026-09-30")
    )
    limit = ParameterCount(
        load_default=_DEFAULT_PAGE,
        validate=validate.Range(1, _LARGEST_PAGE),
        metadata=described("Largest number of results on a page.", 20),
    )
    cursor = Text(
        metadata=described(
            "`next_cursor` of the page before; the first page unless given.",
            "WyJkZWVwZXN0IiwwLDE3LDEwMCwwXQ",
        )
    )


_LIST: Final = SubmissionListSchema()
_NEEDS_CHIP: Final = "Send chip: depths of different chips are not comparable."
_NEEDS_DEPTH: Final = "Send it only with order=deepest or order=shallowest."
_CURSOR: Final = "Send next_cursor of the previous page, unchanged, with the same order."


_WalkName = Literal["day", "chip", "contributor", "deepest", "shallowest", "influence"]
_Key = tuple[str | int, str | int]


@dataclass(frozen=True, slots=True)
class _Place:
    """A place in a list: which of its walks, whose results that walk has, and where in it."""

    walk: int
    of: int
    key: _Key


@dataclass(frozen=True, slots=True)
class _Asked:
    """The query of a list, read."""

    values: dict[str, Any]
    chip: ChipName | None
    walk: _WalkName
    after: _Place | None
    """None for the first page."""


def list_submissions(instance: Instance, sent: Mapping[str, Sequence[str]]) -> SubmissionPage:
    """A page of results; later ones are on later pages.

    Raises
    ------
    QueryInvalid
        With every problem of the parameters.
    """
    asked = _read(instance, sent)
    chip_key = asked.chip.key if asked.chip else None
    ranking = rank_influence(instance, chip_key) if asked.walk == "influence" else None
    with instance.reading() as connection:
        found = _find_page(instance, connection, asked, ranking)
        pools = find_unevaluated_pools(connection, found.submissions, _MOST_EVALUATED)
        unevaluated = load_pools(connection, pools)
    _evaluate(instance, unevaluated)
    with instance.reading() as connection:
        if unevaluated:
            found = _find_page(instance, connection, asked, ranking)
        reader = SubmissionReader(connection, instance)
        listed = tuple(
            reader.listed(results.load_submission(connection, one), ranking)
            for one in found.submissions
        )
    return SubmissionPage(
        pool=None if found.pool is None else name_of(found.pool),
        submissions=listed,
        pools_left_out=0 if ranking is None else ranking.pools_left_out,
        next_cursor=None if found.next is None else _cursor_text(asked.walk, found.next),
    )


def _read(instance: Instance, sent: Mapping[str, Sequence[str]]) -> _Asked:
    read = read_parameters(_LIST, sent)
    values, problems = read.values, list(read.problems)
    chip: ChipName | None = None
    by_depth = values.get("order") in ("deepest", "shallowest")
    if (text := values.get("chip")) is not None:
        resolved = resolve_chip(text, "chip", instance.catalogue)
        if isinstance(resolved, Problem):
            problems.append(resolved)
        else:
            chip = resolved
    elif by_depth:
        problems.append(Problem("chip", "required", _NEEDS_CHIP))
    if not by_depth:
        wrong = [name for name in ("domain", "control", "moved_with") if name in values]
        problems += [Problem(name, "invalid", _NEEDS_DEPTH) for name in wrong]
    walk = _walk_name(values)
    after = None if (cursor := values.get("cursor")) is None else _place_in(cursor, walk)
    if cursor is not None and after is None:
        problems.append(Problem("cursor", "invalid", _CURSOR))
    if problems:
        raise QueryInvalid(problems=problems)
    return _Asked(values, chip, walk, after)


def _walk_name(values: dict[str, Any]) -> _WalkName:
    order: SubmissionOrder = values.get("order", "newest")
    if order != "newest":
        return order
    return "contributor" if "contributor" in values else "chip" if "chip" in values else "day"


def _place_in(cursor: str, walk: _WalkName) -> _Place | None:
    """The place that a cursor names; None if it is of another list."""
    kept = read_cursor(cursor)
    if len(kept) != 5 or kept[0] != walk:
        return None
    _, at, of, first, second = kept
    numbers = [at, of, second, *([] if walk == "day" else [first])]
    is_sound = all(type(one) is int and -1 <= one <= LARGEST_INTEGER for one in numbers)
    is_text = isinstance(first, str) and len(first) <= _LONGEST_ID
    return _Place(at, of, (first, second)) if is_sound and is_text == (walk == "day") else None


def _cursor_text(walk: _WalkName, place: _Place) -> str:
    return cursor_text([walk, place.walk, place.of, *place.key])


@dataclass(frozen=True, slots=True)
class _Found:
    """The numbers of the results of a page, and the place where the next one begins."""

    submissions: tuple[int, ...]
    next: _Place | None
    pool: PoolSize | None = None


def _find_page(
    instance: Instance, connection: Connection, asked: _Asked, ranking: InfluenceRanking | None
) -> _Found:
    """The results of a page; reads a bounded number of rows."""
    chip = None if asked.chip is None else pool_rows.find_chip(connection, asked.chip.key)
    if asked.chip is not None and chip is None:
        return _Found((), None)
    values = asked.values
    filters = SubmissionFilters(
        chip_id=None if chip is None else chip.id,
        contributor_id=values.get("contributor"),
        **{name: values.get(name) for name in _FILTERS},
    )
    if ranking is not None:
        walks = [Walk("contributor", one) for one in ranking.contributors]
        return _page_of(connection, asked, walks, filters)
    if asked.walk in ("deepest", "shallowest"):
        pool = _pool(instance, connection, asked)
        if pool is None:
            return _Found((), None)
        found = _page_of(connection, asked, [Walk(asked.walk, pool.id)], filters)
        return replace(found, pool=pool)
    return _page_of(connection, asked, [_walk_by_arrival(asked, filters)], filters)


def _walk_by_arrival(asked: _Asked, filters: SubmissionFilters) -> Walk:
    if asked.walk == "day":
        since = "" if filters.first_day is None else least_id_of(filters.first_day)
        until = None if filters.last_day is None else least_id_of(filters.last_day + _A_DAY)
        return Walk("day", since=since, until=until)
    if asked.walk == "chip":
        return Walk("chip", filters.chip_id or 0)
    return Walk("contributor", filters.contributor_id or 0)


def _pool(instance: Instance, connection: Connection, asked: _Asked) -> PoolSize | None:
    """The pool that a list by depth is about."""
    chip, values = asked.chip, asked.values
    line = None if chip is None else pool_rows.find_line(connection, chip.line)
    if chip is None or line is None:
        return None
    domain: Domain = values.get("domain") or instance.catalogue.usual_domain(chip)
    moved_with = values.get("moved_with")
    wanted = PoolWanted(
        control=values.get("control"),
        domain=domain,
        moved_with=None if moved_with is None else tuple(set(moved_with) - {domain}),
        clock_band_mhz=None,
    )
    found = find_pool(connection, line.id, chip, wanted)
    return None if found is None else found.own


def _page_of(
    connection: Connection, asked: _Asked, walks: Sequence[Walk], filters: SubmissionFilters
) -> _Found:
    """A page of results that fit, from these walks in turn."""
    limit, most = asked.values["limit"], _MOST_LOOKED_AT
    is_filtered = filters != SubmissionFilters()
    found: list[int] = []
    last = _begin(asked, walks)
    for at in range(last.walk, min(len(walks), last.walk + _MOST_WALKS)):
        walk = walks[at]
        after = last.key if at == last.walk and last.of == walk.of else walk.begin
        last = _Place(at, walk.of, after)
        look = most if is_filtered else limit - len(found) + 1
        looked = find_submissions(connection, walk, after, filters, look)
        for one in looked:
            if one.fits and len(found) == limit:
                return _Found(tuple(found), last)
            if one.fits:
                found.append(one.submission_id)
            last = _Place(at, walk.of, one.at)
        most -= len(looked)
        if len(looked) == look or most <= 0:
            return _Found(tuple(found), last)
    is_last = last.walk + 1 >= len(walks)
    return _Found(tuple(found), None if is_last else last)


def _begin(asked: _Asked, walks: Sequence[Walk]) -> _Place:
    """Where a page begins; a ranking may have changed since the page before."""
    after = asked.after
    if after is None:
        return _Place(0, -1, (0, 0))
    if after.walk < len(walks) and walks[after.walk].of == after.of:
        return after
    place = next((at for at, walk in enumerate(walks) if walk.of == after.of), after.walk)
    return replace(after, walk=place)


def _evaluate(instance: Instance, pools: Sequence[PoolSize]) -> None:
    """Nothing; these pools are checked and counted as for an answer, and the findings stored."""
    for pool in pools:
        question = question_about(name_of(pool), instance.catalogue)
        if question is not None:
            advise_start(instance, question)
