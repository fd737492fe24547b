"""Follow-ups, and the histories of settings that they make."""

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Final, cast

import orjson
from sqlalchemy import Connection, Row, Select, bindparam
from sqlalchemy import select as select_columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, and_, col, delete, func, or_, select, update

from kbapi.storage.contributors import UnitRow
from kbapi.storage.pools import ConditionsKey, EvidenceKey, find_or_add_conditions
from kbapi.storage.sql import checksum_of, session_on
from kbapi.storage.tables import Chip, Conditions, Pool, SettingResult, Submission, Unit
from kbapi.storage.tables_reports import FollowUp
from kbapi.vocabulary import (
    Domain,
    FollowUpOutcome,
    FollowUpStatus,
    LimitControl,
    ScreeningStatus,
)


@dataclass(frozen=True, slots=True)
class FollowedSetting:
    """A setting of a submission that a follow-up may be about."""

    ordinal: int
    domain: Domain
    control: LimitControl
    domains: str
    clock_mhz: float | None
    stock_mv: float | None
    status: ScreeningStatus
    early_stop_steps: int
    pool_id: int
    unit: UnitRow
    conditions: ConditionsKey


def load_followed(connection: Connection, submission_id: int) -> list[FollowedSetting]:
    """The settings of a submission in the order of its document."""
    with session_on(connection) as session:
        rows = session.exec(
            select(SettingResult, Pool, Unit, Conditions)
            .join(Pool, col(Pool.id) == col(SettingResult.pool_id))
            .join(Unit, col(Unit.id) == col(SettingResult.unit_id))
            .join(Conditions, col(Conditions.id) == col(SettingResult.conditions_id))
            .where(SettingResult.submission_id == submission_id)
            .order_by(col(SettingResult.ordinal))
        )
        return [_followed(*row) for row in rows]


def _followed(
    setting: SettingResult, pool: Pool, unit: Unit, conditions: Conditions
) -> FollowedSetting:
    return FollowedSetting(
        ordinal=setting.ordinal,
        domain=cast(Domain, setting.domain),
        control=cast(LimitControl, pool.control),
        domains=pool.domains,
        clock_mhz=setting.clock_mhz,
        stock_mv=setting.stock_mv,
        status=cast(ScreeningStatus, setting.status),
        early_stop_steps=setting.early_stop_steps,
        pool_id=pool.id,
        unit=UnitRow(unit.id, unit.contributor_id),
        conditions=ConditionsKey(**conditions.model_dump(exclude={"id"})),
    )


@dataclass(frozen=True, slots=True)
class NewFollowUp:
    """A screened follow-up that is to be stored."""

    submission_id: int
    pool_id: int
    unit_id: int
    received_day: date
    measured_month: str
    outcome: FollowUpOutcome
    status: FollowUpStatus
    reasons: str
    document: str
    days: int | None
    steps: int
    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int


def save_follow_up(
    connection: Connection, new: NewFollowUp, conditions: ConditionsKey
) -> EvidenceKey:
    """The place of the evidence of the follow-up, now that it is saved."""
    conditions_id = find_or_add_conditions(connection, conditions)
    with session_on(connection) as session:
        session.add(
            FollowUp(
                **asdict(new),
                document_checksum=checksum_of(new.document),
                conditions_id=conditions_id,
            )
        )
    return EvidenceKey(new.pool_id, new.unit_id, conditions_id)


def replace_follow_up(
    connection: Connection, follow_up_id: int, new: NewFollowUp, conditions: ConditionsKey
) -> None:
    """Store this follow-up in the place of an earlier form of it."""
    values = asdict(new) | {
        "conditions_id": find_or_add_conditions(connection, conditions),
        "document_checksum": checksum_of(new.document),
    }
    with session_on(connection) as session:
        session.exec(update(FollowUp).where(col(FollowUp.id) == follow_up_id).values(**values))


def delete_follow_up(connection: Connection, follow_up_id: int) -> None:
    """Delete this follow-up."""
    with session_on(connection) as session:
        session.exec(delete(FollowUp).where(col(FollowUp.id) == follow_up_id))


