"""Results become evidence rows: merged per unit, written after each change, and audited.

Pure, and blind to order: the same outcomes in any order give the same rows.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from sqlalchemy import Connection

from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage.evidence import (
    EvidenceLevel,
    OutcomeRow,
    count_evidence_of_others,
    load_counted_outcomes,
    replace_evidence,
    walk_levels,
    walk_outcomes,
)
from kbapi.storage.pools import EvidenceKey


def merge_outcomes(outcomes: Iterable[OutcomeRow]) -> tuple[EvidenceLevel, ...]:
    """One row for each depth that passed short of the shallowest failure, shallow to deep.

    Shallower passes are kept beside the deepest one: a failure under other conditions may beat
    the deep one, and then the shallower one is what the unit still holds. A unit that failed and
    passed nowhere short of that has one row with `stable_steps = 0`.
    """
    seen = list(outcomes)
    unstable = min((o.unstable_steps for o in seen if o.unstable_steps), default=NEVER_FAILED)
    latest_month = max((o.measured_month for o in seen), default="")
    early_stops: dict[int, int] = {}
    for outcome in seen:
        depth = outcome.stable_steps
        if depth is not None and depth < unstable:
            early_stops[depth] = min(
                outcome.early_stop_steps, early_stops.get(depth, outcome.early_stop_steps)
            )
    if not early_stops and unstable < NEVER_FAILED:
        early_stops[0] = 0
    # A word for a pass or a failure is one for the rows that hold it, not for what else is there.
    spoken_for = [outcome for outcome in seen if outcome.confirmed_by_curator]
    passes = {outcome.stable_steps for outcome in spoken_for}
    failure = any(outcome.unstable_steps == unstable for outcome in spoken_for)
    return tuple(
        EvidenceLevel(
            depth, unstable, early_stops[depth], latest_month, int(failure or depth in passes)
        )
        for depth in sorted(early_stops)
    )


def book_evidence(
    connection: Connection, places: Iterable[EvidenceKey], contributor_id: int
) -> None:
    """Rebuild the evidence at each place from all that is counted there now.

    Adding and withdrawing take the same road, so that one undoes the other to the byte.
    """
    for place in sorted(set(places)):
        levels = merge_outcomes(load_counted_outcomes(connection, place))
        replace_evidence(connection, place, contributor_id, levels)


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
    return Audit(places, unlike, count_evidence_of_others(connection))


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
