"""Strict values, near misses and pointers, shared by documents and queries."""

import re
from collections.abc import Iterable, Iterator, Set
from datetime import date
from functools import lru_cache
from itertools import islice
from typing import Any, ClassVar, Final

from marshmallow import Schema, ValidationError, fields, post_load, validate
from rapidfuzz import process
from rapidfuzz.distance import Indel

from kbapi.bounds import (
    LONGEST_MACHINE,
    LONGEST_VERSION,
    MOST_MINUTES,
    MOST_PROBLEMS,
    MOST_UNKNOWN_FIELDS,
)
from kbapi.errors import Problem

LONGEST_KEY_SHOWN: Final = 80
"""A key can have any length, but pointers are shown to people and stay short."""


class Number(fields.Float):
    """A JSON number; a number in quotes, true and false are refused."""

    def _validated(self, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValidationError("Send a number without quotes.")
        return super()._validated(value)


class WholeNumber(fields.Integer):
    """A JSON number without a fraction; a number in quotes, true and false are refused."""

    def _validated(self, value: Any) -> int:
        whole = isinstance(value, int) or (isinstance(value, float) and value.is_integer())
        if isinstance(value, bool) or not whole:
            raise ValidationError("Send a whole number without quotes.")
        return int(value)


_DECIMAL: Final = re.compile(r"-?[0-9]{1,15}(\.[0-9]{1,15})?(e-?[0-9]{1,2})?\Z", re.ASCII)


class ParameterNumber(fields.Float):
    """A decimal number in a query, without underscores, plus signs or digits of other scripts."""

    def _validated(self, value: Any) -> float:
        if not _DECIMAL.match(str(value)):
            raise ValidationError("Send a plain decimal number, such as 0.9.")
        return super()._validated(value)


class ParameterCount(fields.Integer):
    """A whole number in a query, in plain digits."""

    def _validated(self, value: Any) -> int:
        if not str(value).isascii() or not str(value).isdigit():
            raise ValidationError("Send a whole number in plain digits.")
        return int(super()._validated(value))


_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}\Z", re.ASCII)
_DAY_RULE: Final = "Write a day as 2026-09-15."


class ParameterDay(fields.Date):
    """A day in a query, from 2020 to 2099."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> date:
        if not _DAY.match(str(value)):
            raise ValidationError(_DAY_RULE)
        try:
            day = date.fromisoformat(value)
        except ValueError:
            raise ValidationError(_DAY_RULE) from None
        if not 2020 <= day.year <= 2099:
            raise ValidationError("Send a day from 2020 to 2099.")
        return day


class Text(fields.String):
    """A JSON string of 1 to 400 characters."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("validate", validate.Length(1, 400))
        super().__init__(**kwargs)


class Flag(fields.Boolean):
    """A JSON true or false; nothing else is accepted."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> bool:
        if not isinstance(value, bool):
            raise ValidationError("Send true or false without quotes.")
        return value


class ParameterFlag(fields.Boolean):
    """The text `true` or `false` in a query."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> bool:
        if value not in ("true", "false"):
            raise ValidationError("Send true or false.")
        return bool(value == "true")


class Whole(validate.Regexp):
    """A text that matches a pattern as a whole; a line end after it does not match."""

    def __init__(self, pattern: str, error: str) -> None:
        super().__init__(re.compile(f"^(?:{pattern})$"), error=error)

    def __call__(self, value: Any) -> Any:
        """The value, if all of it matches."""
        # $ alone accepts a trailing line end, and OpenAPI has no stricter anchor.
        if str(value).endswith("\n"):
            raise ValidationError(self._format_error(value))
        return super().__call__(value)


class WholeUpTo(Whole):
    """A text of at most so many characters that matches a pattern as a whole."""

    min = 1
    equal = None

    def __init__(self, most: int, pattern: str, error: str) -> None:
        super().__init__(pattern, error)
        self.max = most

    def __call__(self, value: Any) -> Any:
        """The value, if it is short enough and all of it matches."""
        if len(str(value)) > self.max:
            raise ValidationError(f"Send at most {self.max} characters.")
        return super().__call__(value)


class OneChoiceOf(validate.OneOf):
    """A value of a closed list; the message of a near miss suggests the nearest one."""

    def _format_error(self, value: Any) -> str:
        near = find_nearest(str(value), tuple(self.choices))
        hint = f" Did you mean '{near}'?" if near else ""
        return f"Send one of: {', '.join(self.choices)}.{hint}"


class OneNumberOf(validate.Validator):
    """A number of a short list.

    The API document has its minimum and maximum: few client generators accept lists of numbers.
    """

    def __init__(self, numbers: tuple[float, ...]) -> None:
        self.numbers = numbers
        self.min, self.max = min(numbers), max(numbers)

    def __call__(self, value: float) -> float:
        """The value, if it is in the list."""
        if value not in self.numbers:
            raise ValidationError(f"Send one of: {', '.join(map(str, self.numbers))}.")
        return value


