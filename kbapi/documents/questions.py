"""The parameters of a query: strict values, without personal data in any text or name.

A text with personal data is a problem by itself: its shape is not read, and nothing repeats it.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from marshmallow import ValidationError, fields

from kbapi.bounds import LONGEST_TEXT
from kbapi.documents.personal_data import find_personal_data, is_personal_data
from kbapi.documents.shapes import (
    StrictSchema,
    first_problems,
    first_unknown,
    problems_of,
    too_many_unknown_fields,
)
from kbapi.errors import Problem

# An answer repeats no other text of an address: it may hold personal data.
_PARAMETER_NAME: Final = re.compile(r"[A-Za-z_-]{1,32}")
# Made by this program, or random, and never stored: they can match any form.
_OPAQUE: Final = frozenset({"cursor", "confirm", "submission"})
_LIKE_A_CHIP: Final = frozenset({"chip", "text", "search", "series", "line"})
_OF_PLATFORM: Final = frozenset({"machine", "firmware", "driver", "microcode"})


@dataclass(frozen=True, slots=True)
class Parameters:
    """Query parameters as their schema loads them, with every problem."""

    values: dict[str, Any]
    problems: tuple[Problem, ...]


def read_parameters(schema: StrictSchema, sent: Mapping[str, Sequence[str]]) -> Parameters:
    """The parameters as a schema loads them; `sent` has every value of each parameter."""
    first = {name: values[0] for name, values in sent.items()}
    if unknown := too_many_unknown_fields(schema, first):
        return Parameters({}, tuple(map(_named, unknown)))
    problems = [
        _named(Problem(name, "repeated_parameter", "Send this parameter once."))
        for name, values in sent.items()
        if len(values) > 1
    ]
    personal = {
        name: found
        for name, values in sent.items()
        if name in schema.fields
        and (found := _personal_data_in(schema.fields[name], name, values)) is not None
    }
    problems += personal.values()
    sound = {name: value for name, value in first.items() if name not in personal}
    values: dict[str, Any] = {}
    try:
        values = schema.load(sound, partial=tuple(personal))
    except ValidationError as error:
        problems += [_named(problem) for problem in problems_of(error.messages)]
    return Parameters(values, first_problems(problems))


def unknown_parameters(names: Iterable[str]) -> tuple[Problem, ...]:
    """The problems of a query to an endpoint that takes no parameters."""
    sentence = "This endpoint takes no query parameters."
    found = (Problem(name, "unknown_field", sentence) for name in names)
    return tuple(map(_named, first_unknown(found)))


def _personal_data_in(field: fields.Field[Any], name: str, values: Sequence[str]) -> Problem | None:
    """The problem of the first text of a parameter that has personal data."""
    if name in _OPAQUE or isinstance(field, fields.Number):
        return None
    for value in values:
        if found := find_personal_data(_as_document(name, value[:LONGEST_TEXT])):
            return replace(found[0], pointer=name)
    return None


def _as_document(name: str, value: str) -> dict[str, Any]:
    """The text at the place of a result that has the same rules."""
    if name in _LIKE_A_CHIP:
        return {"chip": value}
    return {"platform": {name: value}} if name in _OF_PLATFORM else {name: value}


def _named(problem: Problem) -> Problem:
    # A query has no nesting: the pointer is the parameter's name.
    detail = problem.detail.replace("nknown field", "nknown parameter")
    name = problem.pointer.removeprefix("/").replace("~1", "/").replace("~0", "~")
    return Problem(_shown(name), problem.code, detail)


def _shown(name: str) -> str:
    return name if _PARAMETER_NAME.fullmatch(name) and not is_personal_data(name) else ""