def drop_still_stable(
    connection: Connection, submission_id: int, unit_id: int, pool_id: int, steps: int, month: str
) -> list[EvidenceKey]:
    """The places of earlier reports that this setting is still stable, now that they are deleted.

    A script sends one each day; the latest of a unit, setting and month replaces the others.
    Without a unit token these are the reports on this submission: equal ones are of others.
    """
    with session_on(connection) as session:
        earlier = session.exec(
            select(FollowUp)
            .join(Unit, col(Unit.id) == col(FollowUp.unit_id))
            .where(
                or_(FollowUp.submission_id == submission_id, col(Unit.token_hash).is_not(None)),
                FollowUp.unit_id == unit_id,
                FollowUp.pool_id == pool_id,
                FollowUp.steps == steps,
                FollowUp.measured_month == month,
                FollowUp.outcome == "still_stable",
            )
        ).all()
        for row in earlier:
            session.delete(row)
        return [EvidenceKey(row.pool_id, row.unit_id, row.conditions_id) for row in earlier]


@dataclass(frozen=True, slots=True)
class StoredFollowUp:
    """A follow-up as it was screened."""

    id: int
    received_day: date
    document: str
    measured_month: str
    status: FollowUpStatus
    reasons: str
    is_taken_out: bool
    """By a curator's decision about the setting."""


def load_follow_ups(connection: Connection, submission_id: int) -> list[StoredFollowUp]:
    """The follow-ups of a submission in the order of their arrival."""
    with session_on(connection) as session:
        taken_out = _pools_taken_out(session, submission_id)
        rows = session.exec(
            select(FollowUp)
            .where(FollowUp.submission_id == submission_id)
            .order_by(col(FollowUp.id))
        )
        return [
            StoredFollowUp(
                id=row.id,
                received_day=row.received_day,
                document=row.document,
                measured_month=row.measured_month,
                status=cast(FollowUpStatus, row.status),
                reasons=row.reasons,
                is_taken_out=row.pool_id in taken_out,
            )
            for row in rows
        ]


def _pools_taken_out(session: Session, submission_id: int) -> set[int]:
    """Pools of a submission of which a curator excluded every setting.

    Of several settings in one pool, a follow-up may be about any.
    """
    settings = session.exec(
        select(SettingResult.pool_id, SettingResult.decision).where(
            SettingResult.submission_id == submission_id
        )
    ).all()
    kept = {pool for pool, decision in settings if decision not in ("exclude", "invalidate")}
    return {pool for pool, _ in settings} - kept


@dataclass(frozen=True, slots=True)
class FollowedRow:
    """A follow-up with the setting that it is about."""

    chip_key: str
    control: str
    domains: str
    pool_id: int
    unit_id: int
    contributor_id: int
    status: str
    """How the setting itself was screened."""
    stable_steps: int | None
    """The deepest pass when the result was sent."""
    stock_mv: float | None
    outcome: str
    days: int
    """In use; if not reported, the days between the arrivals of result and follow-up."""
    value: float | None
    """The setting as it is written on the wire; None where neither report has it."""
    failure: str
    is_effect_shown: bool
    changed: frozenset[str]
    """Named, with a day or without."""
    change_days: tuple[tuple[str, int], ...] = ()
    """Changes with their day in use."""
    last_stable_day: int | None = None
    failed_after: int | None = None
    """Days from the arrival of the result to that of a later one that failed here or nearer to
    stock; None without such a result."""


