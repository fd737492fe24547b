"""Cleaned text in, chips that it names out; similar names as suggestions."""

import re
from collections.abc import Container, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Final

from rapidfuzz import process
from rapidfuzz.distance import OSA

from kbapi.chips.chip import ChipName
from kbapi.chips.grammar import amd, cleaning, families, intel, nvidia, short_forms
from kbapi.chips.grammar.families import SOLD
from kbapi.chips.grammar.rule import Rule, RuleList

RULES: Final[tuple[Rule, ...]] = (
    *intel.RULES,
    *amd.RULES,
    *amd.RADEON_RULES,
    *nvidia.RULES,
    *intel.GRAPHICS_RULES,
    *nvidia.OTHER_RULES,
)
MAKERS: Final = tuple(dict.fromkeys(row.maker for row in RULES))

_BY_MAKER: Final = {maker: RuleList(r for r in RULES if r.maker == maker) for maker in MAKERS}
_MAKER_TOKENS = re.compile(rf"(?:(?:{'|'.join(MAKERS)}) )++")
_WITHOUT_MAKER: Final = RuleList(row for row in RULES if not row.needs_maker)

_BRANDS: Final = ("geforce", "radeon")
# A token that repeats the form that the name implies: i9-13900HX laptop, i7-8700K desktop.
_FORM_TOKEN = re.compile(r"(?P<rest>\D*+\d.*) (?P<form>laptop|desktop)")
_SAMPLE_TAIL = re.compile(r" (?:es\d?|qs|engineering sample)$")
_PUNCTUATION: Final = " \"'`,;:*-"
_ANGLE = re.compile(r"(?:google inc\. ?(?:\([^()]*+\))?,? ?(?:-+ )?)?angle \((?P<inner>.*)\)")
_PCI_NAME = re.compile(r"(?P<code>[^\[\]]*)\[(?P<name>[^\[\]]+)\]")
# A second name before the brackets.
_LINE_IN_CODE = re.compile(
    r"\b(?:core|i[3579]|ryzen|xeon|geforce|radeon|[rg]tx|quadro|apple|arc|iris|pentium|celeron|"
    r"athlon|epyc|threadripper)\b"
)
_PCI_ID = re.compile(r"\b(10de|1002|8086|1022):([0-9a-f]{4})\b")
_REVISION = re.compile(r"\(rev ([0-9a-f]{2})\)")
_MOBILE_CODE = re.compile(r".*\b[a-z]{1,2}\d{2,3}[a-z]{0,2}m\b.*")
_NVIDIA_CODE = re.compile(r".*\b(?:g[a-z]?\d{2,3}|tu\d{3}|ad\d{3})[a-z]*\b.*")


# More than any system prints: they bound what is tried on a text that names nothing.
_MOST_PIECES: Final = 10
_MOST_SHARED: Final = 6
_MOST_MISSES: Final = 8
_MOST_TOKENS: Final = 12
_LONGEST_NAME: Final = 80
_MOST_FORMS: Final = 2


@dataclass(frozen=True, slots=True)
class Reading:
    """The chips that a text can mean, before ids and form decide."""

    chips: tuple[ChipName, ...]
    is_family: bool = False
    """Whether the text names several chips at once, known by name or not."""
    is_sample: bool = False
    mobile: bool | None = None
    """Whether a PCI database's code name marks a laptop part; None where it is open."""
    pci_id: str | None = None
    pci_revision: str | None = None
    tokens: str = ""
    """The tokens that the rules were tried on, one space between them."""


def read(folded: str, *, prints_desktop: bool = False) -> Reading:
    """The chips that a folded text can mean; `prints_desktop` is a hint that folding took away."""
    pci_id, revision = _embedded_ids(folded)
    stripped = cleaning.strip(_without_angle(folded))
    is_sample = _SAMPLE_TAIL.search(stripped) is not None
    name, mobile = _pci_database_name(_SAMPLE_TAIL.sub("", stripped))
    tokens = cleaning.tokens(name)
    chips, is_family = _read_alternatives(name, tokens)
    mobile = False if mobile is None and prints_desktop else mobile
    mobile = False if mobile is None and tokens.endswith(" desktop") else mobile
    # Browsers with privacy protection name one well-known chip in place of many.
    is_family = is_family or folded.endswith("or similar")
    return Reading(chips, is_family, is_sample, mobile, pci_id, revision, tokens)


def find_chip(tokens: str) -> ChipName | None:
    """The chip that a name in tokens means by the first rule that matches all of it."""
    if len(tokens) > _LONGEST_NAME:
        return None
    maker = _MAKER_TOKENS.match(tokens)
    if maker is None:
        return _WITHOUT_MAKER.find_chip(tokens)
    makers = set(maker[0].split())
    # Two makers before one name contradict each other.
    return _BY_MAKER[makers.pop()].find_chip(tokens[maker.end() :]) if len(makers) == 1 else None


