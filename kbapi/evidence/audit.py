"""Evidence held against the results that it was made from, without writing anything."""

from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import Connection

from kbapi.evidence.merge import merge_outcomes
from kbapi.storage.audit_rows import count_strange_evidence, walk_levels, walk_outcomes
from kbapi.storage.evidence_rows import EvidenceLevel
from kbapi.storage.places import EvidenceKey


@dataclass(frozen=True, slots=True)
class Audit:
    """How much evidence there is, and how much of it is not what the results say."""

    places: int
    unlike: int
    """Places whose rows are not those that merging the results anew gives."""
    strange: int
    """Rows that name another contributor than their unit does."""

    @property
    def agrees(self) -> bool:
        """Whether evidence and results say the same."""
        return not self.unlike and not self.strange


def audit_evidence(connection: Connection) -> Audit:
    """All evidence beside what merging all results anew gives, in one state of the database."""
    places = unlike = 0
    for made, kept in _side_by_side(_made_anew(connection), _as_kept(connection)):
        places += 1
        unlike += made != kept
    return Audit(places, unlike, count_strange_evidence(connection))


@dataclass(frozen=True, slots=True)
class _AtPlace:
    order: tuple[int, int, int]
    levels: tuple[EvidenceLevel, ...]


def _made_anew(connection: Connection) -> Iterator[_AtPlace]:
    for one in walk_outcomes(connection):
        if levels := merge_outcomes(one.outcomes):
            yield _AtPlace(_order(one.place), levels)


def _as_kept(connection: Connection) -> Iterator[_AtPlace]:
    for one in walk_levels(connection):
        yield _AtPlace(_order(one.place), one.levels)


def _order(place: EvidenceKey) -> tuple[int, int, int]:
    return place.unit_id, place.pool_id, place.conditions_id


def _side_by_side(
    made: Iterator[_AtPlace], kept: Iterator[_AtPlace]
) -> Iterator[tuple[_AtPlace | None, _AtPlace | None]]:
    """What both have at each place, None where one has nothing; both come in the same order."""
    left, right = next(made, None), next(kept, None)
    while left is not None or right is not None:
        if right is None or (left is not None and left.order < right.order):
            yield left, None
            left = next(made, None)
        elif left is None or right.order < left.order:
            yield None, right
            right = next(kept, None)
        else:
            yield left, right
            left, right = next(made, None), next(kept, None)
