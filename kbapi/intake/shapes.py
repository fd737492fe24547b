"""Fields and patterns that the schemas of request bodies share."""

from typing import Any, Final

from marshmallow import Schema, fields, validate

from kbapi.bounds import LONGEST_VERSION, MOST_MINUTES
from kbapi.wire import Number, OneWordOf, Whole

MONTH: Final = Whole(r"20[0-9]{2}-(?:0[1-9]|1[0-2])", error="Write a month as 2026-09.")
TOKEN: Final = Whole(
    r"[A-Za-z0-9._~-]{16,128}",
    error="A token is 16 to 128 of the characters A-Z a-z 0-9 . _ ~ -. Make it up yourself.",
)
CLIENT: Final = Whole(
    r"[A-Za-z0-9 ._+/-]{1,40}",
    error="The name and version of the script have at most 40 characters, such as "
    "bench-script/0.3.",
)
# Begins with a letter, a digit or a bracket: what begins otherwise is left for our own marks.
VERSION: Final = Whole(
    rf"[A-Za-z0-9(][A-Za-z0-9 ._:+/(),#-]{{0,{LONGEST_VERSION - 1}}}",
    error=f"Write the version as the system prints it, with at most {LONGEST_VERSION} characters.",
)
IN_CONTROL_UNIT: Final = (
    "mV from stock, negative is lower (voltage_offset); whole counts from stock, negative is lower "
    "(count_offset); absolute mV (fixed_clock_voltage)."
)
"""The unit and the sign of every setting on the wire."""
MINUTES: Final = validate.Range(0, MOST_MINUTES)


def told(description: str, example: Any) -> dict[str, Any]:
    """The metadata of a field: what it holds, and one value."""
    return {"description": description, "example": example}


def word(words: tuple[str, ...], description: str, example: str, **kwargs: Any) -> fields.String:
    """A field that holds one word of a closed list; null unless required."""
    kwargs.setdefault("allow_none", not kwargs.get("required", False))
    return fields.String(validate=OneWordOf(words), metadata=told(description, example), **kwargs)


def words(closed: tuple[str, ...], description: str, example: list[str]) -> fields.List[str]:
    """A field that holds some words of a closed list."""
    return fields.List(
        fields.String(validate=OneWordOf(closed)),
        allow_none=True,
        validate=validate.Length(max=len(closed)),
        metadata=told(description, example),
    )


def number(description: str, example: float, **kwargs: Any) -> Number:
    """A field that holds a number; null unless required."""
    kwargs.setdefault("allow_none", not kwargs.get("required", False))
    return Number(metadata=told(description, example), **kwargs)


def text(
    description: str, example: str, pattern: validate.Validator, **kwargs: Any
) -> fields.String:
    """A field that holds a text of a pattern, or null."""
    return fields.String(
        validate=pattern, allow_none=True, metadata=told(description, example), **kwargs
    )


def several(
    schema: type[Schema], most: int, description: str, example: list[Any] | None = None
) -> fields.List[Any]:
    """A field that holds a list of nested values; without an example it shows one of each."""
    return fields.List(
        fields.Nested(schema),
        allow_none=True,
        validate=validate.Length(max=most),
        metadata=told(description, example) if example else {"description": description},
    )


def as_set(data: dict[str, Any], *names: str) -> None:
    """Turn these lists into sorted tuples without repeats, absent and null ones into empty ones."""
    for name in names:
        data[name] = tuple(sorted(set(data.get(name) or ())))


def as_tuple(data: dict[str, Any], *names: str) -> None:
    """Turn these lists into tuples in their order, absent and null ones into empty ones."""
    for name in names:
        data[name] = tuple(data.get(name) or ())
