"""All results for the host, page by page in several orders, and what a contributor sent."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, Literal

from sqlalchemy import (
    ColumnElement,
    Connection,
    Integer,
    Select,
    String,
    bindparam,
    exists,
    true,
    union_all,
)
from sqlalchemy import select as select_columns
from sqlalchemy.orm import aliased
from sqlmodel import and_, case, col, func, literal, or_, select, tuple_

from kbapi.bounds import LARGEST_INTEGER
from kbapi.storage.decisions import is_sent_by
from kbapi.storage.sql import load_as, materialized, position_of
from kbapi.storage.tables import Contributor, SettingResult, Submission, Unit
from kbapi.storage.tables_evidence import DifferingContributor, OutlierUnit, PoolPeers
from kbapi.storage.tables_reports import Decision
from kbapi.vocabulary import ScreeningStatus


@dataclass(frozen=True, slots=True)
class SubmissionFilters:
    """Which results are wanted; None is any."""

    chip_id: int | None = None
    contributor_id: int | None = None
    client: str | None = None
    first_day: date | None = None
    last_day: date | None = None
    status: ScreeningStatus | None = None
    code: str | None = None


@dataclass(frozen=True, slots=True)
class Walk:
    """Results in an order that an index has: all, those of a chip, a contributor or a pool."""

    by: Literal["day", "chip", "contributor", "deepest", "shallowest"]
    of: int = 0
    """Number of the chip, the contributor or the pool."""
    since: str = ""
    """By day, only ids from this text on."""
    until: str | None = None
    """By day, only ids before this text."""

    @property
    def begin(self) -> tuple[str | int, str | int]:
        """Before the first place of the walk."""
        if self.by == "day":
            return (self.until or "g", 0)  # beyond every UUID
        return (-1, 0) if self.by == "shallowest" else (LARGEST_INTEGER, LARGEST_INTEGER)


@dataclass(frozen=True, slots=True)
class SubmissionSeen:
    """A result that was read, and whether it is one of those wanted."""

    at: tuple[str | int, str | int]
    submission_id: int
    fits: bool


_K1, _K2, _OF, _LOOK = (bindparam(name, type_=Integer) for name in ("k1", "k2", "of", "look"))
_AT_TEXT, _SINCE = (bindparam(name, type_=String) for name in ("k1", "since"))


def _by_day() -> Select[*tuple[Any, ...]]:
    # The id begins with the day of arrival.
    return (
        _submissions(col(Submission.public_id), literal(0))
        .where(col(Submission.public_id) < _AT_TEXT, col(Submission.public_id) >= _SINCE)
        .order_by(col(Submission.public_id).desc())
    )


def _by_chip() -> Select[*tuple[Any, ...]]:
    return (
        _submissions(col(Submission.id), literal(0))
        .with_hint(Submission, "INDEXED BY ix_submission_chip_id", "sqlite")
        .where(col(Submission.chip_id) == _OF, col(Submission.id) < _K1)
        .order_by(col(Submission.id).desc())
    )


def _by_contributor() -> Select[*tuple[Any, ...]]:
    """Unit by unit, the newest unit first."""
    place = col(Unit.id), col(Submission.id)
    return (
        _submissions(*place)
        .select_from(Unit)
        .join(Submission, col(Submission.unit_id) == col(Unit.id))
        .with_hint(Unit, "INDEXED BY ix_unit_contributor_id CROSS", "sqlite")
        .with_hint(Submission, "INDEXED BY ix_submission_values", "sqlite")
        .where(
            col(Unit.contributor_id) == _OF,
            col(Unit.id) <= _K1,
            tuple_(*place) < tuple_(_K1, _K2),
        )
        .order_by(*(column.desc() for column in place))
    )


def _by_depth(steps: Any, index: str, *, is_deepest: bool) -> Select[*tuple[Any, ...]]:
    """The settings of a pool with this end; those without it are left out."""
    place = steps, col(SettingResult.submission_id)
    after = tuple_(*place) < tuple_(_K1, _K2) if is_deepest else tuple_(*place) > tuple_(_K1, _K2)
    return (
        select_columns(
            steps.label("k1"),
            col(SettingResult.submission_id).label("k2"),
            col(SettingResult.submission_id).label("submission_id"),
            col(SettingResult.ordinal).label("ordinal"),
        )
        .with_hint(SettingResult, f"INDEXED BY {index}", "sqlite")
        .where(col(SettingResult.pool_id) == _OF, steps.is_not(None), after)
        .order_by(*((column.desc() if is_deepest else column) for column in place))
        .limit(_LOOK)
    )


def _submissions(k1: Any, k2: Any) -> Select[*tuple[Any, ...]]:
    return select_columns(
        k1.label("k1"), k2.label("k2"), col(Submission.id).label("submission_id")
    ).limit(_LOOK)


_WALKS: Final = {
    "day": _by_day(),
    "chip": _by_chip(),
    "contributor": _by_contributor(),
    "deepest": _by_depth(
        col(SettingResult.stable_steps), "ix_setting_result_deepest", is_deepest=True
    ),
    "shallowest": _by_depth(
        col(SettingResult.unstable_steps), "ix_setting_result_shallowest", is_deepest=False
    ),
}


def find_submissions(
    connection: Connection,
    walk: Walk,
    after: tuple[str | int, str | int],
    filters: SubmissionFilters,
    look: int,
) -> list[SubmissionSeen]:
    """The next results of a walk after a place, `look` at most, fitting or not."""
    looked = materialized(_WALKS[walk.by], "looked")
    fits = and_(true(), *_wanted(filters), *_is_first_of_its_result(walk, looked))
    statement = (
        select_columns(looked.c.k1, looked.c.k2, looked.c.submission_id, fits.label("fits"))
        .select_from(looked)
        .join(Submission, col(Submission.id) == looked.c.submission_id)
        .join(Unit, col(Unit.id) == col(Submission.unit_id))
        .order_by(*_in_order(walk, looked))
    )
    values = {"k1": after[0], "k2": after[1], "of": walk.of, "since": walk.since, "look": look}
    rows = connection.execute(statement, values)
    return [SubmissionSeen((row.k1, row.k2), row.submission_id, bool(row.fits)) for row in rows]


def _in_order(walk: Walk, looked: Any) -> list[Any]:
    keys = [looked.c.k1, looked.c.k2]
    return keys if walk.by == "shallowest" else [key.desc() for key in keys]


def _is_first_of_its_result(walk: Walk, looked: Any) -> Iterator[ColumnElement[bool]]:
    """Two settings of a result can be in one pool, at other clocks: it is listed once."""
    if walk.by not in ("deepest", "shallowest"):
        return
    other = aliased(SettingResult)
    is_deepest = walk.by == "deepest"
    steps = col(other.stable_steps if is_deepest else other.unstable_steps)
    is_before = steps > looked.c.k1 if is_deepest else steps < looked.c.k1
    yield ~exists().where(
        col(other.submission_id) == looked.c.submission_id,
        # The sum keeps SQLite from the index of the pool.
        col(other.pool_id) + 0 == _OF,
        or_(is_before, and_(steps == looked.c.k1, col(other.ordinal) < looked.c.ordinal)),
    )


def _wanted(filters: SubmissionFilters) -> Iterator[ColumnElement[bool]]:
    if filters.chip_id is not None:
        yield col(Submission.chip_id) == filters.chip_id
    if filters.contributor_id is not None:
        yield col(Unit.contributor_id) == filters.contributor_id
    if filters.client is not None:
        yield func.coalesce(is_sent_by(filters.client), False)
    if filters.first_day is not None:
        yield col(Submission.received_day) >= filters.first_day
    if filters.last_day is not None:
        yield col(Submission.received_day) <= filters.last_day
    if filters.status is not None or filters.code is not None:
        yield _has_setting(filters)


def _has_setting(filters: SubmissionFilters) -> ColumnElement[bool]:
    """Whether any setting has the wanted status and the wanted reason."""
    setting = aliased(SettingResult)
    outlier_codes = _outlier_codes(setting)
    conditions: list[Any] = [col(setting.submission_id) == col(Submission.id)]
    if filters.status is not None:
        status = case((exists(outlier_codes), "excluded"), else_=col(setting.status))
        conditions.append(status == filters.status)
    if filters.code is not None:
        conditions.append(
            or_(
                position_of(col(setting.reasons), f'"{filters.code}"') > 0,
                literal(filters.code).in_(outlier_codes),
                _is_decided_for(setting, filters.code),
            )
        )
    return exists().where(*conditions)


def _outlier_codes(setting: Any) -> Any:
    """Why the last outlier check of the pool excluded a counted setting."""
    stands = and_(col(setting.status) == "counted", col(setting.decision) == "")
    unit = select(OutlierUnit.code).where(
        col(OutlierUnit.unit_id) == col(setting.unit_id),
        col(OutlierUnit.pool_id) == col(setting.pool_id),
        stands,
    )
    contributor = select(DifferingContributor.code).where(
        col(DifferingContributor.contributor_id) == col(Unit.contributor_id),
        col(DifferingContributor.pool_id) == col(setting.pool_id),
        stands,
    )
    return union_all(unit.correlate(setting), contributor.correlate(setting, Unit))


def _is_decided_for(setting: Any, code: str) -> ColumnElement[bool]:
    """Whether a decision in force has this reason."""
    latest = (
        select(Decision.reason_code)
        .where(
            col(Decision.submission_id) == col(setting.submission_id),
            col(Decision.ordinal) == col(setting.ordinal),
        )
        .order_by(col(Decision.id).desc())
        .limit(1)
        .correlate(setting)
        .scalar_subquery()
    )
    return and_(col(setting.decision) != "", latest == code)


def find_unevaluated_pools(
    connection: Connection, submissions: Sequence[int], most: int
) -> list[int]:
    """Pools with settings of these results that no answer evaluated since the last change."""
    statement = (
        select_columns(col(SettingResult.pool_id))
        .distinct()
        .where(
            col(SettingResult.submission_id).in_(submissions),
            ~exists().where(col(PoolPeers.pool_id) == col(SettingResult.pool_id)),
        )
        .order_by(col(SettingResult.pool_id))
        .limit(most)
    )
    return list(connection.execute(statement).scalars())


def find_received_day(connection: Connection, submission_id: int) -> date:
    """The day on which a stored result arrived."""
    statement = select_columns(col(Submission.received_day)).where(
        col(Submission.id) == submission_id
    )
    day: date = connection.execute(statement).scalar_one()
    return day


def find_first_seen(connection: Connection, contributor_id: int) -> date | None:
    """The day of a contributor's first result; None where there is no such contributor."""
    if contributor_id > LARGEST_INTEGER:
        return None
    statement = select_columns(col(Contributor.first_seen_day)).where(
        col(Contributor.id) == contributor_id
    )
    return connection.execute(statement).scalar_one_or_none()


