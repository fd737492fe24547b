"""A follow-up: its record and its wire schema."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from marshmallow import ValidationError, fields, validate, validates_schema

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ
from kbapi.documents.results import Effect, EffectSchema
from kbapi.documents.shapes import (
    IN_CONTROL_UNIT,
    Records,
    RecordSchema,
    WholeNumber,
    choice,
    choices,
    described,
    number,
    several,
)
from kbapi.vocabulary import (
    DOMAINS,
    FAILURES,
    FOLLOW_UP_CHANGES,
    FOLLOW_UP_OUTCOMES,
    LIMIT_CONTROLS,
    LOADS,
    Domain,
    FollowUpChange,
    FollowUpOutcome,
    LimitControl,
)

_MOST_DAYS: Final = 36_500
_MOST_CHANGE_DAYS: Final = 20


@dataclass(frozen=True, slots=True)
class ChangeDay:
    """A change and its day in use."""

    change: FollowUpChange
    day: int


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
    change_days: tuple[ChangeDay, ...] = ()
    last_stable_day: int | None = None
    effect: Effect | None = None

    @property
    def all_changes(self) -> frozenset[str]:
        """Every change, with its day or without."""
        return frozenset(self.changed) | {one.change for one in self.change_days}


class ChangeDaySchema(RecordSchema):
    """A change and its day, counted from the day on which the setting came into use."""

    makes = ChangeDay

    change = choice(FOLLOW_UP_CHANGES, "What changed.", "firmware", required=True)
    day = WholeNumber(
        required=True,
        validate=validate.Range(-_MOST_DAYS, _MOST_DAYS),
        metadata=described(
            "Day in use on which it changed; 0 is the first day, negative is before. Look it up in "
            "the update history.",
            41,
        ),
    )


def change_days() -> Records:
    """The field with the day of each change."""
    return several(
        ChangeDaySchema,
        _MOST_CHANGE_DAYS,
        "When each change happened. Where the day is known, a change counts as a cause only "
        "between the last good and the first bad day.",
    )


def last_stable_day() -> WholeNumber:
    """The field with the last good day."""
    return WholeNumber(
        allow_none=True,
        validate=validate.Range(0, _MOST_DAYS),
        metadata=described("Last day in use on which a test of the setting passed.", 30),
    )


def order_of_days(sent: Mapping[str, Any]) -> None:
    """Accept a last good day that is not after the days in use.

    Raises
    ------
    ValidationError
        For a last good day after them.
    """
    good, days = sent.get("last_stable_day"), sent.get("days")
    if good is not None and days is not None and good > days:
        raise ValidationError("The last stable day is at most `days`.", "last_stable_day")


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
    change_days = change_days()
    last_stable_day = last_stable_day()
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "Proof that the setting still takes effect now."},
    )

    @validates_schema
    def _has_days_in_order(self, sent: Mapping[str, Any], **_: Any) -> None:
        order_of_days(sent)
