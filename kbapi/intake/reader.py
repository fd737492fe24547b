"""A JSON value in, a checked result out, or every problem of the document at once."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final, get_args

from marshmallow import ValidationError

from kbapi.bounds import MOST_SETTINGS
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipIds, ChipName
from kbapi.chips.resolve import ResolvedChip, decide_chip
from kbapi.errors import DocumentRefused, Problem
from kbapi.intake.documents import SubmittedResult, SubmittedSetting
from kbapi.intake.json_text import JsonReading
from kbapi.intake.platform_schema import ChipIdsSchema
from kbapi.intake.readings import Ignored, ignore_readings
from kbapi.intake.refusals import refuse_document, refuse_in_force, refuse_setting
from kbapi.intake.schema import SettingSchema, SubmissionSchema
from kbapi.intake.scrubber import CODE, find_identities, told_safely
from kbapi.vocabulary import Form
from kbapi.wire import child, problems_of

_MOST_PROBLEMS_TOLD: Final = 100
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
    """A sentence when the numbers beside the chip's name contradict it."""
    ignored: tuple[Ignored, ...] = ()
    """Numbers of readings that cannot be right; `result` is without them, `raw` is not."""


def read_document(text: JsonReading, this_month: str, catalogue: Catalogue) -> ReadDocument:
    """The document that a JSON value holds, sound in shape and plausible in every setting.

    Raises
    ------
    DocumentRefused
        With every problem of text, shape and plausibility.
    """
    reading = _with_identities(text)
    chip = _chip_of(reading.value, catalogue)
    try:
        result = _SUBMISSION.load(reading.value)
    except ValidationError as error:
        shape = tuple(problems_of(error.messages))
        parts = tuple(_refusals_of_sound_parts(reading.value, shape, this_month))
        raise _refused(reading, (*shape, *_only_problem(chip), *parts)) from None
    refused = tuple(_refusals_of(result, this_month))
    if reading.problems or refused or not isinstance(chip, ResolvedChip):
        raise _refused(reading, (*_only_problem(chip), *refused))
    raw = {key: value for key, value in reading.value.items() if key not in _TOKEN_FIELDS}
    usable, ignored = ignore_readings(result)
    known = replace(
        usable, settings=tuple(_on_chip(one, chip.chip, catalogue) for one in usable.settings)
    )
    return ReadDocument(known, chip.chip, raw, chip.conflict, ignored)


def _on_chip(setting: SubmittedSetting, chip: ChipName, catalogue: Catalogue) -> SubmittedSetting:
    """The setting, marked if the catalogue describes the chip without such a rail or control."""
    if catalogue.find(chip.key) is None:
        return setting
    has_rails = set(setting.domains) <= set(catalogue.domains_for(chip))
    has_control = setting.control in catalogue.controls_for(chip)
    return setting if has_rails and has_control else replace(setting, is_foreign=True)


def _with_identities(reading: JsonReading) -> JsonReading:
    """The JSON value with the problems of its text, identities among them."""
    return JsonReading(reading.value, (*find_identities(reading.value), *reading.problems))


def _chip_of(value: Any, catalogue: Catalogue) -> ResolvedChip | Problem | None:
    """The chip or its problem; None where there is no text to read, which the shape tells."""
    text = value.get("chip") if isinstance(value, dict) else None
    if not isinstance(text, str) or not text:
        return None
    return decide_chip(text, "/chip", catalogue, form=_form_of(value), ids=_ids_of(value))


def _form_of(value: dict[str, Any]) -> Form | None:
    platform = value.get("platform")
    form = platform.get("form") if isinstance(platform, dict) else None
    return next((known for known in get_args(Form) if known == form), None)


def _ids_of(value: dict[str, Any]) -> ChipIds | None:
    """The numbers beside the name, if their shape is sound; else the shape tells."""
    try:
        ids: ChipIds = _CHIP_IDS.load(value.get("chip_ids") or {})
    except ValidationError:
        return None
    return ids


def _only_problem(chip: ResolvedChip | Problem | None) -> tuple[Problem, ...]:
    return (chip,) if isinstance(chip, Problem) else ()


def _refusals_of(result: SubmittedResult, this_month: str) -> Iterator[Problem]:
    for index, setting in enumerate(result.settings):
        yield from refuse_setting(setting, f"/settings/{index}")
    yield from refuse_in_force(result)
    yield from refuse_document(result, this_month)


def _refusals_of_sound_parts(
    value: Any, shape: tuple[Problem, ...], this_month: str
) -> Iterator[Problem]:
    """The rules' problems of those parts whose shape is sound, though the document's is not."""
    if not isinstance(value, dict):
        return
    if not _is_sound("/settings", shape):
        yield from _refusals_of_sound_settings(value.get("settings"), shape)
    sound = {key: part for key, part in value.items() if _is_sound(child("", key), shape)}
    yield from _refusals_of(_SUBMISSION.load(sound, partial=True), this_month)


def _refusals_of_sound_settings(settings: Any, shape: tuple[Problem, ...]) -> Iterator[Problem]:
    for index, setting in enumerate(settings if isinstance(settings, list) else []):
        pointer = f"/settings/{index}"
        if isinstance(setting, dict) and index < MOST_SETTINGS and _is_sound(pointer, shape):
            yield from refuse_setting(_SETTING.load(setting), pointer)


def _is_sound(pointer: str, shape: tuple[Problem, ...]) -> bool:
    return not any(f"{problem.pointer}/".startswith(f"{pointer}/") for problem in shape)


def _refused(reading: JsonReading, further: tuple[Problem, ...]) -> DocumentRefused:
    # A value that is no number is also of the wrong shape: it is told once, by its first problem.
    told = {problem.pointer for problem in reading.problems if problem.code != CODE}
    rest = tuple(problem for problem in further if problem.pointer not in told)
    problems = tuple(told_safely((*reading.problems, *rest)))
    if len(problems) > _MOST_PROBLEMS_TOLD:
        left = len(problems) - _MOST_PROBLEMS_TOLD
        more = Problem("", "more_problems", f"{left} more problems are not listed.")
        problems = (*problems[:_MOST_PROBLEMS_TOLD], more)
    return DocumentRefused(problems=problems)
