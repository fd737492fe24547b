"""The schema of a submitted result and of its platform and locks."""

from typing import Any, Final

from marshmallow import ValidationError, fields, post_load, validate, validates_schema

from kbapi.bounds import (
    CLOCK_LEAST_MHZ,
    CLOCK_MOST_MHZ,
    LONGEST_MACHINE,
    LONGEST_OS,
    MOST_LOCKS,
    MOST_READINGS,
    MOST_SETTINGS,
    MOST_TRIALS,
    MOST_WATTS,
)
from kbapi.chips.chip import ChipIds
from kbapi.documents.measurements import PowerSchema, ReadingSchema, StockPassSchema, TrialSchema
from kbapi.documents.shapes import (
    CLIENT,
    IN_CONTROL_UNIT,
    MINUTES,
    MONTH,
    TOKEN,
    VERSION,
    Flag,
    StrictSchema,
    Text,
    Whole,
    WholeNumber,
    as_set,
    as_tuple,
    number,
    several,
    text,
    told,
    word,
    words,
)
from kbapi.documents.types import Effect, Lock, Platform, SubmittedResult, SubmittedSetting
from kbapi.vocabulary import (
    CONTROLS,
    COOLING,
    DOMAINS,
    EFFECTS,
    FAILURES,
    FORMS,
    LIMIT_CONTROLS,
    LOADS,
    LOCK_CHANGES,
    LOCK_STATUSES,
    LOCKS_FOUND_BY,
    PLATFORM_PROFILES,
    SUPPLIES,
    SWITCHES,
)


class ChipIdsSchema(StrictSchema):
    """Numbers that the operating system reports beside the chip's name."""

    family = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, 4_095),
        metadata=told("Processor family number, extended family included.", 6),
    )
    model = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, 65_535),
        metadata=told("Processor model number.", 158),
    )
    stepping = WholeNumber(
        allow_none=True, validate=validate.Range(0, 255), metadata=told("Stepping number.", 10)
    )
    pci_id = text(
        "Vendor and device number of a graphics chip, in hex.",
        "1f0a:2640",
        Whole(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}", error="Write a PCI id as 1f0a:2640."),
    )
    pci_revision = text(
        "Revision of the PCI device, in hex.",
        "a1",
        Whole(r"(?:0x)?[0-9A-Fa-f]{1,2}", error="Write a PCI revision as a1."),
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> ChipIds:
        return ChipIds(**data)


def _protection(what: str) -> Any:
    return word(SWITCHES, f"Whether {what} is on or off.", "unknown")


class PlatformSchema(StrictSchema):
    """The machine, its firmware and its operating system."""

    machine = text(
        "Machine class: a catalogue key, or a short model name without anything personal.",
        "harbour-15",
        Whole(
            rf"[^\x00-\x1f\x7f]{{1,{LONGEST_MACHINE}}}",
            error=f"1 to {LONGEST_MACHINE} characters on one line.",
        ),
    )
    form = word(FORMS, "Form of the machine; decides between chips that share a name.", "laptop")
    firmware = text("Firmware version.", "1.14", VERSION)
    firmware_month = text("Month of the firmware version, YYYY-MM.", "2026-03", MONTH)
    microcode = text("Microcode version.", "0x2b", VERSION)
    driver = text("Graphics driver version.", "31.0.15", VERSION)
    os = text(
        "Family and major version of the operating system.",
        "linux-6",
        Whole(
            rf"[A-Za-z][A-Za-z0-9 ._-]{{0,{LONGEST_OS - 1}}}",
            error="Send family and major version, such as linux-6.",
        ),
    )
    platform_profile = word(PLATFORM_PROFILES, "The power profile in use.", "balanced")
    cooling = words(COOLING, "State of the cooling.", ["repasted"])
    supply = word(SUPPLIES, "Power source during the tests.", "mains")
    adapter_w = number(
        "Rated power of the power adapter, in W.", 180, validate=validate.Range(0, MOST_WATTS)
    )
    virtualization = _protection("virtualization in the firmware")
    hypervisor = _protection("a hypervisor below the operating system")
    memory_integrity = _protection("memory integrity of the operating system")
    kernel_lockdown = _protection("kernel lockdown")
    voltage_write_protection = _protection("write protection of voltages in the firmware")

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Platform:
        as_set(data, "cooling")
        return Platform(**data)


class LockSchema(StrictSchema):
    """Whether a control can be used on this platform."""

    domain = word(DOMAINS, "The supply rail.", "core", required=True)
    control = word(CONTROLS, "The control.", "voltage_offset", required=True)
    status = word(
        LOCK_STATUSES, "Whether the control can be used, or what blocks it.", "open", required=True
    )
    found_by = word(
        LOCKS_FOUND_BY, "How the status was found; without it, owner_says.", "owner_says"
    )
    changes = words(
        LOCK_CHANGES,
        "What was changed to open the control; a record, not a recommendation.",
        ["firmware_setting"],
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Lock:
        as_set(data, "changes")
        return Lock(**data)


_NEITHER: Final = "This field is required: send settings, locks or both."


class EffectSchema(StrictSchema):
    """Proof that a setting takes effect."""

    shown_by = word(EFFECTS, "What shows it.", "read_back", required=True)
    rail_mv = number("Measured rail voltage, in mV; with shown_by rail_voltage.", 1012.5)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> Effect:
        return Effect(**data)


class SettingSchema(StrictSchema):
    """One control on one domain: the deepest setting that passed, the shallowest that failed."""

    domain = word(DOMAINS, "The supply rail that was adjusted.", "core", required=True)
    control = word(LIMIT_CONTROLS, "How it was adjusted.", "voltage_offset", required=True)
    first_tried = number("First setting that was tried. " + IN_CONTROL_UNIT, -40)
    stable_at = number(
        "Deepest setting that passed; null if the first one failed. " + IN_CONTROL_UNIT, -82
    )
    unstable_at = number(
        "Shallowest setting that failed; null if none failed. " + IN_CONTROL_UNIT, -88
    )
    planned_end = number(
        "Deepest setting that the search was planned to reach. " + IN_CONTROL_UNIT, -100
    )
    failure = word(FAILURES, "How it failed at `unstable_at`.", "wrong_result")
    in_use = number(
        "The setting that you keep in use, with a margin to `stable_at`. " + IN_CONTROL_UNIT, -74
    )
    read_back = number("What the control reported after it was set. " + IN_CONTROL_UNIT, -82.03)
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "Proof that the setting takes effect."},
    )
    moved_with = words(
        DOMAINS, "Other domains that were adjusted together with this one.", ["ring"]
    )
    loads = words(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        LOADS, "Loads that passed at `stable_at`.", ["all_core", "vector_heavy"]
    )
    minutes = number("Minutes of testing at `stable_at`, all loads together.", 65, validate=MINUTES)
    checked_results = Flag(
        allow_none=True, metadata=told("Whether the load checked its own results.", True)
    )
    clock_mhz = number(
        "The clock of the setting, in MHz; only with fixed_clock_voltage.",
        1800,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
    )
    stock_mv = number("Stock voltage of this unit at `clock_mhz`, in mV.", 912)

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> SubmittedSetting:
        as_set(data, "moved_with", "loads")
        return SubmittedSetting(**data)


