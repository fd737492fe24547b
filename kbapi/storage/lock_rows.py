"""Reports on whether a control can be used on a platform."""

from dataclasses import asdict, dataclass
from typing import Final

from sqlalchemy import Connection, insert

from kbapi.storage.people import UnitRow
from kbapi.storage.tables import LockReport


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


_ADD: Final = insert(LockReport)


def save_locks(
    connection: Connection,
    submission_id: int,
    chip_id: int,
    unit: UnitRow,
    locks: tuple[NewLock, ...],
) -> None:
    """Keep the reports of a document, in its order."""
    if not locks:
        return
    place = {
        "submission_id": submission_id,
        "chip_id": chip_id,
        "unit_id": unit.id,
        "contributor_id": unit.contributor_id,
    }
    rows = [{**place, "ordinal": ordinal, **asdict(lock)} for ordinal, lock in enumerate(locks)]
    connection.execute(_ADD, rows)
