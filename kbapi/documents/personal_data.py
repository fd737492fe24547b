"""Personal data in a document: where it is and of which form, without repeating it.

Forms are an ordered table. A false alarm costs a sender one correction; a miss would be stored.
Versions and chip names look like addresses, serials and long numbers, so these fields are checked
for fewer forms. Versions also have a pattern and a maximum length, and the text of a chip is
stored only if it names a chip.

The steps of each pattern grow like the text: a search begins only where a run of characters
begins, and a possessive repeat (`*+`, `++`) or an atomic group (`(?>...)`) is never tried again.

Each form has a sign, a short pattern that every text of the form contains in lower case. The signs
of a table are one pattern. Most texts have none of them, and one search shows that they are sound.
"""

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import reduce
from ipaddress import IPv6Address
from typing import Any, Final

from kbapi.bounds import LONGEST_TEXT, MOST_TEXTS
from kbapi.documents.shapes import LONGEST_KEY_SHOWN, USUAL_WORDS, child
from kbapi.errors import Problem
from kbapi.time_budget import check_time

CODE: Final = "personal_data_found"
SENTENCE: Final = (
    "This looks like personal data or a number of a device. It was not stored: leave it out."
)


@dataclass(frozen=True, slots=True)
class Shape:
    """A named form of personal data, its sign, and how it is found in a text."""

    name: str
    sign: str
    """A pattern that is in each text of this form, if that is ASCII, in lower case."""
    is_in: Callable[[str], bool]


def _by(pattern: str, flags: re.RegexFlag = re.IGNORECASE) -> Callable[[str], bool]:
    found = re.compile(pattern, flags)
    return lambda text: found.search(text) is not None


_ADDRESS_6: Final = re.compile(r"(?<![0-9A-Fa-f:])[0-9A-Fa-f]*+:[0-9A-Fa-f]*+:[0-9A-Fa-f:.]*+")
_DIGITS: Final = re.compile(r"\d")
# A phone number has groups of digits, or begins with a plus.
_PHONE: Final = re.compile(r"(?<![\w.,])(?:\+|\(?\d)[\d ()./-]{6,}\d(?![\w])")
_PHONE_GROUPS: Final = re.compile(
    r"\+|\b00[1-9]\d[ /-]|\(\d{2,5}\)|\d{2,4}[ ./-]\d{3,4}[ ./-]?\d{3,}|(?:\d{2}[ .-]){4}"
)
_NAMED_PHONE: Final = re.compile(
    r"\b(?:ph|tel|phone|telephone|fax)\b[ .:#=]{0,3}\+?\(?\d{3}", re.IGNORECASE
)
# Versions have dots and dates, so there a phone number has the groups that people write.
_PHONE_IN_VERSION: Final = re.compile(
    r"(?<!\w)\+ ?\d[\d ()-]{6}|\(0?\d{2,5}\)[ -]?\d{3}"
    r"|(?<![\w.-])(?:\d{1,3}[ -])?\d{2,4}[ /-]\d{3,4}[ -]\d{3,9}+(?![\w.])"
    r"|(?<![\w.-])0\d{2,4}[ /-]\d{6,9}+(?![\w.])"
    r"|(?<![\w.-])00[1-9]\d(?:[ -]\d{1,4}){3}"
    r"|(?<![\w.-])0\d(?:[ .-]\d{2}){4}(?![\w.])|(?<![\w.-])\d{3}\.\d{3}\.\d{4}(?![\w.])"
)
# A serial number is one run of letters and digits, with several of each.
_RUN: Final = re.compile(r"(?<![A-Za-z0-9])[A-Za-z0-9]{7,}+")
_GROUP: Final = re.compile(r"\d+|[A-Za-z]+")
_LEAST_LETTERS: Final = 2
_LEAST_DIGITS: Final = 3
_USUAL_RUN: Final = 8
_LONG_RUN: Final = 16
_MANY_GROUPS: Final = 5
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
    return _NAMED_PHONE.search(text) is not None


def _is_phone_in_version(text: str) -> bool:
    return any(form.search(text) is not None for form in (_PHONE_IN_VERSION, _NAMED_PHONE))


