"""Which units speak where a unit counts once and cannot be weighed: a few of each contributor."""

from collections import Counter
from collections.abc import Sequence
from typing import Protocol, TypeVar

from kbapi.evidence.judge import UNITS_OF_FULL_WEIGHT


class OfSomebody(Protocol):
    """A unit's say, with whose it is and what puts it in order."""

    @property
    def contributor_id(self) -> int:
        """Who sent it."""
        ...

    @property
    def order(self) -> tuple[object, ...]:
        """Sorts units in a way that has nothing to do with when they came."""
        ...

    @property
    def month(self) -> str:
        """Of the measurement."""
        ...


_Said = TypeVar("_Said", bound=OfSomebody)


def few_of_each(units: Sequence[_Said]) -> list[_Said]:
    """At most three units of one contributor, the latest measured, in a fixed order.

    Ranks know no weights of one third; so a flood counts as three units by leaving the rest out.
    """
    ordered = sorted(units, key=lambda unit: unit.order)
    ordered.sort(key=lambda unit: unit.month, reverse=True)
    taken: Counter[int] = Counter()
    chosen = []
    for unit in ordered:
        taken[unit.contributor_id] += 1
        if taken[unit.contributor_id] <= UNITS_OF_FULL_WEIGHT:
            chosen.append(unit)
    return sorted(chosen, key=lambda unit: unit.order)
