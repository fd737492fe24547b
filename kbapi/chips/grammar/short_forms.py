"""What people type when they leave the maker and the line out, and what they can mean by it."""

import re
from collections.abc import Iterator
from typing import Final

from kbapi.chips.grammar.amd import ryzen_class
from kbapi.chips.grammar.core_classes import core_classes, tier_words

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
# A letter and a number, row by row with what can stand before them.
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


def meanings(words: str) -> Iterator[str]:
    """The full names, in words with the maker first, that a short form can stand for."""
    if found := _RYZEN.fullmatch(words):
        yield from _ryzen(found["number"], found["suffix"])
    if found := _R_SHORT.fullmatch(words):
        yield f"amd radeon r{found['tier']} {found['number']}"
        if found["number"] in _RYZEN_HUNDREDS:
            yield f"amd ryzen {found['tier']} {found['number']}"
    if found := _RTX_SHORT.fullmatch(words):
        yield from _workstation(found["number"], found["rest"])
    if found := _HD_SHORT.fullmatch(words):
        yield f"amd radeon hd {found['number']}{found['suffix']}"
        if found["number"] in _INTEL_HD:
            yield f"intel hd graphics {found['number']}{found['suffix']}"
    if found := _NUMBER.fullmatch(words.removeprefix("geforce ").removeprefix("radeon ")):
        yield from _bare_graphics(found[0])
        if found[0] == words and not found["rest"]:
            yield from _bare_processors(found["number"], found["suffix"])
    if found := _CORE_THREE.fullmatch(words):
        for tier in tier_words(found["number"]):
            yield f"intel core {tier} {found[0]}"
    for pattern, prefixes in _LETTERED:
        if pattern.fullmatch(words):
            yield from (f"{prefix} {words}" for prefix in prefixes)
    if _ARC.fullmatch(words):
        yield f"intel arc {words}"


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


def _bare_graphics(words: str) -> Iterator[str]:
    yield f"nvidia geforce rtx {words}"
    yield f"nvidia geforce gtx {words}"
    yield f"amd radeon rx {words}"
    if words.endswith(("m", "s")):
        yield f"amd radeon {words}"
    if _R_WITH_X.fullmatch(words):
        yield f"amd radeon r{'7' if words[:2] == '26' else '9'} {words}"
    if _UHD.fullmatch(words):
        yield f"intel uhd graphics {words}"
