"""The machine of a result or of a query: a class of the catalogue, or maker and model.

A free text cannot be told from the name of a person. So a text without a number is a machine only
if the catalogue has it, if it ends like the name of a model, or if all its words are usual for a
kind of machine.
"""

import re
from collections.abc import Set
from typing import Final

from kbapi.errors import Problem

_WORD: Final = re.compile(r"[A-Za-z0-9(+&/-][A-Za-z0-9._+/(),#&-]{0,29}")
_MOST_WORDS: Final = 8
USUAL_WORDS: Final = (
    "all-in-one|barebone|board|box|budget|business|compact|computer|convertible|custom|desktop"
    "|embedded|fanless|gaming|generic|handheld|home|industrial|laptop|machine|mainboard|media|micro"
    "|mini|mobile|multimedia|nano|notebook|office|one|pc|self-built|server|slim|small|stick|tablet"
    "|thin|tiny|tower|ultra|ultrabook|ultrathin|work|workstation"
)
"""A pattern: words for kinds of machines, which no person is named by."""
_USUAL: Final = re.compile(USUAL_WORDS)
_END_OF_MODEL: Final = re.compile(
    "air|book|edition|gaming|handheld|lite|max|mini|neo|plus|pro|series|studio|ultra"
)
_PLACEHOLDER: Final = re.compile(
    r"to be filled by o\.?e\.?m\.?|default string|system product name|product name|system version"
    r"|not (?:applicable|available|specified)|n/?a|none|oem|undefined|unknown|invalid"
)
_OF_SENTENCES: Final = re.compile(
    "belongs|for|from|her|his|im|meine?|my|of|our|owner|property|raum|room|user|von|your|zimmer"
)


def find_machine(text: str, classes: Set[str]) -> str | None:
    """The class that a text names, or the text if it has the form of maker and model.

    >>> find_machine("Ferry Handheld", {"ferry-handheld"}), find_machine("Norvane Quay 13", set())
    ('ferry-handheld', 'Norvane Quay 13')
    >>> find_machine("Anna Smith", set())

    A placeholder, which the maker of a board left in its firmware, gives an empty text.
    """
    if _PLACEHOLDER.fullmatch(text.casefold()):
        return ""
    words = text.split(" ")
    key = "-".join(words).casefold()
    if key in classes:
        return key
    is_listed = len(words) <= _MOST_WORDS and all(map(_WORD.fullmatch, words))
    if not is_listed or any(map(_OF_SENTENCES.fullmatch, re.split("[ -]", text.casefold()))):
        return None
    has_number = any(map(str.isdigit, text))
    is_model = len(words) > 1 and _END_OF_MODEL.fullmatch(words[-1].casefold())
    is_usual = all(_USUAL.fullmatch(word.casefold()) for word in words)
    return text if has_number or is_model or is_usual else None


def machine_unknown(pointer: str) -> Problem:
    """The problem of a text that names no machine; it does not repeat the text."""
    return Problem(
        pointer,
        "invalid",
        "Send a machine class of the catalogue, or maker and model with its number, such as "
        "harbour-15.",
    )
