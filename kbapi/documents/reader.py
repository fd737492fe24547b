"""A body or a query: strict values, personal-data check, shape, plausibility.

Python's JSON reader keeps the last of two equal keys, accepts NaN, turns 1e400 into infinity and
stops at the first fault. Here each fault is a problem with a pointer, and all are listed at once.
"""

import json
import math
import re
from codecs import getincrementaldecoder
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, islice, takewhile
from typing import Any, Final, get_args

from marshmallow import Schema, ValidationError, fields

from kbapi.bounds import (
    DEEPEST_NESTING,
    LARGEST_INTEGER,
    LONGEST_TEXT,
    MOST_ITEMS,
    MOST_PROBLEMS,
    MOST_VALUES,
)
from kbapi.chips.catalogue import Catalogue, ResolvedChip, decide_chip, resolve_chip
from kbapi.chips.chip import ChipIds, ChipName
from kbapi.chips.grammar.cleaning import names_in
from kbapi.documents.personal_data import (
    CODE,
    find_personal_data,
    is_personal_data,
    without_personal_data,
)
from kbapi.documents.readings import Ignored, ignore_readings
from kbapi.documents.refusal_rules import (
    find_absences,
    refuse_absent,
    refuse_absent_in_force,
    refuse_document,
    refuse_in_force,
    refuse_setting,
)
from kbapi.documents.results import (
    ChipIdsSchema,
    Platform,
    SettingSchema,
    SubmissionSchema,
    SubmittedResult,
    SubmittedSetting,
)
from kbapi.documents.shapes import (
    StrictSchema,
    child,
    find_machine,
    first_problems,
    first_unknown,
    machine_unknown,
    problems_of,
    too_many_unknown_fields,
)
from kbapi.errors import DocumentRefused, JsonUnreadable, Problem
from kbapi.time_budget import check_time
from kbapi.vocabulary import Form

JsonValue = Any