def _is_serial(run: str) -> bool:
    digits = len(_DIGITS.findall(run))
    letters = len(run) - digits
    if letters < _LEAST_LETTERS or digits < _LEAST_DIGITS:
        return False
    groups = len(_GROUP.findall(run))
    if len(run) < _USUAL_RUN:
        return run == run.upper() and groups >= _MANY_GROUPS
    # One name with one number, such as a program and its year, is no serial number.
    is_mixed = groups >= _MANY_GROUPS or (len(run) >= _LONG_RUN and groups > _LEAST_LETTERS)
    return run == run.upper() or is_mixed


def _is_serial_in(text: str) -> bool:
    return any(_is_serial(match.group()) for match in _RUN.finditer(text))


# A type number of a machine: two digits and two letters first, or one number among letters.
_MACHINE_TYPE: Final = re.compile(
    r"[0-9]{2}[A-Z]{2}[0-9A-Z]{0,6}|[0-9]{2}[A-Z]{1,5}[0-9]{1,2}[A-Z]{0,2}"
    r"|[A-Z]{1,5}[0-9]{2,4}[A-Z]{0,4}|[a-z]{1,3}[0-9]{2,4}[a-z]{0,3}"
)
_LONGEST_TYPE: Final = 10
_COUNTRY_OF_TYPE: Final = re.compile(r"#[A-Z0-9]{3}\b")
_MODEL_BEFORE: Final = re.compile(r"[A-Za-z]{2,}")


def _is_serial_in_machine(text: str) -> bool:
    """Whether a serial number is in it; a type number behind the words of a model is none."""
    for match in _RUN.finditer(text):
        run = match.group()
        has_form = _MACHINE_TYPE.fullmatch(run) or _COUNTRY_OF_TYPE.match(text, match.end())
        is_type = len(run) <= _LONGEST_TYPE and has_form is not None
        if _is_serial(run) and not (is_type and _MODEL_BEFORE.search(text[: match.start()])):
            return True
    return False


# Runs of versions that are no serial numbers: numbers in hex, commits, labels, days, and the codes
# of firmware, which a number in brackets or behind a dot follows.
_RUN_OF_VERSION: Final = re.compile(
    r"0x[0-9A-Fa-f]{1,16}|g[0-9a-f]{7,40}|[0-9a-f]{7,11}|[0-9a-f]{40}|20[0-9]{6}T[0-9]{4,6}Z?"
    r"|(?:BIOS|BUILD|DATE|EC|FW|GIT|KB|RELEASE|REL|REV|SVN|UEFI|VERSION|VER)[0-9]{1,8}"
    r"|[A-Za-z]{1,10}20[0-9]{6}|20[0-9]{6}[A-Za-z]{1,10}|[A-Za-z]{5,12}[0-9]{1,4}"
    r"|[A-Z0-9]{2,5}v[0-9A-Z]{1,4}|[A-Z][A-Z0-9]{2}ET[0-9]{2}W[A-Z0-9]?|[A-Z0-9]{4}[0-9]{2}WW"
)
_HEX_RUN: Final = re.compile("(?:cpu|patch|pf|plat|rev|sig|ver)?[0-9A-F]{8}", re.IGNORECASE)
# Numbers in hex, and commits behind their moment or their name.
_HEX: Final = re.compile(
    r"0x[0-9A-Fa-f]{1,16}|20[0-9]{12}-[0-9a-f]{12}\b|\b(?:commit|rev) [0-9a-f]{7,40}\b"
    r"|_amd64_[0-9a-f]{16}\b"
)
_CODE_OF_FIRMWARE: Final = re.compile(r"[A-Z0-9]{8,9}(?= ?\([Vv]?\d|\.\d{1,3}[A-Z]?(?![\w.]))")
_LONG_NUMBER: Final = re.compile(r"\d{8,}+")
_MOMENT: Final = re.compile(
    r"(?:19|20)\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?:\d{2}|(?:[01]\d|2[0-3])[0-5]\d(?:\d\d)?)?"
    r"|(?:[0-3]\d[01]\d|[01]\d[0-3]\d)20\d\d(?:[0-2]\d[0-5]\d)?"
    r"|2\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?:[01]\d|2[0-3])[0-5]\d|000\d+"
)


