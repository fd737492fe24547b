"""All results that count and all evidence, side by side in one order, for telling them apart."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from sqlalchemy import Connection

from kbapi.storage.evidence_rows import COUNTED_EVERYWHERE, EvidenceLevel, OutcomeRow
from kbapi.storage.places import EvidenceKey
from kbapi.storage.statements import walk_rows

_EVIDENCE: Final = """
    SELECT unit_id, pool_id, conditions_id, stable_steps, unstable_steps, early_stop_steps,
           latest_month, confirmed_by_curator
    FROM evidence_row ORDER BY 1, 2, 3, 4
    """
_STRANGERS: Final = """
    SELECT COUNT(*) FROM evidence_row JOIN unit ON unit.id = evidence_row.unit_id
    WHERE unit.contributor_id <> evidence_row.contributor_id
    """


@dataclass(frozen=True, slots=True)
class PlaceOutcomes:
    """What counts of a unit in a pool under one set of conditions."""

    place: EvidenceKey
    outcomes: tuple[OutcomeRow, ...]


@dataclass(frozen=True, slots=True)
class PlaceLevels:
    """The evidence rows of a unit in a pool under one set of conditions."""

    place: EvidenceKey
    levels: tuple[EvidenceLevel, ...]


def walk_outcomes(connection: Connection) -> Iterator[PlaceOutcomes]:
    """Everything that counts, place by place in the order of their numbers."""
    for place, rows in _by_place(walk_rows(connection, COUNTED_EVERYWHERE)):
        yield PlaceOutcomes(place, tuple(OutcomeRow(*row[3:]) for row in rows))


def walk_levels(connection: Connection) -> Iterator[PlaceLevels]:
    """All evidence, place by place in the same order."""
    for place, rows in _by_place(walk_rows(connection, _EVIDENCE)):
        yield PlaceLevels(place, tuple(EvidenceLevel(*row[3:]) for row in rows))


def count_strange_evidence(connection: Connection) -> int:
    """How many evidence rows name another contributor than their unit does."""
    return int(next(walk_rows(connection, _STRANGERS))[0])


def _by_place(
    rows: Iterator[tuple[Any, ...]],
) -> Iterator[tuple[EvidenceKey, Iterator[tuple[Any, ...]]]]:
    for (unit, pool, conditions), of_place in groupby(rows, key=lambda row: row[:3]):
        yield EvidenceKey(unit_id=unit, pool_id=pool, conditions_id=conditions), of_place
