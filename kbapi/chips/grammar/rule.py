"""What a naming rule is, and the chip that it makes of the words of a name."""

import re
from collections.abc import Callable
from dataclasses import dataclass

from kbapi.chips.chip import ChipName
from kbapi.chips.grammar.display import display_name
from kbapi.vocabulary import ChipKind

Groups = dict[str, str]
Generation = Callable[[Groups], str]


@dataclass(frozen=True, slots=True)
class Rule:
    """One way in which one maker builds names.

    The pattern has to cover all words after the maker's own name. The templates take its groups:
    `key` gives the words of the canonical key, `line` those of the product line, and `series`
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
    """Whether the words alone are too common to be read without the maker's name."""

    def find_chip(self, words: str) -> ChipName | None:
        """The chip that these words name by this rule."""
        found = self.pattern.fullmatch(words)
        if found is None:
            return None
        groups = {name: value or "" for name, value in found.groupdict().items()}
        groups["gen"] = self.generation(groups)
        key = _join(self.maker, self.key.format_map(groups))
        line = _join(self.maker, self.line.format_map(groups))
        series = _join(line, self.series.format_map(groups))
        return ChipName(key, display_name(key), self.kind, self.maker, series, line)


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
) -> Rule:
    """One row of a naming table, its pattern compiled."""
    compiled = re.compile(pattern)
    return Rule(name, maker, kind, compiled, key, line, series, generation, needs_maker)