# Outside strings, brackets give the nesting before the recursive reader runs.
_STRING: Final = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+(?:"|\\?\Z)', re.DOTALL)
_ALL_BUT_BRACKETS: Final = bytes(set(range(256)) - set(b"[]{}"))
_UNSTORABLE: Final = re.compile(r"[\0\ud800-\udfff]")
_LONGEST_INTEGER_DIGITS: Final = 20
_CONTAINERS: Final = (dict, list)


@dataclass(frozen=True, slots=True)
class JsonReading:
    """A JSON value with the problems of its text."""

    value: JsonValue
    problems: tuple[Problem, ...]
    is_complete: bool = True
    """False if reading stopped before the end; the last problem says why."""


class _Repeated(dict[str, JsonValue]):
    """An object with repeated keys, and their names."""

    repeated: tuple[str, ...] = ()


_SPACE: Final = re.compile(rb"[ \t\r\n]*+")
_WHOLE_STRING: Final = rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"'


def _value_pattern(deepest: int) -> bytes:
    """The pattern of a JSON value with as many levels, as far as brackets and strings show it.

    Its possessive repeats look at each byte once, however the text goes on.
    """
    inside = rb'[^"\[\]{}]++|' + _WHOLE_STRING
    nested = rb"[\[{](?:" + inside + rb")*+[\]}]"
    for _ in range(deepest - 1):
        nested = rb"[\[{](?:" + inside + rb"|" + nested + rb")*+[\]}]"
    return nested + rb"|" + _WHOLE_STRING + rb'|[^\s,\[\]{}"]++'


_VALUE: Final = re.compile(_value_pattern(DEEPEST_NESTING), re.DOTALL)


def find_lines(body: bytes) -> list[slice]:
    """The place of each line of NDJSON that is not blank; one more than a batch has, at most."""
    places: list[slice] = []
    at = _after_space(body, 0)
    while at < len(body) and len(places) <= MOST_ITEMS:
        end = body.find(b"\n", at)
        places.append(slice(at, end if end >= 0 else len(body)))
        at = _after_space(body, places[-1].stop)
    return places


def find_items(body: bytes) -> list[slice]:
    """The place of each item of a JSON array; one more than a batch has, at most.

    Brackets and strings alone decide where an item ends, so that each can be read by itself. The
    rest of its text is not read here.

    Raises
    ------
    JsonUnreadable
        When the text is not an array, with the line and column of its first fault.
    """
    at = _after_space(body, 0)
    if body[at : at + 1] != b"[":
        raise JsonUnreadable(
            "A batch is a JSON array, or NDJSON with one JSON document on each line."
        )
    places: list[slice] = []
    at = _after_space(body, at + 1)
    has_more = body[at : at + 1] != b"]"
    while has_more and len(places) <= MOST_ITEMS:
        item = _VALUE.match(body, at)
        if item is None:
            raise _fault_of_array(body, places)
        places.append(slice(*item.span()))
        at = _after_space(body, item.end())
        has_more = body[at : at + 1] == b","
        at = _after_space(body, at + 1) if has_more else at
    is_ended = body[at : at + 1] == b"]" and _after_space(body, at + 1) == len(body)
    if not has_more and not is_ended:
        raise _fault_of_array(body, places)
    return places


def _after_space(body: bytes, at: int) -> int:
    found = _SPACE.match(body, at)
    return at if found is None else found.end()


def _fault_of_array(body: bytes, places: list[slice]) -> JsonUnreadable:
    """The first fault of the text of an array that has so many items before it."""
    sound = list(takewhile(lambda place: _is_sound_item(body, place), places))
    # A number stands for the sound items, and a fault far behind them is not looked for.
    lead, begin = (b"[0", sound[-1].stop) if sound else (b"", 0)
    text = lead + body[begin : begin + _FAULT_BYTES]
    try:
        _count_values(text, DEEPEST_NESTING + 1)
        known = getincrementaldecoder("utf-8")().decode(text)
        json.loads(known, parse_int=_integer_of)
    except JsonUnreadable as deep:
        return deep
    except UnicodeDecodeError as error:
        byte = begin + error.start - len(lead)
        return JsonUnreadable(f"The body is not UTF-8: byte {byte} is invalid.")
    except json.JSONDecodeError as error:
        if error.pos < len(known) or begin + _FAULT_BYTES >= len(body):
            at = begin + len(known[: error.pos].encode()) - len(lead)
            line, column = _line_and_column(body, at)
            return JsonUnreadable(f"Line {line}, column {column} is not valid JSON: {error.msg}.")
    line, column = _line_and_column(body, begin)
    return JsonUnreadable(f"After line {line}, column {column} an item of the array has no end.")


def _is_sound_item(body: bytes, place: slice) -> bool:
    """Whether an item is JSON text; a large one is taken as sound, and refused alone."""
    if place.stop - place.start > _FAULT_BYTES:
        return True
    try:
        json.loads(body[place].decode(), parse_int=_integer_of)
    except ValueError:
        return False
    return True


def _line_and_column(body: bytes, at: int) -> tuple[int, int]:
    begin = body.rfind(b"\n", 0, at) + 1
    characters = sum(
        len(body[piece : min(piece + _PIECE_BYTES, at)].translate(None, _INNER_BYTES))
        for piece in range(begin, at, _PIECE_BYTES)
    )
    return body.count(b"\n", 0, at) + 1, characters + 1


_FAULT_BYTES: Final = 262_144
_PIECE_BYTES: Final = 65_536
_INNER_BYTES: Final = bytes(range(0x80, 0xC0))
"""The bytes of a UTF-8 character after its first."""


def read_json(body: bytes) -> JsonReading:
    """The value of a JSON text, with its problems: repeated keys, numbers out of range, NUL.

    Raises
    ------
    JsonUnreadable
        When the bytes are not UTF-8, not JSON, or nested deeper than 16.
    """
    if _count_values(body, DEEPEST_NESTING) > MOST_VALUES:
        sentence = f"A document has at most {MOST_VALUES:,} values. Remove some of them."
        return JsonReading(None, (Problem("", "too_many_values", sentence),), is_complete=False)
    reading = _reading_of(_with_chip_name(_value_of(body)))
    check_time("JSON text")
    return reading


def _with_chip_name(value: JsonValue) -> JsonValue:
    """The value; of a whole record in `chip`, only the lines that name chips are kept.

    The rest of the record is long, differs from hour to hour, and may hold personal data.
    """
    text = value.get("chip") if isinstance(value, dict) else None
    if isinstance(text, str) and ("\n" in text or "smpboot" in text):
        value["chip"] = "\n".join(names_in(text))
    return value


def _reading_of(value: JsonValue) -> JsonReading:
    # Nearly every text is sound, and a check without pointers is cheaper.
    found = first_problems(_problems_of(value, "")) if _is_faulty(value) else ()
    return JsonReading(value, found, is_complete=len(found) <= MOST_PROBLEMS)


def _value_of(body: bytes) -> JsonValue:
    try:
        text = body.decode("utf-8")
        if text.startswith("\ufeff"):
            raise json.JSONDecodeError("Unexpected UTF-8 BOM", text, 0)
        return _DECODER.decode(text)
    except UnicodeDecodeError as error:
        raise JsonUnreadable(f"The body is not UTF-8: byte {error.start} is invalid.") from None
    except json.JSONDecodeError as error:
        raise JsonUnreadable(
            f"Line {error.lineno}, column {error.colno} is not valid JSON: {error.msg}."
        ) from None


def _count_values(body: bytes, deepest: int) -> int:
    """At least the number of values and of texts in a JSON text, without building any.

    Raises
    ------
    JsonUnreadable
        When it is nested deeper than this.
    """
    # The count of replacements bounds the memory that they take.
    bare, texts = _STRING.subn(b"", body, MOST_VALUES + 1)
    if texts > MOST_VALUES:
        first_left = next(islice(_STRING.finditer(body), MOST_VALUES, None))
        bare = _STRING.sub(b"", body[: first_left.start()])
    depth = 0
    for mark in bare.translate(None, _ALL_BUT_BRACKETS)[: 2 * MOST_VALUES]:
        depth += 1 if mark in b"[{" else -1
        if depth > deepest:
            raise JsonUnreadable(f"The body has more than {deepest} levels of nesting.")
    return max(texts, sum(map(bare.count, (b",", b"[", b"{"))))


def _object_of(pairs: list[tuple[str, JsonValue]]) -> dict[str, JsonValue]:
    value = dict(pairs)
    if len(value) == len(pairs):
        return value
    times = Counter(key for key, _ in pairs)
    marked = _Repeated(value)
    marked.repeated = tuple(key for key in value if times[key] > 1)
    return marked


def _not_finite(_text: str) -> float:
    return math.nan


def _integer_of(digits: str) -> int | float:
    # Python refuses to read integers of thousands of digits; any that long are out of range here.
    return int(digits) if len(digits) <= _LONGEST_INTEGER_DIGITS else math.inf


# Made once: for each text with hooks, the library would make a decoder of its own.
_DECODER: Final = json.JSONDecoder(
    object_pairs_hook=_object_of, parse_constant=_not_finite, parse_int=_integer_of
)


def _is_faulty(value: JsonValue) -> bool:
    members: Iterable[JsonValue] = (value,)
    if isinstance(value, dict):
        if isinstance(value, _Repeated):
            return True
        members = value.values()
    elif isinstance(value, list):
        members = value
    for member in members:
        # A loop for each container: a call for each number and text would cost twice as much.
        is_container = isinstance(member, _CONTAINERS)
        if _is_faulty(member) if is_container else _scalar_fault(member) is not None:
            return True
    return False


def _problems_of(value: JsonValue, pointer: str) -> Iterator[Problem]:
    members: Iterable[tuple[str | int, JsonValue]] = ()
    if isinstance(value, dict):
        for name in value.repeated if isinstance(value, _Repeated) else ():
            sentence = "The object has this key twice. Send it once."
            yield Problem(child(pointer, name), "repeated_key", sentence)
        members = value.items()
    elif isinstance(value, list):
        members = enumerate(value)
    elif (problem := _scalar_fault(value)) is not None:
        yield Problem(pointer, *problem)
    for key, member in members:
        # A pointer is made only where one is needed: most members are sound scalars.
        if isinstance(member, dict | list) or _scalar_fault(member) is not None:
            yield from _problems_of(member, child(pointer, key))


def _scalar_fault(value: JsonValue) -> tuple[str, str] | None:
    if isinstance(value, str):
        if len(value) > LONGEST_TEXT:
            return "too_long", f"A text has at most {LONGEST_TEXT} characters."
        # Nearly every text is printable, and has neither.
        if not value.isprintable() and _UNSTORABLE.search(value):
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


_MACHINE: Final = "/platform/machine"
_TOKEN_FIELDS: Final = ("unit_token", "contributor_token")
_SUBMISSION: Final = SubmissionSchema()
_SETTING: Final = SettingSchema()
_CHIP_IDS: Final = ChipIdsSchema()


@dataclass(frozen=True, slots=True)
class ReadDocument:
    """A sound document: parsed, and as it was sent without its tokens."""

    result: SubmittedResult
    chip: ChipName
    raw: dict[str, Any]
    chip_conflict: str | None = None
    """A sentence if `chip_ids` contradicts the name of the chip."""
    ignored: tuple[Ignored, ...] = ()
    """Implausible numbers of readings; `raw` has them, `result` does not."""


def read_document(text: JsonReading, this_month: str, catalogue: Catalogue) -> ReadDocument:
    """The document in a JSON value, sound in shape and plausible in every setting.

    Raises
    ------
    DocumentRefused
        With every problem of text, shape and plausibility.
    """
    reading = _read_on(text, _SUBMISSION)
    try:
        result = _SUBMISSION.load(reading.value)
    except ValidationError as error:
        shape = first_problems(problems_of(error.messages))
        raise _refused_for_shape(reading, shape, this_month, catalogue) from None
    check_time("shape")
    chip = decide_chip(
        result.chip,
        "/chip",
        catalogue,
        form=result.platform.form,
        ids=result.chip_ids or ChipIds(),
        is_confirmed=result.chip_confirmed is True,
    )
    check_time("chip name")
    rules = _Rules(this_month, chip, catalogue)
    refusals = list(islice(rules.refuse(result), MOST_PROBLEMS + 1))
    check_time("rules")
    names = _problems_of_names(chip, reading.value, (), catalogue)
    if reading.problems or refusals or names or not isinstance(chip, ResolvedChip):
        raise _refused(reading, chain(names, refusals))
    raw = {key: value for key, value in reading.value.items() if key not in _TOKEN_FIELDS}
    usable, ignored = ignore_readings(result)
    check_time("readings")
    known = replace(
        usable,
        platform=_known_platform(usable.platform, catalogue),
        settings=tuple(_on_chip(one, chip.chip, catalogue) for one in usable.settings),
    )
    return ReadDocument(known, chip.chip, raw, chip.conflict, ignored)


def _refused_for_shape(
    reading: JsonReading, shape: tuple[Problem, ...], this_month: str, catalogue: Catalogue
) -> DocumentRefused:
    """The refusal for problems of shape, and for those of the parts that have a sound one."""
    if len(shape) > MOST_PROBLEMS:
        return _refused(reading, shape)
    check_time("shape")
    chip = _chip_of(reading.value, catalogue)
    check_time("chip name")
    rules = _Rules(this_month, chip, catalogue)
    parts = _refusals_of_sound_parts(reading.value, shape, rules)
    names = _problems_of_names(chip, reading.value, shape, catalogue)
    refused = _refused(reading, chain(shape, names, parts))
    check_time("rules")
    return refused


def _on_chip(setting: SubmittedSetting, chip: ChipName, catalogue: Catalogue) -> SubmittedSetting:
    """The setting, marked if the catalogue lists no such domain or control for the chip."""
    is_foreign = any(find_absences(catalogue, chip, setting.domains, setting.control))
    return replace(setting, is_foreign=True) if is_foreign else setting


def _read_on(text: JsonReading, schema: Schema) -> JsonReading:
    """The JSON value with the problems of its text, personal data included.

    Raises
    ------
    DocumentRefused
        When reading stops here, with the problems that were found and the reason.
    """
    if not text.is_complete:
        raise refusal_of(text.problems)
    if unknown := too_many_unknown_fields(schema, text.value):
        raise refusal_of((*text.problems, *unknown))
    problems = (*find_personal_data(text.value), *text.problems)
    check_time("personal-data check")
    if len(problems) > MOST_PROBLEMS:
        raise refusal_of(first_problems(problems))
    return JsonReading(text.value, problems)


def _chip_of(value: Any, catalogue: Catalogue) -> ResolvedChip | Problem | None:
    """The chip of a document without a sound shape, or its problem; None without a text."""
    text = value.get("chip") if isinstance(value, dict) else None
    if not isinstance(text, str) or not text:
        return None
    is_confirmed = value.get("chip_confirmed") is True
    form, ids = _form_of(value), _ids_of(value)
    return decide_chip(text, "/chip", catalogue, form=form, ids=ids, is_confirmed=is_confirmed)


def _form_of(value: dict[str, Any]) -> Form | None:
    platform = value.get("platform")
    form = platform.get("form") if isinstance(platform, dict) else None
    return next((known for known in get_args(Form) if known == form), None)


def _ids_of(value: dict[str, Any]) -> ChipIds | None:
    """The `chip_ids`, if their shape is sound; otherwise it is a problem of shape."""
    try:
        ids: ChipIds = _CHIP_IDS.load(value.get("chip_ids") or {})
    except ValidationError:
        return None
    return ids


def _problems_of_names(
    chip: ResolvedChip | Problem | None,
    value: Any,
    shape: tuple[Problem, ...],
    catalogue: Catalogue,
) -> tuple[Problem, ...]:
    """The problems of the names of chip and machine, unless they are already problems of shape."""
    platform = value.get("platform") if isinstance(value, dict) else None
    text = platform.get("machine") if isinstance(platform, dict) else None
    problems = (chip,) if isinstance(chip, Problem) else ()
    if not isinstance(text, str) or any(one.pointer == _MACHINE for one in shape):
        return problems
    is_known = find_machine(text, catalogue.machines) is not None
    return problems if is_known else (*problems, machine_unknown(_MACHINE))


def _known_platform(platform: Platform, catalogue: Catalogue) -> Platform:
    """The platform with the key of its machine, where the catalogue has the class."""
    if platform.machine is None:
        return platform
    return replace(platform, machine=find_machine(platform.machine, catalogue.machines) or None)


@dataclass(frozen=True, slots=True)
class _Rules:
    """The rules that refuse a document; those about the chip need a chip that is known."""

    this_month: str
    chip: ResolvedChip | Problem | None
    catalogue: Catalogue

    def refuse(self, result: SubmittedResult) -> Iterator[Problem]:
        """Every problem of the settings, the runs and the document."""
        for index, setting in enumerate(result.settings):
            yield from self.refuse_setting(setting, index)
        yield from refuse_in_force(result)
        if isinstance(self.chip, ResolvedChip):
            yield from refuse_absent_in_force(result, self.chip.chip, self.catalogue)
        yield from refuse_document(result, self.this_month)

    def refuse_setting(self, setting: SubmittedSetting, index: int) -> Iterator[Problem]:
        """Every problem of one setting."""
        pointer = f"/settings/{index}"
        yield from refuse_setting(setting, pointer)
        if isinstance(self.chip, ResolvedChip):
            parts = setting.domain, setting.control, setting.moved_with
            yield from refuse_absent(self.chip.chip, self.catalogue, pointer, *parts)


def _refusals_of_sound_parts(
    value: Any, shape: tuple[Problem, ...], rules: _Rules
) -> Iterator[Problem]:
    """The refusals of the parts with a sound shape, in a document without one."""
    if not isinstance(value, dict):
        return
    unsound = _pointers_above(shape)
    # Of a list with a fault of its own, such as its length, no record was read.
    if "/settings" in unsound and not any(one.pointer == "/settings" for one in shape):
        for index, setting in enumerate(value["settings"]):
            if f"/settings/{index}" not in unsound:
                yield from rules.refuse_setting(_SETTING.load(setting), index)
    sound = {key: part for key, part in value.items() if child("", key) not in unsound}
    yield from rules.refuse(_SUBMISSION.load(sound, partial=True))


def _pointers_above(problems: tuple[Problem, ...]) -> set[str]:
    """The pointers of these problems, and of all that contains their places."""
    parts = (problem.pointer.split("/") for problem in problems)
    return {"/".join(one[:length]) for one in parts for length in range(2, len(one) + 1)}


def _refused(reading: JsonReading, further: Iterable[Problem]) -> DocumentRefused:
    # A value that is not a number also has the wrong shape: only the first problem is listed.
    listed = {problem.pointer for problem in reading.problems if problem.code != CODE}
    rest = (problem for problem in further if problem.pointer not in listed)
    problems = first_problems(chain(reading.problems, rest))
    return DocumentRefused(problems=without_personal_data(problems))


def refusal_of(problems: Iterable[Problem]) -> DocumentRefused:
    """The refusal of a document: each of its first problems once, without personal data."""
    safe = without_personal_data(first_problems(problems))
    return DocumentRefused(problems=tuple(dict.fromkeys(safe)))


def read_body(body: bytes, schema: Schema) -> JsonReading:
    """The JSON value of a question or a follow-up, with the problems of its text.

    Personal data is one of these problems: its pointer is safe to show only in a refusal.

    Raises
    ------
    JsonUnreadable
        When the bytes are not JSON text.
    DocumentRefused
        When reading stops before the shape is read.
    """
    return _read_on(read_json(body), schema)


def chip_of_body(value: Any, catalogue: Catalogue) -> ChipName | Problem | None:
    """The chip that the value names, or its problem; None where the schema reports one."""
    text = value.get("chip") if isinstance(value, dict) else None
    return resolve_chip(text, "/chip", catalogue) if isinstance(text, str) and text else None


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
