"""Personal data in a document: where it is and of which form, without repeating it.

Forms are an ordered table. A false alarm costs a sender one correction; a miss would be stored.
Versions and chip names look like addresses, serials and long numbers, so these fields are checked
for fewer forms. Versions also have a pattern and a maximum length, and the text of a chip is
stored only if it names a chip.

The steps of each pattern grow like the text: a search begins only where a run of characters
begins, and a possessive repeat (`*+`, `++`) or an atomic group (`(?>...)`) is never tried again.
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
    """A named form of personal data, and how it is found in a text."""

    name: str
    is_in: Callable[[str], bool]


def _by(pattern: str, flags: re.RegexFlag = re.IGNORECASE) -> Callable[[str], bool]:
    found = re.compile(pattern, flags)
    return lambda text: found.search(text) is not None


_ADDRESS_6: Final = re.compile(r"(?<![0-9A-Fa-f:])[0-9A-Fa-f]*+:[0-9A-Fa-f]*+:[0-9A-Fa-f:.]*+")
_DIGITS: Final = re.compile(r"\d")
# A phone number has groups of digits, or begins with a plus.
_PHONE: Final = re.compile(r"(?<![\w.,])(?:\+|\(?\d)[\d ()./-]{6,}\d(?![\w])")
_PHONE_GROUPS: Final = re.compile(
    r"\+|\(\d{2,5}\)|\d{2,4}[ ./-]\d{3,4}[ ./-]?\d{3,}|(?:\d{2}[ .-]){4}"
)
# A serial number is one run of capitals and digits, with several of each.
_RUN: Final = re.compile(r"(?<![A-Za-z0-9])[A-Za-z0-9]{8,}+")
_LEAST_LETTERS: Final = 2
_LEAST_DIGITS: Final = 3
_LONG_RUN: Final = 16
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
        digits = match.group()
        if len(_DIGITS.findall(digits)) >= _FEWEST_PHONE_DIGITS and _PHONE_GROUPS.search(digits):
            return True
    return False


def _is_serial_in(text: str) -> bool:
    for match in _RUN.finditer(text):
        run = match.group()
        digits = len(_DIGITS.findall(run))
        letters = len(run) - digits
        mixed = letters >= _LEAST_LETTERS and digits >= _LEAST_DIGITS
        if mixed and (run == run.upper() or len(run) >= _LONG_RUN):
            return True
    return False


_HEX_PAIR: Final = "[0-9a-f]{2}"
_OCTET: Final = r"(?:25[0-5]|2[0-4]\d|1?\d?\d)"
_COMMON_ENDS: Final = "com|net|org|info|edu|gov|io|dev|me|eu|de|uk|fr|nl|pl|it|es|ru|jp|cn|ch|at"
_LOCAL_ENDS: Final = "local|lan|home|internal|intranet|corp|localdomain|box|arpa"

_LABEL: Final = "[a-z0-9-]"
_NO_VERSION: Final = r"(?!v\d)[a-z]"


def _first_label(begin: str) -> str:
    """A pattern: of labels joined by dots, the first that begins so at the edge of a run."""
    skipped = rf"(?:{_LABEL}|(?<={_LABEL})\.(?={_LABEL}))*?"
    return rf"(?<!{_LABEL})(?<!{_LABEL}\.)(?>{skipped}\b{begin}){_LABEL}*+"


_E_MAIL: Final = Shape("e-mail", _by(r"[^\s@\"'<>]@[^\s@\"'<>]+\.[a-z]{2}|\w@[a-z]{3}"))
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
        r"\b(?:serial|s/n|sn|service[ _-]?tag|asset[ _-]?tag|imei)\b[ _.:#=-]*+"
        r"(?:(?:no|nr|number)\b[ .:#=-]*+)?[^\W\d]*+\d"
    ),
)
_DIGIT_RUN: Final = Shape("long number", _by(r"\d{8}"))
_LONGER_DIGIT_RUN: Final = Shape("long number", _by(r"\d{10}"))
_HOME_FOLDER: Final = Shape(
    "home folder",
    _by(
        r"/(?:home|users)/[^\s/]|[/\\](?:users|documents and settings)\\++[^\s\\]"
        r"|\b[a-z]:\\++users\\|(?:^|[\s=:])~\w*+/|\\\\\w++\\|/root(?:/|\b)|%userprofile%|\$home\b"
    ),
)
_HOST_NAME: Final = Shape(
    "host name",
    _by(
        r"https?://|\bwww\."
        r"|\b(?:desktop|laptop|win|pc)-[a-z0-9]{6,15}\b(?<!-desktop)(?<!-laptop)"
        rf"|(?<!{_LABEL})(?:(?<!\w)-*+|[a-z0-9]*+-++)[a-z0-9]{_LABEL}*+\.(?:{_LOCAL_ENDS})\b"
        rf"|{_first_label('[a-z]')}(?:\.{_LABEL}++)*\.(?:{_COMMON_ENDS})\b"
        rf"|{_first_label(_NO_VERSION)}(?:\.{_LABEL}++)+\.[a-z]{{2,}}+\b"
        r"|\w(?:['’]s|s)[ _-]?(?:-|_| )(?:pc|laptop|desktop|notebook|macbook|imac|mac|computer"
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
# A processor's name can have a clock behind an @, and samples have numbers in groups.
_OF_CHIPS: Final = (
    Shape("e-mail", _by(r"[^\s@]@[^\s@]+\.[a-z]{2}")),
    _IPV4,
    _IPV6,
    _MAC,
    _UUID,
    _NAMED_SERIAL,
    _LONGER_DIGIT_RUN,
    _HOME_FOLDER,
)

# Lower-case letters alone, as in our field names and values, match no form of the table.
_PLAIN_NAME: Final = re.compile(r"[a-z_]{1,40}\Z")
# Made up by the sender and never stored: random characters can match any form.
_TOKENS: Final = frozenset({"/unit_token", "/contributor_token"})
_SHAPES_OF_FIELD: Final = {
    "/platform/firmware": _OF_VERSIONS,
    "/platform/driver": _OF_VERSIONS,
    "/platform/microcode": _OF_VERSIONS,
    "/client": _OF_VERSIONS,
    "/chip": _OF_CHIPS,
}


def find_personal_data(value: Any) -> tuple[Problem, ...]:
    """A problem for each text and field name with personal data; never the text itself."""
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
    """Of the text, or of the object that has the text as a field name."""
    text: str
    is_name: bool


_MAY_HOLD_TEXT: Final = (str, dict, list)


def _collect_texts(value: Any, path: tuple[str | int, ...], texts: list[_Text]) -> None:
    """Add each text of a document that is not a plain name, until there are too many."""
    if len(texts) > MOST_TEXTS:
        return
    if isinstance(value, dict):
        for name, member in value.items():
            if not _PLAIN_NAME.match(name):
                texts.append(_Text(_pointer_of(path), name[:LONGEST_TEXT], is_name=True))
            if isinstance(member, _MAY_HOLD_TEXT):
                _collect_texts(member, (*path, name), texts)
    elif isinstance(value, list):
        for index, member in enumerate(value):
            if isinstance(member, _MAY_HOLD_TEXT):
                _collect_texts(member, (*path, index), texts)
    elif isinstance(value, str) and not _PLAIN_NAME.match(value):
        pointer = _pointer_of(path)
        if pointer not in _TOKENS:
            # A longer text is refused for its length.
            texts.append(_Text(pointer, value[:LONGEST_TEXT], is_name=False))


def _pointer_of(path: tuple[str | int, ...]) -> str:
    # Made only for collected texts: most of a document is numbers and plain names.
    return reduce(child, path, "")


def _problems_of(text: _Text) -> Iterator[Problem]:
    if text.is_name:
        if is_personal_data(text.text):
            detail = f"{SENTENCE} It is the name of a field."
            yield Problem(safe_pointer(text.pointer), CODE, detail)
        return
    for shape in _SHAPES_OF_FIELD.get(text.pointer, SHAPES):
        if shape.is_in(text.text):
            detail = f"{SENTENCE} It has the form of: {shape.name}."
            yield Problem(safe_pointer(text.pointer), CODE, detail)
            return


def is_personal_data(text: str, shapes: tuple[Shape, ...] = SHAPES) -> bool:
    """Whether the text has any of these forms."""
    return any(shape.is_in(text) for shape in shapes)


def without_personal_data(problems: Iterable[Problem]) -> list[Problem]:
    """The problems, with personal data cut from their pointers."""
    return [replace(one, pointer=safe_pointer(one.pointer)) for one in problems]


def safe_pointer(pointer: str) -> str:
    """The pointer up to the first field name with personal data: people see pointers."""
    safe = ""
    for part in pointer.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        # The name may have been cut, and the rest of it is unknown.
        if len(name) >= LONGEST_KEY_SHOWN or (
            not _PLAIN_NAME.match(name) and is_personal_data(name)
        ):
            return safe
        safe += f"/{part}"
    return safe