class SubmissionSchema(StrictSchema):
    """One result about one chip; settings, locks or both are required."""

    chip = Text(
        required=True,
        metadata=told(
            "The chip as the system prints it, or a catalogue key.",
            "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        ),
    )
    chip_ids = fields.Nested(
        ChipIdsSchema,
        allow_none=True,
        metadata={
            "description": "Numbers beside the name; they decide between chips that share a name."
        },
    )
    unit_token = text(
        "A text that you make up for this physical chip, always the same; only a hash is kept.",
        "k3v9-demo-unit-000017",
        TOKEN,
    )
    contributor_token = text(
        "A text that you make up for yourself, always the same; only a hash is kept.",
        "demo-contributor-0004",
        TOKEN,
    )
    platform = fields.Nested(
        PlatformSchema,
        allow_none=True,
        metadata={"description": "The machine, its firmware and its operating system."},
    )
    locks = several(LockSchema, MOST_LOCKS, "Which controls can be used on this machine.")
    stock_passed = several(
        StockPassSchema, len(LOADS), "Loads that passed at stock, before anything was changed."
    )
    settings = several(
        SettingSchema,
        MOST_SETTINGS,
        "What was tried: one entry for each control, domain and clock.",
    )
    trials = several(
        TrialSchema, MOST_TRIALS, "Single test runs; they refine and check `settings`."
    )
    power = fields.Nested(
        PowerSchema,
        allow_none=True,
        metadata={"description": "Power limits in use, and those of stock."},
    )
    readings = several(ReadingSchema, MOST_READINGS, "Measurements at stock and tuned.")
    measured_in = text(
        "Month of the measurement, YYYY-MM; the month of arrival unless given.", "2026-09", MONTH
    )
    client = text("Name and version of the sending script.", "bench-script/0.3", CLIENT)

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def _has_content(self, _data: Any, original: Any, partial: bool, **_: Any) -> None:
        if partial:
            return
        if isinstance(original, dict) and not (original.get("settings") or original.get("locks")):
            raise ValidationError(_NEITHER, "settings")

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> SubmittedResult:
        as_tuple(data, "settings", "locks", "stock_passed", "trials", "readings")
        data["platform"] = data.get("platform") or Platform()
        data.setdefault("chip", "")  # only where the sound parts of a document are looked at
        return SubmittedResult(**data)
