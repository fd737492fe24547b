"""The wire format of a follow-up: shape only."""

from dataclasses import dataclass
from typing import Any, Final

from marshmallow import fields, post_load, validate

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ
from kbapi.documents.results import EffectSchema
from kbapi.documents.shapes import (
    IN_CONTROL_UNIT,
    StrictSchema,
    WholeNumber,
    as_set,
    number,
    told,
    word,
    words,
)
from kbapi.documents.types import Effect
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


class FollowUpSchema(StrictSchema):
    """A later report on one setting of a stored result."""

    domain = word(DOMAINS, "The supply rail, as in the result.", "core", required=True)
    control = word(
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
    outcome = word(
        FOLLOW_UP_OUTCOMES,
        "How it went: still_stable and failed_later are about the setting, the others about the "
        "whole machine.",
        "still_stable",
        required=True,
    )
    days = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, _MOST_DAYS),
        metadata=told("Days that the setting was in use.", 31),
    )
    load = word(LOADS, "The load under which it failed, with failed_later.", "vector_heavy")  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
    failure = word(FAILURES, "How it failed, with failed_later.", "system_hang")
    changed = words(
        FOLLOW_UP_CHANGES, "What has changed since the result was measured.", ["firmware"]
    )
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "Proof that the setting still takes effect now."},
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> SubmittedFollowUp:
        as_set(data, "changed")
        return SubmittedFollowUp(**data)
