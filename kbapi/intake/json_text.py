"""JSON text in, a value and everything that is wrong with it out: stricter than the standard.

Python's reader keeps the last of two equal keys, reads NaN, turns 1e400 into infinity and stops
at the first fault. Here each of those is a problem with a pointer, all of them at once.
"""

import json
import math
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from kbapi.bounds import DEEPEST_NESTING, LARGEST_INTEGER, LONGEST_TEXT
from kbapi.errors import JsonUnreadable, Problem
from kbapi.wire import child

JsonValue = Any

# Without strings, brackets are enough to know the nesting before the recursive reader sees it.
_STRING: Final = re.compile(rb'"[^"\\]*(?:\\.[^"\\]*)*(?:"|\\?\Z)', re.DOTALL)
_ALL_BUT_BRACKETS: Final = bytes(set(range(256)) - set(b"[]{}"))
_UNSTORABLE: Final = re.compile(r"[\0\ud800-\udfff]")
_LONGEST_INTEGER_DIGITS: Final = 20


@dataclass(frozen=True, slots=True)
class JsonReading:
    """A JSON value with the problems that its text had."""

    value: JsonValue
    problems: tuple[Problem, ...]


class _Repeated(dict[str, JsonValue]):
    """An object whose text used a key twice; keeps which ones."""

    repeated: tuple[str, ...] = ()


def read_json_items(body: bytes) -> list[JsonReading]:
    """The items of a JSON array, each with the problems of its own text.

    Raises
    ------
    JsonUnreadable
        Also when the text is no array.
    """
    value = _value_of(body, DEEPEST_NESTING + 1)
    if not isinstance(value, list):
        raise JsonUnreadable(
            "A batch is a JSON array, or NDJSON with one JSON document on each line."
        )
    return [_reading_of(item) for item in value]


def read_json(body: bytes) -> JsonReading:
    """The value of a JSON text, with its problems: repeated keys, numbers out of range, NUL.

    Raises
    ------
    JsonUnreadable
        When the bytes are not UTF-8, not JSON, or nested deeper than 16.
    """
    return _reading_of(_value_of(body, DEEPEST_NESTING))


def _reading_of(value: JsonValue) -> JsonReading:
    # Nearly every text is sound, and pointers cost more than the look at what they point to.
    return JsonReading(value, tuple(_problems_of(value, "")) if _is_faulty(value) else ())


def _value_of(body: bytes, deepest: int) -> JsonValue:
    _refuse_deep_nesting(body, deepest)
    try:
        return json.loads(
            body.decode("utf-8"),
            object_pairs_hook=_object_of,
            parse_constant=_not_finite,
            parse_int=_integer_of,
        )
    except UnicodeDecodeError as error:
        raise JsonUnreadable(f"The body is not UTF-8: byte {error.start} is invalid.") from None
    except json.JSONDecodeError as error:
        raise JsonUnreadable(
            f"Line {error.lineno}, column {error.colno} is not valid JSON: {error.msg}."
        ) from None


def _refuse_deep_nesting(body: bytes, deepest: int) -> None:
    depth = 0
    for mark in _STRING.sub(b"", body).translate(None, _ALL_BUT_BRACKETS):
        depth += 1 if mark in b"[{" else -1
        if depth > deepest:
            raise JsonUnreadable(f"The body has more than {deepest} levels of nesting.")


def _object_of(pairs: list[tuple[str, JsonValue]]) -> dict[str, JsonValue]:
    value = dict(pairs)
    if len(value) == len(pairs):
        return value
    times = Counter(key for key, _ in pairs)
    marked = _Repeated(value)
    marked.repeated = tuple(key for key in value if times[key] > 1)
    return marked


def _not_finite(_word: str) -> float:
    return math.nan


def _integer_of(digits: str) -> int | float:
    # Python refuses to read integers of thousands of digits; any that long are out of range here.
    return int(digits) if len(digits) <= _LONGEST_INTEGER_DIGITS else math.inf


def _is_faulty(value: JsonValue) -> bool:
    if isinstance(value, dict):
        return isinstance(value, _Repeated) or any(map(_is_faulty, value.values()))
    if isinstance(value, list):
        return any(map(_is_faulty, value))
    return _scalar_fault(value) is not None


def _problems_of(value: JsonValue, pointer: str) -> Iterator[Problem]:
    if isinstance(value, dict):
        if isinstance(value, _Repeated):
            for key in value.repeated:
                yield Problem(
                    child(pointer, key),
                    "repeated_key",
                    "The object has this key twice. Send it once.",
                )
        for key, member in value.items():
            yield from _problems_of(member, child(pointer, key))
    elif isinstance(value, list):
        for index, member in enumerate(value):
            yield from _problems_of(member, child(pointer, index))
    elif (problem := _scalar_fault(value)) is not None:
        yield Problem(pointer, *problem)


def _scalar_fault(value: JsonValue) -> tuple[str, str] | None:
    if isinstance(value, str):
        if len(value) > LONGEST_TEXT:
            return "too_long", f"A text has at most {LONGEST_TEXT} characters."
        if _UNSTORABLE.search(value):
            return "unreadable_text", (
                "The text contains a NUL character or half of a surrogate pair. Remove it."
            )
    elif isinstance(value, float) and not math.isfinite(value):
        return "not_finite", "This is not a finite number. Leave the field out."
    elif isinstance(value, int) and abs(value) > LARGEST_INTEGER:
        return "too_large", (
            "JSON readers do not agree on whole numbers beyond 2^53. Send a smaller number."
        )
    return None
