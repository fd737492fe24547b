"""How many of the given strings are understood as they should be."""

from collections import Counter
from collections.abc import Iterable

from kbapi.chips.naming import identify_chip
from tests.chips.given import Given


def is_right(row: Given) -> bool:
    """Whether the string is understood as wanted; an ambiguous one must only not be guessed."""
    found = identify_chip(row.raw)
    if found.match != row.wanted["match"]:
        return False
    if found.match == "exact":
        return found.chip is not None and found.chip.key == row.wanted["canonical"]
    return True


def score(rows: Iterable[Given]) -> dict[str, tuple[int, int]]:
    """Right and total for each class of match."""
    total: Counter[str] = Counter()
    right: Counter[str] = Counter()
    for row in rows:
        match = str(row.wanted["match"])
        total[match] += 1
        right[match] += is_right(row)
    return {match: (right[match], total[match]) for match in ("exact", "ambiguous", "none")}
