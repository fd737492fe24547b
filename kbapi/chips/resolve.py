"""The one chip that a text means, or a problem that says why there is none."""

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName, Identification
from kbapi.chips.names import identify_chip
from kbapi.errors import Problem


def resolve_chip(text: str, pointer: str, catalogue: Catalogue) -> ChipName | Problem:
    """The chip that the text names exactly; else a problem at this pointer, with candidates."""
    found = identify_chip(text)
    if found.chip is None:
        return _problem_of(found, pointer)
    return catalogue.placed(found.chip)


def _problem_of(found: Identification, pointer: str) -> Problem:
    code = "chip_ambiguous" if found.match == "ambiguous" else "chip_unreadable"
    return Problem(pointer, code, found.reason, found.candidates)
