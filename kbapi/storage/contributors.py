"""Contributors and units, known only by keyed hashes, and the list of what one contributor sent."""

from dataclasses import dataclass
from datetime import date
from typing import Final

from sqlalchemy import Connection, delete, exists, select, text

from kbapi.storage.pools import COUNTED, EvidenceKey
from kbapi.storage.sqlite.engine import add_row, find_number
from kbapi.storage.tables import (
    Chip,
    Contributor,
    FollowUp,
    SettingResult,
    Submission,
    Unit,
)

_CONTRIBUTOR: Final = "SELECT id FROM contributor WHERE token_hash = ?"
_UNIT: Final = "SELECT id FROM unit WHERE token_hash = ?"
_ADD_CONTRIBUTOR: Final = (
    "INSERT INTO contributor (token_hash, key_id, first_seen_day) VALUES (?, ?, ?)"
)
_ADD_UNIT: Final = "INSERT INTO unit (contributor_id, token_hash) VALUES (?, ?)"


@dataclass(frozen=True, slots=True)
class UnitRow:
    """A unit and whose it is, by their numbers in this database."""

    id: int
    contributor_id: int


def find_or_add_unit(
    connection: Connection,
    *,
    contributor_hash: bytes,
    unit_hash: bytes | None,
    key_id: str,
    today: date,
) -> UnitRow:
    """The unit with this hash, added with its contributor if new; no hash is always a new unit."""
    contributor_id = find_number(connection, _CONTRIBUTOR, (contributor_hash,))
    if contributor_id is None:
        values = (contributor_hash, key_id, today.isoformat())
        contributor_id = add_row(connection, _ADD_CONTRIBUTOR, values)
    unit_id = None
    if unit_hash is not None:
        unit_id = find_number(connection, _UNIT, (unit_hash,))
    if unit_id is None:
        unit_id = add_row(connection, _ADD_UNIT, (contributor_id, unit_hash))
    return UnitRow(unit_id, contributor_id)


def drop_unit_if_unused(connection: Connection, unit: UnitRow) -> None:
    """Forget a unit without submissions, and a contributor without units."""
    if connection.execute(select(exists().where(Submission.unit_id == unit.id))).scalar_one():
        return
    connection.execute(delete(Unit).where(Unit.id == unit.id))
    if connection.execute(
        select(exists().where(Unit.contributor_id == unit.contributor_id))
    ).scalar_one():
        return
    connection.execute(delete(Contributor).where(Contributor.id == unit.contributor_id))


def find_contributor(connection: Connection, token_hash: bytes) -> int | None:
    """The number of the contributor with this hash, None where nothing of theirs is here."""
    return connection.execute(
        select(Contributor.id).where(Contributor.token_hash == token_hash)
    ).scalar_one_or_none()


@dataclass(frozen=True, slots=True)
class Sent:
    """A submission and the day it came."""

    public_id: str
    received_day: date


def load_sent(
    connection: Connection, contributor_id: int, after: str | None, limit: int
) -> list[Sent]:
    """The contributor's submissions in the order of their ids, from behind one of them on."""
    rows = connection.execute(
        select(Submission.public_id, Submission.received_day)
        .join(Unit, Unit.id == Submission.unit_id)
        .where(Unit.contributor_id == contributor_id, Submission.public_id > (after or ""))
        .order_by(Submission.public_id)
        .limit(limit)
    )
    return [Sent(*row) for row in rows]


# What has come to be reported of the same chip on the same kind of machine since a result.
_LATER_FIRMWARE = text(
    f"""
    SELECT EXISTS (
        SELECT 1 FROM setting_result AS mine
        JOIN conditions AS own ON own.id = mine.conditions_id
        JOIN ({COUNTED}) AS level ON level.pool_id = mine.pool_id
        JOIN conditions AS other ON other.id = level.conditions_id
        WHERE mine.submission_id = :submission_id
          AND own.firmware <> '' AND own.machine <> ''
          AND other.machine = own.machine
          AND other.firmware <> '' AND other.firmware NOT LIKE '~%'
          AND other.firmware <> own.firmware
          AND level.measured_month > mine.measured_month
    )
    """  # noqa: S608 - put together from constants
)
_LATER_DRIVER = text(
    """
    SELECT EXISTS (
        SELECT 1 FROM submission AS mine
        JOIN submission AS other ON other.chip_id = mine.chip_id
        WHERE mine.id = :submission_id
          AND other.measured_month > mine.measured_month
          AND json_extract(mine.document, '$.platform.driver') IS NOT NULL
          AND json_extract(other.document, '$.platform.driver')
              <> json_extract(mine.document, '$.platform.driver')
    )
    """
)


@dataclass(frozen=True, slots=True)
class Since:
    """What has happened since a submission."""

    outcomes: frozenset[str]
    longest_days: int
    """The longest time in use that a follow-up has told."""
    has_later_firmware: bool
    has_later_driver: bool


def find_since(connection: Connection, submission_id: int) -> Since:
    """What follow-ups and other people's results have brought since this submission."""
    rows = connection.execute(
        select(FollowUp.outcome, FollowUp.days).where(FollowUp.submission_id == submission_id)
    ).all()
    parameter = {"submission_id": submission_id}
    return Since(
        outcomes=frozenset(row[0] for row in rows),
        longest_days=max((row[1] or 0 for row in rows), default=0),
        has_later_firmware=bool(connection.execute(_LATER_FIRMWARE, parameter).scalar_one()),
        has_later_driver=bool(connection.execute(_LATER_DRIVER, parameter).scalar_one()),
    )


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What was removed, for whoever forgets what stood on it."""

    submissions: int
    places: tuple[EvidenceKey, ...]
    chips: tuple[tuple[int, int], ...]
    """Number of each chip and of its line."""


def delete_contributor(connection: Connection, contributor_id: int) -> Withdrawn:
    """All results, evidence and units of a contributor, removed with the contributor."""
    units = select(Unit.id).where(Unit.contributor_id == contributor_id)
    sent = connection.execute(
        select(Submission.chip_id, Chip.line_id)
        .join(Chip, Chip.id == Submission.chip_id)
        .where(Submission.unit_id.in_(units))
    ).all()
    places = {
        EvidenceKey(*key)
        for table in (SettingResult, FollowUp)
        for key in connection.execute(
            select(table.pool_id, table.unit_id, table.conditions_id).where(
                table.unit_id.in_(units)
            )
        )
    }
    connection.execute(delete(Submission).where(Submission.unit_id.in_(units)))
    connection.execute(delete(Unit).where(Unit.contributor_id == contributor_id))
    connection.execute(delete(Contributor).where(Contributor.id == contributor_id))
    chips = sorted({(row[0], row[1]) for row in sent})
    return Withdrawn(len(sent), tuple(sorted(places)), tuple(chips))