def _is_serial_in_microcode(text: str) -> bool:
    """Whether a serial number is in it; eight hex digits are the number of a microcode."""
    return any(
        _is_serial(match.group()) and not _HEX_RUN.fullmatch(match.group())
        for match in _RUN.finditer(_HEX.sub("", text))
        if not _RUN_OF_VERSION.fullmatch(match.group())
    )


def _is_serial_in_version(text: str) -> bool:
    text = _HEX.sub("", text)
    for match in _RUN.finditer(text):
        run = match.group()
        if (
            _is_serial(run)
            and not _RUN_OF_VERSION.fullmatch(run)
            and not _CODE_OF_FIRMWARE.match(text, match.start())
        ):
            return True
    return False


def _is_long_number_in_version(text: str) -> bool:
    numbers = _LONG_NUMBER.findall(_HEX.sub("", text))
    return any(not _MOMENT.fullmatch(number) for number in numbers)


_HEX_PAIR: Final = "[0-9a-f]{2}"
_OCTET: Final = r"(?:25[0-5]|2[0-4]\d|1?\d?\d)"
_COMMON_ENDS: Final = "com|net|org|info|edu|gov|io|dev|me|eu|de|uk|fr|nl|pl|it|es|ru|jp|cn|ch|at"
_LOCAL_ENDS: Final = "local|lan|home|internal|intranet|corp|localdomain|box|arpa"
_FOUR_NUMBERS: Final = re.compile(rf"(?<![\w.]){_OCTET}(?:\.{_OCTET}){{3}}(?![\w.]|\.\d)")
_FIRST_OF_NETWORKS: Final = frozenset({10, 127})
_PADDED: Final = re.compile(r"\b0\d")
_LARGEST_MAJOR: Final = 35
_LARGE_PART: Final = 20
_HUGE_PART: Final = 100


def _is_ipv4_in_version(text: str) -> bool:
    """Whether four numbers are more like an address than like a version: most of them are large."""
    for match in _FOUR_NUMBERS.finditer(text):
        parts = [int(part) for part in match.group().split(".")]
        large = sum(part >= _LARGE_PART for part in parts)
        # Drivers of a system whose version is 10 have 10.0 or 10.1, and no address has 07.
        is_driver = parts[0] == 10 and parts[1] < 2 and match.group() == text
        if is_driver or _PADDED.search(match.group()):
            continue
        is_version = parts[1] == 0
        if parts[0] in _FIRST_OF_NETWORKS or parts[0] > _LARGEST_MAJOR:
            return True
        if not is_version and (large > 2 or sum(part >= _HUGE_PART for part in parts) > 1):
            return True
    return False


_SPELLED_AT: Final = re.compile(
    r"[(\[{]a[)\]}]|[\s(\[{<'\"*_-](?:at|ät|arroba)[\s)\]}>'\"*_-]", re.IGNORECASE
)
_SPELLED_DOT: Final = re.compile(
    r"[(\[{]d[)\]}]|[\s(\[{<'\"*_-](?:dot|punkt|point|punto)[\s)\]}>'\"*_-]{1,2}[a-z]",
    re.IGNORECASE,
)
_CAPITAL_AT: Final = re.compile(r"[a-z0-9]AT[a-z]")
_CAPITAL_DOT: Final = re.compile(r"[a-z]DOT[a-z]")
_DOMAIN: Final = re.compile(r"[a-z0-9-]{1,30}\.[a-z]{2}", re.IGNORECASE)
_SPELLED_HALF: Final = re.compile(
    r"[\s(\[{<](?:at|ät)[\s)\]}>]{1,2}[a-z0-9-]++\.[a-z]{2}"
    r"|\w ?@ ?[a-z][a-z0-9-]*+(?: ?\. ?[a-z]{2}|[\s(\[{<_-]{1,2}(?:dot|punkt|point)\b)",
    re.IGNORECASE,
)


def _is_spelled_mail_in(text: str) -> bool:
    at = _SPELLED_AT.search(text)
    if at is not None and (_SPELLED_DOT.search(text, at.end()) or _DOMAIN.match(text, at.end())):
        return True
    if (capital := _CAPITAL_AT.search(text)) and _CAPITAL_DOT.search(text, capital.end()):
        return True
    return _SPELLED_HALF.search(text) is not None


