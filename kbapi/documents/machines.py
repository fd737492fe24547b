"""The machine of a result or of a query: a class of the catalogue, or maker and model.

A free text cannot be told from the name of a person. So a text without a number is a machine only
if the catalogue has it, or if each of its words is a usual word for a kind of machine.
"""

import re
from collections.abc import Set
from typing import Final

from kbapi.errors import Problem

_WORD: Final = re.compile(r"[A-Za-z0-9(][A-Za-z0-9._+/(),&-]{0,29}")
_MOST_WORDS: Final = 8
_USUAL: Final = frozenset(
    "all-in-one barebone board box budget business compact computer convertible custom desktop "
    "embedded fanless gaming generic handheld home industrial laptop machine mainboard media micro "
    "mini mobile notebook office pc self-built server slim small stick tablet thin tower "
    "ultrabook ultrathin workstation".split()
)
_OF_SENTENCES: Final = frozenset(
    "belongs for from her his im mein meine my of our owner property raum room user von your "
    "zimmer".split()
)


def find_machine(text: str, classes: Set[str]) -> str | None:
    """The class that a text names, or the text if it has the form of maker and model.

    >>> find_machine("Ferry Handheld", {"ferry-handheld"}), find_machine("Norvane Quay 13", set())
    ('ferry-handheld', 'Norvane Quay 13')
    >>> find_machine("Anna Smith", set())
    """
    words = text.split(" ")
    key = "-".join(words).casefold()
    if key in classes:
        return key
    if len(words) > _MOST_WORDS or not all(_WORD.fullmatch(word) for word in words):
        return None
    plain = {part for word in words for part in (word.casefold(), *word.casefold().split("-"))}
    if plain & _OF_SENTENCES:
        return None
    has_number = any(character.isdigit() for character in text)
    return text if has_number or {word.casefold() for word in words} <= _USUAL else None


def problem_of_machine(text: str, pointer: str, classes: Set[str]) -> Problem | None:
    """The problem of a text that names no machine; it does not repeat the text."""
    if find_machine(text, classes) is not None:
        return None
    return Problem(
        pointer,
        "invalid",
        "Send a machine class of the catalogue, or maker and model with its number, such as "
        "harbour-15.",
    )
