"""The wire format of what curators decide: shape only."""

from dataclasses import dataclass
from typing import Any, Final

from marshmallow import ValidationError, fields, post_load, validate, validates_schema

from kbapi.bounds import LARGEST_INTEGER, LONGEST_MACHINE, LONGEST_VERSION, MOST_SETTINGS
from kbapi.intake.shapes import CLIENT, told, word
from kbapi.storage.decision_rows import Origin
from kbapi.vocabulary import DECISION_REASONS, DECISIONS
from kbapi.wire import StrictSchema, Whole, WholeNumber

MOST_DECISIONS: Final = 1_000
"""Entries of one request."""
_WHICH: Final = ("submission", "contributor", "origin")
_ONE_OF: Final = f"Send exactly one of: {', '.join(_WHICH)}."
_WITH_ORDINAL: Final = "A submission stands with the ordinal of one of its settings."
_ANY_OF_ORIGIN: Final = "Tell at least one of client, firmware, machine."


@dataclass(frozen=True, slots=True)
class WantedDecision:
    """One entry: a word and its reason, about one setting or all of a contributor or origin."""

    decision: str
    reason: str
    submission: str | None = None
    ordinal: int | None = None
    contributor: int | None = None
    origin: Origin | None = None


class OriginSchema(StrictSchema):
    """Where results come from; of what is told, all must fit."""

    client = fields.String(
        validate=CLIENT, metadata=told("Name and version of the script.", "bench-script/0.3")
    )
    firmware = fields.String(
        validate=validate.Length(1, LONGEST_VERSION),
        metadata=told("Firmware, as results tell it; better with its machine.", "1.14"),
    )
    machine = fields.String(
        validate=validate.Length(1, LONGEST_MACHINE), metadata=told("Machine class.", "harbour-15")
    )

    @validates_schema
    def _tells_something(self, data: dict[str, Any], **_: Any) -> None:
        if not data:
            raise ValidationError(_ANY_OF_ORIGIN)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Origin:
        return Origin(**data)


class DecisionSchema(StrictSchema):
    """A word and its reason, about one setting, or about all of a contributor or an origin."""

    reason = word(DECISION_REASONS, "Why; the sender is told.", "depth_confirmed", required=True)
    decision = word(
        DECISIONS,
        "What is decided; undo lets the rules stand again.",
        "include",
        required=True,
    )
    submission = fields.String(
        validate=Whole("[0-9a-f-]{36}", error="The id of a result."),
        metadata=told("Id of a result.", "01a21000-8800-736b-8fa7-7e16bf7f60fd"),
    )
    ordinal = WholeNumber(
        validate=validate.Range(0, MOST_SETTINGS - 1),
        metadata=told("Which of its settings, from 0.", 0),
    )
    contributor = WholeNumber(
        validate=validate.Range(1, LARGEST_INTEGER),
        metadata=told("All settings of this contributor, by the number that the queue tells.", 17),
    )
    origin = fields.Nested(
        OriginSchema, metadata={"description": "All settings that come from there."}
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
    """Decisions that hold all together, or not at all."""

    decisions = fields.List(
        fields.Nested(DecisionSchema),
        required=True,
        validate=validate.Length(1, MOST_DECISIONS),
        metadata={"description": "What is decided, entry by entry."},
    )
