"""Reports on locks as evidence reads them."""

from typing import Any

from kbapi.storage.locks import TriedLock


def a_tried_lock(number: int, status: str = "open", **changes: Any) -> TriedLock:
    """The one unit of contributor `number`, tried on a platform that tells nothing else."""
    values = {
        "domain": "core",
        "control": "voltage_offset",
        "contributor_id": number,
        "unit_order": number.to_bytes(4, "big"),
        "measured_month": "2026-06",
        "machine": "harbour-15",
        "firmware_month": "",
        "microcode": "",
        "virtualization": "unknown",
        "hypervisor": "unknown",
        "memory_integrity": "unknown",
        "kernel_lockdown": "unknown",
        "voltage_write_protection": "unknown",
    }
    return TriedLock(**{**values, "status": status, **changes})


def tried(
    opened: int, locked: int, status: str = "firmware_locked", first: int = 0, **values: Any
) -> list[TriedLock]:
    """So many open units and so many locked ones, of a contributor each."""
    statuses = ["open"] * opened + [status] * locked
    return [a_tried_lock(first + place, word, **values) for place, word in enumerate(statuses)]