_FIVE_BY_FIVE: Final = re.compile(
    r"(?<![A-Za-z0-9])(?:[A-Za-z0-9]{5}-){4}[A-Za-z0-9]{5}(?![A-Za-z0-9])"
    r"|(?<![A-Za-z0-9])(?:[A-Z0-9]{5}[ _]){4}[A-Z0-9]{5}(?![A-Za-z0-9])"
)
_PARTS_OF_KEY: Final = re.compile(r"(?<![A-Za-z0-9-])[A-Z0-9]{4,6}(?:-[A-Z0-9]{4,6}){2,}+(?![a-z])")


def _is_key_in(text: str) -> bool:
    """Whether it holds groups of letters and digits joined by hyphens, as keys of products are."""
    for match in _FIVE_BY_FIVE.finditer(text):
        if match.group().isupper() or _DIGITS.search(match.group()):
            return True
    for match in _PARTS_OF_KEY.finditer(text):
        parts = match.group().split("-")
        mixed = sum(part.isalnum() and not part.isalpha() and not part.isdigit() for part in parts)
        if len({len(part) for part in parts}) == 1 and mixed > 1:
            return True
    return False


_AT_SIGN: Final = r"@(?<=\S@)\S"
_IPV4_SIGN: Final = r"(?:\.\d{1,3}){3}(?!\d)"
_PHONE_SIGN: Final = (
    r"\+|00[1-9]\d[ /-]|\(\d{2,6}\)|\d{2}[ ./-]\d{3,4}[ ./-]?\d{3}|(?:\d{2}[ .-]){4}"
    r"|(?:ph|tel|phone|fax)[ .:#=]{0,3}\+?\(?\d{3}"
)
# Within seven characters of one run, a digit.
_SERIAL_SIGN: Final = r"[a-z0-9](?=[a-z0-9]{6})(?:(?<=\d)|[a-z]{0,5}\d)"
_LONG_NUMBER_SIGN: Final = r"\d{8}"
_LABEL: Final = "[a-z0-9-]"
_NO_VERSION: Final = r"(?!v\d)[a-z]"


def _first_label(begin: str) -> str:
    """A pattern: of labels joined by dots, the first that begins so at the edge of a run."""
    skipped = rf"(?:{_LABEL}|(?<={_LABEL})\.(?={_LABEL}))*?"
    return rf"(?<!{_LABEL})(?<!{_LABEL}\.)(?>{skipped}\b{begin}){_LABEL}*+"


_E_MAIL: Final = Shape("e-mail", _AT_SIGN, _by(r"[^\s@\"'<>]@[^\s@\"'<>]+\.[a-z]{2}|\w@[a-z]{2}"))
_SPELLED_MAIL: Final = Shape(
    "e-mail",
    r"dot|punkt|point|punto|[(\[{]d[)\]}]|@ ?[a-z]|\.[a-z]",
    _is_spelled_mail_in,
)
_HANDLE: Final = Shape(
    "account name", r"@[a-z_]|#\d", _by(r"(?<!\S)@[a-z_][\w-]*+(?!/)|[a-z_]#\d{4}(?!\d)")
)
_PHONE_NUMBER: Final = Shape("phone", _PHONE_SIGN, _is_phone_in)
_IPV4: Final = Shape("IP address", _IPV4_SIGN, lambda text: _FOUR_NUMBERS.search(text) is not None)
_IPV6: Final = Shape("IP address", r":[0-9a-f]*+:", _is_ipv6_in)
_MAC: Final = Shape(
    "MAC address",
    r"[ :_-](?:[0-9a-f]{2}[ :_-]){3}|\.[0-9a-f]{4}\.",
    _by(
        rf"(?<![0-9a-z]){_HEX_PAIR}(?:([:_-]){_HEX_PAIR})(?:\1{_HEX_PAIR}){{4,6}}(?![0-9a-z])"
        rf"|(?<!\w)(?<!{_HEX_PAIR} ){_HEX_PAIR}(?: {_HEX_PAIR}){{5}}(?!\w)(?! {_HEX_PAIR}\b)"
        r"|(?<!\w)(?![\d.]{14})[0-9a-f]{4}(?:\.[0-9a-f]{4}){2}(?!\w)"
    ),
)
_UUID: Final = Shape(
    "UUID",
    r"-[0-9a-f]{4}-[0-9a-f]{4}-|[0-9a-f]{32}",
    _by(
        r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
        r"|(?<![0-9a-z])[0-9a-f]{32}(?![0-9a-z])"
    ),
)
_GROUPED_DIGITS: Final = re.compile(
    r"(?<![\w.:-])(?!(?:19|20)\d\d[ /-])\d(?:[ /-]?\d){12,18}(?![\w.:])"
)
_CARD_GROUPS: Final = re.compile(
    r"(?<!\d)(?<!\d\.)\d{4}(?:[ .-]\d{4}){3}(?!\d)|(?<!\d)\d{4}[ .-]\d{6}[ .-]\d{5}(?!\d)"
    r"|(?<![\w-])\d{3}-\d{2}-\d{4}(?![\w-])|(?<!\d)\d{2}-\d{6}-\d{6}-\d(?!\d)"
    r"|(?<!\w)[a-z]{2}\d{2}(?:[ -]?[a-z0-9]{4}){2}[ -]?\d{4}",
    re.IGNORECASE,
)