def sharers(chip: ChipName) -> tuple[ChipName, ...]:
    """All chips that are sold or printed under this chip's name; mostly itself alone."""
    keys = families.SHARED_NAMES.get(chip.key)
    if keys is None:
        return (chip,)
    return tuple(filter(None, (find_chip(key.replace("-", " ")) for key in keys)))


def _embedded_ids(folded: str) -> tuple[str | None, str | None]:
    pci = _PCI_ID.search(folded)
    revision = _REVISION.search(folded)
    return (pci[0] if pci else None, revision[1] if revision else None)


def _without_angle(folded: str) -> str:
    """The device part of the wrapper that browsers print: vendor, device, back end."""
    wrapped = _ANGLE.fullmatch(folded.strip(_PUNCTUATION))
    if wrapped is None:
        return folded
    parts = re.split(r", (?![^()]*\))", wrapped["inner"])
    return parts[1] if len(parts) > 1 else parts[0]


def _pci_database_name(stripped: str) -> tuple[str, bool | None]:
    """The marketing name in the brackets behind a code name, with the maker before it."""
    found = _PCI_NAME.fullmatch(stripped)
    if found is None:
        return stripped, None
    code = found["code"]
    if _LINE_IN_CODE.search(code):
        return stripped, None
    maker = _MAKER_TOKENS.match(code)
    if (maker and set(maker[0].split()) != {"nvidia"}) or not _NVIDIA_CODE.fullmatch(code):
        return (maker[0] if maker else "") + found["name"], None
    return f"nvidia {found['name']}", _MOBILE_CODE.fullmatch(code) is not None


def _read_alternatives(name: str, tokens: str) -> tuple[tuple[ChipName, ...], bool]:
    """All chips that a name with slashes lists, and whether it is the name of a family."""
    listed = name.split("/")
    if len(listed) == 1:
        return _read_one(tokens)
    if len(listed) > _MOST_PIECES:
        return (), False
    if _is_family(tokens):
        return (), True
    pieces = [cleaning.tokens(piece) for piece in listed]
    chips = list(_read_pieces(pieces))
    distinct = tuple(dict.fromkeys(filter(None, chips)))
    unnamed = None in chips or pieces[-1].endswith(" series")
    is_family = unnamed and (bool(distinct) or _is_family(pieces[0]))
    return distinct, is_family or len(distinct) > 1


def _read_pieces(pieces: list[str]) -> Iterator[ChipName | None]:
    """The chip of each piece between slashes; None for one that names none.

    A piece is completed with the tokens that it shares with the piece before. After some tries
    without a chip the text is no list of chips, and reading stops.
    """
    previous, misses = "", 0
    for piece in pieces:
        before = previous.split()[: _MOST_SHARED + 1]
        tries = (
            " ".join([*before[:shared], piece]) for shared in range(max(len(before) - 1, 0), -1, -1)
        )
        chip = None
        while misses < _MOST_MISSES and chip is None and (tokens := next(tries, None)):
            chip = find_chip(tokens)
            misses += chip is None
            previous = tokens if chip else previous
        previous = previous or piece
        yield chip


def _read_one(tokens: str, forms: int = _MOST_FORMS) -> tuple[tuple[ChipName, ...], bool]:
    """What a name without slashes means; at most so many tokens of a form at its end are read."""
    if chip := find_chip(tokens):
        return (chip,), False
    if forms and (found := _FORM_TOKEN.fullmatch(tokens)):
        chips, is_family = _read_one(found["rest"], forms - 1)
        is_laptop = found["form"] == "laptop"
        formed = tuple(c for c in chips if families.is_laptop_key(c.key) is is_laptop)
        if formed:
            return formed, is_family
    if members := _series_members(tokens):
        return members, True
    meant = _short_form(tokens)
    is_bare_number = tokens.isdigit()
    return meant, _is_family(tokens) or (is_bare_number and bool(meant))


def _short_form(tokens: str) -> tuple[ChipName, ...]:
    """The chips that a short form can mean; a maker or a brand in the text narrows them."""
    maker = _MAKER_TOKENS.match(tokens)
    rest = tokens[maker.end() :] if maker else tokens
    makers = set(maker[0].split() if maker else MAKERS)
    if maker and len(makers) > 1:
        return ()
    brand = rest.split(" ")[0]
    meant = filter(None, map(find_chip, short_forms.meanings(rest)))
    wanted = [c for c in meant if c.maker in makers and (brand not in _BRANDS or brand in c.key)]
    # A number alone is only read as a chip that was sold: its line and class are a conclusion.
    return tuple(chip for chip in dict.fromkeys(wanted) if not find_meant(chip.key, ()))


def _series_members(tokens: str) -> tuple[ChipName, ...]:
    maker = _MAKER_TOKENS.match(tokens)
    rest = tokens[maker.end() :] if maker else tokens
    return tuple(filter(None, map(find_chip, families.series_members(rest))))


def _is_family(tokens: str) -> bool:
    maker = _MAKER_TOKENS.match(tokens)
    rest = tokens[maker.end() :] if maker else tokens
    if families.FAMILIES.fullmatch(rest):
        return True
    return families.CODE_NAMES.fullmatch(rest) is not None


