"""The wire format of a submission: shape only. No database, no clock, no plausibility."""

from typing import Any, Final

from marshmallow import fields, post_load, validate

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ, MOST_MINUTES, MOST_SETTINGS
from kbapi.intake.documents import Effect, StockPass, SubmittedResult, SubmittedSetting
from kbapi.vocabulary import DOMAINS, EFFECTS, FAILURES, LIMIT_CONTROLS, LOADS
from kbapi.wire import Flag, Number, OneWordOf, StrictSchema, Text, Whole

_TOKEN: Final = Whole(
    r"[A-Za-z0-9._~-]{16,128}",
    error="A token is 16 to 128 of the characters A-Z a-z 0-9 . _ ~ - that you make up yourself.",
)
_MONTH: Final = Whole(r"20[0-9]{2}-(?:0[1-9]|1[0-2])", error="A month is written 2026-09.")
_CLIENT: Final = Whole(
    r"[A-Za-z0-9 ._+/-]{1,40}",
    error="Name and version of the script, 40 characters at most, such as bench-script/0.3.",
)


def _word(words: tuple[str, ...], **kwargs: Any) -> fields.String:
    return fields.String(validate=OneWordOf(words), **kwargs)


def _words(words: tuple[str, ...], example: list[str], description: str) -> fields.List[str]:
    return fields.List(
        _word(words),
        validate=validate.Length(max=len(words)),
        metadata={"description": description, "example": example},
    )


class EffectSchema(StrictSchema):
    """What shows that a setting changed anything."""

    shown_by = _word(
        EFFECTS,
        required=True,
        metadata={"description": "What showed it.", "example": "read_back"},
    )
    rail_mv = Number(
        allow_none=True,
        metadata={
            "description": "Measured rail voltage in mV, with shown_by rail_voltage.",
            "example": 1012.5,
        },
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Effect:
        return Effect(**data)


class SettingSchema(StrictSchema):
    """One control on one domain: the deepest setting that passed, the shallowest that failed."""

    domain = _word(
        DOMAINS,
        required=True,
        metadata={"description": "The supply rail that was adjusted.", "example": "core"},
    )
    control = _word(
        LIMIT_CONTROLS,
        required=True,
        metadata={"description": "How it was adjusted.", "example": "voltage_offset"},
    )
    first_tried = Number(
        allow_none=True,
        metadata={
            "description": "First setting tried: mV, negative is lower (voltage_offset), whole "
            "counts (count_offset) or absolute mV (fixed_clock_voltage).",
            "example": -40,
        },
    )
    stable_at = Number(
        allow_none=True,
        metadata={
            "description": "Deepest setting that passed; null when the first one failed.",
            "example": -82,
        },
    )
    unstable_at = Number(
        allow_none=True,
        metadata={
            "description": "Shallowest setting that failed; null when none did.",
            "example": -88,
        },
    )
    planned_end = Number(
        allow_none=True,
        metadata={"description": "Deepest setting that you meant to go to.", "example": -100},
    )
    failure = _word(
        FAILURES,
        allow_none=True,
        metadata={"description": "How it failed.", "example": "wrong_result"},
    )
    in_use = Number(
        allow_none=True,
        metadata={"description": "The backed-off setting that you live with.", "example": -74},
    )
    read_back = Number(
        allow_none=True,
        metadata={
            "description": "What the control reported after it was set.",
            "example": -82.03,
        },
    )
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "Proof that the setting changed anything."},
    )
    moved_with = _words(DOMAINS, ["ring"], "Domains that moved together with this one.")
    loads = _words(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        LOADS, ["all_core", "vector_heavy"], "Load classes that stable_at was tested under."
    )
    minutes = Number(
        allow_none=True,
        validate=validate.Range(0, MOST_MINUTES),
        metadata={
            "description": "Minutes of testing behind stable_at, all loads together.",
            "example": 65,
        },
    )
    checked_results = Flag(
        allow_none=True,
        metadata={
            "description": "Whether the load checked its own results.",
            "example": True,
        },
    )
    clock_mhz = Number(
        allow_none=True,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
        metadata={
            "description": "The clock that fixed_clock_voltage was set at, in MHz.",
            "example": 1800,
        },
    )
    stock_mv = Number(
        allow_none=True,
        metadata={
            "description": "The stock voltage at that clock on this unit, in mV.",
            "example": 912,
        },
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> SubmittedSetting:
        for several in ("moved_with", "loads"):
            data[several] = tuple(sorted(set(data.get(several, ()))))
        return SubmittedSetting(**data)


class StockPassSchema(StrictSchema):
    """A load that passed at stock."""

    load = _word(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        LOADS,
        required=True,
        metadata={"description": "Load class.", "example": "vector_heavy"},
    )
    minutes = Number(
        required=True,
        validate=validate.Range(0, MOST_MINUTES),
        metadata={"description": "How long it passed.", "example": 20},
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> StockPass:
        return StockPass(**data)


class SubmissionSchema(StrictSchema):
    """One result about one chip."""

    chip = Text(
        required=True,
        metadata={
            "description": "The chip as the system prints it, or a catalogue key.",
            "example": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        },
    )
    unit_token = fields.String(
        validate=_TOKEN,
        allow_none=True,
        metadata={
            "description": "Made up by you, one for each physical chip, the same every time.",
            "example": "k3v9-demo-unit-000017",
        },
    )
    contributor_token = fields.String(
        validate=_TOKEN,
        allow_none=True,
        metadata={
            "description": "Made up by you, the same every time. Only keyed hashes are kept.",
            "example": "demo-contributor-0004",
        },
    )
    stock_passed = fields.List(
        fields.Nested(StockPassSchema),
        validate=validate.Length(max=len(LOADS)),
        metadata={"description": "What passed at stock, before anything was changed."},
    )
    settings = fields.List(
        fields.Nested(SettingSchema),
        required=True,
        validate=validate.Length(1, MOST_SETTINGS),
        metadata={"description": "What was tried, one entry a control, domain and clock."},
    )
    measured_in = fields.String(
        validate=_MONTH,
        allow_none=True,
        metadata={"description": "Month of the measurement.", "example": "2026-09"},
    )
    client = fields.String(
        validate=_CLIENT,
        allow_none=True,
        metadata={
            "description": "Name and version of the sending script.",
            "example": "bench-script/0.3",
        },
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> SubmittedResult:
        for several in ("settings", "stock_passed"):
            data[several] = tuple(data.get(several, ()))
        return SubmittedResult(**data)
