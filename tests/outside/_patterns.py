"""Every pattern of a package, and texts of any length that it may look at for long."""

import gc
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from random import Random
from types import ModuleType
from typing import Any

_AT_LEAST_ONCE_MORE = 3
"""Repeats that are drawn beyond the fewest."""
_OTHERS = "aZ0 -_.:/@+(é\u0660'"


def patterns_of(package: str) -> list[re.Pattern[str]]:
    """Every text pattern that the loaded modules of this package hold, in tables and closures."""
    modules = [one for name, one in sys.modules.items() if f"{name}.".startswith(f"{package}.")]
    seen: dict[int, Any] = {}
    waiting: list[Any] = [vars(module) for module in modules]
    while waiting:
        one = waiting.pop()
        if id(one) in seen or isinstance(one, ModuleType | str | bytes | int):
            continue
        is_named = isinstance(one, type) or (callable(one) and hasattr(one, "__module__"))
        if is_named and not str(one.__module__).startswith(package):
            continue
        seen[id(one)] = one
        waiting += one.values() if isinstance(one, dict) else gc.get_referents(one)
    found = (one for one in seen.values() if isinstance(one, re.Pattern))
    texts = {(one.pattern, one.flags): one for one in found if isinstance(one.pattern, str)}
    return [texts[key] for key in sorted(texts)]


@dataclass(frozen=True)
class Pumped:
    """A text that can be made of any length: its middle repeated."""

    head: str
    middle: str
    tail: str

    def of_length(self, length: int) -> str:
        """The text, about so long."""
        times = max(1, (length - len(self.head) - len(self.tail)) // len(self.middle))
        return self.head + self.middle * times + self.tail


def pumped(pattern: re.Pattern[str], rng: Random) -> Pumped:
    """A text of pieces that the pattern or its parts match, and of near misses of them."""
    pieces = [_drawn(part, rng) for part in _parts_within(_parsed(pattern))]
    pieces = [piece for piece in pieces if piece] + list(_OTHERS)

    def piece() -> str:
        text = "".join(rng.choices(pieces, k=rng.choice((1, 1, 2))))
        if rng.random() < 0.3:
            place = rng.randrange(len(text))
            text = text[:place] + rng.choice(_OTHERS) + text[place + 1 :]
        return text

    return Pumped(rng.choice(("", piece())), piece(), rng.choice(("", "\n", "!", piece())))


@cache
def _parsed(pattern: re.Pattern[str]) -> Any:
    return re._parser.parse(pattern.pattern, pattern.flags)  # type: ignore[attr-defined]


def _parts_within(parsed: Any) -> Iterator[Any]:
    """A pattern, and each sequence within it."""
    yield parsed
    for _, argument in parsed:
        for inner in _sequences(argument):
            yield from _parts_within(inner)


def _sequences(argument: Any) -> Iterator[Any]:
    if isinstance(argument, re._parser.SubPattern):  # type: ignore[attr-defined]
        yield argument
    elif isinstance(argument, tuple | list):
        for one in argument:
            yield from _sequences(one)


def _drawn(parsed: Any, rng: Random) -> str:
    """A text that this sequence would match, as far as it is without look-around."""
    return "".join(_one(str(name), argument, rng) for name, argument in parsed)


def _one(name: str, argument: Any, rng: Random) -> str:
    if name == "LITERAL":
        return chr(argument)
    if name == "IN":
        return _of_class(argument, rng)
    if name in ("ANY", "NOT_LITERAL"):
        return rng.choice(_OTHERS)
    if name == "BRANCH":
        return _drawn(rng.choice(argument[1]), rng)
    if name.endswith("REPEAT"):
        fewest, most, inner = argument
        times = min(int(most), fewest + rng.randint(0, _AT_LEAST_ONCE_MORE))
        return "".join(_drawn(inner, rng) for _ in range(times))
    if name == "SUBPATTERN":
        return _drawn(argument[3], rng)
    return _drawn(argument, rng) if name == "ATOMIC_GROUP" else ""


def _of_class(members: Any, rng: Random) -> str:
    name, argument = rng.choice(members)
    if str(name) == "LITERAL":
        return chr(argument)
    if str(name) == "RANGE":
        return chr(rng.randint(*argument))
    return rng.choice({"DIGIT": "07", "SPACE": " \t", "WORD": "aZ_5"}.get(str(argument)[9:], "-a"))
