"""Lock reports of a chip with the decisions about them."""

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from sqlalchemy import ColumnElement, Connection, Integer, Select, String, bindparam, exists
from sqlalchemy import select as select_columns
from sqlalchemy.orm import aliased
from sqlmodel import and_, case, col, func, select

from kbapi.storage.decisions import Origin, is_sent_by
from kbapi.storage.sql import joined, load_as, session_on
from kbapi.storage.tables import Chip, SettingResult, Submission, Unit
from kbapi.storage.tables_reports import Decision, LockReport
from kbapi.vocabulary import (
    DOMAINS,
    LIMIT_CONTROLS,
    Control,
    Domain,
    LockFoundBy,
    LockStatus,
)


def _is_in_force() -> ColumnElement[bool]:
    """The condition that nothing of a report's document is invalidated.

    A contributor who sent an impossible setting may have reported the lock wrongly too.
    """
    later = aliased(Decision)
    is_latest = ~exists().where(
        col(later.submission_id) == col(Decision.submission_id),
        col(later.ordinal) == col(Decision.ordinal),
        col(later.id) > col(Decision.id),
    )
    return ~exists().where(
        col(Decision.submission_id) == col(LockReport.submission_id),
        col(Decision.decision) == "invalidate",
        is_latest,
    )


@dataclass(frozen=True, slots=True)
class LocksAt:
    """A document that reports locks only, which a curator may decide about."""

    submission_id: int
    public_id: str
    line_id: int
    decision: str
    """The decision in force, empty where there is none."""
    decision_reason: str | None


# Such a document has no setting: its history is stored under the first ordinal.
_LATEST_DECISION: Final = (
    select(func.max(Decision.id))
    .where(col(Decision.submission_id) == col(Submission.id))
    .correlate(Submission)
    .scalar_subquery()
)
_LOCKS_ALONE: Final[Select[*tuple[Any, ...]]] = (
    select_columns(
        col(Submission.id).label("submission_id"),
        col(Submission.public_id),
        col(Chip.line_id),
        func.coalesce(func.nullif(col(Decision.decision), "undo"), "").label("decision"),
        col(Decision.reason_code).label("decision_reason"),
    )
    .select_from(Submission)
    .join(Chip, col(Chip.id) == col(Submission.chip_id))
    .join(Unit, col(Unit.id) == col(Submission.unit_id))
    .outerjoin(Decision, col(Decision.id) == _LATEST_DECISION)
    .where(~exists().where(col(SettingResult.submission_id) == col(Submission.id)))
    .order_by(col(Submission.id))
)
_HAS_LOCKS: Final = exists().where(col(LockReport.submission_id) == col(Submission.id))


def find_locks_alone(connection: Connection, public_id: str) -> list[LocksAt]:
    """The document with this id, if it exists and reports locks only."""
    statement = _LOCKS_ALONE.where(_HAS_LOCKS, col(Submission.public_id) == public_id)
    return load_as(connection, LocksAt, statement)


def find_locks_alone_of_contributor(
    connection: Connection, contributor_id: int, most: int
) -> list[LocksAt]:
    """Documents of a contributor that report locks only, oldest first."""
    statement = _LOCKS_ALONE.where(_HAS_LOCKS, col(Unit.contributor_id) == contributor_id)
    return load_as(connection, LocksAt, statement.limit(most))


def find_locks_alone_of_origin(connection: Connection, origin: Origin, most: int) -> list[LocksAt]:
    """Documents of a script, a firmware or a machine class that report locks only, oldest first.

    Reads every document, as `find_settings_of_origin` does.
    """
    has_locks = _HAS_LOCKS
    if origin.firmware is not None:
        has_locks = has_locks.where(col(LockReport.firmware) == origin.firmware)
    if origin.machine is not None:
        has_locks = has_locks.where(col(LockReport.machine) == origin.machine)
    statement = _LOCKS_ALONE.where(has_locks)
    if origin.client is not None:
        statement = statement.where(is_sent_by(origin.client))
    return load_as(connection, LocksAt, statement.limit(most))


def find_lock_decision(connection: Connection, submission_id: int) -> tuple[str, str] | None:
    """The decision and its reason in force for a document that reports locks only, if any."""
    with session_on(connection) as session:
        latest = session.exec(
            select(Decision)
            .where(Decision.submission_id == submission_id)
            .order_by(col(Decision.id).desc())
            .limit(1)
        ).first()
    if latest is None or latest.decision == "undo":
        return None
    return latest.decision, latest.reason_code


# Named tuples: as dataclasses, a thousand units would cost more than all that is computed of them.


class LockGroup(NamedTuple):
    """Units of a chip whose latest reports on a control agree in these fields."""

    chip_key: str
    series: str
    domain: Domain
    control: Control
    status: LockStatus
    found_by: LockFoundBy
    changes: str
    machine: str
    firmware_month: str
    virtualization: str
    hypervisor: str
    memory_integrity: str
    kernel_lockdown: str
    voltage_write_protection: str
    units: int
    contributors: str
    """The number of each unit's contributor, joined by commas."""


