"""Stored documents that later rules or a later grammar read again."""

from dataclasses import dataclass, replace

from sqlalchemy import Connection, delete, select, update

from kbapi.storage.decisions import apply_decisions
from kbapi.storage.pools import EvidenceKey, PoolKey, find_or_add_pool, find_places
from kbapi.storage.readings import LOCK_ROWS, READING_ROWS, NewLock, NewReading
from kbapi.storage.results import NewSetting, SavedDocument, StoredSubmission, save_settings
from kbapi.storage.tables import FollowUp, LockReport, Pool, Reading, SettingResult, Submission


@dataclass(frozen=True, slots=True)
class Rescreened:
    """What later rules make of a stored document."""

    settings: tuple[NewSetting, ...]
    locks: tuple[NewLock, ...]
    readings: tuple[NewReading, ...]
    reading_ignored: str
    chip_conflict: str
    rules_version: int


def find_screened_before(connection: Connection, rules_version: int, limit: int) -> list[int]:
    """Numbers of documents that were screened under earlier rules, oldest first."""
    return list(
        connection.execute(
            select(Submission.id)
            .where(Submission.rules_version < rules_version)
            .order_by(Submission.id)
            .limit(limit)
        ).scalars()
    )


def replace_screening(
    connection: Connection, stored: StoredSubmission, again: Rescreened
) -> list[EvidenceKey]:
    """The places that the document's settings were and are merged into."""
    before = find_places(connection, SettingResult, stored.id)
    for table in (SettingResult, LockReport, Reading):
        connection.execute(delete(table).where(table.submission_id == stored.id))
    place = SavedDocument(stored.id, stored.chip_id, stored.unit.id, stored.measured_month)
    after = save_settings(connection, place, again.settings)
    apply_decisions(connection, stored.id)
    LOCK_ROWS.save(connection, stored.id, stored.chip_id, stored.unit, again.locks)
    READING_ROWS.save(connection, stored.id, stored.chip_id, stored.unit, again.readings)
    connection.execute(
        update(Submission)
        .where(Submission.id == stored.id)
        .values(
            rules_version=again.rules_version,
            reading_ignored=again.reading_ignored,
            chip_conflict=again.chip_conflict,
        )
    )
    return [*before, *after]


def find_ids_after(connection: Connection, submission_id: int, limit: int) -> list[int]:
    """Numbers of documents behind this one, oldest first."""
    return list(
        connection.execute(
            select(Submission.id)
            .where(Submission.id > submission_id)  # type: ignore[operator]
            .order_by(Submission.id)
            .limit(limit)
        ).scalars()
    )


def move_to_chip(
    connection: Connection, stored: StoredSubmission, chip_id: int, again: Rescreened
) -> list[EvidenceKey]:
    """The places that a document was and is merged into, now that it is about another chip.

    Its follow-ups go along, each to the pool of the same kind in the other chip.
    """
    followed = find_places(connection, FollowUp, stored.id)
    connection.execute(update(Submission).where(Submission.id == stored.id).values(chip_id=chip_id))
    places = replace_screening(connection, replace(stored, chip_id=chip_id), again)
    for place in followed:
        key = connection.execute(
            select(Pool.control, Pool.domains, Pool.clock_band_mhz).where(Pool.id == place.pool_id)
        ).one()
        pool_id = find_or_add_pool(connection, chip_id, PoolKey(*key))
        connection.execute(
            update(FollowUp)
            .where(FollowUp.submission_id == stored.id, FollowUp.pool_id == place.pool_id)
            .values(pool_id=pool_id)
        )
    return [*places, *followed, *find_places(connection, FollowUp, stored.id)]


def excluded(
    connection: Connection, submission_id: int, reasons: str, rules_version: int
) -> list[EvidenceKey]:
    """The places of a document all of whose settings are set aside for these reasons.

    Its readings are forgotten: whoever mistook something in it may have mistaken them as well.
    """
    connection.execute(
        update(SettingResult)
        .where(SettingResult.submission_id == submission_id)
        .values(status_by_rules="excluded", reasons=reasons)
    )
    apply_decisions(connection, submission_id)
    connection.execute(delete(Reading).where(Reading.submission_id == submission_id))
    connection.execute(
        update(Submission).where(Submission.id == submission_id).values(rules_version=rules_version)
    )
    return find_places(connection, SettingResult, submission_id)
