"""Reports on locks as evidence reads them."""

from collections.abc import Iterable
from typing import Any, Final

from kbapi.storage.locks import LockGroup, TriedLock
from kbapi.vocabulary import PROTECTIONS

OF_GROUPS: Final = ("norvane-sable-7-4820mx", "norvane-sable-4000", "core", "voltage_offset")
"""Chip, series, domain and control of `a_lock_group`."""


def a_lock_group(status: str, contributors: Iterable[int], **changes: Any) -> LockGroup:
    """A tried unit of each of these contributors, alike in everything."""
    numbers = [str(one) for one in contributors]
    values = dict(zip(("chip_key", "series", "domain", "control"), OF_GROUPS, strict=True))
    values |= {"found_by": "written_and_read_back", "changes": "", "machine": "harbour-15"}
    values |= {"firmware_month": "2026-03", **dict.fromkeys(PROTECTIONS, "unknown")}
    values |= {"units": len(numbers), "contributors": ",".join(numbers)}
    return LockGroup(**{**values, "status": status, **changes})


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
