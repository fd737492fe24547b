"""Contributors and units, known only by keyed hashes that are made elsewhere."""

from dataclasses import dataclass
from datetime import date
from typing import Final

from sqlalchemy import Connection, delete, exists, select

from kbapi.storage.statements import add_row, find_number
from kbapi.storage.tables import Contributor, Submission, Unit

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
