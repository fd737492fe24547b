"""Steps of a backtracking search, counted: `re` reports no number of its own.

`Matcher` follows the parse tree of a pattern as the library does, and counts each attempt to match
a character, an alternative or an assertion. What it finds is compared with what `re` finds, so the
steps are those of the same search. `texts_of` makes hard texts from the pattern itself.
"""

import re
import re._compiler as compiler  # type: ignore[import-not-found]
import re._constants as op  # type: ignore[import-not-found]
import re._parser as parser  # type: ignore[import-not-found]
from collections.abc import Iterator
from functools import cache
from itertools import islice
from random import Random
from typing import Any, Final

_ONE_CHARACTER: Final = (op.LITERAL, op.NOT_LITERAL, op.ANY, op.IN)
_REPEATS: Final = (op.MAX_REPEAT, op.MIN_REPEAT, op.POSSESSIVE_REPEAT)
_MANY: Final = 256
"""A repeat of at least so many is taken as one without an end."""
LONGEST_BODY: Final = 16
_ALPHABET: Final = [*map(chr, range(32, 127)), "é", "’", "\n"]

Text = str | bytes
Span = tuple[int, int]


class Matcher:
    """A pattern that counts its steps."""

    def __init__(self, pattern: "re.Pattern[Any]") -> None:
        self.pattern = pattern
        self.tree = parser.parse(pattern.pattern, pattern.flags)
        self.steps = 0
        self._groups: dict[int, Span | None] = {}
        self._text: Text = ""
        self._alone: dict[int, re.Pattern[Any]] = {}
        self._fits: dict[tuple[int, Any], bool] = {}

    def find_all(self, text: Text) -> list[Span]:
        """The places that `finditer` finds."""
        found: list[Span] = []
        at = 0
        last: Span | None = None
        while at <= len(text):
            span = self._search(text, at, last)
            if span is None:
                break
            found.append(span)
            last, at = span, span[1]
        return found

    def _search(self, text: Text, begin: int, last: Span | None) -> Span | None:
        for at in range(begin, len(text) + 1):
            for end in self._match(text, at):
                # An empty match may follow any match but an empty one at the same place.
                if (at, end) != last or end > at:
                    return at, end
        return None

    def match(self, text: Text) -> Span | None:
        """The place that `match` finds."""
        return next(((0, end) for end in self._match(text, 0)), None)

    def fullmatch(self, text: Text) -> Span | None:
        """The place that `fullmatch` finds."""
        return next(((0, end) for end in self._match(text, 0) if end == len(text)), None)

    def _match(self, text: Text, at: int) -> Iterator[int]:
        self._text, self._groups = text, {}
        self.steps += 1
        return self._sequence(list(self.tree), 0, at)

    def _sequence(self, nodes: list[Any], place: int, at: int) -> Iterator[int]:
        while place < len(nodes) and nodes[place][0] in (*_ONE_CHARACTER, op.AT):
            width = 0 if nodes[place][0] is op.AT else 1
            if not self._fits_at(nodes[place], at, width):
                return
            place, at = place + 1, at + width
        if place == len(nodes):
            yield at
            return
        for end in self._node(nodes[place], at):
            yield from self._sequence(nodes, place + 1, end)

    def _fits_at(self, node: Any, at: int, width: int) -> bool:
        self.steps += 1
        if at + width > len(self._text):
            return False
        alone = self._alone.get(id(node))
        if alone is None:
            alone = compiler.compile(parser.SubPattern(self.tree.state, [node]), self.pattern.flags)
            self._alone[id(node)] = alone
        if width == 0:
            return alone.match(self._text, at) is not None
        known = (id(node), self._text[at])
        if known not in self._fits:
            self._fits[known] = alone.match(self._text[at : at + 1]) is not None
        return self._fits[known]

    def _node(self, node: Any, at: int) -> Iterator[int]:
        kind, about = node
        if kind is op.BRANCH:
            for branch in about[1]:
                self.steps += 1
                yield from self._sequence(list(branch), 0, at)
        elif kind is op.SUBPATTERN:
            group, added, removed, inner = about
            assert not added
            assert not removed
            for end in self._sequence(list(inner), 0, at):
                before = self._groups.get(group)
                self._groups[group] = (at, end)
                yield end
                self._groups[group] = before
        elif kind in _REPEATS:
            yield from self._repeat(kind, about, at)
        elif kind is op.ATOMIC_GROUP:
            yield from islice(self._sequence(list(about), 0, at), 1)
        elif kind in (op.ASSERT, op.ASSERT_NOT):
            if self._holds(about, at) is (kind is op.ASSERT):
                yield at
        elif kind is op.GROUPREF:
            yield from self._again(about, at)
        else:
            assert kind is op.GROUPREF_EXISTS, kind
            group, matched, otherwise = about
            chosen = matched if self._groups.get(group) else otherwise or []
            yield from self._sequence(list(chosen), 0, at)

    def _holds(self, about: Any, at: int) -> bool:
        self.steps += 1
        direction, inner = about
        width = inner.getwidth()[0] if direction < 0 else 0
        if at < width:
            return False
        ends = self._sequence(list(inner), 0, at - width)
        return any(direction > 0 or end == at for end in ends)

    def _again(self, group: int, at: int) -> Iterator[int]:
        self.steps += 1
        span = self._groups.get(group)
        if span is not None:
            sent, end = self._text[slice(*span)], at + span[1] - span[0]
            there = self._text[at:end]
            if sent == there or (
                self.pattern.flags & re.IGNORECASE and sent.lower() == there.lower()
            ):
                yield end

    def _repeat(self, kind: Any, about: Any, at: int) -> Iterator[int]:
        least, most, inner = about
        nodes = list(inner)
        if kind is op.POSSESSIVE_REPEAT:
            yield from self._all_at_once(least, most, nodes, at)
        elif len(nodes) == 1 and nodes[0][0] in _ONE_CHARACTER and kind is op.MAX_REPEAT:
            count = 0
            while count < most and self._fits_at(nodes[0], at + count, 1):
                count += 1
            for taken in range(count, least - 1, -1):
                self.steps += 1
                yield at + taken
        else:
            yield from self._more(kind is op.MAX_REPEAT, about, at, 0)

    def _all_at_once(self, least: int, most: int, nodes: list[Any], at: int) -> Iterator[int]:
        count = 0
        while count < most:
            end = next(self._sequence(nodes, 0, at), None)
            if end is None or (end == at and count >= least):
                break
            at, count = end, count + 1
        if count >= least:
            yield at

    def _more(self, is_greedy: bool, about: Any, at: int, count: int) -> Iterator[int]:
        least, most, inner = about
        if not is_greedy and count >= least:
            yield at
        if count < most:
            for end in self._sequence(list(inner), 0, at):
                if end > at or count < least:
                    yield from self._more(is_greedy, about, end, count + 1)
        if is_greedy and count >= least:
            yield at


