"""Whether a client that was written for one OpenAPI document still works with another.

Requests may only need less, and answers may only contain more: more
fields, not more words in a closed list, because a generated client refuses a word that it does not
know.
`python -m tests.house.breaking_changes` prints what breaks since the last release;
`python -m tests.house.breaking_changes --release` stores the present document as the released one.
"""

import json
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

Shape = Mapping[str, Any]

RELEASED = Path(__file__).parents[2] / "openapi" / "released.json"
METHODS = ("get", "put", "post", "delete", "options", "head", "patch", "trace")
_LEAST = {
    "minimum": float("-inf"),
    "exclusiveMinimum": float("-inf"),
    "minLength": 0,
    "minItems": 0,
    "minProperties": 0,
}
"""Lower bounds, with the value that holds where none is given."""
_MOST = ("maximum", "exclusiveMaximum", "maxLength", "maxItems", "maxProperties")
_EXACT = ("pattern", "format", "multipleOf", "const", "uniqueItems")


def breaking_changes(old: Shape, new: Shape) -> list[str]:
    """Every change that a client of the old document may trip over, each said with its place.

    Removed paths, operations, parameters, statuses, media types and fields of answers; requests
    that must hold more or may hold less than before; answers that may hold another type or another
    word, or that no longer promise a field. What is new and may be left out or ignored breaks
    nothing.
    """
    return list(each_break(old, new))


def each_break(old: Shape, new: Shape) -> Iterator[str]:
    """The same one after the other, for those to whom the first is enough."""
    for path, item in old["paths"].items():
        if path not in new["paths"]:
            yield f"{path} is gone"
            continue
        there = new["paths"][path]
        for method in METHODS:
            if method in item and method not in there:
                yield f"{method.upper()} {path} is gone"
            elif method in item:
                yield from Operation(old, new, f"{method.upper()} {path}").changes(
                    _with_parameters(item, method), _with_parameters(there, method)
                )


def _with_parameters(item: Shape, method: str) -> Shape:
    operation = item[method]
    parameters = [*item.get("parameters", ()), *operation.get("parameters", ())]
    return {**operation, "parameters": parameters}


class Operation:
    """One operation in two documents."""

    def __init__(self, old: Shape, new: Shape, name: str) -> None:
        self.old, self.new, self.name = old, new, name

    def changes(self, was: Shape, is_now: Shape) -> Iterator[str]:
        yield from self._of_parameters(was, is_now)
        yield from self._of_security(was, is_now)
        yield from self._of_body(was.get("requestBody"), is_now.get("requestBody"))
        yield from self._of_answers(was["responses"], is_now["responses"])

    def _of_parameters(self, was: Shape, is_now: Shape) -> Iterator[str]:
        before = {(one["in"], one["name"]): one for one in was["parameters"]}
        now = {(one["in"], one["name"]): one for one in is_now["parameters"]}
        for key, one in before.items():
            place = f"{self.name} {key[0]} parameter {key[1]}"
            if key not in now:
                yield f"{place} is gone"
                continue
            if now[key].get("required") and not one.get("required"):
                yield f"{place} is required now"
            yield from self._narrower(one.get("schema", {}), now[key].get("schema", {}), place)
        for key, one in now.items():
            if key not in before and one.get("required"):
                yield f"{self.name} {key[0]} parameter {key[1]} is new and required"

    def _of_security(self, was: Shape, is_now: Shape) -> Iterator[str]:
        """Every way to authenticate that was accepted must still be accepted."""
        before, now = was.get("security", [{}]) or [{}], is_now.get("security", [{}]) or [{}]
        for way in before:
            if not any(set(other) <= set(way) for other in now):
                yield f"{self.name} no longer lets in with {', '.join(way) or 'nothing'}"

    def _of_body(self, was: Shape | None, is_now: Shape | None) -> Iterator[str]:
        place = f"{self.name} body"
        if is_now is not None and is_now.get("required") and not (was or {}).get("required"):
            yield f"{place} is required now"
        for media, content in (was or {}).get("content", {}).items():
            if media not in (is_now or {}).get("content", {}):
                yield f"{place} is no longer taken as {media}"
            else:
                now = is_now["content"][media]
                yield from self._narrower(content["schema"], now["schema"], place)

    def _of_answers(self, was: Shape, is_now: Shape) -> Iterator[str]:
        for status, answer in was.items():
            place = f"{self.name} answer {status}"
            if status not in is_now:
                # A problem that cannot happen any longer breaks no client.
                if int(status) < 400:
                    yield f"{place} is gone"
                continue
            for media, content in answer.get("content", {}).items():
                now = is_now[status].get("content", {})
                if media not in now:
                    yield f"{place} is no longer answered as {media}"
                else:
                    yield from self._wider(content["schema"], now[media]["schema"], place)
        for status in is_now:
            if status not in was and int(status) < 400:
                yield f"{self.name} answer {status} is new and no problem"

    def _narrower(self, was: Shape, is_now: Shape, place: str) -> Iterator[str]:
        """Where a request that fitted the old shape does not fit the new one."""
        yield from _compared(Side(self.old, was), Side(self.new, is_now), place, _request)

    def _wider(self, was: Shape, is_now: Shape, place: str) -> Iterator[str]:
        """Where an answer of the new shape is none that fitted the old one."""
        yield from _compared(Side(self.old, was), Side(self.new, is_now), place, _answer)


