"""What a pattern costs, in steps: every pattern of a package, texts drawn from it, and a count.

Python's own matcher does not say how often it tries. The one here tries in the same order and
counts, so that a test of a pattern needs no clock.
"""

import gc
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from importlib import import_module
from random import Random
from types import ModuleType
from typing import Any

_AT_LEAST_ONCE_MORE = 3
"""Repeats that are drawn beyond the fewest."""
_OTHERS = "aZ0 -_.:/@+(é\u0660'"
Next = Callable[[int], bool]
Part = Callable[[int, Next], bool]


class TooManySteps(Exception):
    """The count went beyond the limit."""


class CountedPattern:
    """A pattern that finds what it always finds, and counts the steps of all such patterns."""

    total = 0
    most = 10**7

    def __init__(self, pattern: re.Pattern[str]) -> None:
        self._pattern = pattern
        for name in ("search", "match", "fullmatch", "sub", "finditer", "findall", "split"):
            setattr(self, name, partial(self._call, name))

    def _call(self, name: str, *given: Any, **more: Any) -> Any:
        text = given[1] if name == "sub" else given[0]
        places = range(1) if "match" in name else range(len(text) + 1)
        left = CountedPattern.most - CountedPattern.total
        once = name in ("search", "match", "fullmatch")
        CountedPattern.total += _steps(self._pattern, text, places, left, once=once)
        return getattr(self._pattern, name)(*given, **more)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._pattern, name)


def with_counted_patterns(module: str) -> ModuleType:
    """A second copy of a module and of what it imports, whose patterns count their steps."""
    package = module.partition(".")[0]

    def ours() -> dict[str, ModuleType]:
        return {n: one for n, one in sys.modules.items() if n.partition(".")[0] == package}

    def counted(pattern: str, flags: int = 0) -> Any:
        made = compiled(pattern, flags)
        caller = sys._getframe(1).f_globals["__name__"]
        is_text = caller.partition(".")[0] == package and isinstance(pattern, str)
        return CountedPattern(made) if is_text else made

    compiled, before = re.compile, ours()
    for name in before:
        del sys.modules[name]
    re.compile = counted
    try:
        return import_module(module)
    finally:
        re.compile = compiled
        for name in ours():
            del sys.modules[name]
        sys.modules.update(before)


def patterns_of(package: str) -> list[re.Pattern[str]]:
    """Every text pattern that the loaded modules of this package hold, in tables and closures."""
    modules = [one for name, one in sys.modules.items() if f"{name}.".startswith(f"{package}.")]
    seen: dict[int, Any] = {}
    waiting: list[Any] = [vars(module) for module in modules]
    while waiting:
        one = waiting.pop()
        if id(one) in seen or isinstance(one, ModuleType | str | bytes | int):
            continue
        if isinstance(one, type) or (callable(one) and hasattr(one, "__module__")):
            if not str(one.__module__).startswith(package):
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


@dataclass(frozen=True)
class Counted:
    """How often a search tried a part of the pattern, and what it found, if it came to an end."""

    steps: int
    found: str | None


def counted_search(pattern: re.Pattern[str], text: str, most: int = 10**9) -> Counted:
    """What a backtracking search comes to; after more steps than `most` it is given up."""
    found: list[str] = []
    steps = _steps(pattern, text, range(len(text) + 1), most, once=True, found=found)
    return Counted(steps, found[0] if found else None)


def _steps(
    pattern: re.Pattern[str],
    text: str,
    places: range,
    most: int,
    *,
    once: bool,
    found: list[str] | None = None,
) -> int:
    counting = _Counting(text, pattern.flags, most)
    part = counting.sequence(_parsed(pattern))
    deepest = sys.getrecursionlimit()
    sys.setrecursionlimit(1_000_000)
    free = 0
    try:
        for place in places:
            counting.count()
            if place < free or (end := counting.end_of(part, place)) is None:
                continue
            free = end
            if found is not None:
                found.append(text[place:end])
            if once:
                break
    except TooManySteps:
        pass
    finally:
        sys.setrecursionlimit(deepest)
    return counting.steps


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


