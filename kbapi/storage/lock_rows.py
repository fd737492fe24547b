"""Reports on whether a control can be used on a platform."""

from dataclasses import dataclass
from typing import Final

from kbapi.storage.document_rows import DocumentRows


@dataclass(frozen=True, slots=True)
class NewLock:
    """One report on its way into the database; texts are empty where nothing was told."""

    domain: str
    control: str
    status: str
    found_by: str
    changes: str
    measured_month: str
    machine: str
    firmware: str
    firmware_month: str
    microcode: str
    os: str
    virtualization: str
    hypervisor: str
    memory_integrity: str
    kernel_lockdown: str
    voltage_write_protection: str


LOCK_ROWS: Final = DocumentRows("lock_report", NewLock)