_LATER: Final = aliased(SettingResult)
_LATER_RESULT: Final = aliased(Submission)
_FAILED_DAY: Final = (
    select_columns(func.min(_LATER_RESULT.received_day))
    .join(_LATER, col(_LATER.submission_id) == col(_LATER_RESULT.id))
    .where(
        col(_LATER.unit_id) == col(FollowUp.unit_id),
        col(_LATER.pool_id) == col(FollowUp.pool_id),
        col(_LATER.submission_id) > col(FollowUp.submission_id),
        col(_LATER.measured_month) >= col(SettingResult.measured_month),
        col(_LATER.status) != "excluded",
        col(_LATER.unstable_steps) <= col(FollowUp.steps),
    )
    .correlate(FollowUp, SettingResult)
    .scalar_subquery()
)
_FOLLOWED: Final[Select[*tuple[Any, ...]]] = (
    select_columns(
        col(FollowUp.id),
        col(Chip.key).label("chip_key"),
        col(Pool.control),
        col(Pool.domains),
        col(FollowUp.pool_id),
        col(FollowUp.unit_id),
        col(Unit.contributor_id),
        col(SettingResult.status),
        col(SettingResult.stable_steps),
        col(SettingResult.stock_mv),
        col(SettingResult.clock_mhz),
        col(SettingResult.ordinal),
        col(FollowUp.outcome),
        col(FollowUp.days),
        col(FollowUp.received_day),
        col(FollowUp.document),
        col(Submission.received_day).label("sent_day"),
        col(Submission.document).label("sent"),
        _FAILED_DAY.label("failed_day"),
    )
    .select_from(Chip)
    .join(Pool, col(Pool.chip_id) == col(Chip.id))
    .join(FollowUp, col(FollowUp.pool_id) == col(Pool.id))
    .join(Submission, col(Submission.id) == col(FollowUp.submission_id))
    .join(Unit, col(Unit.id) == col(FollowUp.unit_id))
    .join(
        SettingResult,
        and_(
            col(SettingResult.submission_id) == col(FollowUp.submission_id),
            # The sum keeps SQLite from the index of the pool: 17 ms instead of 17 s.
            col(SettingResult.pool_id) + 0 == col(FollowUp.pool_id),
        ),
    )
    .where(col(Chip.series) == bindparam("series"))
    .order_by(
        col(Chip.key),
        col(Pool.id),
        col(FollowUp.unit_id),
        col(FollowUp.id),
        col(SettingResult.ordinal),
    )
)


def load_followed_of_series(connection: Connection, series: str) -> list[FollowedRow]:
    """Every follow-up on the chips of a series."""
    found: dict[int, FollowedRow] = {}
    for row in connection.execute(_FOLLOWED, {"series": series}):
        # Of a setting that was sent twice (two clocks of one band), the one of the same clock.
        if row.id not in found and (followed := _followed_row(row)) is not None:
            found[row.id] = followed
    return list(found.values())


def _followed_row(row: Row[*tuple[Any, ...]]) -> FollowedRow | None:
    """The follow-up beside this setting; None where it is about another clock."""
    document = orjson.loads(row.document)
    if row.control == "fixed_clock_voltage" and document.get("clock_mhz") != row.clock_mhz:
        return None
    value = document.get("setting")
    if value is None:
        value = orjson.loads(row.sent)["settings"][row.ordinal].get("in_use")
    days = row.days
    if days is None:
        days = max(0, (row.received_day - row.sent_day).days)
    return FollowedRow(
        chip_key=row.chip_key,
        control=row.control,
        domains=row.domains,
        pool_id=row.pool_id,
        unit_id=row.unit_id,
        contributor_id=row.contributor_id,
        status=row.status,
        stable_steps=row.stable_steps,
        stock_mv=row.stock_mv,
        outcome=row.outcome,
        days=days,
        value=value,
        failure=document.get("failure") or "",
        is_effect_shown=_is_effect_shown(document.get("effect") or {}),
        changed=frozenset(document.get("changed") or ()),
        change_days=tuple((one["change"], one["day"]) for one in document.get("change_days") or ()),
        last_stable_day=document.get("last_stable_day"),
        failed_after=(row.failed_day - row.sent_day).days if row.failed_day else None,
    )


def _is_effect_shown(effect: dict[str, Any]) -> bool:
    """Whether an effect was measured on this setting itself."""
    shown_by = effect.get("shown_by")
    if shown_by == "rail_voltage":
        return effect.get("rail_mv") is not None
    return shown_by not in (None, "failed_deeper")
