"""Cleaned text in, chips that it names out; near misses as suggestions."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from rapidfuzz import process
from rapidfuzz.distance import OSA

from kbapi.chips.chip import ChipName
from kbapi.chips.grammar import amd, cleaning, families, intel, nvidia, short_forms
from kbapi.chips.grammar.rule import Rule

RULES: Final[tuple[Rule, ...]] = (
    *intel.RULES,
    *amd.RULES,
    *amd.RADEON_RULES,
    *nvidia.RULES,
    *intel.GRAPHICS_RULES,
    *nvidia.OTHER_RULES,
)
MAKERS: Final = tuple(dict.fromkeys(row.maker for row in RULES))

_BY_MAKER: Final = {maker: tuple(r for r in RULES if r.maker == maker) for maker in MAKERS}
_MAKER_WORDS = re.compile(rf"(?:(?:{'|'.join(MAKERS)}) )+")
_WITHOUT_MAKER: Final = tuple(row for row in RULES if not row.needs_maker)

_BRANDS: Final = ("geforce", "radeon")
# A word that repeats what the name says already: i9-13900HX laptop, i7-8700K desktop.
_FORM_WORD = re.compile(r"(?P<rest>.*\d.*) (?P<form>laptop|desktop)")
_SAMPLE_TAIL = re.compile(r" (?:es\d?|qs|engineering sample)$")
_ANGLE = re.compile(r"angle \((?P<inner>.*)\)")
_PCI_NAME = re.compile(r"(?P<code>[^\[\]]*)\[(?P<name>[^\[\]]+)\]")
_PCI_ID = re.compile(r"\b(10de|1002|8086|1022):([0-9a-f]{4})\b")
_REVISION = re.compile(r"\(rev ([0-9a-f]{2})\)")
_MOBILE_CODE = re.compile(r".*\b[a-z]{1,2}\d{2,3}[a-z]{0,2}m\b.*")
_NVIDIA_CODE = re.compile(r".*\b(?:g[a-z]?\d{2,3}|tu\d{3}|ad\d{3})[a-z]*\b.*")


@dataclass(frozen=True, slots=True)
class Reading:
    """What a text can mean, before ids and form have their say."""

    chips: tuple[ChipName, ...]
    is_family: bool = False
    """Whether the text names several chips at once, known by name or not."""
    is_sample: bool = False
    mobile: bool | None = None
    """What a PCI database's code name tells of the form; None where it tells nothing."""
    pci_id: str | None = None
    pci_revision: str | None = None
    words: str = ""
    """The bare words that were put to the rules."""


def read(folded: str, *, prints_desktop: bool = False) -> Reading:
    """The chips that a folded text can mean; `prints_desktop` is a hint that folding took away."""
    pci_id, revision = _embedded_ids(folded)
    stripped = cleaning.strip(_without_angle(folded))
    is_sample = _SAMPLE_TAIL.search(stripped) is not None
    name, mobile = _pci_database_name(_SAMPLE_TAIL.sub("", stripped))
    chips, is_family = _read_alternatives(name)
    mobile = False if mobile is None and prints_desktop else mobile
    words = cleaning.tokens(name)
    mobile = False if mobile is None and words.endswith(" desktop") else mobile
    # Browsers that guard privacy name one well-known chip in place of many.
    is_family = is_family or folded.endswith("or similar")
    return Reading(chips, is_family, is_sample, mobile, pci_id, revision, words)


def find_chip(words: str) -> ChipName | None:
    """The chip that a name in bare words stands for by the first rule that covers it."""
    told = _MAKER_WORDS.match(words)
    if told is None:
        return _first(_WITHOUT_MAKER, words)
    makers = dict.fromkeys(told[0].split())
    rest = words[told.end() :]
    return next((chip for m in makers if (chip := _first(_BY_MAKER[m], rest))), None)


def sharers(chip: ChipName) -> tuple[ChipName, ...]:
    """All chips that are sold or printed under this chip's name; mostly itself alone."""
    keys = families.SHARED_NAMES.get(chip.key)
    if keys is None:
        return (chip,)
    return tuple(filter(None, (find_chip(key.replace("-", " ")) for key in keys)))


