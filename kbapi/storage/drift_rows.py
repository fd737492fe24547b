"""A pool's results one unit a row, with when and under what each was found."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.statements import find_rows


@dataclass(frozen=True, slots=True)
class DatedRow:
    """The latest counted result of a unit."""

    stable_steps: int
    unstable_steps: int
    """`NEVER_FAILED` where no failure was seen."""
    contributor_id: int
    month: str
    machine: str
    firmware: str
    microcode: str


# Results as they were sent: follow-ups tell of failures above all, and would make whatever is old
# look weak. Ties within a month are broken by what was found, never by arrival.
_DATED: Final = """
    WITH ranked AS (
        SELECT setting.unit_id, unit.contributor_id, setting.measured_month,
               COALESCE(setting.unstable_steps, ?2) AS unstable,
               CASE WHEN setting.stable_steps IS NULL THEN 0
                    WHEN setting.unstable_steps IS NOT NULL THEN setting.stable_steps
                    ELSE MAX(0, setting.stable_steps - setting.early_stop_steps) END AS stable,
               conditions.machine, conditions.firmware, conditions.microcode,
               ROW_NUMBER() OVER (
                   PARTITION BY setting.unit_id
                   ORDER BY setting.measured_month DESC, conditions.microcode DESC,
                            conditions.firmware DESC, setting.stable_steps, setting.unstable_steps,
                            conditions.machine
               ) AS place
        FROM setting_result AS setting
        JOIN unit ON unit.id = setting.unit_id
        JOIN conditions ON conditions.id = setting.conditions_id
        WHERE setting.pool_id = ?1 AND setting.status = 'counted'
    )
    SELECT stable, unstable, contributor_id, measured_month, machine, firmware, microcode
    FROM ranked WHERE place = 1 AND (stable > 0 OR unstable < ?2)
    """


def load_dated(connection: Connection, pool_id: int) -> list[DatedRow]:
    """Every unit's latest counted result in a pool; those that say nothing are left out."""
    return [DatedRow(*row) for row in find_rows(connection, _DATED, (pool_id, NEVER_FAILED))]


_LARGEST: Final = """
    SELECT pool.id
    FROM pool
    JOIN chip ON chip.id = pool.chip_id
    JOIN setting_result AS setting ON setting.pool_id = pool.id AND setting.status = 'counted'
    WHERE chip.key = ? AND pool.control = ? AND instr('+' || pool.domains || '+', '+' || ? || '+')
    GROUP BY pool.id
    ORDER BY COUNT(DISTINCT setting.unit_id) DESC, pool.domains, pool.clock_band_mhz LIMIT 1
    """


def find_largest_pool(
    connection: Connection, chip_key: str, control: str, domain: str
) -> int | None:
    """The largest pool of a chip's control that holds the domain, if there is one."""
    rows = find_rows(connection, _LARGEST, (chip_key, control, domain))
    return rows[0][0] if rows else None