_MOST_DIGITS: Final = 4
_LONGEST_TOKEN: Final = 16
_MOST_SUGGESTIONS: Final = 5
_MOST_REPAIRS: Final = 16
_TEMPLATE_TOKEN = re.compile(r"[a-z]{3,}")
# Tokens that the templates fill in from the name.
_FILLED_IN: Final = (
    "bronze", "duo", "extreme", "gold", "laptop", "platinum", "quad", "silver", "super",
)  # fmt: skip
_TEMPLATES: Final = " ".join((*MAKERS, *(row.key for row in RULES), *_FILLED_IN)).split()
_VOCABULARY: Final = tuple(dict.fromkeys(filter(_TEMPLATE_TOKEN.fullmatch, _TEMPLATES)))


def suggestions(tokens: str) -> tuple[ChipName, ...]:
    """The chips whose name is one typing error away from these tokens; never an answer."""
    parts = tokens.split()
    if len(parts) > _MOST_TOKENS or max(map(len, parts), default=0) > _LONGEST_TOKEN:
        return ()
    tried = islice(_repaired(parts), _MOST_REPAIRS)
    found = (find_chip(" ".join(repaired)) for repaired in tried)
    return tuple(dict.fromkeys(filter(None, found)))[:_MOST_SUGGESTIONS]


def _repaired(parts: list[str]) -> Iterator[list[str]]:
    """The tokens with one of them corrected, by vocabulary or by leaving out one letter."""
    for at, token in enumerate(parts):
        for better in (*_similar_tokens(token), *_without_a_letter(token)):
            yield [*parts[:at], better, *parts[at + 1 :]]


def _similar_tokens(token: str) -> list[str]:
    if len(token) < 3 or token in _VOCABULARY or any(letter.isdigit() for letter in token):
        return []
    near = process.extract(token, _VOCABULARY, scorer=OSA.distance, score_cutoff=1, limit=3)
    return [str(found) for found, _, _ in near]


def _without_a_letter(token: str) -> list[str]:
    """The token without one letter of its suffix, or one digit of a number that is too long."""
    digits = re.match(r"[a-z]{0,2}(\d+)", token)
    if digits is None:
        return []
    letters = range(digits.end(), len(token))
    too_long = len(digits[1]) > _MOST_DIGITS
    # The last digits first: the leading ones identify the chip.
    spare = reversed(range(digits.start(1), digits.end())) if too_long else ()
    return [token[:at] + token[at + 1 :] for at in (*letters, *spare)]


_NUMBER_IN_KEY: Final = re.compile(r"(?P<before>.*?-[a-z]*)(?P<number>\d{3,5})(?P<behind>.*)")
_MOST_MEANT: Final = 5


def find_meant(key: str, described: Container[str]) -> tuple[str, ...]:
    """The keys that were probably meant by a key whose number has a typing error; mostly none.

    Where the numbers of a line are listed, one wrong, missing or surplus digit is a typing error.
    Of other lines the described chips are known, and only two digits in the wrong order count.
    """
    parts = _NUMBER_IN_KEY.fullmatch(key)
    if parts is None or key in described:
        return ()
    before, number, behind = parts["before"], parts["number"], parts["behind"]
    sold = SOLD.get(before.replace("-pro-", "-"), frozenset())
    if generation := [
        one for one in sold if _generation(before, one) == _generation(before, number)
    ]:
        near = () if number in sold else _near_numbers(number, sold, generation)
        other = () if number in sold else _other_classes(before, number)
        keys = [
            *(f"{one}{number}{behind}" for one in other),
            *(f"{before}{n}{behind}" for n in near),
        ]
    else:
        keys = [f"{before}{one}{behind}" for one in _swapped(number)]
        keys = [meant for meant in keys if meant in described]
    chips = filter(None, (find_chip(key.replace("-", " ")) for key in keys))
    return tuple(one.key for chip in chips for one in sharers(chip))[:_MOST_MEANT]


def _other_classes(before: str, number: str) -> list[str]:
    """The lines with another class digit in which this number was sold."""
    lines = (f"{before[:-2]}{tier}-" for tier in "3579")
    return [line for line in lines if number in SOLD.get(line, ())]


def _generation(before: str, number: str) -> tuple[int, str]:
    has_two_digits = number[0] == "1" and before.startswith("intel-core-i")
    return len(number), number[:2] if has_two_digits else number[0]


def _near_numbers(number: str, sold: Iterable[str], generation: Iterable[str]) -> list[str]:
    """The sold numbers that are one typing error away, those of the same generation first."""
    near = [one for one in sold if OSA.distance(number, one, score_cutoff=1) == 1]
    swapped = _swapped(number)
    return sorted(near, key=lambda one: (one not in swapped, one not in generation, one))


def _swapped(number: str) -> list[str]:
    """The number with two neighbouring digits exchanged, in each way that changes it."""
    pairs = range(len(number) - 1)
    every = (number[:at] + number[at + 1] + number[at] + number[at + 2 :] for at in pairs)
    return [one for one in every if one != number]