def _has_check_digit(digits: str) -> bool:
    """Whether the last digit checks the others, as in numbers of cards and of phones.

    >>> _has_check_digit("4111111111111111"), _has_check_digit("4111111111111112")
    (True, False)
    """
    doubled = (sum(divmod(2 * int(digit), 10)) for digit in digits[-2::-2])
    return (sum(map(int, digits[-1::-2])) + sum(doubled)) % 10 == 0


def _is_card_in(text: str) -> bool:
    if _CARD_GROUPS.search(text):
        return True
    grouped = ("".join(_DIGITS.findall(one)) for one in _GROUPED_DIGITS.findall(text))
    return any(map(_has_check_digit, grouped))


_CARD: Final = Shape(
    "card number",
    r"\d(?:[ /-]?\d){12}|\d{4}[ .-](?:\d{4}[ .-]|\d{6})|\d{3}-\d{2}-\d|\d{2}-\d{6}-"
    r"|\d{2}[ -]?(?:[a-z0-9]{4}[ -]?){2}\d{4}",
    _is_card_in,
)
_PLACE: Final = Shape(
    "place",
    r"\.\d{4,}+[ns ]{0,2}[,;/ +-]|lat(?:itude)?[=: ]|[ ,][ew] ?\d{1,3} ",
    _by(
        r"(?<![\w.])[+-]?\d{1,3}\.\d{4,}[°NS ]{0,2}"
        r"(?:[,;/ ]{1,2}[+-]?|[+-])\d{1,3}\.\d{4,}(?![\d.])"
        r"|\b(?:lat|latitude)[=: ]{1,2}[+-]?\d{1,2}\."
        r"|\b[ns] ?\d{1,2}[ °]{1,2}\d{1,2}\.\d{1,4}'?[ ,]{1,2}[ew] ?\d{1,3}[ °]"
    ),
)
_PRODUCT_KEY: Final = Shape(
    "product key",
    r"[ _-](?:[a-z0-9]{5}[ _-]){3}|-[a-z0-9]{4,6}-[a-z0-9]{4}",
    _is_key_in,
)
_SERIAL: Final = Shape("serial", _SERIAL_SIGN, _is_serial_in)
_NAMED_SERIAL: Final = Shape(
    "serial",
    r"serial|serien|s/n|sn(?![a-z])|tag|imei|invent",
    _by(
        r"\b(?:serial|serien-?nummer|s/n|sn|service[ _-]?tag|asset[ _-]?tag|imei|inventory"
        r"|inventar-?nummer)\b[ _.:#=-]*+(?:(?:no|nr|number|tag)\b[ .:#=-]*+)?"
        r"(?:[^\W\d]{1,4}-)?[^\W\d]*+\d"
    ),
)
_DIGIT_RUN: Final = Shape("long number", _LONG_NUMBER_SIGN, _by(r"\d{8}"))
_LONGER_DIGIT_RUN: Final = Shape("long number", _LONG_NUMBER_SIGN, _by(r"\d{10}"))
_HOME_FOLDER: Final = Shape(
    "home folder",
    r"[\\~%$]|/home/|/users/|/root",
    _by(
        r"/(?:home|users)/[^\s/]|[/\\](?:users|documents and settings)\\++[^\s\\]"
        r"|\b[a-z]:\\++users\\|(?:^|[\s=:])~\w*+/|\\\\\w++\\|/root(?:/|\b)|%userprofile%|\$home\b"
    ),
)
_TOKEN: Final = Shape(
    "access token",
    r"key[ :=]|token|secret|passw|pwd|bearer",
    _by(r"(?<![a-z])(?:api[ _-]?key|token|secret|passw(?:or)?d|pwd|bearer)\b[ :=]{1,3}\w"),
)
# Folders and devices that every system has.
_SYSTEM_PATH: Final = re.compile(
    r"\b[a-z]:\\(?:windows|program files(?: \(x86\))?)(?:\\[\w.-]+)+"
    r"|\bpci\\ven_[0-9a-f]{4}&dev_[0-9a-f]{4}(?:&(?:subsys|rev)_[0-9a-f]{2,8})*"
    r"|\(\+https?://[a-z0-9.-]+/[\w/.-]*\)",
    re.IGNORECASE,
)
_ACCOUNT_PATH: Final = Shape(
    "account path",
    r"[\\%$]|:/|home/|/(?:media|volumes|run|mnt|var|export)/|appdata",
    _by(
        r"[\w.$-]\\++[\w.$-]|(?<!\w)[a-z]:[/\\]|\w://|(?<!\w)home/\w|(?<![\w.])/(?:media|volumes|run/user|mnt|var|export)/\w"
        r"|\bappdata\b|%(?:appdata|localappdata|username|homepath|computername)%|\$(?:user|logname)\b"
    ),
)
_KINDS_OF_HOST: Final = (
    "pc|laptop|desktop|notebook|macbook|imac|mbp|mac|computer|workstation|rig|nas|server|tablet"
)
_HOST_NAME: Final = Shape(
    "host name",
    r"://|www\.|(?:desktop|laptop|win|pc)-|\.[a-z]"
    r"|s[ _-]{1,2}(?:pc|laptop|desktop|notebook|macbook|imac|mac|computer|workstation|rig)",
    _by(
        r"https?://|\bwww\."
        r"|\b(?:desktop|laptop|win|pc)-[a-z0-9]{6,15}\b(?<!-desktop)(?<!-laptop)"
        rf"|(?<!{_LABEL})(?:(?<!\w)-*+|[a-z0-9]*+-++)[a-z0-9]{_LABEL}*+\.(?:{_LOCAL_ENDS})(?![\w-])"
        rf"|{_first_label('[a-z]')}(?:\.{_LABEL}++)*\.(?:{_COMMON_ENDS})\b"
        rf"|{_first_label(_NO_VERSION)}(?:\.{_LABEL}++)+\.[a-z]{{2,}}+(?![\w-])"
        r"|\w(?:['’]s|(?<!busines)s)[ _-]?(?:-|_| )(?:pc|laptop|desktop|notebook|macbook|imac|mac"
        r"|computer|workstation|rig)\b"
    ),
)
_MADE_HOST_NAME: Final = Shape(
    "host name",
    rf"[_-](?:{_KINDS_OF_HOST})|-(?:of|von)-|(?:pc|laptop|notebook|nas|srv|server|imac|mbp)-"
    r"|-system-|-virtual-machine|-standard-pc|localhost|minint-|ec2amaz-|ip-\d|macbook-"
    r"| (?:of|von|van|for|de|di) |'s",
    _by(
        # The name of a person or a place before, or after, the kind of machine.
        rf"(?<![\w-])(?!(?:{USUAL_WORDS})[-_])[a-z][a-z0-9]*+[-_](?:{_KINDS_OF_HOST})(?:-?\d+)?"
        rf"(?![\w.-])|-s-(?:{_KINDS_OF_HOST})\b|\w-(?:of|von)-[a-z]"
        r"|(?<![\w-])(?:pc|laptop|notebook|nas|srv|server|imac|mbp)-(?!class\b|grade\b)[a-z]{3,15}"
        r"\d{0,3}(?![\w-])"
        # What installers make up.
        r"|-(?:system-product-name|virtual-machine|standard-pc|system-version)\b|\blocalhost\b"
        r"|\b(?:minint|ec2amaz)-[a-z0-9]{6,8}\b"
        r"|(?<![\w-])ip-\d+-\d+-\d+-\d+|\bmacbook-(?:pro|air)-"
        rf"|\b(?:{_KINDS_OF_HOST}) (?:of|von|van|für|for|de|di) [a-z]"
        r"|\w['’]s\b"
    ),
)

