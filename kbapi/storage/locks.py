"""Lock reports of a chip with the decisions about them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from sqlalchemy import Connection, text

from kbapi.storage.decisions import Origin
from kbapi.storage.sqlite.engine import find_row, find_rows
from kbapi.vocabulary import Control, Domain, LockFoundBy, LockStatus

REPORT_STANDS: Final = """
    NOT EXISTS (
        SELECT 1 FROM decision
        WHERE decision.submission_id = report.submission_id AND decision.decision = 'invalidate'
          AND NOT EXISTS (SELECT 1 FROM decision AS later
                          WHERE later.submission_id = decision.submission_id
                            AND later.ordinal = decision.ordinal AND later.id > decision.id)
    )
    """
"""Whether a row `report` of lock reports counts: not where anything of its document is rejected.

Whoever mistook a setting so that it can't be right may have mistaken the lock as well."""


@dataclass(frozen=True, slots=True)
class LocksAt:
    """A document that tells of locks alone, where somebody may decide."""

    submission_id: int
    public_id: str
    line_id: int
    decision: str
    """The decision in force, empty where there is none."""
    decision_reason: str | None


# It has no settings to carry a word: its history stands under the first ordinal.
_LOCKS_ALONE: Final = """
    SELECT submission.id, submission.public_id, chip.line_id,
           COALESCE(NULLIF(latest.decision, 'undo'), ''), latest.reason_code
    FROM submission
    JOIN chip ON chip.id = submission.chip_id
    JOIN unit ON unit.id = submission.unit_id
    LEFT JOIN decision AS latest
      ON latest.id = (SELECT MAX(id) FROM decision WHERE submission_id = submission.id)
    WHERE NOT EXISTS (SELECT 1 FROM setting_result WHERE submission_id = submission.id)
      AND EXISTS (SELECT 1 FROM lock_report AS report
                  WHERE report.submission_id = submission.id
                    AND (:firmware IS NULL OR report.firmware = :firmware)
                    AND (:machine IS NULL OR report.machine = :machine))
      AND (:public_id IS NULL OR submission.public_id = :public_id)
      AND (:contributor_id IS NULL OR unit.contributor_id = :contributor_id)
      AND (:client IS NULL OR json_extract(submission.document, '$.client') = :client)
    ORDER BY submission.id LIMIT :most
    """
_ANY: Final = dict.fromkeys(("public_id", "contributor_id", "client", "firmware", "machine"))


def _find(connection: Connection, most: int, which: Mapping[str, object]) -> list[LocksAt]:
    rows = connection.execute(text(_LOCKS_ALONE), {**_ANY, **which, "most": most})
    return [LocksAt(*row) for row in rows]


def find_locks_alone(connection: Connection, public_id: str) -> list[LocksAt]:
    """The document with this id, if it is here and tells of locks alone."""
    return _find(connection, 1, {"public_id": public_id})


def find_locks_alone_of_contributor(
    connection: Connection, contributor_id: int, most: int
) -> list[LocksAt]:
    """Documents of a contributor that tell of locks alone, oldest first."""
    return _find(connection, most, {"contributor_id": contributor_id})


def find_locks_alone_of_origin(connection: Connection, origin: Origin, most: int) -> list[LocksAt]:
    """Documents that a script, a firmware or a machine class brought, oldest first.

    Reads every document, as `find_settings_of_origin` does.
    """
    which = {"client": origin.client, "firmware": origin.firmware, "machine": origin.machine}
    return _find(connection, most, which)


_WORD: Final = """
    SELECT decision, reason_code FROM decision WHERE submission_id = ? ORDER BY id DESC LIMIT 1
    """


def find_lock_decision(connection: Connection, submission_id: int) -> tuple[str, str] | None:
    """The word and the reason that stand about a document of locks alone, if one does."""
    row = find_row(connection, _WORD, (submission_id,))
    return None if row is None or row[0] == "undo" else (row[0], row[1])


# Tuples with names: a thousand units as dataclasses would cost more than all that is asked of them.


