"""A submitted result, its settings, platform and locks: each record and its wire schema."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, TypeVar

from marshmallow import ValidationError, fields, validate, validates_schema

from kbapi.bounds import (
    CLOCK_LEAST_MHZ,
    CLOCK_MOST_MHZ,
    LONGEST_RECORD,
    MOST_LOCKS,
    MOST_READINGS,
    MOST_SETTINGS,
    MOST_TRIALS,
    MOST_WATTS,
)
from kbapi.chips.chip import ChipIds
from kbapi.documents.measurements import (
    Comparisons,
    PowerLimits,
    PowerSchema,
    Reading,
    ReadingSchema,
    StockPass,
    StockPassSchema,
    Trial,
    TrialSchema,
    pairs_of,
)
from kbapi.documents.shapes import (
    CLIENT,
    IN_CONTROL_UNIT,
    MACHINE,
    MINUTES,
    MONTH,
    TOKEN,
    VERSION,
    Flag,
    RecordSchema,
    Whole,
    WholeNumber,
    choice,
    choices,
    described,
    number,
    several,
    text,
)
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
    OPERATING_SYSTEMS,
    PLATFORM_PROFILES,
    SUPPLIES,
    SWITCHES,
    Domain,
    Form,
    LimitControl,
)


class ChipIdsSchema(RecordSchema):
    """Numbers that the operating system reports beside the chip's name."""

    makes = ChipIds

    family = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, 4_095),
        metadata=described("Processor family number, extended family included.", 6),
    )
    model = WholeNumber(
        allow_none=True,
        validate=validate.Range(0, 65_535),
        metadata=described("Processor model number.", 158),
    )
    stepping = WholeNumber(
        allow_none=True, validate=validate.Range(0, 255), metadata=described("Stepping number.", 10)
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


def _protection(what: str) -> Any:
    return choice(SWITCHES, f"Whether {what} is on or off.", "unknown")


@dataclass(frozen=True, slots=True)
class Platform:
    """Machine, firmware and system of a result; None and () where not sent."""

    machine: str | None = None
    form: Form | None = None
    firmware: str | None = None
    firmware_month: str | None = None
    microcode: str | None = None
    driver: str | None = None
    os: str | None = None
    platform_profile: str | None = None
    cooling: tuple[str, ...] = ()
    supply: str | None = None
    adapter_w: float | None = None
    virtualization: str | None = None
    hypervisor: str | None = None
    memory_integrity: str | None = None
    kernel_lockdown: str | None = None
    voltage_write_protection: str | None = None


class PlatformSchema(RecordSchema):
    """The machine, its firmware and its operating system."""

    makes = Platform

    machine = text(
        "Machine class of the catalogue, or maker and model with the number of the model.",
        "harbour-15",
        MACHINE,
    )
    form = choice(FORMS, "Form of the machine; decides between chips that share a name.", "laptop")
    firmware = text("Firmware version.", "1.14", VERSION)
    firmware_month = text("Month of the firmware version, YYYY-MM.", "2026-03", MONTH)
    microcode = text("Microcode version.", "0x2b", VERSION)
    driver = text("Graphics driver version.", "31.0.15", VERSION)
    os = choice(OPERATING_SYSTEMS, "Family and major version of the operating system.", "linux-6")
    platform_profile = choice(PLATFORM_PROFILES, "The power profile in use.", "balanced")
    cooling = choices(COOLING, "State of the cooling.", ["repasted"])
    supply = choice(SUPPLIES, "Power source during the tests.", "mains")
    adapter_w = number(
        "Rated power of the power adapter, in W.", 180, validate=validate.Range(0, MOST_WATTS)
    )
    virtualization = _protection("virtualization in the firmware")
    hypervisor = _protection("a hypervisor below the operating system")
    memory_integrity = _protection("memory integrity of the operating system")
    kernel_lockdown = _protection("kernel lockdown")
    voltage_write_protection = _protection("write protection of voltages in the firmware")


@dataclass(frozen=True, slots=True)
class Lock:
    """Whether a control can be used, how that was found, and what was changed for it."""

    domain: Domain
    control: str
    status: str
    found_by: str | None = None
    changes: tuple[str, ...] = ()


class LockSchema(RecordSchema):
    """Whether a control can be used on this platform."""

    makes = Lock

    domain = choice(DOMAINS, "The supply rail.", "core", required=True)
    control = choice(CONTROLS, "The control.", "voltage_offset", required=True)
    status = choice(
        LOCK_STATUSES, "Whether the control can be used, or what blocks it.", "open", required=True
    )
    found_by = choice(
        LOCKS_FOUND_BY, "How the status was found; without it, owner_says.", "owner_says"
    )
    changes = choices(
        LOCK_CHANGES,
        "What was changed to open the control; a record, not a recommendation.",
        ["firmware_setting"],
    )


_NEITHER: Final = "This field is required: send settings, locks or both."


@dataclass(frozen=True, slots=True)
class Effect:
    """The proof that a setting took effect."""

    shown_by: str
    rail_mv: float | None = None


class EffectSchema(RecordSchema):
    """Proof that a setting takes effect."""

    makes = Effect

    shown_by = choice(EFFECTS, "What shows it.", "read_back", required=True)
    rail_mv = number("Measured rail voltage, in mV; with shown_by rail_voltage.", 1012.5)


@dataclass(frozen=True, slots=True)
class SubmittedSetting:
    """One control on one domain, as sent: mV or counts, negative is lower; absolute at a clock."""

    domain: Domain
    control: LimitControl
    first_tried: float | None = None
    stable_at: float | None = None
    unstable_at: float | None = None
    planned_end: float | None = None
    failure: str | None = None
    in_use: float | None = None
    read_back: float | None = None
    effect: Effect | None = None
    moved_with: tuple[Domain, ...] = ()
    loads: tuple[str, ...] = ()
    minutes: float | None = None
    checked_results: bool | None = None
    clock_mhz: float | None = None
    stock_mv: float | None = None
    is_foreign: bool = False
    """Whether the catalogue lists no such domain or control for the chip, and may be wrong."""

    @property
    def domains(self) -> tuple[Domain, ...]:
        """All domains that moved, this one included, in their fixed order."""
        return tuple(sorted({self.domain, *self.moved_with}))

    def below_stock(self, value: float) -> float | None:
        """How far a setting lies below stock, in mV or counts; None without the stock voltage."""
        if self.control != "fixed_clock_voltage":
            return -value
        return None if self.stock_mv is None else self.stock_mv - value


class SettingSchema(RecordSchema):
    """One control on one domain: the deepest setting that passed, the shallowest that failed."""

    makes = SubmittedSetting

    domain = choice(DOMAINS, "The supply rail that was adjusted.", "core", required=True)
    control = choice(LIMIT_CONTROLS, "How it was adjusted.", "voltage_offset", required=True)
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
    failure = choice(FAILURES, "How it failed at `unstable_at`.", "wrong_result")
    in_use = number(
        "The setting that you keep in use, with a margin to `stable_at`. " + IN_CONTROL_UNIT, -74
    )
    read_back = number("What the control reported after it was set. " + IN_CONTROL_UNIT, -82.03)
    effect = fields.Nested(
        EffectSchema,
        allow_none=True,
        metadata={"description": "Proof that the setting takes effect."},
    )
    moved_with = choices(
        DOMAINS, "Other domains that were adjusted together with this one.", ["ring"]
    )
    loads = choices(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        LOADS, "Loads that passed at `stable_at`.", ["all_core", "vector_heavy"]
    )
    minutes = number("Minutes of testing at `stable_at`, all loads together.", 65, validate=MINUTES)
    checked_results = Flag(
        allow_none=True, metadata=described("Whether the load verified what it computed.", True)
    )
    clock_mhz = number(
        "The clock of the setting, in MHz; only with fixed_clock_voltage.",
        1800,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
    )
    stock_mv = number("Stock voltage of this unit at `clock_mhz`, in mV.", 912)


_Place = TypeVar("_Place")


def _least_of_each(values: Iterable[tuple[_Place, float]]) -> dict[_Place, float]:
    least: dict[_Place, float] = {}
    for place, value in values:
        least[place] = min(value, least.get(place, value))
    return least


@dataclass(frozen=True)
class SubmittedResult:
    """One document about one chip, after its shape was checked."""

    chip: str = ""
    """Empty only while the sound parts of a faulty document are read."""
    settings: tuple[SubmittedSetting, ...] = ()
    chip_confirmed: bool | None = None
    chip_ids: ChipIds | None = None
    unit_token: str | None = None
    contributor_token: str | None = None
    platform: Platform = field(default_factory=Platform)
    locks: tuple[Lock, ...] = ()
    stock_passed: tuple[StockPass, ...] = ()
    trials: tuple[Trial, ...] = ()
    power: PowerLimits | None = None
    readings: tuple[Reading, ...] = ()
    measured_in: str | None = None
    client: str | None = None

    @cached_property
    def comparisons(self) -> Comparisons:
        """Each tuned reading with the readings at stock that it can be compared with."""
        return pairs_of(self.readings)

    @cached_property
    def deepest_passes(self) -> dict[tuple[str, str], float]:
        """The deepest value that passed, in a run or as stable_at, by domain and control."""
        passes = [
            ((one.domain, one.control), one.value)
            for trial in self.trials
            if trial.outcome == "stable"
            for one in trial.settings
        ]
        passes += [
            ((domain, setting.control), setting.stable_at)
            for setting in self.settings
            if setting.stable_at is not None
            for domain in setting.domains
        ]
        return _least_of_each(passes)

    @cached_property
    def lowest_stock_mv(self) -> dict[str, float]:
        """The lowest stock voltage of the settings at a fixed clock, by domain."""
        return _least_of_each(
            (domain, setting.stock_mv)
            for setting in self.settings
            if setting.control == "fixed_clock_voltage" and setting.stock_mv is not None
            for domain in setting.domains
        )


class SubmissionSchema(RecordSchema):
    """One result about one chip; settings, locks or both are required."""

    makes = SubmittedResult

    chip = fields.String(
        required=True,
        validate=validate.Length(1, LONGEST_RECORD),
        metadata=described(
            "The chip as the system prints it, a whole record that holds its name, or a catalogue "
            "key.",
            "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        ),
    )
    chip_confirmed = Flag(
        allow_none=True,
        metadata=described(
            "Whether the number of the chip was checked; send true after `chip_unlikely`.", True
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
