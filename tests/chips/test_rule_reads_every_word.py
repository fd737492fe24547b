"""A rule reads each word into the key, and lets no suffix pass that its line does not have."""

import re
import re._parser as parser  # type: ignore[import-not-found]
from collections.abc import Iterator
from itertools import product
from re._constants import (  # type: ignore[import-not-found]
    ATOMIC_GROUP,
    BRANCH,
    GROUPREF_EXISTS,
    IN,
    LITERAL,
    MAX_REPEAT,
    MIN_REPEAT,
    POSSESSIVE_REPEAT,
    RANGE,
    SUBPATTERN,
)
from string import ascii_lowercase
from typing import Any

import pytest

from kbapi.chips.grammar.reading import RULES
from kbapi.chips.grammar.rule import Rule, rule
from kbapi.chips.naming import identify_chip

# Words that a rule may match without a trace in the key, and why they separate no two chips.
WORDS_OF_A_LINE = (
    "core xeon processor ryzen threadripper tr r radeon rx geforce quadro mobility pro"
)
GENERIC_WORDS = "graphics series family adapter generation edition cores"
SAYS_NOTHING = {
    **dict.fromkeys(WORDS_OF_A_LINE.split(), "people leave the word of the line out"),
    **dict.fromkeys(GENERIC_WORDS.split(), "a generic word"),
    **dict.fromkeys(("gb", "gddr", "x"), "a size of memory that goes without saying"),
    **dict.fromkeys(("laptop", "desktop", "embedded"), "the number says it already"),
    **dict.fromkeys(("qualcomm", "oryon"), "the maker and the cores of each such chip"),
    **dict.fromkeys(("black", "be", "twkr"), "an open multiplier of one and the same number"),
    **dict.fromkeys(("neo", "ultra", "dual"), "marketing of a number that no other part has"),
    **dict.fromkeys(("firegl", "v"), "the former name of the line"),
    **dict.fromkeys(("e", "m", "s", "kit"), "a letter of the graphics inside, or a plural"),
}
# Codes that are counted through letters: their letters are part of the number.
COUNTED_IN_LETTERS = {
    "custom", "custom_graphics", "epyc", "arc",
    "snapdragon_x", "snapdragon_x_elite", "snapdragon_x_plus",
}  # fmt: skip

LISTS = {
    "intel core i7 8700": "b c e f g h k m p r s t u x y ec eq he hf hk hl hq hr hx kb ke kf ks le "
    "lm me mq mx pe pf ps qe qm te ue ul um xe xm",
    "intel core ultra 7 265": "e f h k p t u v y hl hx kf ks pe te ue ul",
    "intel xeon gold 6248": "a b c f h l m n p q r s t u v y cl cy hc hl te",
    "intel xeon e5 2680": "a b c l m p r w",
    "intel xeon w 2145": "a b e g m n p t x ge it me ml ne nt te tr",
    "intel core 2 duo e8400": "g s",
    "intel celeron g3900": "a c e l m t u y he te ue",
    "intel pentium gold g5400": "e t u y te ue",
    "intel atom e3950": "b c d e f g l p r t ct fe pt rc re rk",
    "intel processor n100": "e",
    "amd ryzen 7 5800": "c e f g h t u x af ge gt hs hx xt",
    "amd ryzen 5 220": "h u",
    "amd ryzen ai 7 350": "g ge",
    "amd ryzen threadripper 3970": "s x wx xs",
    "amd epyc 7763": "f h p s x pn px",
    "amd a10 7850": "b c e k m p t mx",
    "amd fx 8350": "b e k p",
    "amd phenom ii x4 955": "b e t",
    "amd athlon ii x2 250": "e k u",
    "amd opteron 6274": "ee he hf kx se",
    "amd radeon rx 6700": "b d m s le xt",
    "amd radeon rx 580": "b d m x xt",
    "amd radeon r9 290": "d e x dx",
    "amd radeon hd 7970": "a d e g m",
    "amd firepro w5100": "m p v x",
    "nvidia geforce rtx 3070": "a d ti",
    "nvidia geforce gtx 960": "a d m le ma md mx se ti",
    "nvidia geforce mx150": "",
    "nvidia quadro k2000": "d m",
    "nvidia tesla k20": "c d g m s t x st xm",
    "nvidia l40": "a g m s x",
    "intel arc a770": "m",
    "intel uhd graphics 630": "",
    "apple m1": "",
    "qualcomm snapdragon 8": "c s cx",
    "hygon c86 7185": "h",
    "via nano l2007": "",
    "zhaoxin kaixian kx 6640": "a d g m ma",
    "norvane sable 7 4820": "h k n s u x y z mx",
}
ENDINGS = [*ascii_lowercase, *map("".join, product(ascii_lowercase, repeat=2))]


