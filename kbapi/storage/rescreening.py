"""Stored documents that later rules or a later grammar read again."""

from dataclasses import dataclass, replace
from typing import cast

from sqlalchemy import ColumnElement, Connection
from sqlmodel import col, delete, select, update

from kbapi.storage.contributors import UnitRow
from kbapi.storage.decisions import apply_decisions
from kbapi.storage.pools import EvidenceKey, PoolKey, find_or_add_pool, find_places
from kbapi.storage.readings import LOCK_ROWS, READING_ROWS, NewLock, NewReading
from kbapi.storage.results import (
    NewSetting,
    NewSubmission,
    SavedDocument,
    StoredSubmission,
    save_settings,
)
from kbapi.storage.sql import checksum_of, session_on
from kbapi.storage.tables import Pool, SettingResult, Submission, Unit
from kbapi.storage.tables_reports import Decision, FollowUp, LockReport, Reading
from kbapi.vocabulary import LimitControl


@dataclass(frozen=True, slots=True)
class Rescreened:
    """A stored document as later rules screen it."""

    settings: tuple[NewSetting, ...]
    locks: tuple[NewLock, ...]
    readings: tuple[NewReading, ...]
    reading_ignored: str
    chip_conflict: str
    rules_version: int


def find_screened_before(connection: Connection, rules_version: int, limit: int) -> list[int]:
    """Numbers of documents that were screened under earlier rules, oldest first."""
    return _find_ids(connection, col(Submission.rules_version) < rules_version, limit)


def find_ids_after(connection: Connection, submission_id: int, limit: int) -> list[int]:
    """Numbers of the documents that came after this one, oldest first."""
    return _find_ids(connection, col(Submission.id) > submission_id, limit)


def _find_ids(connection: Connection, condition: ColumnElement[bool], limit: int) -> list[int]:
    with session_on(connection) as session:
        ids = select(Submission.id).where(condition).order_by(col(Submission.id)).limit(limit)
        return list(session.exec(ids))


def replace_screening(
    connection: Connection, stored: StoredSubmission, again: Rescreened
) -> list[EvidenceKey]:
    """The places where the evidence of the document was and is."""
    before = find_places(connection, SettingResult, stored.id)
    with session_on(connection) as session:
        for table in (SettingResult, LockReport, Reading):
            session.exec(delete(table).where(col(table.submission_id) == stored.id))
    place = SavedDocument(stored.id, stored.chip_id, stored.unit.id, stored.measured_month)
    after = save_settings(connection, place, again.settings)
    apply_decisions(connection, [stored.id])
    LOCK_ROWS.save(connection, stored.id, stored.chip_id, stored.unit, again.locks)
    READING_ROWS.save(connection, stored.id, stored.chip_id, stored.unit, again.readings)
    _change(
        connection,
        stored.id,
        rules_version=again.rules_version,
        reading_ignored=again.reading_ignored,
        chip_conflict=again.chip_conflict,
    )
    return [*before, *after]


def join_equal_documents(
    connection: Connection, stored: StoredSubmission, document_hash: bytes
) -> StoredSubmission:
    """The document, now of the unit of equal documents; only for one without a unit token.

    Earlier schemas made each such document a unit of its own. `replace_screening` moves the rest.
    """
    own, joined = col(Unit.id) == stored.unit.id, col(Unit.document_hash) == document_hash
    with session_on(connection) as session:
        if session.exec(select(Unit.document_hash).where(own)).one() is not None:
            return stored
        unit_id = session.exec(select(Unit.id).where(joined)).one_or_none()
        if unit_id is None:
            session.exec(update(Unit).where(own).values(document_hash=document_hash))
            return stored
        session.exec(
            update(FollowUp).where(col(FollowUp.submission_id) == stored.id).values(unit_id=unit_id)
        )
    _change(connection, stored.id, unit_id=unit_id)
    return replace(stored, unit=UnitRow(unit_id, stored.unit.contributor_id))


def replace_submission(
    connection: Connection, stored: StoredSubmission, new: NewSubmission
) -> list[EvidenceKey]:
    """The places where the evidence of the document was, now that a new one replaces it.

    Only number, id, receipt and day of arrival stay; decisions were about the earlier document.
    The places of follow-ups are among them: the caller screens these again.
    """
    before = [
        key
        for table in (SettingResult, FollowUp)
        for key in find_places(connection, table, stored.id)
    ]
    with session_on(connection) as session:
        for table in (Decision, SettingResult, LockReport, Reading):
            session.exec(delete(table).where(col(table.submission_id) == stored.id))
    _change(
        connection,
        stored.id,
        chip_id=new.chip_id,
        unit_id=new.unit.id,
        measured_month=new.measured_month,
        document=new.document,
        document_checksum=checksum_of(new.document),
        content_hash=new.content_hash,
        rules_version=new.rules_version,
        reading_ignored=new.reading_ignored,
        chip_conflict=new.chip_conflict,
    )
    LOCK_ROWS.save(connection, stored.id, new.chip_id, new.unit, new.locks)
    READING_ROWS.save(connection, stored.id, new.chip_id, new.unit, new.readings)
    place = SavedDocument(stored.id, new.chip_id, new.unit.id, new.measured_month)
    save_settings(connection, place, new.settings)
    return before


def _change(connection: Connection, submission_id: int, **values: int | str | bytes | None) -> None:
    """Give columns of a stored document these values."""
    with session_on(connection) as session:
        session.exec(update(Submission).where(col(Submission.id) == submission_id).values(**values))


def move_to_chip(
    connection: Connection, stored: StoredSubmission, chip_id: int, again: Rescreened
) -> list[EvidenceKey]:
    """The places where a document's evidence was and is, now that it belongs to another chip.

    Each follow-up moves to the pool of the same kind of the other chip.
    """
    _change(connection, stored.id, chip_id=chip_id)
    before = find_places(connection, FollowUp, stored.id)
    places = replace_screening(connection, replace(stored, chip_id=chip_id), again)
    with session_on(connection) as session:
        follow_ups = session.exec(
            select(FollowUp, Pool)
            .join(Pool, col(Pool.id) == col(FollowUp.pool_id))
            .where(FollowUp.submission_id == stored.id)
        ).all()
        for follow_up, pool in follow_ups:
            key = PoolKey(cast(LimitControl, pool.control), pool.domains, pool.clock_band_mhz)
            follow_up.pool_id = find_or_add_pool(connection, chip_id, key)
    return [*places, *before, *find_places(connection, FollowUp, stored.id)]


def exclude_all(
    connection: Connection, submission_id: int, reasons: str, rules_version: int
) -> list[EvidenceKey]:
    """The places of a document whose settings are all excluded now, for these reasons.

    Its readings are deleted: a document with one impossible value may have others.
    """
    with session_on(connection) as session:
        session.exec(
            update(SettingResult)
            .where(col(SettingResult.submission_id) == submission_id)
            .values(status_by_rules="excluded", reasons=reasons)
        )
        session.exec(delete(Reading).where(col(Reading.submission_id) == submission_id))
    apply_decisions(connection, [submission_id])
    _change(connection, submission_id, rules_version=rules_version)
    return find_places(connection, SettingResult, submission_id)