class _Counting:
    """The parts of a pattern as functions that try at a place and go on, each try counted."""

    def __init__(self, text: str, flags: int, most: int) -> None:
        self.text, self.flags, self.most, self.steps = text, flags, most, 0
        self.groups: dict[int, tuple[int, int]] = {}

    def count(self) -> None:
        self.steps += 1
        if self.steps > self.most:
            raise TooManySteps

    def sequence(self, parsed: Any) -> Part:
        parts = [self._part(str(name), argument) for name, argument in parsed]

        def tried(place: int, then: Next, first: int = 0) -> bool:
            if first == len(parts):
                return then(place)
            return parts[first](place, lambda end: tried(end, then, first + 1))

        return parts[0] if len(parts) == 1 else tried

    def _part(self, name: str, argument: Any) -> Part:
        if (one := self._character(name, argument)) is not None:
            return self._single(one)
        if name in ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
            return self._repeat(name, *argument)
        if name == "BRANCH":
            branches = [self.sequence(branch) for branch in argument[1]]
            return lambda place, then: any(self._try(one, place, then) for one in branches)
        if name == "SUBPATTERN":
            return self._group(argument[0], self.sequence(argument[3]))
        if name == "ATOMIC_GROUP":
            return self._atomic(self.sequence(argument))
        if name in ("ASSERT", "ASSERT_NOT"):
            return self._look(name == "ASSERT", *argument)
        if name == "GROUPREF":
            return self._again(argument)
        if name == "GROUPREF_EXISTS":
            return self._if_there(*argument)
        return self._at(str(argument))

    def _try(self, part: Part, place: int, then: Next) -> bool:
        self.count()
        return part(place, then)

    def _character(self, name: str, argument: Any) -> Callable[[str], bool] | None:
        written = {"LITERAL": "%s", "NOT_LITERAL": "[^%s]"}.get(name)
        if written is not None:
            pattern = written % re.escape(chr(argument))
        elif name == "IN":
            pattern = f"[{''.join(_written(str(kind), one) for kind, one in argument)}]"
        elif name == "ANY":
            pattern = "."
        else:
            return None
        compiled, known = re.compile(pattern, self.flags & ~re.DEBUG), {}

        def is_one(character: str) -> bool:
            if character not in known:
                known[character] = compiled.fullmatch(character) is not None
            return known[character]

        return is_one

    def _single(self, is_one: Callable[[str], bool]) -> Part:
        def tried(place: int, then: Next) -> bool:
            self.count()
            return place < len(self.text) and is_one(self.text[place]) and then(place + 1)

        return tried

    def _repeat(self, name: str, fewest: int, most: Any, inner: Any) -> Part:
        part, most = self.sequence(inner), int(most)

        def tried(place: int, then: Next, times: int = 0) -> bool:
            self.count()

            def once_more() -> bool:
                return times < most and part(
                    place,
                    lambda end: (end > place or times < fewest) and tried(end, then, times + 1),
                )

            if times < fewest:
                return once_more()
            if name == "MIN_REPEAT":
                return then(place) or once_more()
            return once_more() or then(place)

        return self._atomic(tried) if name == "POSSESSIVE_REPEAT" else tried

    def end_of(self, part: Part, place: int) -> int | None:
        ends: list[int] = []
        return ends[0] if part(place, lambda end: not ends.append(end)) else None

    def _atomic(self, part: Part) -> Part:
        def tried(place: int, then: Next) -> bool:
            end = self.end_of(part, place)
            return end is not None and then(end)

        return tried

    def _group(self, number: int | None, part: Part) -> Part:
        if number is None:
            return part

        def tried(place: int, then: Next) -> bool:
            before = self.groups.get(number)

            def kept(end: int) -> bool:
                self.groups[number] = (place, end)
                return then(end)

            if part(place, kept):
                return True
            self.groups.pop(number, None)
            if before is not None:
                self.groups[number] = before
            return False

        return tried

    def _again(self, number: int) -> Part:
        def tried(place: int, then: Next) -> bool:
            self.count()
            if number not in self.groups:
                return False
            begin, end = self.groups[number]
            same = self.text[begin:end].lower() == self.text[place : place + end - begin].lower()
            return same and then(place + end - begin)

        return tried

    def _if_there(self, number: int, yes: Any, no: Any) -> Part:
        either = self.sequence(yes), self.sequence(no or ())
        return lambda place, then: either[number not in self.groups](place, then)

    def _look(self, wanted: bool, direction: int, inner: Any) -> Part:
        part = self.sequence(inner)
        back = inner.getwidth()[0] if direction < 0 else 0

        def tried(place: int, then: Next) -> bool:
            self.count()
            is_there = place >= back and self.end_of(part, place - back) is not None
            return is_there == wanted and then(place)

        return tried

    def _at(self, name: str) -> Part:
        lines = self.flags & re.MULTILINE
        places = {
            "AT_BEGINNING": "^",
            "AT_BEGINNING_STRING": r"\A",
            "AT_END": "$",
            "AT_END_STRING": r"\Z",
            "AT_BOUNDARY": r"\b",
            "AT_NON_BOUNDARY": r"\B",
        }
        compiled = re.compile(places[name], lines | self.flags & re.ASCII)

        def tried(place: int, then: Next) -> bool:
            self.count()
            return compiled.match(self.text, place) is not None and then(place)

        return tried


def _written(kind: str, one: Any) -> str:
    """A member of a class of characters, as a pattern writes it."""
    if kind == "NEGATE":
        return "^"
    if kind == "LITERAL":
        return re.escape(chr(one))
    if kind == "RANGE":
        return "-".join(re.escape(chr(end)) for end in one)
    letter = {"DIGIT": "d", "SPACE": "s", "WORD": "w"}[str(one).rpartition("_")[2]]
    return "\\" + (letter.upper() if "NOT" in str(one) else letter)