def characters(parsed: Any, *, is_named: bool = False, may_lack: bool = False) -> Iterator[str]:
    """The letters that no named group holds and that a name can lack; "\\n" ends a word."""
    for kind, value in parsed:
        inside: list[Any] = []
        named, lacking = is_named, may_lack
        if kind is LITERAL:
            yield "\n" if is_named or not may_lack else chr(value)
        elif kind is SUBPATTERN:
            inside, named = [value[3]], is_named or value[0] is not None
        elif kind is BRANCH:
            inside, lacking = value[1], True
        elif kind in (MAX_REPEAT, MIN_REPEAT, POSSESSIVE_REPEAT):
            inside, lacking = [value[2]], may_lack or value[0] == 0
        elif kind is ATOMIC_GROUP:
            inside = [value]
        elif kind is GROUPREF_EXISTS:
            inside, lacking = [part for part in value[1:] if part], True
        for part in inside:
            # What alternatives share stands before them and is part of each.
            yield "" if kind is SUBPATTERN else "\n"
            yield from characters(part, is_named=named, may_lack=lacking)
        yield "\n" if kind is IN else ""


def unread_words(one: Rule) -> set[str]:
    """The words that a rule matches, or not, without a trace in the key."""
    return set(re.findall(r"[a-z]+", "".join(characters(parser.parse(one.pattern.pattern)))))


def has_open_letters(parsed: Any) -> bool:
    """Whether some part of a pattern matches any of many letters."""
    for kind, value in parsed:
        if kind is IN and any(o is RANGE and chr(span[0]).isalpha() for o, span in value):
            return True
        inside: list[Any] = []
        if kind is SUBPATTERN:
            inside = [value[3]]
        elif kind is BRANCH:
            inside = value[1]
        elif kind in (MAX_REPEAT, MIN_REPEAT, POSSESSIVE_REPEAT):
            inside = [value[2]]
        elif kind is GROUPREF_EXISTS:
            inside = [part for part in value[1:] if part]
        if any(has_open_letters(part) for part in inside):
            return True
    return False


@pytest.mark.parametrize("one", RULES, ids=lambda one: f"{one.maker}-{one.name}")
def test_a_rule_leaves_no_word_unread_that_could_separate_chips(one: Rule) -> None:
    # The first letter of "ryzen" and "threadripper" is common with a short form of theirs.
    assert unread_words(one) - {"yzen", "hreadripper"} <= set(SAYS_NOTHING)


@pytest.mark.parametrize("one", RULES, ids=lambda one: f"{one.maker}-{one.name}")
def test_the_letters_of_a_rule_are_a_closed_list(one: Rule) -> None:
    is_open = has_open_letters(parser.parse(one.pattern.pattern))
    assert is_open == (one.name in COUNTED_IN_LETTERS)


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        (r"sable (?P<number>\d{4})(?: gold)?", {"gold"}),
        (r"sable (?P<number>\d{4})(?P<tier> gold)?", set()),
        (r"sable (?:gold|silver) (?P<number>\d{4})", {"gold", "silver"}),
        (r"(?:sable )?(?P<number>\d{4})", {"sable"}),
    ],
)
def test_an_unread_word_is_found(pattern: str, words: set[str]) -> None:
    one = rule("sable", "norvane", "cpu", pattern, "sable {number}", "sable", "")
    assert unread_words(one) == words


@pytest.mark.parametrize("suffix", ["[a-z]?", "[a-z]{0,2}", "(?:x|[a-f])"])
def test_an_open_list_of_letters_is_found(suffix: str) -> None:
    assert has_open_letters(parser.parse(rf"sable (?P<number>\d{{4}})(?P<suffix>{suffix})"))


@pytest.mark.parametrize(("name", "suffixes"), LISTS.items())
def test_a_line_has_the_suffixes_that_were_sold_and_no_others(name: str, suffixes: str) -> None:
    assert identify_chip(name).chip is not None
    read = {ending: identify_chip(name + ending).chip for ending in ENDINGS}
    assert [ending for ending, chip in read.items() if chip] == suffixes.split()
    keys = [chip.key for chip in read.values() if chip]
    # A plural of Threadripper is the only ending that says nothing.
    assert len(set(keys)) == len(keys) or "threadripper" in name