@dataclass(frozen=True, slots=True)
class ContributorState:
    """How many results a contributor has, and the number of the newest; 0 without any."""

    results: int
    newest: int


def find_state_of(connection: Connection, contributor_id: int) -> ContributorState:
    """The state of a contributor, which changes with each result that arrives or goes."""
    row = connection.execute(
        select_columns(func.count(), func.coalesce(func.max(col(Submission.id)), 0))
        .select_from(Unit)
        .join(Submission, col(Submission.unit_id) == col(Unit.id))
        .where(col(Unit.contributor_id) == contributor_id)
    ).one()
    return ContributorState(row[0], row[1])


@dataclass(frozen=True, slots=True)
class SettingCounts:
    """How many settings and units a contributor has in a pool, by screening."""

    pool_id: int
    units: int
    counted: int
    unverified: int
    excluded: int
    """By a rule or a curator; the outlier check apart."""


def count_settings(connection: Connection, contributor_id: int) -> list[SettingCounts]:
    """The settings of a contributor in each pool, the pool with the most units first."""
    units = func.count(col(SettingResult.unit_id).distinct())

    def with_status(status: ScreeningStatus) -> Any:
        return func.sum(case((col(SettingResult.status) == status, 1), else_=0))

    statement = (
        select_columns(
            col(SettingResult.pool_id),
            units.label("units"),
            with_status("counted").label("counted"),
            with_status("unverified").label("unverified"),
            with_status("excluded").label("excluded"),
        )
        .join(Unit, col(Unit.id) == col(SettingResult.unit_id))
        .where(col(Unit.contributor_id) == contributor_id)
        .group_by(col(SettingResult.pool_id))
        .order_by(units.desc(), col(SettingResult.pool_id))
    )
    return load_as(connection, SettingCounts, statement)
