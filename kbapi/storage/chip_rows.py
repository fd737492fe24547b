"""Chips and lines that the instance has met, and the revision of each line."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, delete, exists, insert, select, update

from kbapi.storage.statements import change_rows, find_row
from kbapi.storage.tables import Chip, Line, Submission
from kbapi.vocabulary import ChipKind


@dataclass(frozen=True, slots=True)
class ChipRow:
    """A chip's place in this database."""

    id: int
    line_id: int


_CHIP: Final = "SELECT id, line_id FROM chip WHERE key = ?"


def find_chip(connection: Connection, key: str) -> ChipRow | None:
    """The chip with this key, if any result or question has brought it here."""
    row = find_row(connection, _CHIP, (key,))
    return ChipRow(*row) if row else None


@dataclass(frozen=True, slots=True)
class LineRow:
    """A line's place in this database."""

    id: int
    revision: int


def revision_told(line: LineRow | None) -> str:
    """The line's revision as answers tell it; "0" where none of its chips has results."""
    return "0" if line is None else str(line.revision)


def find_line(connection: Connection, key: str) -> LineRow | None:
    """The line with this key, if any of its chips has results."""
    row = connection.execute(select(Line.id, Line.revision).where(Line.key == key)).one_or_none()
    return LineRow(*row) if row else None


def add_chip(
    connection: Connection, *, key: str, name: str, kind: str, series: str, line: str
) -> ChipRow:
    """The row of a chip that was not here before; its line is added with it."""
    row = find_line(connection, line) or _add_line(connection, line)
    added = connection.execute(
        insert(Chip).values(key=key, name=name, kind=kind, series=series, line_id=row.id)
    )
    return ChipRow(added.inserted_primary_key[0], row.id)


def _add_line(connection: Connection, key: str) -> LineRow:
    added = connection.execute(insert(Line).values(key=key, revision=0))
    return LineRow(added.inserted_primary_key[0], 0)


_RAISE: Final = "UPDATE line SET revision = revision + 1 WHERE id = ?"


def raise_line_revision(connection: Connection, line_id: int) -> None:
    """Make every stored answer of the line stale; called in each transaction that touches it."""
    change_rows(connection, _RAISE, (line_id,))


def drop_chip_if_unused(connection: Connection, chip_id: int, line_id: int) -> None:
    """Forget a chip that no submission names any more, and a line without chips."""
    if connection.execute(select(exists().where(Submission.chip_id == chip_id))).scalar_one():
        return
    connection.execute(delete(Chip).where(Chip.id == chip_id))
    drop_line_if_unused(connection, line_id)


def find_relatives(
    connection: Connection, key: str, series: str, line: str, limit: int = 5
) -> list[str]:
    """Keys of other chips with results, those of the series before those of the line."""
    return list(
        connection.execute(
            select(Chip.key)
            .join(Line, Line.id == Chip.line_id)
            .where(Line.key == line, Chip.key != key)
            .order_by(Chip.series != series, Chip.key)
            .limit(limit)
        ).scalars()
    )


@dataclass(frozen=True, slots=True)
class StoredChip:
    """A chip that results have named, as it was read then."""

    key: str
    name: str
    kind: ChipKind
    series: str
    line: str


def load_chips(connection: Connection) -> list[StoredChip]:
    """Every chip that results have named, in the order of keys."""
    rows = connection.execute(
        select(Chip.key, Chip.name, Chip.kind, Chip.series, Line.key)
        .join(Line, Line.id == Chip.line_id)
        .order_by(Chip.key)
    )
    return [StoredChip(*row) for row in rows]


def replace_chip(connection: Connection, chip: StoredChip) -> None:
    """Put a chip's name, series and line in the place of what was read before."""
    line = find_line(connection, chip.line) or _add_line(connection, chip.line)
    connection.execute(
        update(Chip)
        .where(Chip.key == chip.key)
        .values(name=chip.name, kind=chip.kind, series=chip.series, line_id=line.id)
    )


def drop_line_if_unused(connection: Connection, line_id: int) -> None:
    """Forget a line without chips."""
    if not connection.execute(select(exists().where(Chip.line_id == line_id))).scalar_one():
        connection.execute(delete(Line).where(Line.id == line_id))