_OFFICE_HOST_NAME: Final = Shape(
    "host name",
    r"-(?:dt|lt|nb|ws)",
    _by(
        r"(?<![\w-])[A-Z]{3,15}(?:-[A-Z]{2,15}){0,3}-(?:DT|LT|NB|WS)\d{0,4}(?![\w-])",
        re.NOFLAG,
    ),
)

_IDENTITIES: Final = (
    _E_MAIL,
    _SPELLED_MAIL,
    _HANDLE,
    _IPV6,
    _MAC,
    _UUID,
    _CARD,
    _PRODUCT_KEY,
    _PLACE,
    _NAMED_SERIAL,
    _TOKEN,
    _HOME_FOLDER,
    _ACCOUNT_PATH,
    _HOST_NAME,
    _MADE_HOST_NAME,
    _OFFICE_HOST_NAME,
)
"""Forms that no honest value of any field has."""


class _Table:
    """The forms that the texts of a field are searched for, the first one first."""

    def __init__(self, *shapes: Shape, has_paths: bool = False) -> None:
        self.shapes = shapes
        self._has_paths = has_paths
        self._sign = re.compile("|".join(dict.fromkeys(shape.sign for shape in shapes)))

    def find(self, text: str) -> Shape | None:
        """The first of these forms that a text has."""
        plain = self.without_paths(_in_plain_characters(text))
        # Nearly every text is sound, and one search is cheaper than one for each form.
        if plain.isascii() and not self._sign.search(plain.lower()):
            return None
        return next((shape for shape in self.shapes if shape.is_in(plain)), None)

    def without_paths(self, plain: str) -> str:
        """The text without folders and devices that every system has, in a field with versions."""
        return _SYSTEM_PATH.sub(" ", plain) if self._has_paths else plain


