"""The body of a diagnosis question: a setting that was stable and fails now."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from marshmallow import Schema, ValidationError, fields, validate, validates_schema

from kbapi.bounds import READ_BACK_TOLERANCE_COUNTS, READ_BACK_TOLERANCE_MV
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.follow_ups import ChangeDay, change_days, last_stable_day, order_of_days
from kbapi.documents.reader import chip_of_body, read_body, refusal_of
from kbapi.documents.refusal_rules import refuse_absent, refuse_value
from kbapi.documents.results import Effect, EffectSchema, SubmittedSetting
from kbapi.documents.shapes import (
    IN_CONTROL_UNIT,
    StrictSchema,
    Text,
    WholeNumber,
    choice,
    choices,
    described,
    number,
    problems_of,
)
from kbapi.errors import Problem
from kbapi.evidence.longevity import changes_within
from kbapi.time_budget import check_time
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
    """A setting that was stable and fails now, as its owner describes it."""

    chip: ChipName
    domain: Domain
    control: LimitControl
    setting: float | None
    days: int | None
    changed: frozenset[str]
    """Possible causes: changes without a known day, and those of the days in question."""
    changed_outside: frozenset[str]
    """Changes before the last good day or after the first bad one, which are not the cause."""
    changes_without_day: bool
    """Whether the day of a change is missing, or no change is named."""
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
    domain = choice(DOMAINS, "The supply rail.", "core", required=True)
    control = choice(LIMIT_CONTROLS, "How it is adjusted.", "voltage_offset", required=True)
    setting = number("The setting that failed. " + IN_CONTROL_UNIT, -74)
    days = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, _MOST_DAYS),
        metadata=described("Days that the setting had been in use.", 64),
    )
    changed = choices(
        FOLLOW_UP_CHANGES, "What has changed since the setting was tested.", ["firmware"]
    )
    change_days = change_days()
    last_stable_day = last_stable_day()
    failure = choice(FAILURES, "How it failed.", "system_hang")
    load = choice(LOADS, "The load under which it failed.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    fails_at_stock = choice(
        YES_NO_UNKNOWN,
        "Whether the machine fails at stock too; unknown unless given.",
        "no",
        load_default="unknown",
        allow_none=False,
    )
    read_back = number("The setting as it reads back now, in the unit of `setting`.", -74.22)
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "Other proof that the setting takes effect now."},
    )

    @validates_schema
    def _has_days_in_order(self, sent: Mapping[str, Any], **_: Any) -> None:
        order_of_days(sent)


_SCHEMA: Final = DiagnosisRequestSchema()


def read_diagnosis(body: bytes, catalogue: Catalogue) -> Diagnosis:
    """The question that a body asks.

    Raises
    ------
    JsonUnreadable
        When the bytes are not JSON text.
    DocumentRefused
        With every problem of the text, or else every problem of shape and value.
    """
    reading = read_body(body, _SCHEMA)
    if reading.problems:
        raise refusal_of(reading.problems)
    chip = chip_of_body(reading.value, catalogue)
    problems = [chip] if isinstance(chip, Problem) else []
    try:
        # Called on the class, because the schema has a field with the name load.
        sent: dict[str, Any] = Schema.load(_SCHEMA, reading.value)
    except ValidationError as error:
        raise refusal_of([*problems_of(error.messages), *problems]) from None
    check_time("shape")
    problems += _faults_of_setting(sent)
    if isinstance(chip, ChipName):
        problems += refuse_absent(chip, catalogue, "", sent["domain"], sent["control"])
    if problems or not isinstance(chip, ChipName):
        raise refusal_of(problems)
    return Diagnosis(
        chip=chip,
        domain=sent["domain"],
        control=sent["control"],
        setting=sent.get("setting"),
        days=sent.get("days"),
        **_changes(sent),
        failure=sent.get("failure"),
        load=sent.get("load"),
        fails_at_stock=sent["fails_at_stock"],
        in_effect=_in_effect(sent),
    )


def _changes(sent: dict[str, Any]) -> dict[str, Any]:
    """The fields of a diagnosis about changes."""
    days: Sequence[ChangeDay] = sent.get("change_days") or ()
    dated = [(one.change, one.day) for one in days]
    with_day = frozenset(change for change, _ in dated)
    by_memory = frozenset(sent.get("changed") or ()) - with_day
    within = changes_within(dated, sent.get("last_stable_day"), sent.get("days"))
    return {
        "changed": by_memory | within,
        "changed_outside": with_day - within,
        "changes_without_day": bool(by_memory) or not with_day,
    }


def _faults_of_setting(sent: dict[str, Any]) -> Iterator[Problem]:
    if sent.get("setting") is not None:
        alone = SubmittedSetting(sent["domain"], sent["control"], stable_at=sent["setting"])
        yield from refuse_value(alone, "/setting")


def _in_effect(sent: dict[str, Any]) -> YesNoUnknown:
    """Whether the setting takes effect now, as far as the body shows it."""
    value, read_back = sent.get("setting"), sent.get("read_back")
    if value is not None and read_back is not None:
        in_counts = sent["control"] == "count_offset"
        tolerance = READ_BACK_TOLERANCE_COUNTS if in_counts else READ_BACK_TOLERANCE_MV
        return "yes" if abs(value - read_back) <= tolerance else "no"
    effect: Effect | None = sent.get("effect")
    if effect is None or effect.shown_by in ("failed_deeper", "read_back"):
        return "unknown"  # a failure is no proof that it was the setting; a read-back has a number
    is_measured = effect.shown_by != "rail_voltage" or effect.rail_mv is not None
    return "yes" if is_measured else "unknown"