class TriedLock(NamedTuple):
    """A unit of a chip whose latest report on a control was found by a try."""

    domain: Domain
    control: Control
    contributor_id: int
    unit_order: bytes
    """Gives units an order that does not depend on their arrival."""
    status: LockStatus
    measured_month: str
    machine: str
    firmware_month: str
    microcode: str
    virtualization: str
    hypervisor: str
    memory_integrity: str
    kernel_lockdown: str
    voltage_write_protection: str


# The latest month of a unit counts, and within a month the best proof, so that the order of
# arrival never matters.
_TRIED: Final = "written_and_read_back"
_LATEST_FIRST: Final = (
    col(LockReport.measured_month).desc(),
    case({_TRIED: 0, "documented": 1}, value=col(LockReport.found_by), else_=2),
    col(LockReport.status),
    col(LockReport.changes),
    col(LockReport.machine),
    col(LockReport.firmware_month),
    col(LockReport.microcode),
    col(LockReport.virtualization),
    col(LockReport.hypervisor),
    col(LockReport.memory_integrity),
    col(LockReport.kernel_lockdown),
    col(LockReport.voltage_write_protection),
)


_MACHINE: Final = bindparam("machine", type_=String)
_FIRMWARE_MONTH: Final = bindparam("firmware_month", type_=String)


def _latest(of: ColumnElement[bool]) -> ColumnElement[bool]:
    """The condition that a report is the latest of its unit about a control, filtered first."""
    place = func.row_number().over(
        partition_by=(
            col(LockReport.chip_id),
            col(LockReport.domain),
            col(LockReport.control),
            col(LockReport.unit_id),
        ),
        order_by=_LATEST_FIRST,
    )
    ranked = (
        select_columns(col(LockReport.id), place.label("place"))
        .join(Chip, col(Chip.id) == col(LockReport.chip_id))
        .where(
            of,
            _is_in_force(),
            _MACHINE.in_(["", col(LockReport.machine)]),
            _FIRMWARE_MONTH.in_(["", col(LockReport.firmware_month)]),
        )
        .cte("ranked")
    )
    latest = select_columns(ranked.c.id).where(ranked.c.place == 1)
    return and_(col(LockReport.id).in_(latest), col(LockReport.status) != "unknown")


_SHARED_FIELDS: Final = (
    "domain",
    "control",
    "status",
    "found_by",
    "changes",
    "machine",
    "firmware_month",
    "virtualization",
    "hypervisor",
    "memory_integrity",
    "kernel_lockdown",
    "voltage_write_protection",
)


def _groups() -> Select[*tuple[Any, ...]]:
    fields = [
        col(Chip.key).label("chip_key"),
        col(Chip.series),
        *(getattr(LockReport, name) for name in _SHARED_FIELDS),
    ]
    return (
        select_columns(
            *fields,
            func.count().label("units"),
            joined(col(LockReport.contributor_id)).label("contributors"),
        )
        .join(Chip, col(Chip.id) == col(LockReport.chip_id))
        .where(_latest(col(Chip.line_id) == bindparam("line_id")))
        .group_by(*fields)
        .order_by(*fields)
    )


_GROUPS: Final = _groups()


def load_lock_groups(
    connection: Connection,
    line_id: int,
    machine: str = "",
    firmware_month: str = "",
) -> list[LockGroup]:
    """The latest reports of a line's units, filtered first if asked; `unknown` is left out."""
    values = {
        "line_id": line_id,
        "machine": machine,
        "firmware_month": firmware_month,
    }
    return load_as(connection, LockGroup, _GROUPS, values)


_STATUSES_OF_CHIP: Final = (
    select(LockReport.status)
    .join(Chip, col(Chip.id) == col(LockReport.chip_id))
    .where(
        col(Chip.key) == bindparam("chip_key", type_=String),
        col(LockReport.domain).in_(DOMAINS),
        col(LockReport.control).in_(LIMIT_CONTROLS),
    )
    .limit(bindparam("most", type_=Integer))
)


def load_some_statuses(connection: Connection, chip_key: str, most: int) -> list[str]:
    """The statuses of some reports of a chip about controls of voltage, at most so many."""
    rows = connection.execute(_STATUSES_OF_CHIP, {"chip_key": chip_key, "most": most})
    return list(rows.scalars())


_TRIED_LOCKS: Final[Select[*tuple[Any, ...]]] = (
    select_columns(
        col(LockReport.domain),
        col(LockReport.control),
        col(LockReport.contributor_id),
        func.coalesce(col(Unit.token_hash), b"").label("unit_order"),
        col(LockReport.status),
        col(LockReport.measured_month),
        col(LockReport.machine),
        col(LockReport.firmware_month),
        col(LockReport.microcode),
        col(LockReport.virtualization),
        col(LockReport.hypervisor),
        col(LockReport.memory_integrity),
        col(LockReport.kernel_lockdown),
        col(LockReport.voltage_write_protection),
    )
    .join(Unit, col(Unit.id) == col(LockReport.unit_id))
    .where(_latest(col(Chip.key) == bindparam("chip_key")), col(LockReport.found_by) == _TRIED)
)


def load_tried_locks(
    connection: Connection, chip_key: str, machine: str = "", firmware_month: str = ""
) -> list[TriedLock]:
    """Those of a chip's latest reports that were found by a try; filtered first if asked."""
    values = {"chip_key": chip_key, "machine": machine, "firmware_month": firmware_month}
    return load_as(connection, TriedLock, _TRIED_LOCKS, values)
