"""A follow-up: its record and its wire schema."""

from dataclasses import dataclass
from typing import Final

from marshmallow import fields, validate

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ
from kbapi.documents.results import Effect, EffectSchema
from kbapi.documents.shapes import (
    IN_CONTROL_UNIT,
    RecordSchema,
    WholeNumber,
    choice,
    choices,
    described,
    number,
)
from kbapi.vocabulary import (
    DOMAINS,
    FAILURES,
    FOLLOW_UP_CHANGES,
    FOLLOW_UP_OUTCOMES,
    LIMIT_CONTROLS,
    LOADS,
    Domain,
    FollowUpOutcome,
    LimitControl,
)

_MOST_DAYS: Final = 36_500


@dataclass(frozen=True, slots=True)
class SubmittedFollowUp:
    """A follow-up as it was sent."""

    domain: Domain
    control: LimitControl
    outcome: FollowUpOutcome
    clock_mhz: float | None = None
    setting: float | None = None
    days: int | None = None
    load: str | None = None
    failure: str | None = None
    changed: tuple[str, ...] = ()
    effect: Effect | None = None


class FollowUpSchema(RecordSchema):
    """A later report on one setting of a stored result."""

    makes = SubmittedFollowUp

    domain = choice(DOMAINS, "The supply rail, as in the result.", "core", required=True)
    control = choice(
        LIMIT_CONTROLS, "How it is adjusted, as in the result.", "voltage_offset", required=True
    )
    clock_mhz = number(
        "The clock of the setting, in MHz; only with fixed_clock_voltage.",
        1800,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
    )
    setting = number(
        "The setting that this is about; without it, `in_use` of the result. " + IN_CONTROL_UNIT,
        -74,
    )
    outcome = choice(
        FOLLOW_UP_OUTCOMES,
        "How it went: still_stable and failed_later are about the setting, the others about the "
        "whole machine.",
        "still_stable",
        required=True,
    )
    days = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, _MOST_DAYS),
        metadata=described("Days that the setting was in use.", 31),
    )
    load = choice(LOADS, "The load under which it failed, with failed_later.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    failure = choice(FAILURES, "How it failed, with failed_later.", "system_hang")
    changed = choices(
        FOLLOW_UP_CHANGES, "What has changed since the result was measured.", ["firmware"]
    )
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "Proof that the setting still takes effect now."},
    )