class StrictSchema(Schema):
    """A schema that refuses unknown fields and suggests the known field that may be meant."""

    def handle_error(self, error: ValidationError, data: Any, **_: Any) -> None:
        """Replace marshmallow's sentence on unknown fields by a suggestion."""
        if not isinstance(error.messages, dict):
            return
        for name, messages in list(error.messages.items()):
            if messages == ["Unknown field."]:
                error.messages[name] = [did_you_mean(str(name), tuple(self.fields))]


class RecordSchema(StrictSchema):
    """A strict schema that loads a frozen record; a null field gets the record's default."""

    makes: ClassVar[type[Any]]

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Any:
        return self.makes(**{name: value for name, value in data.items() if value is not None})


class Choices(fields.List[str]):
    """Values of a closed list, loaded as a sorted tuple without repeats."""

    def deserialize(self, value: Any, *args: Any, **kwargs: Any) -> Any:
        """The values, after their number was checked with all repeats and before any was read."""
        if isinstance(value, list):
            self._validate(value)
        loaded = super().deserialize(value, *args, **kwargs)
        return tuple(sorted(set(loaded))) if isinstance(loaded, list) else loaded


class Records(fields.List[Any]):
    """Nested records, loaded as a tuple in their order.

    Their number is checked before any is read, and no record is read after the 65th problem.
    """

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        if not isinstance(value, list):
            raise self.make_error("invalid")
        self._validate(value)
        loaded: list[Any] = []
        errors: dict[int, Any] = {}
        problems = 0
        for place, each in enumerate(value):
            try:
                loaded.append(self.inner.deserialize(each, **kwargs))
            except ValidationError as error:
                errors[place] = error.messages
                problems += sum(1 for _ in problems_of(error.messages))
                if problems > MOST_PROBLEMS:
                    break
        if errors:
            raise ValidationError(errors)
        return tuple(loaded)


_LEAST_SIMILAR: Final = 0.6
"""The share of equal letters from which on a name is suggested."""


def find_nearest(name: str, known: tuple[str, ...]) -> str | None:
    """The known name that is most like this one, if any is like it."""
    near = process.extractOne(
        name[:LONGEST_KEY_SHOWN],
        known,
        scorer=Indel.normalized_similarity,
        score_cutoff=_LEAST_SIMILAR,
    )
    return None if near is None else str(near[0])


def did_you_mean(name: str, known: tuple[str, ...]) -> str:
    """A sentence on an unknown name, with the nearest known name."""
    near = find_nearest(name, known)
    if near:
        return f"Unknown field: did you mean '{near}'?"
    return f"Unknown field. Known fields: {', '.join(sorted(known))}."


def child(pointer: str, key: str | int) -> str:
    """The RFC 6901 pointer of a member.

    >>> child("/settings", 0), child("", "a/b")
    ('/settings/0', '/a~1b')
    """
    escaped = str(key)[:LONGEST_KEY_SHOWN].replace("~", "~0").replace("/", "~1")
    return f"{pointer}/{escaped.encode('utf-8', 'replace').decode()}"


def problems_of(messages: Any, pointer: str = "") -> Iterator[Problem]:
    """The problems in marshmallow's nested messages, each with its pointer."""
    if isinstance(messages, dict):
        for name, nested in messages.items():
            place = pointer if name == "_schema" else child(pointer, name)
            yield from problems_of(nested, place)
    else:
        for sentence in messages:
            yield Problem(pointer, _code_of(sentence), _plain(sentence))


def too_many_unknown_fields(schema: Schema, value: Any) -> tuple[Problem, ...]:
    """The first 32 unknown fields and a last problem, if a document has more; otherwise none.

    Objects below an unknown field are not searched.
    """
    # Nearly every document has none, and a check without pointers is cheaper.
    if not _has_unknown(schema, value):
        return ()
    found = first_unknown(_unknown_fields(schema, value, ""))
    return found if len(found) > MOST_UNKNOWN_FIELDS else ()