def _first(rules: tuple[Rule, ...], words: str) -> ChipName | None:
    return next((chip for row in rules if (chip := row.find_chip(words))), None)


def _embedded_ids(folded: str) -> tuple[str | None, str | None]:
    pci = _PCI_ID.search(folded)
    revision = _REVISION.search(folded)
    return (pci[0] if pci else None, revision[1] if revision else None)


def _without_angle(folded: str) -> str:
    """The device part of the wrapper that browsers print: vendor, device, back end."""
    wrapped = _ANGLE.fullmatch(folded)
    if wrapped is None:
        return folded
    parts = re.split(r", (?![^()]*\))", wrapped["inner"])
    return parts[1] if len(parts) > 1 else parts[0]


def _pci_database_name(stripped: str) -> tuple[str, bool | None]:
    """The marketing name in the brackets behind a code name, with the maker kept before it."""
    found = _PCI_NAME.fullmatch(stripped)
    if found is None:
        return stripped, None
    code = found["code"]
    told = _MAKER_WORDS.match(code)
    if (told and "nvidia" not in told[0]) or not _NVIDIA_CODE.fullmatch(code):
        return (told[0] if told else "") + found["name"], None
    return f"nvidia {found['name']}", _MOBILE_CODE.fullmatch(code) is not None


def _read_alternatives(name: str) -> tuple[tuple[ChipName, ...], bool]:
    """All chips that a name with slashes lists, and whether it is the name of a family."""
    pieces = [cleaning.tokens(piece) for piece in name.split("/")]
    if len(pieces) == 1:
        return _read_one(pieces[0])
    if _is_family(cleaning.tokens(name)):
        return (), True
    chips: list[ChipName] = []
    unnamed = False
    previous = ""
    for piece in pieces:
        previous, chip = _continue(previous, piece)
        unnamed = unnamed or chip is None
        chips += [chip] if chip else []
    distinct = tuple(dict.fromkeys(chips))
    unnamed = unnamed or pieces[-1].endswith(" series")
    is_family = unnamed and (bool(distinct) or _is_family(pieces[0]))
    return distinct, is_family or len(distinct) > 1


def _continue(previous: str, piece: str) -> tuple[str, ChipName | None]:
    """A piece behind a slash, completed with the words that it shares with the piece before."""
    before = previous.split()
    for kept in range(max(len(before) - 1, 0), -1, -1):
        words = " ".join([*before[:kept], piece])
        if chip := find_chip(words):
            return words, chip
    return previous or piece, None


def _read_one(words: str) -> tuple[tuple[ChipName, ...], bool]:
    if chip := find_chip(words):
        return (chip,), False
    if found := _FORM_WORD.fullmatch(words):
        chips, is_family = _read_one(found["rest"])
        is_laptop = found["form"] == "laptop"
        formed = tuple(c for c in chips if families.is_laptop_key(c.key) is is_laptop)
        if formed:
            return formed, is_family
    if members := _series_members(words):
        return members, True
    meant = _short_form(words)
    is_bare_number = words.isdigit()
    return meant, _is_family(words) or (is_bare_number and bool(meant))


def _short_form(words: str) -> tuple[ChipName, ...]:
    """The chips that a short form can mean; a maker or a brand that was told narrows them."""
    told = _MAKER_WORDS.match(words)
    rest = words[told.end() :] if told else words
    makers = told[0].split() if told else MAKERS
    brand = rest.split(" ")[0]
    meant = filter(None, map(find_chip, short_forms.meanings(rest)))
    wanted = [c for c in meant if c.maker in makers and (brand not in _BRANDS or brand in c.key)]
    return tuple(dict.fromkeys(wanted))


def _series_members(words: str) -> tuple[ChipName, ...]:
    told = _MAKER_WORDS.match(words)
    rest = words[told.end() :] if told else words
    return tuple(filter(None, map(find_chip, families.series_members(rest))))


def _is_family(words: str) -> bool:
    told = _MAKER_WORDS.match(words)
    rest = words[told.end() :] if told else words
    if families.FAMILIES.fullmatch(rest):
        return True
    return families.CODE_NAMES.fullmatch(rest) is not None


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
