"""Short forms that people type: bare numbers and names without the maker."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from kbapi.chips.grammar.amd import ryzen_class
from kbapi.chips.grammar.intel import CORE_SUFFIX

_UNSURE: Final = "357"
_SUFFIXES: Final = frozenset(CORE_SUFFIX.split("|"))
# With an X the digits do not show the class: these are all of its numbers.
_EXTREME: Final = (
    (re.compile(r"(?:39[67]0|[45]960|6950|7740|78[02]0|9800)x"), "7"),
    (re.compile(r"7640x"), "5"),
    (re.compile(r"(?:79[0246]0|9820|99[0246]0|109[024]0)x|(?:79|99|109)80xe"), "9"),
)


@dataclass(frozen=True, slots=True)
class _Row:
    """The class by one digit, in some generations and for some suffixes.

    The digit is the last but two, in the four-digit numbers that begin with 1 the last but one.
    A digit in no row was not sold.
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
# Numbers whose class differs from that of their digit and generation.
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
    if rare := next((tier for pattern, tier in _EXTREME if pattern.fullmatch(name)), None):
        return rare
    generation = int(number[:2] if number[0] == "1" else number[0])
    digit = number[-2] if is_short else number[-3]
    for row in _ROWS:
        if generation in row.generations and suffix in row.suffixes:
            return _ODD_CLASS.get(name, _class_of(row.classes, digit))
    return _UNSURE if suffix in _SUFFIXES else ""


def _class_of(classes: dict[str, str], digit: str) -> str:
    return next((found for digits, found in classes.items() if digit in digits), "")


def tier_tokens(number: str) -> tuple[str, ...]:
    """The tokens before a Core number of three digits: 155H → ultra 7, 150U → 7."""
    generation, digit, last = tuple(number)
    if last == "0":
        return tuple(_class_of(_PLAIN_TIERS.get(generation, {}), digit))
    tiers = _class_of(_ULTRA_TIERS, digit)
    # From the third generation on an X before the class marks the larger graphics.
    prefixes = ("ultra ", "ultra x") if generation == "3" else ("ultra ",)
    return tuple(f"{prefix}{tier}" for tier in tiers for prefix in prefixes)


_NUMBER = re.compile(r"(?P<number>\d{3,5}) ?(?P<suffix>[a-z0-9]{0,4})(?P<rest>(?: [a-z0-9]+)*)")
_RYZEN = re.compile(r"ryzen (?:pro )?(?P<number>[1-9][1-9]\d{2}) ?(?P<suffix>[a-z0-9]{0,4})")
_R_SHORT = re.compile(r"r(?P<tier>[579]) (?P<number>\d{3}x?)")
_R_WITH_X = re.compile(r"(?:2[6-9]|3[789])0x")
_RTX_SHORT = re.compile(r"rtx (?P<number>[1-9]\d{0,1}00|[2-9]000)(?P<rest>(?: laptop)?)")

# Threadrippers of the first two generations have numbers that no plain Ryzen has.
_HD_SHORT = re.compile(r"hd ?(?P<number>\d{4})(?P<suffix>[md]?)")
_INTEL_HD: Final = frozenset(
    ("2000", "2500", "3000", "4000", "4200", "4400", "4600", "5000", "5300", "5500", "5600", "6000")
)
_THREADRIPPER = re.compile(r"[12]9\d\d|[379]9[679]\d|79[678]\d|99[678]\d")
_RYZEN_HUNDREDS = frozenset(f"{hundred}{ten}0" for hundred in "12" for ten in "1234567")
_CORE = re.compile(r"(?:[2-9]|1[0-4]\d?)\d{3}|1[0-4]\d\d")
_CORE_THREE = re.compile(r"(?P<number>[1-3]\d{2}) ?(?P<suffix>[hukvtf]|kf|hx)")
_UHD = re.compile(r"[67]\d[05]")
# A letter and a number, row by row with the tokens that can come before them.
_LETTERED: Final = tuple(
    (re.compile(pattern), prefixes)
    for pattern, prefixes in (
        (r"n(?:\d\d|[12]\d\d)", ("intel processor",)),
        (r"n30\d", ("intel core i3",)),
        (r"n35\d", ("intel core 3",)),
        (r"m\d(?: (?:pro|max|ultra))?", ("apple",)),
        (r"q[6-9]\d{3}", ("intel core 2 quad",)),
        (r"qx\d{4}", ("intel core 2 extreme",)),
        (r"e\d{4}", ("intel core 2 duo", "intel pentium", "intel celeron", "intel xeon")),
        (r"g[1-4]\d{3}", ("intel pentium", "intel celeron")),
        (r"g[5-9]\d{3}", ("intel pentium gold", "intel celeron")),
        (r"[nj]\d{4}", ("intel celeron", "intel pentium", "intel pentium silver")),
        (r"[xl]5[56]\d{2}|w3[56]\d{2}", ("intel xeon",)),
        (r"[pk][1-6]\d{3}", ("nvidia quadro",)),
        (r"a[1-6][05]00", ("nvidia rtx",)),
        (r"1[34]0[vt]", ("intel arc",)),
        (r"hx 3\d\d", ("amd ryzen ai 9",)),
        (r"200ge|3000g", ("amd athlon",)),
    )
)
_ARC = re.compile(r"[ab][3-7][1-9]0m?")
_CORE_ONLY = frozenset(("k", "kf", "ks", "hk", "hq", "mq", "qm"))


