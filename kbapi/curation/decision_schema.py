"""The wire format of curators' decisions: shape only."""

from dataclasses import dataclass
from typing import Any, Final

from marshmallow import ValidationError, fields, post_load, validate, validates_schema

from kbapi.bounds import LARGEST_INTEGER, LONGEST_MACHINE, LONGEST_VERSION, MOST_SETTINGS
from kbapi.intake.shapes import CLIENT, told, word
from kbapi.storage.decision_rows import Origin
from kbapi.vocabulary import DECISION_REASONS, DECISIONS, DecisionAction
from kbapi.wire import StrictSchema, Whole, WholeNumber

MOST_DECISIONS: Final = 1_000
"""Entries of one request."""
_WHICH: Final = ("submission", "contributor", "origin")
_ONE_OF: Final = f"Send exactly one of: {', '.join(_WHICH)}."
_WITH_ORDINAL: Final = "Name a setting by submission and ordinal together."
_ANY_OF_ORIGIN: Final = "Send at least one of client, firmware, machine."


@dataclass(frozen=True, slots=True)
class WantedDecision:
    """One decision, about one setting or about all settings of a contributor or an origin."""

    decision: DecisionAction
    reason: str
    submission: str | None = None
    ordinal: int | None = None
    contributor: int | None = None
    origin: Origin | None = None


class OriginSchema(StrictSchema):
    """Where results come from; a result must match every field that is sent."""

    client = fields.String(
        validate=CLIENT,
        metadata=told("Name and version of the script that sent the results.", "bench-script/0.3"),
    )
    firmware = fields.String(
        validate=validate.Length(1, LONGEST_VERSION),
        metadata=told(
            "Firmware version, as in the results; send `machine` too, as machines share versions.",
            "1.14",
        ),
    )
    machine = fields.String(
        validate=validate.Length(1, LONGEST_MACHINE),
        metadata=told("Machine class, as in the results.", "harbour-15"),
    )

    @validates_schema
    def _tells_something(self, data: dict[str, Any], **_: Any) -> None:
        if not data:
            raise ValidationError(_ANY_OF_ORIGIN)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Origin:
        return Origin(**data)


class DecisionSchema(StrictSchema):
    """A decision about one setting, or about all settings of a contributor or an origin.

    Send exactly one of `submission`, `contributor` and `origin`.
    """

    reason = word(
        DECISION_REASONS,
        "Why; the sender reads a sentence about it.",
        "depth_confirmed",
        required=True,
    )
    decision = word(
        DECISIONS,
        "`include`: counts, whatever the rules say. `exclude`: does not count for now. "
        "`invalidate`: cannot be right. `undo`: the rules decide again.",
        "include",
        required=True,
    )
    submission = fields.String(
        validate=Whole("[0-9a-f-]{36}", error="Send the id of a result."),
        metadata=told("Id of a result; needs `ordinal`.", "01a21000-8800-736b-8fa7-7e16bf7f60fd"),
    )
    ordinal = WholeNumber(
        validate=validate.Range(0, MOST_SETTINGS - 1),
        metadata=told("Position of the setting in the result, from 0.", 0),
    )
    contributor = WholeNumber(
        validate=validate.Range(1, LARGEST_INTEGER),
        metadata=told("Number of a contributor, as in the queue; means all their settings.", 17),
    )
    origin = fields.Nested(
        OriginSchema, metadata={"description": "Means all settings of matching results."}
    )

    @validates_schema(skip_on_field_errors=False)
    def _is_about_one_thing(self, data: dict[str, Any], **_: Any) -> None:
        if sum(name in data for name in _WHICH) != 1:
            raise ValidationError(_ONE_OF)
        if ("ordinal" in data) != ("submission" in data):
            raise ValidationError(_WITH_ORDINAL, "ordinal")

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> WantedDecision:
        return WantedDecision(**data)


class DecisionsSchema(StrictSchema):
    """Decisions of one request: all of them are applied, or none."""

    decisions = fields.List(
        fields.Nested(DecisionSchema),
        required=True,
        validate=validate.Length(1, MOST_DECISIONS),
        metadata={"description": "1 to 1,000 decisions."},
    )
