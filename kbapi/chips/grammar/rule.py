"""A naming rule: a pattern, and how a match becomes a chip."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from kbapi.chips.chip import ChipName
from kbapi.vocabulary import ChipKind

# Tokens whose spelling is neither capitalised nor all upper case, and abbreviations that look like
# ordinary short tokens.
SPELLING: Final = {
    "3gb": "3GB", "amd": "AMD", "ai": "AI", "apu": "APU", "c": "C", "cmp": "CMP", "d": "D",
    "e": "E", "epyc": "EPYC", "firepro": "FirePro", "fx": "FX", "g": "G", "geforce": "GeForce",
    "ge": "GE", "gh": "GH", "gl": "GL", "gme": "GME", "gpu": "GPU", "gre": "GRE", "gt": "GT",
    "gts": "GTS", "gtx": "GTX", "gx": "GX", "h": "H", "hd": "HD", "he": "HE", "hx": "HX",
    "ii": "II", "kaisheng": "KaiSheng", "kaixian": "KaiXian", "kh": "KH", "kx": "KX", "le": "LE",
    "m": "M", "nvidia": "NVIDIA", "nvs": "NVS", "oem": "OEM", "pro": "PRO", "q": "Q",
    "rtx": "RTX", "rx": "RX", "s": "S", "se": "SE", "sff": "SFF", "super": "SUPER", "uhd": "UHD",
    "v": "V", "via": "VIA", "vii": "VII", "w": "W", "wx": "WX", "x": "X", "xp": "Xp",
    "xt": "XT", "xtx": "XTX", "z": "Z",
}  # fmt: skip

# In print a hyphen joins these to the digit behind them: Core i7-10750H, Xeon E5-2680, W-2145.
_HYPHENATED = re.compile(
    r"(?<= )((?:i|m|x|w)[3579]|E[357]|C86|M(?= \dY)|[EDW](?= [1-9]\d{3})|FX|A\d{1,2}|E[12]|[CEZG]"
    r"|KX|KH|GX|RX(?= \d{3}[A-Z]{2})) (?=[A-Z]?\d)"
)
_SMALL = re.compile(r"(?:[imx][3579]|w[3579]|v\d|\d{1,2}(?:cx|c|th|st|nd|rd))")


def display_name(key: str) -> str:
    """A canonical key as its maker would print it."""
    spelled = " ".join(_spell(token) for token in key.split("-"))
    spelled = spelled.replace("Max Q", "Max-Q").replace("Max Plus", "Max+")
    if spelled.startswith(("Apple", "AMD Radeon", "Intel")):
        spelled = spelled.replace(" PRO", " Pro")
    if " Radeon " in spelled or " GeForce " in spelled or "Ryzen" in spelled:
        return spelled
    return _HYPHENATED.sub(r"\1-", spelled)


def _spell(token: str) -> str:
    if token in SPELLING:
        return SPELLING[token]
    if _SMALL.fullmatch(token):
        return token
    if any(letter.isdigit() for letter in token):
        return token.upper()
    return token.capitalize()


Groups = dict[str, str]
Generation = Callable[[Groups], str]
# Numbers that stand where a number should be: no chip was sold as one of these.
_NO_NUMBER: Final = re.compile(r"0\d*|(?!2222)(\d)\1{3,}|1234\d?")


@dataclass(frozen=True, slots=True)
class Rule:
    """One way in which one maker builds names.

    The pattern has to match all tokens after the maker's name. The templates take its groups:
    `key` gives the tokens of the canonical key, `line` those of the product line, and `series`
    those that follow the line, with `gen` for the generation.
    """

    name: str
    maker: str
    kind: ChipKind
    pattern: re.Pattern[str]
    key: str
    line: str
    series: str
    generation: Generation
    needs_maker: bool
    """Whether the tokens without the maker's name are too common to be recognised."""
    fits: Callable[[Groups], bool]
    """Whether groups that match one by one also belong together."""

    def find_chip(self, tokens: str) -> ChipName | None:
        """The chip that these tokens name by this rule."""
        found = self.pattern.fullmatch(tokens)
        if found is None:
            return None
        groups = {name: value or "" for name, value in found.groupdict().items()}
        if _NO_NUMBER.fullmatch(groups.get("number", "")) or not self.fits(groups):
            return None
        groups["gen"] = self.generation(groups)
        key = _join(self.maker, self.key.format_map(groups))
        line = _join(self.maker, self.line.format_map(groups))
        series = _join(line, self.series.format_map(groups))
        return ChipName(key, display_name(key), self.kind, self.maker, series, line)


# What opens a named group, or asks whether one matched.
_NAME_OF_GROUP: Final = re.compile(r"(\(\?P<|\(\?\()(?=[a-z])")


class RuleList:
    """Rules in their order, joined to one pattern: most names that are tried match no rule."""

    def __init__(self, rules: Iterable[Rule]) -> None:
        self._rules = tuple(rules)
        self._any = re.compile(
            "|".join(f"(?P<rule_{at}>{_numbered(rule, at)})" for at, rule in enumerate(self._rules))
        )

    def find_chip(self, tokens: str) -> ChipName | None:
        """The chip that these tokens name by the first rule that matches all of them."""
        found = self._any.fullmatch(tokens)
        if found is None:
            return None
        # The group of the rule closes last.
        return self._rules[int(str(found.lastgroup).removeprefix("rule_"))].find_chip(tokens)


def _numbered(rule: Rule, at: int) -> str:
    return _NAME_OF_GROUP.sub(rf"\g<1>of_{at}_", rule.pattern.pattern)


def _join(*parts: str) -> str:
    return "-".join(" ".join(parts).split())


def thousands(groups: Groups) -> str:
    """The number with all but its first digit put to zero: 6700 → 6000, 580 → 500."""
    digits = groups["number"]
    return digits[:1] + "0" * (len(digits) - 1)


def first_digit(groups: Groups) -> str:
    """The first character of the number: 5900 → 5."""
    return groups["number"][:1]


def all_but_two(groups: Groups) -> str:
    """The number without its last two digits: 3070 → 30, 1650 → 16, 4820 → 48, 960 → 9."""
    return groups["number"][:-2]


def no_generation(groups: Groups) -> str:
    """Nothing, for names that carry no generation."""
    return ""


def rule(
    name: str,
    maker: str,
    kind: ChipKind,
    pattern: str,
    key: str,
    line: str,
    series: str,
    generation: Generation = no_generation,
    *,
    needs_maker: bool = False,
    fits: Callable[[Groups], bool] = lambda groups: True,
) -> Rule:
    """One row of a naming table, its pattern compiled."""
    compiled = re.compile(pattern)
    return Rule(name, maker, kind, compiled, key, line, series, generation, needs_maker, fits)
