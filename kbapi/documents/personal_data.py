"""Where a document holds something that identifies a person or a machine: named, never repeated.

Shapes are an ordered table. A false alarm costs a sender one correction; a miss would be kept.
Versions and chip names look like addresses, serials and long numbers, so that those fields are
held against fewer shapes: versions have a pattern and a length of their own, and a chip's text is
kept only if a chip can be read in it.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import reduce
from ipaddress import IPv6Address
from typing import Any, Final

from kbapi.bounds import LONGEST_TEXT, MOST_TEXTS
from kbapi.documents.shapes import LONGEST_KEY_SHOWN, child
from kbapi.errors import Problem

CODE: Final = "personal_data_found"
SENTENCE: Final = (
    "This looks like personal data or a number of a device. It was not stored: leave it out."
)


@dataclass(frozen=True, slots=True)
class Shape:
    """A named shape of identities, and how it is found in a text."""

    name: str
    is_in: Callable[[str], bool]


def _by(pattern: str, flags: re.RegexFlag = re.IGNORECASE) -> Callable[[str], bool]:
    found = re.compile(pattern, flags)
    return lambda text: found.search(text) is not None


_ADDRESS_6: Final = re.compile(r"[0-9A-Fa-f:]*:[0-9A-Fa-f:]*:[0-9A-Fa-f:.]*")
_DIGITS: Final = re.compile(r"\d")
# A phone number is written in groups, or begins with a plus.
_PHONE: Final = re.compile(r"(?<![\w.,])(?:\+|\(?\d)[\d ()./-]{6,}\d(?![\w])")
_PHONE_GROUPS: Final = re.compile(
    r"\+|\(\d{2,5}\)|\d{2,4}[ ./-]\d{3,4}[ ./-]?\d{3,}|(?:\d{2}[ .-]){4}"
)
# Serial numbers are one word of capitals and digits, well mixed.
_WORD: Final = re.compile(r"(?<![A-Za-z0-9])[A-Za-z0-9]{8,}(?![A-Za-z0-9])")
_LEAST_LETTERS: Final = 2
_LEAST_DIGITS: Final = 3
_LONG_WORD: Final = 16
_FEWEST_PHONE_DIGITS: Final = 8


def _is_ipv6_in(text: str) -> bool:
    for match in _ADDRESS_6.finditer(text):
        try:
            IPv6Address(match.group().rstrip("."))
        except ValueError:
            continue
        if match.group() != "::":
            return True
    return False


def _is_phone_in(text: str) -> bool:
    for match in _PHONE.finditer(text):
        told = match.group()
        if len(_DIGITS.findall(told)) >= _FEWEST_PHONE_DIGITS and _PHONE_GROUPS.search(told):
            return True
    return False


def _is_serial_in(text: str) -> bool:
    for match in _WORD.finditer(text):
        word = match.group()
        digits = len(_DIGITS.findall(word))
        letters = len(word) - digits
        mixed = letters >= _LEAST_LETTERS and digits >= _LEAST_DIGITS
        if mixed and (word == word.upper() or len(word) >= _LONG_WORD):
            return True
    return False


_HEX_PAIR: Final = "[0-9a-f]{2}"
_OCTET: Final = r"(?:25[0-5]|2[0-4]\d|1?\d?\d)"
_COMMON_ENDS: Final = "com|net|org|info|edu|gov|io|dev|me|eu|de|uk|fr|nl|pl|it|es|ru|jp|cn|ch|at"
_LOCAL_ENDS: Final = "local|lan|home|internal|intranet|corp|localdomain|box|arpa"

_E_MAIL: Final = Shape("e-mail", _by(r"[^\s@\"'<>]+@[^\s@\"'<>]+\.[a-z]{2,}|\w@[a-z]{3,}"))
_PHONE_NUMBER: Final = Shape("phone", _is_phone_in)
_IPV4: Final = Shape("IP address", _by(rf"(?<![\w.]){_OCTET}(?:\.{_OCTET}){{3}}(?![\w.]|\.\d)"))
_IPV6: Final = Shape("IP address", _is_ipv6_in)
_MAC: Final = Shape(
    "MAC address",
    _by(
        rf"(?<!\w){_HEX_PAIR}(?:([:-]){_HEX_PAIR})(?:\1{_HEX_PAIR}){{4,6}}(?!\w)"
        r"|(?<!\w)[0-9a-f]{4}(?:\.[0-9a-f]{4}){2}(?!\w)"
    ),
)
_UUID: Final = Shape(
    "UUID",
    _by(
        r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
        r"|(?<![0-9a-z])[0-9a-f]{32}(?![0-9a-z])"
    ),
)
_SERIAL: Final = Shape("serial", _is_serial_in)
_NAMED_SERIAL: Final = Shape(
    "serial",
    _by(
        r"\b(?:serial|s/n|sn|service[ _-]?tag|asset[ _-]?tag|imei)\b[ _.:#=-]*"
        r"(?:(?:no|nr|number)\b[ .:#=-]*)?\w*\d"
    ),
)
_DIGIT_RUN: Final = Shape("long number", _by(r"\d{8,}"))
_LONGER_DIGIT_RUN: Final = Shape("long number", _by(r"\d{10,}"))
_HOME_FOLDER: Final = Shape(
    "home folder",
    _by(
        r"/(?:home|users)/[^\s/]|[/\\](?:users|documents and settings)\\+[^\s\\]"
        r"|\b[a-z]:\\+users\\|(?:^|[\s=:])~\w*/|\\\\\w+\\|/root(?:/|\b)|%userprofile%|\$home\b"
    ),
)
_HOST_NAME: Final = Shape(
    "host name",
    _by(
        r"https?://|\bwww\."
        r"|\b(?:desktop|laptop|win|pc)-[a-z0-9]{6,15}\b(?<!-desktop)(?<!-laptop)"
        rf"|\b[a-z0-9][a-z0-9-]*\.(?:{_LOCAL_ENDS})\b"
        rf"|\b[a-z][a-z0-9-]*(?:\.[a-z0-9-]+)*\.(?:{_COMMON_ENDS})\b"
        r"|\b(?!v\d)[a-z][a-z0-9-]*(?:\.[a-z0-9-]+)+\.[a-z]{2,}\b"
        r"|\b\w+(?:['’]s|s)[ _-]?(?:-|_| )(?:pc|laptop|desktop|notebook|macbook|imac|mac|computer"
        r"|workstation|rig)\b"
    ),
)

SHAPES: Final = (
    _E_MAIL,
    _PHONE_NUMBER,
    _IPV4,
    _IPV6,
    _MAC,
    _UUID,
    _SERIAL,
    _NAMED_SERIAL,
    _DIGIT_RUN,
    _HOME_FOLDER,
    _HOST_NAME,
)
_OF_VERSIONS: Final = (_E_MAIL, _UUID, _NAMED_SERIAL, _HOME_FOLDER, _HOST_NAME)
# Clocks stand behind an @ in a processor's name, and samples have numbers in groups.
_OF_CHIPS: Final = (
    Shape("e-mail", _by(r"[^\s@]+@[^\s@]+\.[a-z]{2,}")),
    _IPV4,
    _IPV6,
    _MAC,
    _UUID,
    _NAMED_SERIAL,
    _LONGER_DIGIT_RUN,
    _HOME_FOLDER,
)

# Letters alone, as all our own words are, hold no shape of the table.
_PLAIN_WORD: Final = re.compile(r"[a-z_]{1,40}\Z")
# Made up by the sender, never stored: nothing in them can be told from chance.
_TOKENS: Final = frozenset({"/unit_token", "/contributor_token"})
_SHAPES_OF_FIELD: Final = {
    "/platform/firmware": _OF_VERSIONS,
    "/platform/driver": _OF_VERSIONS,
    "/platform/microcode": _OF_VERSIONS,
    "/client": _OF_VERSIONS,
    "/chip": _OF_CHIPS,
}


def find_identities(value: Any) -> tuple[Problem, ...]:
    """A problem for each text and field name that holds an identity; never the text itself."""
    texts: list[_Text] = []
    _collect_texts(value, (), texts)
    problems = [problem for text in texts[:MOST_TEXTS] for problem in _problems_of(text)]
    if len(texts) > MOST_TEXTS:
        problems.append(
            Problem(
                "",
                "too_many_texts",
                "The document has more texts than one result needs. Remove some of them.",
            )
        )
    return tuple(problems)


@dataclass(frozen=True, slots=True)
class _Text:
    pointer: str
    """Of the text, or of the object that the text is a field name in."""
    text: str
    is_name: bool


_MAY_HOLD_TEXT: Final = (str, dict, list)


def _collect_texts(value: Any, path: tuple[str | int, ...], texts: list[_Text]) -> None:
    """Add every text of a document that is more than a plain word, until there are too many."""
    if len(texts) > MOST_TEXTS:
        return
    if isinstance(value, dict):
        for name, member in value.items():
            if not _PLAIN_WORD.match(name):
                texts.append(_Text(_pointer_of(path), name[:LONGEST_TEXT], is_name=True))
            if isinstance(member, _MAY_HOLD_TEXT):
                _collect_texts(member, (*path, name), texts)
    elif isinstance(value, list):
        for index, member in enumerate(value):
            if isinstance(member, _MAY_HOLD_TEXT):
                _collect_texts(member, (*path, index), texts)
    elif isinstance(value, str) and not _PLAIN_WORD.match(value):
        pointer = _pointer_of(path)
        if pointer not in _TOKENS:
            # A longer text is refused for its length.
            texts.append(_Text(pointer, value[:LONGEST_TEXT], is_name=False))


def _pointer_of(path: tuple[str | int, ...]) -> str:
    # Made only for what is kept: most of a document is numbers and plain words.
    return reduce(child, path, "")


def _problems_of(told: _Text) -> Iterator[Problem]:
    if told.is_name:
        if is_identity(told.text):
            detail = f"{SENTENCE} It is the name of a field."
            yield Problem(without_identities(told.pointer), CODE, detail)
        return
    for shape in _SHAPES_OF_FIELD.get(told.pointer, SHAPES):
        if shape.is_in(told.text):
            detail = f"{SENTENCE} It has the form of: {shape.name}."
            yield Problem(without_identities(told.pointer), CODE, detail)
            return


def is_identity(text: str, shapes: tuple[Shape, ...] = SHAPES) -> bool:
    """Whether the text holds any of these shapes."""
    return any(shape.is_in(text) for shape in shapes)


def without_personal_data(problems: Iterable[Problem]) -> list[Problem]:
    """The problems, their pointers told without what identifies somebody."""
    return [replace(one, pointer=without_identities(one.pointer)) for one in problems]


def without_identities(pointer: str) -> str:
    """The pointer up to the first field name that is an identity: pointers are shown to people."""
    safe = ""
    for part in pointer.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        # The rest of a name that was cut short may be anything.
        if len(name) >= LONGEST_KEY_SHOWN or (not _PLAIN_WORD.match(name) and is_identity(name)):
            return safe
        safe += f"/{part}"
    return safe
