"""Rows that a document brings beside its settings, kept in its order."""

from collections.abc import Sequence
from dataclasses import fields
from operator import attrgetter
from typing import Any

from sqlalchemy import Connection

from kbapi.storage.people import UnitRow
from kbapi.storage.statements import add_rows

_PLACE = ("submission_id", "chip_id", "unit_id", "contributor_id", "ordinal")


class DocumentRows:
    """A table whose further columns are the fields of a dataclass."""

    def __init__(self, table: str, kind: type[Any]) -> None:
        told = tuple(field.name for field in fields(kind))
        columns = (*_PLACE, *told)
        self._add = (
            f"INSERT INTO {table} ({', '.join(columns)}) "  # noqa: S608 - names of our own
            f"VALUES ({', '.join('?' * len(columns))})"
        )
        self._told_of = attrgetter(*told)

    def save(
        self,
        connection: Connection,
        submission_id: int,
        chip_id: int,
        unit: UnitRow,
        parts: Sequence[Any],
    ) -> None:
        """Keep these of a document; none is no fault."""
        if not parts:
            return
        place = (submission_id, chip_id, unit.id, unit.contributor_id)
        rows = [(*place, ordinal, *self._told_of(part)) for ordinal, part in enumerate(parts)]
        add_rows(connection, self._add, rows)
