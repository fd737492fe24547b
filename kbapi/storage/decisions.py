"""Curators' decisions about single settings, and the status that each setting has by them."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Final, cast

from sqlalchemy import ColumnElement, Connection, bindparam
from sqlalchemy import select as select_columns
from sqlmodel import case, col, func, insert, or_, select, update

from kbapi.storage.pools import EvidenceKey
from kbapi.storage.sql import load_as, session_on, text_in
from kbapi.storage.tables import Chip, Conditions, SettingResult, Submission, Unit
from kbapi.storage.tables_reports import AccessKey, Decision, Erasure
from kbapi.vocabulary import DecisionAction, ErasureReason, ScreeningStatus


@dataclass(frozen=True, slots=True)
class DecisionRow:
    """A new decision about one setting."""

    submission_id: int
    ordinal: int
    decision: DecisionAction
    reason_code: str
    decided_by: int | None
    """Number of the access key; None for a command on the folder."""
    decided_day: date


def add_decisions(connection: Connection, rows: Iterable[DecisionRow]) -> None:
    """Append these to the history; `apply_decisions` puts them into force."""
    new = [asdict(row) for row in rows]
    if new:
        with session_on(connection) as session:
            session.exec(insert(Decision), params=new)


@dataclass(frozen=True, slots=True)
class ErasureRow:
    """That the host erased results, without anything of them."""

    erased_day: date
    reason_code: ErasureReason
    results: int
    decided_by: int | None
    """Number of the access key; None for a command on the folder."""


def add_erasure(connection: Connection, row: ErasureRow) -> None:
    """Store that results were erased."""
    with session_on(connection) as session:
        session.add(Erasure(**asdict(row)))


_OF_THESE: Final = col(SettingResult.submission_id).in_(bindparam("submissions", expanding=True))
_LATEST: Final = (
    select(
        case((col(Decision.decision) == "undo", ""), else_=col(Decision.decision)).label("decision")
    )
    .where(
        col(Decision.submission_id) == col(SettingResult.submission_id),
        col(Decision.ordinal) == col(SettingResult.ordinal),
    )
    .order_by(col(Decision.id).desc())
    .limit(1)
    .correlate(SettingResult)
    .scalar_subquery()
)
_APPLY: Final = update(SettingResult).where(_OF_THESE).values(decision=func.coalesce(_LATEST, ""))
_STATUS: Final = case(
    (col(SettingResult.decision) == "", col(SettingResult.status_by_rules)),
    (col(SettingResult.decision) != "include", "excluded"),
    # Without an end it cannot count: later rules may have taken both away.
    (
        func.coalesce(col(SettingResult.stable_steps), col(SettingResult.unstable_steps)).is_(None),
        col(SettingResult.status_by_rules),
    ),
    else_="counted",
)
_SET_STATUS: Final = update(SettingResult).where(_OF_THESE).values(status=_STATUS)


def apply_decisions(connection: Connection, submissions: Iterable[int]) -> None:
    """Give the settings of these documents the status of their decisions, else of the rules."""
    these = {"submissions": sorted(submissions)}
    with session_on(connection) as session:
        session.exec(_APPLY, params=these)
        session.exec(_SET_STATUS, params=these)


@dataclass(frozen=True, slots=True)
class SettingAt:
    """A setting that a curator may decide about."""

    submission_id: int
    public_id: str
    ordinal: int
    contributor_id: int
    line_id: int
    place: EvidenceKey
    status: ScreeningStatus
    decision: str
    """The decision in force, empty where the rules decide."""
    decision_reason: str | None
    has_end: bool
    """Whether screening left a pass or a failure that can count."""


_REASON: Final = (
    select(Decision.reason_code)
    .where(
        col(Decision.submission_id) == col(SettingResult.submission_id),
        col(Decision.ordinal) == col(SettingResult.ordinal),
    )
    .order_by(col(Decision.id).desc())
    .limit(1)
    .correlate(SettingResult)
    .scalar_subquery()
)
_SETTING_AT: Final = (
    select_columns(
        col(SettingResult.submission_id),
        col(Submission.public_id),
        col(SettingResult.ordinal),
        col(Unit.contributor_id),
        col(Chip.line_id),
        col(SettingResult.pool_id),
        col(SettingResult.unit_id),
        col(SettingResult.conditions_id),
        col(SettingResult.status),
        col(SettingResult.decision),
        _REASON.label("decision_reason"),
        or_(
            col(SettingResult.stable_steps).is_not(None),
            col(SettingResult.unstable_steps).is_not(None),
        ).label("has_end"),
    )
    .join(Submission, col(Submission.id) == col(SettingResult.submission_id))
    .join(Unit, col(Unit.id) == col(SettingResult.unit_id))
    .join(Chip, col(Chip.id) == col(Submission.chip_id))
    .order_by(col(SettingResult.submission_id), col(SettingResult.ordinal))
)


def _setting_at(*, pool_id: int, unit_id: int, conditions_id: int, **others: Any) -> SettingAt:
    return SettingAt(place=EvidenceKey(pool_id, unit_id, conditions_id), **others)


def find_setting_at(connection: Connection, public_id: str, ordinal: int) -> SettingAt | None:
    """The setting at this position of the document with this id, if it exists."""
    statement = _SETTING_AT.where(
        col(Submission.public_id) == public_id, col(SettingResult.ordinal) == ordinal
    )
    return next(iter(load_as(connection, _setting_at, statement)), None)


@dataclass(frozen=True, slots=True)
class Origin:
    """Where results come from; None is any."""

    client: str | None = None
    firmware: str | None = None
    machine: str | None = None


def find_settings_of_contributor(
    connection: Connection, contributor_id: int, most: int
) -> list[SettingAt]:
    """Settings of all results of a contributor, oldest first."""
    statement = _SETTING_AT.where(col(Unit.contributor_id) == contributor_id).limit(most)
    return load_as(connection, _setting_at, statement)


def find_settings_of_origin(connection: Connection, origin: Origin, most: int) -> list[SettingAt]:
    """Settings of all results of a script, a firmware or a machine class, oldest first.

    Reads every document: a script's name has no index, because nothing else searches for it.
    """
    statement = _SETTING_AT.join(Conditions, col(Conditions.id) == col(SettingResult.conditions_id))
    if origin.firmware is not None:
        statement = statement.where(col(Conditions.firmware) == origin.firmware)
    if origin.machine is not None:
        statement = statement.where(col(Conditions.machine) == origin.machine)
    if origin.client is not None:
        statement = statement.where(is_sent_by(origin.client))
    return load_as(connection, _setting_at, statement.limit(most))


def is_sent_by(client: str) -> ColumnElement[bool]:
    """The condition that a submission names this script."""
    return text_in(col(Submission.document), "client") == client


@dataclass(frozen=True, slots=True)
class DecisionKept:
    """One row of a setting's history, with the key of the curator."""

    decision: DecisionAction
    reason_code: str
    decided_day: date
    key_number: int | None
    key_name: str


def load_history(connection: Connection, submission_id: int, ordinal: int) -> list[DecisionKept]:
    """Every decision about a setting, oldest first."""
    with session_on(connection) as session:
        rows = session.exec(
            select(Decision, AccessKey)
            .join(AccessKey, col(AccessKey.id) == col(Decision.decided_by), isouter=True)
            .where(Decision.submission_id == submission_id, Decision.ordinal == ordinal)
            .order_by(col(Decision.id))
        )
        return [
            DecisionKept(
                decision=cast(DecisionAction, decision.decision),
                reason_code=decision.reason_code,
                decided_day=decision.decided_day,
                key_number=decision.decided_by,
                key_name=key.name if key is not None else "",
            )
            for decision, key in rows
        ]
