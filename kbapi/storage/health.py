"""The row that readiness writes, and the days of rows: what a clock that was wrong left in them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection, delete, func, select, update
from sqlmodel import SQLModel, col

from kbapi.storage.sql import days_between, text_in, upsert
from kbapi.storage.tables import (
    Contributor,
    IdempotencyRecord,
    Line,
    SettingResult,
    Submission,
)
from kbapi.storage.tables_evidence import HealthProbe, StoredAnswer
from kbapi.storage.tables_reports import (
    AccessKey,
    Decision,
    FollowUp,
    LockReport,
    NoteHistory,
    NoteRow,
)


def raise_probe(connection: Connection) -> int:
    """The new value of the row that readiness writes, one more than before."""
    added = upsert(connection, HealthProbe).values(id=1, value=1)
    raised = added.on_conflict_do_update(
        index_elements=["id"], set_={"value": col(HealthProbe.value) + 1}
    )
    value: int = connection.execute(raised.returning(col(HealthProbe.value))).scalar_one()
    return value


def find_probe(connection: Connection) -> int:
    """The value of that row, 0 where it was never written."""
    value: int | None = connection.execute(select(col(HealthProbe.value))).scalar()
    return value or 0


@dataclass(frozen=True, slots=True)
class Dated:
    """A table whose rows were added in the order of their ids, each with the day of its adding."""

    table: type[SQLModel]
    day: str

    @property
    def name(self) -> str:
        """Name of the table."""
        return str(self.table.__tablename__)


DATED: Final = (
    Dated(Submission, "received_day"),
    Dated(FollowUp, "received_day"),
    Dated(Contributor, "first_seen_day"),
    Dated(Decision, "decided_day"),
    Dated(AccessKey, "created_day"),
    Dated(NoteHistory, "replaced_day"),
)


def find_newest_day(connection: Connection, *, of_last_rows: bool) -> date | None:
    """The latest day of all rows; or only of the last row of each table, which costs nothing."""
    return max(
        filter(None, (_newest(connection, one, of_last_rows) for one in DATED)), default=None
    )


def _newest(connection: Connection, dated: Dated, of_last_row: bool) -> date | None:
    day, number = _columns(dated)
    statement = select(day).order_by(number.desc()).limit(1) if of_last_row else _max_of(day)
    found: date | None = connection.execute(statement).scalar()
    return found


def _max_of(day: Any) -> Any:
    return select(func.max(day, type_=day.type))


def _columns(dated: Dated) -> tuple[Any, Any]:
    return getattr(dated.table, dated.day), dated.table.id  # type: ignore[attr-defined]


def count_later(connection: Connection, dated: Dated, today: date) -> int:
    """How many rows are dated later than today."""
    day, _ = _columns(dated)
    found = connection.execute(select(func.count()).where(day > today))
    return found.scalar_one()


def count_falling(connection: Connection, dated: Dated, today: date) -> int:
    """How many rows are dated more than a day before a row that was added earlier.

    Rows dated later than today are left out: every right row after them would be counted.
    """
    day, number = _columns(dated)
    newest = func.max(day).filter(day <= today).over(order_by=number, rows=(None, 0))
    each = select(day.label("day"), newest.label("newest")).subquery()
    falls = days_between(each.c.newest, each.c.day) > 1
    return connection.execute(select(func.count()).select_from(each).where(falls)).scalar_one()


def load_days(connection: Connection, dated: Dated) -> tuple[list[int], list[date]]:
    """The id and the day of every row, in the order of the ids."""
    day, number = _columns(dated)
    rows = connection.execute(select(number, day).order_by(number)).all()
    return [row[0] for row in rows], [row[1] for row in rows]


def save_days(connection: Connection, dated: Dated, days: Mapping[int, date]) -> None:
    """Give rows of this table another day."""
    day, number = _columns(dated)
    for one, right in days.items():
        connection.execute(update(dated.table).where(number == one).values({day.key: right}))
    if dated.table is Submission:
        _save_months(connection, days)
    elif dated.table is FollowUp:
        for one, right in days.items():
            changed = update(FollowUp).where(col(FollowUp.id) == one)
            connection.execute(changed.values(measured_month=f"{right:%Y-%m}"))


def _save_months(connection: Connection, days: Mapping[int, date]) -> None:
    """The month of arrival for results that do not name the month of their measurement."""
    sent = text_in(col(Submission.document), "measured_in")
    for one, right in days.items():
        found = connection.execute(select(sent).where(col(Submission.id) == one)).scalar_one()
        if found is not None:
            continue
        month = f"{right:%Y-%m}"
        for table, number in (
            (Submission, col(Submission.id)),
            (SettingResult, col(SettingResult.submission_id)),
            (LockReport, col(LockReport.submission_id)),
        ):
            connection.execute(update(table).where(number == one).values(measured_month=month))


def correct_derived(connection: Connection, today: date, latest_expiry_s: int) -> int:
    """How many rows without an order were corrected: revoked keys, repeats, stored answers.

    Every computed answer is deleted, because ages and established contributors may have changed.
    """
    revoked = connection.execute(
        update(AccessKey).where(col(AccessKey.revoked_day) > today).values(revoked_day=today)
    )
    repeats = connection.execute(
        update(IdempotencyRecord)
        .where(col(IdempotencyRecord.expires_at) > latest_expiry_s)
        .values(expires_at=latest_expiry_s)
    )
    connection.execute(delete(StoredAnswer))
    connection.execute(update(Line).values(revision=col(Line.revision) + 1))
    return revoked.rowcount + repeats.rowcount


@dataclass(frozen=True, slots=True)
class LaterMonths:
    """Months later than the present one that people sent: no row says which one is right."""

    results: int
    notes: int


def count_later_months(connection: Connection, this_month: str) -> LaterMonths:
    """How many results and notes name a later month than this one."""
    sent = text_in(col(Submission.document), "measured_in")
    results = select(func.count()).where(
        col(Submission.measured_month) > this_month, sent.is_not(None)
    )
    notes = select(func.count()).where(col(NoteRow.reviewed_month) > this_month)
    return LaterMonths(
        connection.execute(results).scalar_one(), connection.execute(notes).scalar_one()
    )
