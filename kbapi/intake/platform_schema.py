"""The wire format of a machine and its locks: shape only."""

from typing import Any

from marshmallow import post_load, validate

from kbapi.bounds import LONGEST_MACHINE, LONGEST_OS, MOST_WATTS
from kbapi.chips.chip import ChipIds
from kbapi.intake.documents import Lock, Platform
from kbapi.intake.shapes import MONTH, VERSION, as_set, number, text, told, word, words
from kbapi.vocabulary import (
    CONTROLS,
    COOLING,
    DOMAINS,
    FORMS,
    LOCK_CHANGES,
    LOCK_STATUSES,
    LOCKS_FOUND_BY,
    PLATFORM_PROFILES,
    SUPPLIES,
    SWITCHES,
)
from kbapi.wire import StrictSchema, Whole, WholeNumber


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
