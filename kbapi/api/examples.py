"""Whole examples of request bodies, assembled from the examples of their fields."""

from collections.abc import Mapping
from typing import Any, Final

from marshmallow import Schema, fields

from kbapi.curation.decision_schema import DecisionsSchema
from kbapi.intake.diagnosis import DiagnosisRequestSchema
from kbapi.intake.follow_up_schema import FollowUpSchema
from kbapi.intake.schema import SubmissionSchema
from kbapi.intake.search_schema import NextStepRequestSchema

LEFT_OUT: Final[Mapping[type[Schema], frozenset[str]]] = {
    SubmissionSchema: frozenset(
        {
            "chip_ids",
            "settings.clock_mhz",
            "settings.stock_mv",
            "settings.effect.rail_mv",
            "trials.failure",
        }
    ),
    FollowUpSchema: frozenset({"clock_mhz", "load", "failure", "effect.rail_mv"}),
    NextStepRequestSchema: frozenset(
        {"clock_mhz", "stock_mv", "resolution_counts", "trials.failure"}
    ),
    DiagnosisRequestSchema: frozenset({"effect.rail_mv"}),
    DecisionsSchema: frozenset({"decisions.contributor", "decisions.origin"}),
}
"""Fields that contradict the others, such as the clock of a control that has none."""


def example_of(schema: type[Schema]) -> dict[str, Any]:
    """A whole document of this shape that is accepted as it stands."""
    return _assembled(schema(), LEFT_OUT.get(schema, frozenset()), "")


def _assembled(schema: Schema, left_out: frozenset[str], within: str) -> dict[str, Any]:
    return {
        name: _one(field, left_out, f"{within}{name}")
        for name, field in schema.fields.items()
        if f"{within}{name}" not in left_out
    }


def _one(field: fields.Field[Any], left_out: frozenset[str], place: str) -> Any:
    if isinstance(field, fields.Nested):
        return _assembled(field.schema, left_out, f"{place}.")
    if isinstance(field, fields.List) and "example" not in field.metadata:
        return [_one(field.inner, left_out, place)]
    return field.metadata["example"]
