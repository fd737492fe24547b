"""Lock reports as answers take them: each unit's latest word, weighed and grouped by SQL."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, text

from kbapi.storage.lock_decisions import REPORT_STANDS


@dataclass(frozen=True, slots=True)
class LockGroup:
    """Units of a chip whose latest report on a control agrees in all that is told here."""

    chip_key: str
    series: str
    domain: str
    control: str
    status: str
    found_by: str
    changes: str
    machine: str
    firmware_month: str
    virtualization: str
    hypervisor: str
    memory_integrity: str
    kernel_lockdown: str
    voltage_write_protection: str
    weight_ppm: int
    units: int


# A unit speaks once for each control: by its latest month, and within a month by what was proven
# best, so that the order of arrival never matters. Hearsay weighs one half.
_LATEST_BY_UNIT: Final = text(
    f"""
    WITH ranked AS (
        SELECT report.*, chip.key AS chip_key, chip.series AS series,
               ROW_NUMBER() OVER (
                   PARTITION BY report.chip_id, report.domain, report.control, report.unit_id
                   ORDER BY report.measured_month DESC,
                            CASE report.found_by WHEN 'written_and_read_back' THEN 0
                                                 WHEN 'documented' THEN 1 ELSE 2 END,
                            report.status, report.changes, report.machine, report.firmware_month,
                            report.microcode, report.virtualization, report.hypervisor,
                            report.memory_integrity, report.kernel_lockdown,
                            report.voltage_write_protection
               ) AS place
        FROM lock_report AS report JOIN chip ON chip.id = report.chip_id
        WHERE chip.line_id = :line_id AND {REPORT_STANDS}
          AND (:machine = '' OR report.machine = :machine)
          AND (:firmware_month = '' OR report.firmware_month = :firmware_month)
    ),
    latest AS (SELECT * FROM ranked WHERE place = 1 AND status <> 'unknown'),
    share AS (
        SELECT chip_id, domain, control, contributor_id,
               CASE WHEN COUNT(*) <= :full_units THEN 1000000
                    ELSE 1000000 * :full_units / COUNT(*) END AS weight_ppm
        FROM latest GROUP BY chip_id, domain, control, contributor_id
    )
    SELECT latest.chip_key, latest.series, latest.domain, latest.control, latest.status,
           latest.found_by, latest.changes, latest.machine, latest.firmware_month,
           latest.virtualization, latest.hypervisor, latest.memory_integrity,
           latest.kernel_lockdown, latest.voltage_write_protection,
           SUM(CASE latest.found_by WHEN 'written_and_read_back' THEN share.weight_ppm
                                    ELSE share.weight_ppm / 2 END),
           COUNT(*)
    FROM latest JOIN share ON share.chip_id = latest.chip_id AND share.domain = latest.domain
        AND share.control = latest.control AND share.contributor_id = latest.contributor_id
    GROUP BY 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14
    ORDER BY 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14
    """  # noqa: S608 - put together from constants
)


def load_lock_groups(
    connection: Connection,
    line_id: int,
    units_of_full_weight: int,
    machine: str = "",
    firmware_month: str = "",
) -> list[LockGroup]:
    """The latest reports of a line's units, filtered first if asked; `unknown` is left out."""
    rows = connection.execute(
        _LATEST_BY_UNIT,
        {
            "line_id": line_id,
            "full_units": units_of_full_weight,
            "machine": machine,
            "firmware_month": firmware_month,
        },
    )
    return [LockGroup(*row) for row in rows]