def meanings(tokens: str) -> Iterator[str]:
    """The full names, in tokens with the maker first, that a short form can mean."""
    if found := _RYZEN.fullmatch(tokens):
        yield from _ryzen(found["number"], found["suffix"])
    if found := _R_SHORT.fullmatch(tokens):
        yield f"amd radeon r{found['tier']} {found['number']}"
        if found["number"] in _RYZEN_HUNDREDS:
            yield f"amd ryzen {found['tier']} {found['number']}"
    if found := _RTX_SHORT.fullmatch(tokens):
        yield from _workstation(found["number"], found["rest"])
    if found := _HD_SHORT.fullmatch(tokens):
        yield f"amd radeon hd {found['number']}{found['suffix']}"
        if found["number"] in _INTEL_HD:
            yield f"intel hd graphics {found['number']}{found['suffix']}"
    if found := _NUMBER.fullmatch(tokens.removeprefix("geforce ").removeprefix("radeon ")):
        yield from _bare_graphics(found[0])
        if found[0] == tokens and not found["rest"]:
            yield from _bare_processors(found["number"], found["suffix"])
    if found := _CORE_THREE.fullmatch(tokens):
        for tier in tier_tokens(found["number"]):
            yield f"intel core {tier} {found[0]}"
    for pattern, prefixes in _LETTERED:
        if pattern.fullmatch(tokens):
            yield from (f"{prefix} {tokens}" for prefix in prefixes)
    if _ARC.fullmatch(tokens):
        yield f"intel arc {tokens}"


def _ryzen(number: str, suffix: str) -> Iterator[str]:
    if suffix == "wx" or (suffix == "x" and _THREADRIPPER.fullmatch(number) and number != "3950"):
        yield f"amd ryzen threadripper {number}{suffix}"
    else:
        yield f"amd ryzen {ryzen_class(number, suffix)} {number}{suffix}"


def _workstation(number: str, rest: str) -> Iterator[str]:
    yield f"nvidia quadro rtx {number}{rest}"
    yield f"nvidia rtx {number} ada generation{rest}"


def _bare_processors(number: str, suffix: str) -> Iterator[str]:
    if _CORE.fullmatch(number):
        for tier in core_classes(number, suffix):
            yield f"intel core i{tier} {number}{suffix}"
    if len(number) == 4 and _can_be_ryzen(number, suffix):
        yield from _ryzen(number, suffix)


def _can_be_ryzen(number: str, suffix: str) -> bool:
    if "0" in number[:2]:
        return False
    # The first thousand was sold for desktops only.
    if number[0] == "1":
        return suffix in ("", "x", "af")
    return suffix not in _CORE_ONLY and (suffix != "xt" or number[0] in "35")


def _bare_graphics(tokens: str) -> Iterator[str]:
    yield f"nvidia geforce rtx {tokens}"
    yield f"nvidia geforce gtx {tokens}"
    yield f"amd radeon rx {tokens}"
    if tokens.endswith(("m", "s")):
        yield f"amd radeon {tokens}"
    if _R_WITH_X.fullmatch(tokens):
        yield f"amd radeon r{'7' if tokens[:2] == '26' else '9'} {tokens}"
    if _UHD.fullmatch(tokens):
        yield f"intel uhd graphics {tokens}"