class Side:
    """A shape with the document that it points into."""

    def __init__(self, document: Shape, shape: Shape) -> None:
        self.document = document
        name = shape.get("$ref", "")
        self.name = name
        while "$ref" in shape:
            shape = document["components"]["schemas"][shape["$ref"].rpartition("/")[2]]
        self.shape = shape

    def at(self, shape: Shape) -> "Side":
        return Side(self.document, shape)

    def field(self, name: str) -> "Side":
        return self.at(self.shape["properties"][name])

    @property
    def fields(self) -> Mapping[str, Any]:
        fields: Mapping[str, Any] = self.shape.get("properties", {})
        return fields

    @property
    def types(self) -> set[str]:
        types = self.shape.get("type")
        types = {types} if isinstance(types, str) else set(types or ())
        return types | {"integer"} if "number" in types else types

    @property
    def words(self) -> list[Any] | None:
        """The closed list of the values allowed here, None where it is open."""
        if "const" in self.shape:
            return [self.shape["const"]]
        words: list[Any] | None = self.shape.get("enum")
        return words

    @property
    def choices(self) -> list["Side"]:
        """The shapes of which one must fit; itself where there is no choice."""
        for word in ("anyOf", "oneOf"):
            if word in self.shape:
                return [self.at(one) for one in self.shape[word]]
        return [self]


Rule = Callable[[Side, Side, str], Iterator[str]]


def _compared(was: Side, is_now: Side, place: str, rule: Rule) -> Iterator[str]:
    yield from _walked(was, is_now, place, rule, frozenset())


def _walked(
    was: Side, is_now: Side, place: str, rule: Rule, above: frozenset[tuple[str, str]]
) -> Iterator[str]:
    here = (was.name, is_now.name)
    if was.name and here in above:
        return  # a shape within itself was compared further up
    above = above | {here}
    if len(was.choices) > 1 or len(is_now.choices) > 1:
        yield from _of_choices(was, is_now, place, rule, above)
        return
    was, is_now = was.choices[0], is_now.choices[0]
    yield from rule(was, is_now, place)
    for name in was.fields:
        if name in is_now.fields:
            nested = was.field(name), is_now.field(name)
            yield from _walked(*nested, f"{place} /{name}", rule, above)
    for word in ("items", "additionalProperties"):
        if isinstance(was.shape.get(word), Mapping) and isinstance(is_now.shape.get(word), Mapping):
            nested = was.at(was.shape[word]), is_now.at(is_now.shape[word])
            yield from _walked(*nested, f"{place} /*", rule, above)


def _of_choices(
    was: Side, is_now: Side, place: str, rule: Rule, above: frozenset[tuple[str, str]]
) -> Iterator[str]:
    """Each choice of the side that must be served needs one of the other that serves it."""
    served, serving = (was, is_now) if rule is _request else (is_now, was)
    for one in served.choices:
        found = [
            list(
                _walked(one, other, place, rule, above)
                if rule is _request
                else _walked(other, one, place, rule, above)
            )
            for other in serving.choices
        ]
        if all(found):
            yield from min(found, key=len)


def _request(was: Side, is_now: Side, place: str) -> Iterator[str]:
    """Requirements of the new shape that the old one did not have."""
    for name in set(is_now.shape.get("required", ())) - set(was.shape.get("required", ())):
        yield f"{place} /{name} is required now"
    for name in was.fields:
        if name not in is_now.fields and is_now.shape.get("additionalProperties") is False:
            yield f"{place} /{name} is no longer taken"
    yield from _fewer(was, is_now, place)
    yield from _tighter(was, is_now, place)


def _answer(was: Side, is_now: Side, place: str) -> Iterator[str]:
    """What the old shape promised that the new one does not."""
    for name in was.fields:
        if name not in is_now.fields:
            yield f"{place} /{name} is gone"
        elif name in was.shape.get("required", ()) and name not in is_now.shape.get("required", ()):
            yield f"{place} /{name} is no longer promised"
    types = is_now.types - was.types
    if was.types and (types or not is_now.types):
        yield f"{place} may be {', '.join(sorted(types)) or 'anything'} now"
    if was.words is not None and is_now.words is None:
        yield f"{place} may be a word outside of its list now"
    elif new := [word for word in is_now.words or () if word not in (was.words or (word,))]:
        yield f"{place} may be {', '.join(map(repr, new))} now"


def _fewer(was: Side, is_now: Side, place: str) -> Iterator[str]:
    if is_now.types and not was.types <= is_now.types:
        yield f"{place} {', '.join(sorted(was.types - is_now.types))} is no longer taken"
    elif is_now.types and not was.types and "enum" not in was.shape:
        yield f"{place} must be {', '.join(sorted(is_now.types))} now"
    if "enum" in is_now.shape:
        if "enum" not in was.shape:
            yield f"{place} must be one of a list now"
        for value in was.shape.get("enum", ()):
            if value not in is_now.shape["enum"]:
                yield f"{place} {value!r} is no longer taken"


def _tighter(was: Side, is_now: Side, place: str) -> Iterator[str]:
    for name, default in _LEAST.items():
        if name in is_now.shape and is_now.shape[name] > was.shape.get(name, default):
            yield f"{place} {name} is {is_now.shape[name]} now"
    for word in _MOST:
        if word in is_now.shape and is_now.shape[word] < was.shape.get(word, float("inf")):
            yield f"{place} {word} is {is_now.shape[word]} now"
    for word in _EXACT:
        if word in is_now.shape and is_now.shape[word] != was.shape.get(word):
            yield f"{place} {word} is {is_now.shape[word]!r} now"


if __name__ == "__main__":
    from tests.house.write_openapi import as_text, generated

    if "--release" in sys.argv[1:]:
        RELEASED.write_text(as_text(generated()))
    else:
        print(*breaking_changes(json.loads(RELEASED.read_text()), generated()), sep="\n")