class LockGroup(NamedTuple):
    """Units of a chip whose latest report on a control agrees in all that is told here."""

    chip_key: str
    series: str
    domain: Domain
    control: Control
    status: LockStatus
    found_by: LockFoundBy
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


class TriedLock(NamedTuple):
    """A unit of a chip whose latest report on a control is of somebody who tried it."""

    domain: Domain
    control: Control
    contributor_id: int
    unit_order: bytes
    """Puts units in an order that has nothing to do with when they came."""
    status: LockStatus
    measured_month: str
    machine: str
    firmware_month: str
    microcode: str
    virtualization: str
    hypervisor: str
    memory_integrity: str
    kernel_lockdown: str
    voltage_write_protection: str


# A unit speaks once for each control: by its latest month, and within a month by what was proven
# best, so that the order of arrival never matters.
_LATEST_FIRST: Final = """
    report.measured_month DESC,
    CASE report.found_by WHEN 'written_and_read_back' THEN 0 WHEN 'documented' THEN 1 ELSE 2 END,
    report.status, report.changes, report.machine, report.firmware_month, report.microcode,
    report.virtualization, report.hypervisor, report.memory_integrity, report.kernel_lockdown,
    report.voltage_write_protection
    """

# Hearsay weighs one half.
_GROUPS: Final = f"""
    WITH ranked AS (
        SELECT report.id, chip.key AS chip_key, chip.series AS series,
               ROW_NUMBER() OVER (
                   PARTITION BY report.chip_id, report.domain, report.control, report.unit_id
                   ORDER BY {_LATEST_FIRST}
               ) AS place
        FROM lock_report AS report JOIN chip ON chip.id = report.chip_id
        WHERE chip.line_id = ?1 AND {REPORT_STANDS}
          AND ?3 IN ('', report.machine) AND ?4 IN ('', report.firmware_month)
    ),
    latest AS (
        SELECT ranked.chip_key, ranked.series, report.*
        FROM ranked JOIN lock_report AS report ON report.id = ranked.id
        WHERE ranked.place = 1 AND report.status <> 'unknown'
    ),
    share AS (
        SELECT chip_id, domain, control, contributor_id,
               CASE WHEN COUNT(*) <= ?2 THEN 1000000
                    ELSE 1000000 * ?2 / COUNT(*) END AS weight_ppm
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

_TRIED: Final = f"""
    WITH ranked AS (
        SELECT report.id,
               ROW_NUMBER() OVER (
                   PARTITION BY report.domain, report.control, report.unit_id
                   ORDER BY {_LATEST_FIRST}
               ) AS place
        FROM lock_report AS report JOIN chip ON chip.id = report.chip_id
        WHERE chip.key = ?1 AND {REPORT_STANDS}
          AND ?2 IN ('', report.machine) AND ?3 IN ('', report.firmware_month)
    )
    SELECT report.domain, report.control, report.contributor_id,
           COALESCE(unit.token_hash, x''), report.status, report.measured_month, report.machine,
           report.firmware_month, report.microcode, report.virtualization, report.hypervisor,
           report.memory_integrity, report.kernel_lockdown, report.voltage_write_protection
    FROM ranked
    JOIN lock_report AS report ON report.id = ranked.id
    JOIN unit ON unit.id = report.unit_id
    WHERE ranked.place = 1 AND report.status <> 'unknown'
      AND report.found_by = 'written_and_read_back'
    """  # noqa: S608 - put together from constants


def load_lock_groups(
    connection: Connection,
    line_id: int,
    units_of_full_weight: int,
    machine: str = "",
    firmware_month: str = "",
) -> list[LockGroup]:
    """The latest reports of a line's units, filtered first if asked; `unknown` is left out."""
    asked = (line_id, units_of_full_weight, machine, firmware_month)
    return [LockGroup._make(row) for row in find_rows(connection, _GROUPS, asked)]


def load_tried_locks(
    connection: Connection, chip_key: str, machine: str = "", firmware_month: str = ""
) -> list[TriedLock]:
    """Those of a chip's latest reports that stand on trying; filtered first if asked."""
    asked = (chip_key, machine, firmware_month)
    return [TriedLock._make(row) for row in find_rows(connection, _TRIED, asked)]