_OF_ANY: Final = _Table(*_IDENTITIES, _IPV4, _PHONE_NUMBER, _SERIAL, _DIGIT_RUN)
_OF_MACHINES: Final = _Table(
    *_IDENTITIES,
    _IPV4,
    _PHONE_NUMBER,
    Shape("serial", _SERIAL_SIGN, _is_serial_in_machine),
    _DIGIT_RUN,
)
# Dates, builds and commits are long numbers, and drivers have four numbers as addresses have.
_OF_VERSIONS: Final = _Table(
    *_IDENTITIES,
    Shape("IP address", _IPV4_SIGN, _is_ipv4_in_version),
    Shape("phone", _PHONE_SIGN, _is_phone_in_version),
    Shape("serial", _SERIAL_SIGN, _is_serial_in_version),
    Shape("long number", _LONG_NUMBER_SIGN, _is_long_number_in_version),
    has_paths=True,
)
_OF_MICROCODE: Final = _Table(
    *(
        replace(shape, is_in=_is_serial_in_microcode)
        if shape.name == "serial" and shape is not _NAMED_SERIAL
        else shape
        for shape in _OF_VERSIONS.shapes
    ),
    has_paths=True,
)
# A processor's name can have a clock behind an @, and samples have numbers in groups.
_OF_CHIPS: Final = _Table(
    Shape("e-mail", _AT_SIGN, _by(r"[^\s@]@[^\s@]+\.[a-z]{2}")),
    _SPELLED_MAIL,
    _IPV4,
    _IPV6,
    _MAC,
    _UUID,
    _CARD,
    _PRODUCT_KEY,
    _NAMED_SERIAL,
    _LONGER_DIGIT_RUN,
    _HOME_FOLDER,
    _ACCOUNT_PATH,
)