def nodes_below(tree: Any) -> Iterator[tuple[Any, list[Any], list[Any]]]:
    """Every node of a parse tree, with the nodes before and after it in its sequence."""
    nodes = list(tree)
    for place, node in enumerate(nodes):
        yield node, nodes[:place], nodes[place + 1 :]
        for inner in _inner_of(node):
            yield from nodes_below(inner)


def _inner_of(node: Any) -> list[Any]:
    kind, about = node
    if kind is op.BRANCH:
        return list(about[1])
    if kind in (*_REPEATS, op.SUBPATTERN):
        return [about[-1]]
    if kind in (op.ASSERT, op.ASSERT_NOT):
        return [about[1]]
    if kind is op.GROUPREF_EXISTS:
        return [branch for branch in about[1:] if branch]
    return [about] if kind is op.ATOMIC_GROUP else []


def is_endless(pattern: "re.Pattern[Any]") -> bool:
    """Whether it has a repeat without an end; otherwise a place takes a bounded number of steps."""
    tree = parser.parse(pattern.pattern, pattern.flags)
    return any(node[0] in _REPEATS and node[1][1] >= _MANY for node, _, _ in nodes_below(tree))


class _Maker:
    """Texts that nodes of a pattern match."""

    def __init__(self, matcher: Matcher, rng: Random) -> None:
        self._matcher, self._rng = matcher, rng

    def text_of(self, nodes: list[Any]) -> str:
        return "".join(map(self._of, nodes))

    def _of(self, node: Any) -> str:
        kind, about = node
        if kind in _ONE_CHARACTER:
            return self._rng.choice(self._characters(node))
        if kind is op.BRANCH:
            return self.text_of(list(self._rng.choice(about[1])))
        if kind in _REPEATS:
            least, most, inner = about
            times = self._rng.randint(least, max(least, min(most, 2)))
            return "".join(self.text_of(list(inner)) for _ in range(times))
        inner = _inner_of(node)
        return self.text_of(list(inner[0])) if inner and kind is not op.ASSERT_NOT else ""

    def _characters(self, node: Any) -> list[str]:
        return _characters_of(self._matcher, _Hashed(node))


class _Hashed:
    """A node as a key: nodes of one tree are told apart by their identity."""

    def __init__(self, node: Any) -> None:
        self.node = node

    def __hash__(self) -> int:
        return id(self.node)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Hashed) and self.node is other.node


@cache
def _characters_of(matcher: Matcher, hashed: _Hashed) -> list[str]:
    is_bytes = isinstance(matcher.pattern.pattern, bytes)
    alphabet = [one for one in _ALPHABET if one.isascii()] if is_bytes else _ALPHABET
    fitting = []
    for one in alphabet:
        matcher._text = one.encode() if is_bytes else one
        if matcher._fits_at(hashed.node, 0, 1):
            fitting.append(one)
    return fitting or ["\x01"]


def texts_of(matcher: Matcher, seed: int = 1, *, many: int = 60) -> Iterator[tuple[str, str, str]]:
    """Hard texts for a pattern: what comes before, what is repeated, and what comes after.

    Repeated is what a repeat of the pattern takes, alone and with its neighbours, and the whole of
    what the pattern matches but its end.
    """
    rng = Random(seed)
    maker = _Maker(matcher, rng)
    whole = list(matcher.tree)
    repeats = [one for one in nodes_below(matcher.tree) if one[0][0] in _REPEATS]
    endless = [one for one in repeats if one[0][1][1] >= _MANY]
    ends = ("", "\x01", " ", "/")
    made: dict[tuple[str, str, str], None] = {}
    for _ in range(20 * many):
        if len(made) >= many:
            break
        node, before, after = rng.choice(endless)
        other = rng.choice(repeats)[0]
        body = maker.text_of(list(node[1][2]))
        bodies = (
            body,
            body + maker.text_of(list(other[1][2])),
            maker.text_of(before) + body,
            body + maker.text_of(after)[:-1],
            maker.text_of(whole)[:-1],
            maker.text_of(before) + body + maker.text_of(after)[:1],
        )
        repeated = rng.choice(bodies)[:LONGEST_BODY]
        lead = maker.text_of(before) if rng.random() < 0.5 else ""
        tail = maker.text_of(after)[:-1] if rng.random() < 0.3 else rng.choice(ends)
        if repeated:
            made[lead, repeated, tail] = None
    return iter(made)
