"""Contributors and units, known only by keyed hashes, and the list of what one contributor sent."""

from dataclasses import dataclass
from datetime import date
from typing import Any, Final, Literal, cast

from sqlalchemy import (
    ColumnClause,
    ColumnElement,
    Connection,
    column,
    text,
)
from sqlalchemy.orm import aliased
from sqlmodel import Session, and_, col, delete, or_, select, update

from kbapi.storage.pools import COUNTED, EvidenceKey
from kbapi.storage.sql import change_rows, checksum_of, session_on, text_in
from kbapi.storage.tables import (
    Chip,
    Conditions,
    Contributor,
    IdempotencyRecord,
    SettingResult,
    Submission,
    Unit,
)
from kbapi.storage.tables_reports import FollowUp
from kbapi.vocabulary import FollowUpOutcome


@dataclass(frozen=True, slots=True)
class UnitRow:
    """A unit and its contributor, by their numbers in this database."""

    id: int
    contributor_id: int


def drop_unit_if_unused(connection: Connection, unit: UnitRow) -> None:
    """Delete a unit without submissions, and a contributor without units."""
    submission = select(Submission.id).where(Submission.unit_id == unit.id).limit(1)
    other_unit = select(Unit.id).where(Unit.contributor_id == unit.contributor_id).limit(1)
    with session_on(connection) as session:
        if session.exec(submission).first() is not None:
            return
        session.exec(delete(Unit).where(col(Unit.id) == unit.id))
        if session.exec(other_unit).first() is None:
            session.exec(delete(Contributor).where(col(Contributor.id) == unit.contributor_id))


NO_ANSWER: Final = "null"
"""What is stored instead of the answer to a result that was corrected or withdrawn."""


def no_answer() -> dict[str, str]:
    """The columns of a record whose answer is deleted."""
    return {"answer": NO_ANSWER, "answer_checksum": checksum_of(NO_ANSWER)}


def mark_withdrawn(connection: Connection, which: ColumnElement[bool]) -> None:
    """Keep the records of batch items of these documents without content; call it before deleting.

    While its key is known, the same batch does not store them again.
    """
    connection.execute(
        update(IdempotencyRecord)
        .where(
            col(IdempotencyRecord.submission_id).in_(select(Submission.id).where(which)),
            col(IdempotencyRecord.endpoint) == "batch",
        )
        .values(submission_id=None, **no_answer())
    )


@dataclass(frozen=True, slots=True)
class Arrival:
    """When a submission arrived, and the hashes of its sender."""

    day: date
    contributor_hash: bytes
    unit_hash: bytes | None


def load_arrival(connection: Connection, submission_id: int) -> Arrival:
    """When this submission arrived and whose it is."""
    with session_on(connection) as session:
        row = session.exec(
            select(col(Submission.received_day), col(Contributor.token_hash), col(Unit.token_hash))
            .join(Unit, col(Unit.id) == col(Submission.unit_id))
            .join(Contributor, col(Contributor.id) == col(Unit.contributor_id))
            .where(Submission.id == submission_id)
        ).one()
        return Arrival(*row)


def find_contributor(connection: Connection, token_hash: bytes) -> int | None:
    """The number of the contributor with this hash, None where there is none."""
    with session_on(connection) as session:
        return session.exec(
            select(Contributor.id).where(Contributor.token_hash == token_hash)
        ).one_or_none()


_MARK_VOUCHED: Final = "UPDATE contributor SET is_vouched = 1 WHERE id = ? AND is_vouched = 0"
_OUTDATE: Final = """
    UPDATE line SET revision = revision + 1 WHERE id IN (
        SELECT chip.line_id FROM chip
        JOIN submission ON submission.chip_id = chip.id
        JOIN unit ON unit.id = submission.unit_id
        WHERE unit.contributor_id = ?
    )
    """


def mark_vouched(connection: Connection, contributor_id: int) -> None:
    """Make a contributor established from now on, also in answers to its earlier results."""
    if change_rows(connection, _MARK_VOUCHED, (contributor_id,)):
        change_rows(connection, _OUTDATE, (contributor_id,))


@dataclass(frozen=True, slots=True)
class Sent:
    """A submission and the day of its arrival."""

    public_id: str
    received_day: date


def load_sent(
    connection: Connection, contributor_id: int, after: str | None, limit: int
) -> list[Sent]:
    """The contributor's submissions after this id, in the order of their ids."""
    with session_on(connection) as session:
        rows = session.exec(
            select(col(Submission.public_id), col(Submission.received_day))
            .join(Unit, col(Unit.id) == col(Submission.unit_id))
            .where(Unit.contributor_id == contributor_id, Submission.public_id > (after or ""))
            .order_by(Submission.public_id)
            .limit(limit)
        )
        return [Sent(public_id, received_day) for public_id, received_day in rows]


@dataclass(frozen=True, slots=True)
class SettingEnd:
    """A later report on the unit that can end a setting in use."""

    pool_id: int
    reason: Literal[FollowUpOutcome, "failed_in_later_result"]
    steps: int
    """Where it failed, in steps below stock; 0 where the report is about no setting."""


@dataclass(frozen=True, slots=True)
class Since:
    """What has happened since a submission."""

    ends: tuple["SettingEnd", ...]
    longest_days: int
    """The longest time in use that a follow-up reports."""
    has_later_firmware: bool
    has_later_driver: bool


