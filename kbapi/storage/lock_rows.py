"""Reports on whether a control can be used on a platform."""

from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Final

from sqlalchemy import Connection

from kbapi.storage.people import UnitRow
from kbapi.storage.statements import add_rows


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


_TOLD: Final = tuple(field.name for field in fields(NewLock))
_COLUMNS: Final = ("submission_id", "chip_id", "unit_id", "contributor_id", "ordinal", *_TOLD)
_ADD: Final = (
    f"INSERT INTO lock_report ({', '.join(_COLUMNS)}) "  # noqa: S608 - of constants of this file
    f"VALUES ({', '.join('?' * len(_COLUMNS))})"
)
_told_of: Final = attrgetter(*_TOLD)


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
    place = (submission_id, chip_id, unit.id, unit.contributor_id)
    rows = [(*place, ordinal, *_told_of(lock)) for ordinal, lock in enumerate(locks)]
    add_rows(connection, _ADD, rows)