_DASHES: Final = dict.fromkeys(map(ord, "‐‑‒–—―−"), "-")
# Lower-case letters alone, as in our field names and values, match no form of the table.
_LIKE_A_NAME: Final = re.compile(rf"[A-Za-z0-9_/~-]{{0,{LONGEST_KEY_SHOWN - 1}}}")
_PLAIN_NAME: Final = re.compile(r"[a-z_]{1,40}\Z")
_Path = tuple[str | int, ...]
"""The names and places that lead into a document."""

# Made up by the sender and never stored: random characters can match any form.
_TOKENS: Final[frozenset[_Path]] = frozenset({("unit_token",), ("contributor_token",)})
_TABLE_OF_FIELD: Final[dict[_Path, _Table]] = {
    ("platform", "firmware"): _OF_VERSIONS,
    ("platform", "driver"): _OF_VERSIONS,
    ("platform", "microcode"): _OF_MICROCODE,
    ("platform", "machine"): _OF_MACHINES,
    ("client",): _OF_VERSIONS,
    ("chip",): _OF_CHIPS,
}


_TEXTS_IN_A_STEP: Final = 8


def find_personal_data(value: Any) -> tuple[Problem, ...]:
    """A problem for each text and field name with personal data; never the text itself."""
    texts: list[_Text] = []
    _collect_texts(value, (), texts)
    problems: list[Problem] = []
    for number, text in enumerate(texts[:MOST_TEXTS], start=1):
        problems += _problems_of(text)
        if number % _TEXTS_IN_A_STEP == 0:
            check_time("personal-data check")
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
    path: _Path
    """To the text, or to the object that has the text as a field name."""
    text: str
    is_name: bool


_CONTAINERS: Final = (dict, list)


def _collect_texts(value: Any, path: _Path, texts: list[_Text]) -> None:
    """Add each text of a document that is not a plain name, until there are too many."""
    if isinstance(value, str):
        if not _PLAIN_NAME.match(value) and path not in _TOKENS:
            # A longer text is refused for its length.
            texts.append(_Text(path, value[:LONGEST_TEXT], is_name=False))
        return
    is_object = isinstance(value, dict)
    if not is_object and not isinstance(value, list):
        return
    members: Iterable[tuple[Any, Any]] = value.items() if is_object else enumerate(value)
    for name, member in members:
        if is_object and not _PLAIN_NAME.match(name):
            texts.append(_Text(path, name[:LONGEST_TEXT], is_name=True))
        # Most members are numbers and plain names.
        is_text = isinstance(member, str)
        if not _PLAIN_NAME.match(member) if is_text else isinstance(member, _CONTAINERS):
            _collect_texts(member, (*path, name), texts)
        if len(texts) > MOST_TEXTS:
            return


def _problems_of(text: _Text) -> Iterator[Problem]:
    table = _OF_ANY if text.is_name else _TABLE_OF_FIELD.get(text.path, _OF_ANY)
    shape = table.find(text.text)
    if shape is not None:
        what = "is the name of a field" if text.is_name else f"has the form of: {shape.name}"
        # Made only here: nearly every text is sound.
        pointer = safe_pointer(reduce(child, text.path, ""))
        yield Problem(pointer, CODE, f"{SENTENCE} It {what}.")


def is_personal_data(text: str) -> bool:
    """Whether the text has any form of personal data."""
    return _OF_ANY.find(text) is not None


def _in_plain_characters(text: str) -> str:
    """The text with wide digits and letters, and all dashes, as the forms know them."""
    return text if text.isascii() else unicodedata.normalize("NFKC", text).translate(_DASHES)


def without_personal_data(problems: Iterable[Problem]) -> list[Problem]:
    """The problems, with personal data cut from their pointers."""
    return [replace(one, pointer=safe_pointer(one.pointer)) for one in problems]


def safe_pointer(pointer: str) -> str:
    """The pointer up to the first field name with personal data: people see pointers."""
    safe = ""
    for part in pointer.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        # A name that was cut, or does not look like one, may hold anything.
        if not _PLAIN_NAME.match(name) and (
            not _LIKE_A_NAME.fullmatch(name) or is_personal_data(name)
        ):
            return safe
        safe += f"/{part}"
    return safe
