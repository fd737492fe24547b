"""Conditions that a pool's units were found under: loads, cooling, platform."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, text

from kbapi.storage.unit_rows import (
    CHOSEN_ROWS,
    COUNTED_UNITS,
    EVERYTHING,
    SENDERS,
    Filters,
    Standing,
    UnitGroup,
    of_pool,
    of_standing,
)


@dataclass(frozen=True, slots=True)
class ConditionsCount:
    """How many units of a pool passed something under these conditions."""

    loads: str
    grade: str
    units: int


_UNITS_BY_CONDITIONS: Final = text(
    f"""
    WITH {CHOSEN_ROWS}
    SELECT loads, grade, COUNT(DISTINCT unit_id) FROM chosen WHERE stable_steps > 0
    GROUP BY loads, grade ORDER BY loads, grade
    """  # noqa: S608 - put together from constants of this file
)


def count_units_by_conditions(
    connection: Connection, pool_id: int, filters: Filters = EVERYTHING
) -> list[ConditionsCount]:
    """The loads and grades behind a pool's stable ends, in a fixed order."""
    rows = connection.execute(_UNITS_BY_CONDITIONS, of_pool(pool_id, filters))
    return [ConditionsCount(*row) for row in rows]


@dataclass(frozen=True, slots=True)
class UnitConditions:
    """What a group's units were found under; empty where untold, or not the same in all rows."""

    cooling: str
    loads: str
    grade: str
    microcode: str
    firmware: str
    machine: str
    supply: str


@dataclass(frozen=True, slots=True)
class ConditionedGroup:
    """A group of units with the conditions that they were found under."""

    units: UnitGroup
    conditions: UnitConditions


# Rows of one unit may differ in a condition: then it speaks for neither side.
_CONDITIONED_GROUPS: Final = text(
    f"""
    WITH {COUNTED_UNITS},
    {SENDERS},
    told AS (
        SELECT chosen.unit_id,
               CASE WHEN MIN(own.cooling) = MAX(own.cooling) THEN MIN(own.cooling) ELSE '' END
                   AS cooling,
               CASE WHEN MIN(own.loads) = MAX(own.loads) THEN MIN(own.loads) ELSE '' END
                   AS loads,
               CASE WHEN MIN(own.grade) = MAX(own.grade) THEN MIN(own.grade) ELSE '' END
                   AS grade,
               CASE WHEN MIN(own.microcode) = MAX(own.microcode) THEN MIN(own.microcode) ELSE '' END
                   AS microcode,
               CASE WHEN MIN(own.firmware) = MAX(own.firmware) THEN MIN(own.firmware) ELSE '' END
                   AS firmware,
               CASE WHEN MIN(own.machine) = MAX(own.machine) THEN MIN(own.machine) ELSE '' END
                   AS machine,
               CASE WHEN MIN(own.supply) = MAX(own.supply) THEN MIN(own.supply) ELSE '' END
                   AS supply
        FROM chosen JOIN conditions AS own ON own.id = chosen.conditions_id
        GROUP BY chosen.unit_id
    )
    SELECT stable, unstable, alone, established, vouched, SUM(weight_ppm), COUNT(*),
           MAX(latest_month), cooling, loads, grade, microcode, firmware, machine, supply
    FROM counted JOIN sender ON sender.contributor_id = counted.contributor_id
    JOIN told ON told.unit_id = counted.unit_id
    GROUP BY stable, unstable, alone, established, vouched,
             cooling, loads, grade, microcode, firmware, machine, supply
    ORDER BY stable, unstable, alone, established, vouched,
             cooling, loads, grade, microcode, firmware, machine, supply
    """  # noqa: S608 - put together from constants of this package
)


def load_conditioned_groups(
    connection: Connection, pool_id: int, standing: Standing
) -> list[ConditionedGroup]:
    """The units of a pool as `load_unit_groups` gives them, divided by their conditions."""
    rows = connection.execute(_CONDITIONED_GROUPS, of_standing(pool_id, standing, EVERYTHING))
    return [
        ConditionedGroup(
            UnitGroup(*row[:3], *(bool(flag) for flag in row[3:5]), *row[5:8]),
            UnitConditions(*row[8:]),
        )
        for row in map(tuple, rows)
    ]
