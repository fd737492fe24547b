"""Contributors and units, known only by keyed hashes that are made elsewhere."""

from dataclasses import dataclass
from datetime import date
from typing import Final

from sqlalchemy import Connection, delete, exists, insert, select, text

from kbapi.storage.tables import Contributor, Submission, Unit

# Written out, because every result asks, and building a statement costs more than running it.
_CONTRIBUTOR: Final = text("SELECT id FROM contributor WHERE token_hash = :token_hash")
_UNIT: Final = text("SELECT id FROM unit WHERE token_hash = :token_hash")
_ADD_CONTRIBUTOR: Final = insert(Contributor)
_ADD_UNIT: Final = insert(Unit)


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
    contributor_id = connection.execute(
        _CONTRIBUTOR, {"token_hash": contributor_hash}
    ).scalar_one_or_none()
    if contributor_id is None:
        contributor_id = connection.execute(
            _ADD_CONTRIBUTOR,
            {"token_hash": contributor_hash, "key_id": key_id, "first_seen_day": today},
        ).inserted_primary_key[0]
    unit_id = None
    if unit_hash is not None:
        unit_id = connection.execute(_UNIT, {"token_hash": unit_hash}).scalar_one_or_none()
    if unit_id is None:
        unit_id = connection.execute(
            _ADD_UNIT, {"contributor_id": contributor_id, "token_hash": unit_hash}
        ).inserted_primary_key[0]
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
