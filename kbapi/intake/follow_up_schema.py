"""The wire format of a follow-up: shape only."""

from dataclasses import dataclass
from typing import Any, Final

from marshmallow import fields, post_load, validate

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ
from kbapi.intake.documents import Effect
from kbapi.intake.schema import EffectSchema
from kbapi.intake.shapes import as_set, number, told, word, words
from kbapi.vocabulary import (
    DOMAINS,
    FAILURES,
    FOLLOW_UP_CHANGES,
    FOLLOW_UP_OUTCOMES,
    LIMIT_CONTROLS,
    LOADS,
    Domain,
    LimitControl,
)
from kbapi.wire import StrictSchema, WholeNumber

_MOST_DAYS: Final = 36_500


@dataclass(frozen=True, slots=True)
class SubmittedFollowUp:
    """What became of a setting, as sent."""

    domain: Domain
    control: LimitControl
    outcome: str
    clock_mhz: float | None = None
    setting: float | None = None
    days: int | None = None
    load: str | None = None
    failure: str | None = None
    changed: tuple[str, ...] = ()
    effect: Effect | None = None


class FollowUpSchema(StrictSchema):
    """What became of a setting of a result that was sent before."""

    domain = word(DOMAINS, "The supply rail, as in the result.", "core", required=True)
    control = word(LIMIT_CONTROLS, "The control.", "voltage_offset", required=True)
    clock_mhz = number(
        "The clock, with fixed_clock_voltage, in MHz.",
        1800,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
    )
    setting = number("The setting that this is about; untold means in_use.", -74)
    outcome = word(FOLLOW_UP_OUTCOMES, "What became of it.", "still_stable", required=True)
    days = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, _MOST_DAYS),
        metadata=told("For how many days it was in use.", 31),
    )
    load = word(LOADS, "Load class that it failed under.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    failure = word(FAILURES, "How it failed.", "system_hang")
    changed = words(FOLLOW_UP_CHANGES, "What has changed since the result.", ["firmware"])
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "What shows, now, that the setting still changes anything."},
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> SubmittedFollowUp:
        as_set(data, "changed")
        return SubmittedFollowUp(**data)