def find_since(connection: Connection, submission_id: int) -> Since:
    """What follow-ups and the results of others report since this submission."""
    with session_on(connection) as session:
        reports = session.exec(
            select(FollowUp.days).where(FollowUp.submission_id == submission_id)
        ).all()
        return Since(
            ends=(
                *_ends_by_follow_ups(session, submission_id),
                *_ends_by_results(session, submission_id),
            ),
            longest_days=max((days or 0 for days in reports), default=0),
            has_later_firmware=_has_later_firmware(session, submission_id),
            has_later_driver=_has_later_driver(session, submission_id),
        )


def _ends_by_follow_ups(session: Session, submission_id: int) -> list[SettingEnd]:
    """Those of follow-ups on this submission, and of later ones on other results of the unit."""
    mine = aliased(Submission)
    rows = session.exec(
        select(FollowUp.pool_id, FollowUp.outcome, FollowUp.steps)
        .join(mine, col(mine.unit_id) == col(FollowUp.unit_id))
        .join(Unit, col(Unit.id) == col(FollowUp.unit_id))
        .where(
            mine.id == submission_id,
            col(FollowUp.outcome) != "still_stable",
            or_(
                col(FollowUp.submission_id) == submission_id,
                and_(
                    col(FollowUp.received_day) > mine.received_day,
                    # Without a token, other results of the unit are equal ones of others.
                    col(Unit.token_hash).is_not(None),
                ),
            ),
        )
        .order_by(col(FollowUp.id))
    )
    return [
        SettingEnd(pool_id, cast(FollowUpOutcome, outcome), steps)
        for pool_id, outcome, steps in rows
    ]


def _ends_by_results(session: Session, submission_id: int) -> list[SettingEnd]:
    """Those of later results of the unit that failed in the same pools."""
    later = aliased(SettingResult)
    rows = session.exec(
        select(later.pool_id, later.unstable_steps)
        .join(SettingResult, col(SettingResult.unit_id) == col(later.unit_id))
        .where(
            SettingResult.submission_id == submission_id,
            later.pool_id == SettingResult.pool_id,
            later.submission_id > submission_id,
            later.measured_month >= SettingResult.measured_month,
            later.status != "excluded",
        )
        .order_by(col(later.id))
    )
    return [
        SettingEnd(pool_id, "failed_in_later_result", steps)
        for pool_id, steps in rows
        if steps is not None
    ]


def _has_later_firmware(session: Session, submission_id: int) -> bool:
    """Whether a later result in the same pools, on the same machine class, has other firmware."""
    own, other = aliased(Conditions), aliased(Conditions)
    names = ("pool_id", "conditions_id", "measured_month")
    columns: list[ColumnClause[Any]] = [column(name) for name in names]
    later = text(COUNTED).columns(*columns).subquery("later")
    found = session.exec(
        select(SettingResult.id)
        .join(own, col(own.id) == col(SettingResult.conditions_id))
        .join(later, later.c.pool_id == col(SettingResult.pool_id))
        .join(other, col(other.id) == later.c.conditions_id)
        .where(
            SettingResult.submission_id == submission_id,
            own.firmware != "",
            own.machine != "",
            other.machine == own.machine,
            other.firmware != "",
            col(other.firmware).not_like("~%"),
            other.firmware != own.firmware,
            later.c.measured_month > col(SettingResult.measured_month),
        )
        .limit(1)
    )
    return found.first() is not None


def _has_later_driver(session: Session, submission_id: int) -> bool:
    """Whether a later result for the same chip has another driver."""
    mine, other = aliased(Submission), aliased(Submission)
    driver, other_driver = (
        text_in(col(table.document), "platform", "driver") for table in (mine, other)
    )
    found = session.exec(
        select(other.id)
        .join(mine, col(mine.chip_id) == col(other.chip_id))
        .where(
            mine.id == submission_id,
            other.measured_month > mine.measured_month,
            driver.is_not(None),
            other_driver != driver,
        )
        .limit(1)
    )
    return found.first() is not None


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What was removed, with all that is needed to correct what was derived from it."""

    submissions: int
    places: tuple[EvidenceKey, ...]
    chips: tuple[tuple[int, int], ...]
    """Number of each chip and of its line."""


def delete_contributor(connection: Connection, contributor_id: int) -> Withdrawn:
    """All results, evidence and units of a contributor, removed with the contributor."""
    units = select(Unit.id).where(Unit.contributor_id == contributor_id)
    with session_on(connection) as session:
        sent = session.exec(
            select(Submission.chip_id, Chip.line_id)
            .join(Chip, col(Chip.id) == col(Submission.chip_id))
            .where(col(Submission.unit_id).in_(units))
        ).all()
        mark_withdrawn(connection, col(Submission.unit_id).in_(units))
        places = {
            EvidenceKey(*key)
            for table in (SettingResult, FollowUp)
            for key in session.exec(
                select(table.pool_id, table.unit_id, table.conditions_id).where(
                    col(table.unit_id).in_(units)
                )
            )
        }
        session.exec(delete(Submission).where(col(Submission.unit_id).in_(units)))
        session.exec(delete(Unit).where(col(Unit.contributor_id) == contributor_id))
        session.exec(delete(Contributor).where(col(Contributor.id) == contributor_id))
    return Withdrawn(
        len(sent),
        tuple(sorted(places)),
        tuple(sorted({(chip_id, line_id) for chip_id, line_id in sent})),
    )