def first_unknown(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """The first 32 problems, and a last one that says so if there are more."""
    found = tuple(islice(problems, MOST_UNKNOWN_FIELDS + 1))
    if len(found) <= MOST_UNKNOWN_FIELDS:
        return found
    sentence = f"Reading stopped after {MOST_UNKNOWN_FIELDS} unknown fields. Send documented names."
    return (*found[:MOST_UNKNOWN_FIELDS], Problem("", "too_many_unknown_fields", sentence))


def _has_unknown(schema: Schema, value: Any) -> bool:
    if isinstance(value, list):
        return any(_has_unknown(schema, each) for each in value)
    if not isinstance(value, dict):
        return False
    known, nested = _names_of(schema)
    return not value.keys() <= known or any(
        _has_unknown(below, value[name]) for name, below in nested if name in value
    )


@lru_cache(maxsize=128)
def _names_of(schema: Schema) -> tuple[frozenset[str], tuple[tuple[str, Schema], ...]]:
    """The names of the fields, and the schemas of those that hold objects."""
    below = ((name, _schema_of(field)) for name, field in schema.fields.items())
    return frozenset(schema.fields), tuple((name, one) for name, one in below if one)


def _unknown_fields(schema: Schema, value: Any, pointer: str) -> Iterator[Problem]:
    if isinstance(value, list):
        for place, each in enumerate(value):
            yield from _unknown_fields(schema, each, child(pointer, place))
    elif isinstance(value, dict):
        known = schema.fields
        for name, member in value.items():
            if name not in known:
                sentence = did_you_mean(name, tuple(known))
                yield Problem(child(pointer, name), "unknown_field", sentence)
            elif isinstance(member, list | dict) and (nested := _schema_of(known[name])):
                yield from _unknown_fields(nested, member, child(pointer, name))


def _schema_of(field: Any) -> Schema | None:
    """The schema of the objects that a field holds, by itself or in a list."""
    inner = getattr(field, "inner", field)
    return inner.schema if isinstance(inner, fields.Nested) else None


def first_problems(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """The first 64 problems, and a last one that says so if there are more."""
    found = tuple(islice(problems, MOST_PROBLEMS + 1))
    if len(found) <= MOST_PROBLEMS:
        return found
    sentence = f"Reading stopped after {MOST_PROBLEMS} problems. Correct these and send it again."
    return (*found[:MOST_PROBLEMS], Problem("", "more_problems", sentence))


# The library's sentences name types and comparisons; these describe what to send.
_PLAIN: Final = tuple(
    (re.compile(sentence), plain)
    for sentence, plain in (
        (r"Missing data for required field\.", "This field is required."),
        (r"Field may not be null\.", "Do not send null. Leave the field out."),
        (r"Not a valid string\.", "Send a text in quotes."),
        (r"Not a valid list\.", "Send a list."),
        (r"Invalid input type\.", "Send a JSON object."),
        (
            r"Must be greater than or equal to (\S+) and less than or equal to (\S+)\.",
            r"Send a number from \1 to \2.",
        ),
        (r"Length must be between (\d+) and (\d+)\.", r"Send \1 to \2 characters or entries."),
    )
)


def _plain(sentence: str) -> str:
    for pattern, plain in _PLAIN:
        if found := pattern.fullmatch(sentence):
            return found.expand(plain)
    return sentence


def _code_of(sentence: str) -> str:
    if sentence.startswith("Unknown field"):
        return "unknown_field"
    if sentence.startswith(("Missing data", "This field is required")):
        return "required"
    return "invalid"


MONTH: Final = Whole(r"20[0-9]{2}-(?:0[1-9]|1[0-2])", error="Write a month as 2026-09.")
TOKEN: Final = Whole(
    r"[A-Za-z0-9._~-]{16,128}",
    error="A token is 16 to 128 of the characters A-Z a-z 0-9 . _ ~ -. Make it up yourself.",
)
_OF_VERSION: Final = r"A-Za-z ._:;=>@+~&/\\(),#\[\]-"
# A text without a digit may be a name. The first character is no sign: those are our marks.
CLIENT: Final = WholeUpTo(
    LONGEST_VERSION,
    rf"(?:/usr/)?[A-Za-z@][{_OF_VERSION}]*[0-9][0-9{_OF_VERSION}]*",
    error="Write the name of the script and its version, such as bench-script/0.3.",
)
_VERSION_FORM: Final = rf"(?:[A-Za-z(][{_OF_VERSION}]*)?[0-9][0-9{_OF_VERSION}]*"
VERSION: Final = WholeUpTo(
    LONGEST_VERSION,
    _VERSION_FORM,
    error="Write the version as the system prints it. It has at least one digit.",
)
VERSION_FILTER: Final = WholeUpTo(
    LONGEST_VERSION,
    rf"{_VERSION_FORM}|~20[0-9]{{2}}-[0-9]{{2}}",
    error="Send a version as it was sent with results. It has at least one digit.",
)
"""The version of results; `~2026-09` is one that a later report changed in that month."""
MACHINE: Final = WholeUpTo(
    LONGEST_MACHINE,
    r"[A-Za-z0-9][A-Za-z0-9 ._+/(),#&-]*",
    error="Send a machine class, or maker and model, such as harbour-15.",
)
# A free text cannot be distinguished from a name. So a text without a number is a machine only if
# the catalogue has it, if it ends like a model, or if all its words are usual for machines.
_WORD: Final = re.compile(r"[A-Za-z0-9(+&/-][A-Za-z0-9._+/(),#&-]{0,29}")
_MOST_WORDS: Final = 8
USUAL_WORDS: Final = (
    "all-in-one|barebone|board|box|budget|business|compact|computer|convertible|custom|desktop"
    "|embedded|fanless|gaming|generic|handheld|home|industrial|laptop|machine|mainboard|media|micro"
    "|mini|mobile|multimedia|nano|notebook|office|one|pc|self-built|server|slim|small|stick|tablet"
    "|thin|tiny|tower|ultra|ultrabook|ultrathin|work|workstation"
)
"""A pattern: words for kinds of machines, which no person is named by."""
_USUAL: Final = re.compile(USUAL_WORDS)
_END_OF_MODEL: Final = re.compile(
    "air|book|edition|gaming|handheld|lite|max|mini|neo|plus|pro|series|studio|ultra"
)
_PLACEHOLDER: Final = re.compile(
    r"to be filled by o\.?e\.?m\.?|default string|system product name|product name|system version"
    r"|not (?:applicable|available|specified)|n/?a|none|oem|undefined|unknown|invalid"
)
_OF_SENTENCES: Final = re.compile(
    "belongs|for|from|her|his|im|meine?|my|of|our|owner|property|raum|room|user|von|your|zimmer"
)


def find_machine(text: str, classes: Set[str]) -> str | None:
    """The class that a text names, or the text if it has the form of maker and model.

    >>> find_machine("Ferry Handheld", {"ferry-handheld"}), find_machine("Norvane Quay 13", set())
    ('ferry-handheld', 'Norvane Quay 13')
    >>> find_machine("Anna Smith", set())

    A placeholder, which the maker of a board left in its firmware, gives an empty text.
    """
    if _PLACEHOLDER.fullmatch(text.casefold()):
        return ""
    words = text.split(" ")
    key = "-".join(words).casefold()
    if key in classes:
        return key
    is_listed = len(words) <= _MOST_WORDS and all(map(_WORD.fullmatch, words))
    if not is_listed or any(map(_OF_SENTENCES.fullmatch, re.split("[ -]", text.casefold()))):
        return None
    has_number = any(map(str.isdigit, text))
    is_model = len(words) > 1 and _END_OF_MODEL.fullmatch(words[-1].casefold())
    is_usual = all(_USUAL.fullmatch(word.casefold()) for word in words)
    return text if has_number or is_model or is_usual else None


def machine_unknown(pointer: str) -> Problem:
    """The problem of a text that names no machine; it does not repeat the text."""
    return Problem(
        pointer,
        "invalid",
        "Send a machine class of the catalogue, or maker and model with its number, such as "
        "harbour-15.",
    )


IN_CONTROL_UNIT: Final = (
    "mV from stock, negative is lower (voltage_offset); whole counts from stock, negative is lower "
    "(count_offset); absolute mV (fixed_clock_voltage)."
)
"""The unit and the sign of every setting on the wire."""
MINUTES: Final = validate.Range(0, MOST_MINUTES)


def described(description: str, example: Any) -> dict[str, Any]:
    """The metadata of a field: its description and one example value."""
    return {"description": description, "example": example}


def choice(values: tuple[str, ...], description: str, example: str, **kwargs: Any) -> fields.String:
    """A field with one value of a closed list; null is allowed unless the field is required."""
    kwargs.setdefault("allow_none", not kwargs.get("required", False))
    return fields.String(
        validate=OneChoiceOf(values), metadata=described(description, example), **kwargs
    )


def choices(values: tuple[str, ...], description: str, example: list[str]) -> Choices:
    """A field with some values of a closed list, or null."""
    return Choices(
        fields.String(validate=OneChoiceOf(values)),
        allow_none=True,
        validate=validate.Length(max=len(values)),
        metadata=described(description, example),
    )


def number(description: str, example: float, **kwargs: Any) -> Number:
    """A field with a number; null is allowed unless the field is required."""
    kwargs.setdefault("allow_none", not kwargs.get("required", False))
    return Number(metadata=described(description, example), **kwargs)


def text(
    description: str,
    example: str,
    pattern: validate.Validator,
    **kwargs: Any,
) -> fields.String:
    """A field with a text of a pattern, or null."""
    return fields.String(
        validate=pattern, allow_none=True, metadata=described(description, example), **kwargs
    )


def several(
    schema: type[Schema], most: int, description: str, example: list[Any] | None = None
) -> Records:
    """A field with a list of nested records, or null; without an example it shows one of each."""
    return Records(
        fields.Nested(schema),
        allow_none=True,
        validate=validate.Length(max=most),
        metadata=described(description, example) if example else {"description": description},
    )
