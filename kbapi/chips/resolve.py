"""The one chip that a text means, or a problem that says why there is none."""

from dataclasses import dataclass
from functools import lru_cache

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipIds, ChipName, Identification
from kbapi.chips.names import identify_chip
from kbapi.errors import Problem
from kbapi.vocabulary import Form


@dataclass(frozen=True, slots=True)
class ResolvedChip:
    """The one chip that a text means with all that was sent beside it."""

    chip: ChipName
    conflict: str | None
    """A sentence when the numbers beside the name contradict it."""


def resolve_chip(text: str, pointer: str, catalogue: Catalogue) -> ChipName | Problem:
    """The chip that the text names exactly; else a problem at this pointer, with candidates."""
    found = decide_chip(text, pointer, catalogue)
    return found if isinstance(found, Problem) else found.chip


def decide_chip(
    text: str,
    pointer: str,
    catalogue: Catalogue,
    *,
    form: Form | None = None,
    ids: ChipIds | None = None,
) -> ResolvedChip | Problem:
    """The chip that the text names, form and numbers deciding where several share the name."""
    found = _identified(text, form, ids)
    if found.chip is None:
        return _problem_of(found, pointer)
    return ResolvedChip(catalogue.placed(found.chip), found.conflict)


@lru_cache(maxsize=4_096)
def _identified(text: str, form: Form | None, ids: ChipIds | None) -> Identification:
    # The same few names come again and again, and what a name means never changes.
    return identify_chip(text, form=form, ids=ids)


def _problem_of(found: Identification, pointer: str) -> Problem:
    code = "chip_ambiguous" if found.match == "ambiguous" else "chip_unreadable"
    return Problem(pointer, code, found.reason, found.candidates)
