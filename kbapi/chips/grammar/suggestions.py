"""What a text that no rule covers may have been meant as: one typing error is taken back."""

import re
from collections.abc import Iterator
from typing import Final

from rapidfuzz import process
from rapidfuzz.distance import OSA

from kbapi.chips.chip import ChipName
from kbapi.chips.grammar.reading import MAKERS, RULES, find_chip

_MOST_WORDS: Final = 12
_MOST_DIGITS: Final = 4
_LONGEST_WORD: Final = 16
_MOST_SUGGESTIONS: Final = 5
_TEMPLATE_WORD = re.compile(r"[a-z]{3,}")
# Words that the templates fill in from the name.
_FILLED_IN: Final = (
    "bronze", "duo", "extreme", "gold", "laptop", "platinum", "quad", "silver", "super",
)  # fmt: skip
_TEMPLATES: Final = " ".join((*MAKERS, *(row.key for row in RULES), *_FILLED_IN)).split()
_VOCABULARY: Final = tuple(dict.fromkeys(filter(_TEMPLATE_WORD.fullmatch, _TEMPLATES)))


def suggestions(words: str) -> tuple[ChipName, ...]:
    """The chips whose name is one typing error away from these words; nothing is matched by it."""
    told = words.split()
    if len(told) > _MOST_WORDS or max(map(len, told), default=0) > _LONGEST_WORD:
        return ()
    found = (find_chip(" ".join(repaired)) for repaired in _repaired(told))
    return tuple(dict.fromkeys(filter(None, found)))[:_MOST_SUGGESTIONS]


def _repaired(told: list[str]) -> Iterator[list[str]]:
    """The words with one of them put right, by vocabulary or by leaving out one letter."""
    for at, word in enumerate(told):
        for better in (*_near_words(word), *_without_a_letter(word)):
            yield [*told[:at], better, *told[at + 1 :]]


def _near_words(word: str) -> list[str]:
    if len(word) < 3 or word in _VOCABULARY or any(letter.isdigit() for letter in word):
        return []
    near = process.extract(word, _VOCABULARY, scorer=OSA.distance, score_cutoff=1, limit=3)
    return [str(found) for found, _, _ in near]


def _without_a_letter(word: str) -> list[str]:
    """The word without one of its suffix's letters, or of the digits of a number too long."""
    digits = re.match(r"[a-z]{0,2}(\d+)", word)
    if digits is None:
        return []
    letters = range(digits.end(), len(word))
    too_long = len(digits[1]) > _MOST_DIGITS
    # The last digits first: what a chip is told by stands in front.
    spare = reversed(range(digits.start(1), digits.end())) if too_long else ()
    return [word[:at] + word[at + 1 :] for at in (*letters, *spare)]
