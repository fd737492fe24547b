"""Which class of Intel's Core a bare number belongs to, when people leave the class out."""

import re
from dataclasses import dataclass
from typing import Final

from kbapi.chips.grammar.intel import CORE_SUFFIX

_UNSURE: Final = "357"
_SUFFIXES: Final = frozenset(CORE_SUFFIX.split("|"))
# The X tells nothing of the class: these are all of its numbers.
_EXTREME: Final = (
    (re.compile(r"(?:39[67]0|[45]960|6950|7740|78[02]0|9800)x"), "7"),
    (re.compile(r"7640x"), "5"),
    (re.compile(r"(?:79[0246]0|9820|99[0246]0|109[024]0)x|(?:79|99|109)80xe"), "9"),
)


@dataclass(frozen=True, slots=True)
class _Row:
    """What one digit tells of the class, in some generations and for some suffixes.

    The digit is the last but two, in the four-digit numbers that begin with 1 the last but one.
    A digit that stands in no row was not sold.
    """

    generations: tuple[int, ...]
    suffixes: tuple[str, ...]
    classes: dict[str, str]


_DESKTOP: Final = ("", "k", "kf", "ks", "s", "t", "f", "r", "c")
_ROWS: Final = (
    _Row((2, 3), (*_DESKTOP, "p"), {"12": "3", "3456": "5", "789": "7"}),
    _Row((4, 5, 6), (*_DESKTOP, "p"), {"123": "3", "456": "5", "789": "7"}),
    _Row((7, 8, 9), _DESKTOP, {"123": "3", "456": "5", "078": "7", "9": "9"}),
    _Row((10, 11, 12, 13, 14), _DESKTOP, {"123": "3", "456": "5", "7": "7", "89": "9"}),
    _Row((2, 3, 4), ("qm", "mq", "xm", "mx"), {"6789": "7"}),
    _Row((4, 5, 6, 7), ("hq", "hk"), {"23456": "5", "789": "7"}),
    _Row((4, 5, 6, 7), ("h",), {"1": "3", "2": "5"}),
    _Row((8, 9), ("h", "hk"), {"1": "3", "34": "5", "7": "7", "8": "79", "9": "9"}),
    _Row((8,), ("g",), {"3": "5", "78": "7"}),
    _Row((10,), ("h", "hk"), {"2345": "5", "7": "7", "8": "79", "9": "9"}),
    _Row((11,), ("h", "hk"), {"2456": "5", "3": "57", "8": "7", "9": "9"}),
    _Row((12, 13, 14), ("h", "hk", "hx"), {"45": "5", "6": "57", "78": "7", "9": "9"}),
    _Row((2,), ("m",), {"3": "3", "45": "5", "67": "7"}),
    _Row((3, 4), ("m",), {"01": "3", "234": "5", "567": "7"}),
    _Row((3,), ("u",), {"12": "3", "34": "5", "56": "7"}),
    _Row((4, 5, 6, 7, 8, 9, 10), ("u",), {"01": "3", "23": "5", "5678": "7"}),
    _Row((12, 13, 14), ("u",), {"01": "3", "34": "5", "56": "7"}),
    _Row((12, 13), ("p",), {"2": "3", "45": "5", "678": "7"}),
    _Row((10, 11), ("g1", "g4", "g7", "ng4", "ng7"), {"012": "3", "345": "5", "6789": "7"}),
    _Row(tuple(range(2, 15)), ("x", "xe", "g", "hx", "gre"), {}),
)
# Numbers whose digit tells another class than that of their generation.
_ODD_CLASS: Final = {"2600": "7", "2600k": "7", "2600s": "7"}

# The same for three digits, by the middle one; those of plain Core end in 0.
_ULTRA_TIERS: Final = {"1234": "5", "56": "7", "78": "9"}
_PLAIN_TIERS: Final = {"1": {"0": "3", "12": "5", "5": "7"}, "2": {"12": "5", "45": "7", "7": "9"}}


def core_classes(number: str, suffix: str) -> str:
    """The class digits that a Core of this number can have: 8550U → 7, 13620H → 5 or 7."""
    is_short = len(number) == 4 and number[0] == "1"
    if is_short and suffix not in ("u", "p") and "g" not in suffix:
        return ""
    name = number + suffix
    if rare := next((told for pattern, told in _EXTREME if pattern.fullmatch(name)), None):
        return rare
    generation = int(number[:2] if number[0] == "1" else number[0])
    digit = number[-2] if is_short else number[-3]
    for row in _ROWS:
        if generation in row.generations and suffix in row.suffixes:
            return _ODD_CLASS.get(name, _told(row.classes, digit))
    return _UNSURE if suffix in _SUFFIXES else ""


def _told(classes: dict[str, str], digit: str) -> str:
    return next((told for digits, told in classes.items() if digit in digits), "")


def tier_words(number: str) -> tuple[str, ...]:
    """The words before a Core number of three digits: 155H → ultra 7, 150U → 7."""
    generation, digit, last = tuple(number)
    if last == "0":
        return tuple(_told(_PLAIN_TIERS.get(generation, {}), digit))
    tiers = _told(_ULTRA_TIERS, digit)
    # From the third generation on an X before the class tells the larger graphics.
    prefixes = ("ultra ", "ultra x") if generation == "3" else ("ultra ",)
    return tuple(f"{prefix}{tier}" for tier in tiers for prefix in prefixes)
