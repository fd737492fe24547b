"""The body of a diagnosis question: a setting that was stable and is no longer."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from marshmallow import Schema, ValidationError, fields, validate

from kbapi.bounds import READ_BACK_TOLERANCE_COUNTS, READ_BACK_TOLERANCE_MV
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.reader import chip_of_body
from kbapi.documents.refusals import refuse_value
from kbapi.documents.results import EffectSchema
from kbapi.documents.shapes import (
    IN_CONTROL_UNIT,
    Number,
    OneWordOf,
    StrictSchema,
    Text,
    WholeNumber,
    problems_of,
    told,
)
from kbapi.documents.types import Effect, SubmittedSetting
from kbapi.errors import DocumentRefused, Problem
from kbapi.vocabulary import (
    DOMAINS,
    FAILURES,
    FOLLOW_UP_CHANGES,
    LIMIT_CONTROLS,
    LOADS,
    YES_NO_UNKNOWN,
    Domain,
    LimitControl,
    YesNoUnknown,
)


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """A setting that was stable and is not any more, as its owner tells it."""

    chip: ChipName
    domain: Domain
    control: LimitControl
    setting: float | None
    days: int | None
    changed: frozenset[str]
    failure: str | None
    load: str | None
    fails_at_stock: YesNoUnknown
    in_effect: YesNoUnknown


_MOST_DAYS: Final = 36_500


class DiagnosisRequestSchema(StrictSchema):
    """A setting that was stable and fails now; not stored."""

    chip = Text(
        required=True,
        metadata={
            "description": "The chip as the system prints it, or a catalogue key.",
            "example": "norvane-sable-7-4820mx",
        },
    )
    domain = fields.String(
        required=True,
        validate=OneWordOf(DOMAINS),
        metadata={"description": "The supply rail.", "example": "core"},
    )
    control = fields.String(
        required=True,
        validate=OneWordOf(LIMIT_CONTROLS),
        metadata={"description": "How it is adjusted.", "example": "voltage_offset"},
    )
    setting = Number(
        allow_none=True,
        metadata=told("The setting that failed. " + IN_CONTROL_UNIT, -74),
    )
    days = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, _MOST_DAYS),
        metadata={"description": "Days that the setting had been in use.", "example": 64},
    )
    changed = fields.List(
        fields.String(validate=OneWordOf(FOLLOW_UP_CHANGES)),
        allow_none=True,
        validate=validate.Length(max=len(FOLLOW_UP_CHANGES)),
        metadata={
            "description": "What has changed since the setting was tested.",
            "example": ["firmware"],
        },
    )
    failure = fields.String(
        allow_none=True,
        validate=OneWordOf(FAILURES),
        metadata={"description": "How it failed.", "example": "system_hang"},
    )
    load = fields.String(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        allow_none=True,
        validate=OneWordOf(LOADS),
        metadata={"description": "The load under which it failed.", "example": "vector_heavy"},
    )
    fails_at_stock = fields.String(
        load_default="unknown",
        validate=OneWordOf(YES_NO_UNKNOWN),
        metadata={
            "description": "Whether the machine fails at stock too; unknown unless given.",
            "example": "no",
        },
    )
    read_back = Number(
        allow_none=True,
        metadata={
            "description": "The setting as it reads back now, in the unit of `setting`.",
            "example": -74.22,
        },
    )
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "Other proof that the setting takes effect now."},
    )


_SCHEMA: Final = DiagnosisRequestSchema()


def parse_diagnosis(body: Any, catalogue: Catalogue) -> Diagnosis:
    """The question that a JSON value asks.

    Raises
    ------
    DocumentRefused
        With every problem, each with its pointer.
    """
    chip = chip_of_body(body, catalogue)
    problems = [chip] if isinstance(chip, Problem) else []
    try:
        # Said so, because the schema has a field called load.
        told: dict[str, Any] = Schema.load(_SCHEMA, body)
    except ValidationError as error:
        raise DocumentRefused(problems=[*problems_of(error.messages), *problems]) from None
    problems += _faults_of_setting(told)
    if problems or not isinstance(chip, ChipName):
        raise DocumentRefused(problems=problems)
    return Diagnosis(
        chip=chip,
        domain=told["domain"],
        control=told["control"],
        setting=told.get("setting"),
        days=told.get("days"),
        changed=frozenset(told.get("changed") or ()),
        failure=told.get("failure"),
        load=told.get("load"),
        fails_at_stock=told["fails_at_stock"],
        in_effect=_in_effect(told),
    )


def _faults_of_setting(told: dict[str, Any]) -> Iterator[Problem]:
    if told.get("setting") is not None:
        alone = SubmittedSetting(told["domain"], told["control"], stable_at=told["setting"])
        yield from refuse_value(alone, "/setting")


def _in_effect(told: dict[str, Any]) -> YesNoUnknown:
    """Whether the setting is in effect now, as far as what was sent can show."""
    value, read_back = told.get("setting"), told.get("read_back")
    if value is not None and read_back is not None:
        in_counts = told["control"] == "count_offset"
        tolerance = READ_BACK_TOLERANCE_COUNTS if in_counts else READ_BACK_TOLERANCE_MV
        return "yes" if abs(value - read_back) <= tolerance else "no"
    effect: Effect | None = told.get("effect")
    if effect is None or effect.shown_by in ("failed_deeper", "read_back"):
        return "unknown"  # a failure is no proof that it was the setting; a read-back has a number
    is_measured = effect.shown_by != "rail_voltage" or effect.rail_mv is not None
    return "yes" if is_measured else "unknown"
