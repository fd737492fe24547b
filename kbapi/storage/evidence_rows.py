"""Evidence rows as the merge of a unit's results writes them, one place at a time."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.places import EvidenceKey
from kbapi.storage.statements import add_rows, change_rows, find_number, find_rows
from kbapi.storage.what_if import WhatIf, supposing


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """One counted setting of a unit, as `evidence/merge.py` takes it."""

    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int
    measured_month: str
    confirmed_by_curator: int = 0
    """1 where a curator's word makes it count."""


@dataclass(frozen=True, slots=True)
class EvidenceLevel:
    """One evidence row without its place."""

    stable_steps: int
    unstable_steps: int
    early_stop_steps: int
    latest_month: str
    confirmed_by_curator: int = 0
    """1 where a curator's word makes its pass, or its failure, count."""


# What became of a setting later goes the way that a curator sends the setting: of several in one
# pool it may be about any, so that all of them must go there.
_ALL_ITS_SETTINGS: Final = """
    COALESCE((
        SELECT MIN({}) FROM setting_result AS setting
        WHERE setting.submission_id = follow_up.submission_id
          AND setting.pool_id = follow_up.pool_id
    ), 0)
    """
_CONFIRMED_BY_CURATOR: Final = _ALL_ITS_SETTINGS.format("setting.decision = 'include'")
TAKEN_OUT: Final = _ALL_ITS_SETTINGS.format("setting.decision IN ('exclude', 'invalidate')")
"""Whether a row of follow_up left the evidence with the setting that it is about."""

_COUNTED_SETTINGS: Final = """
    SELECT unit_id, pool_id, conditions_id, stable_steps, unstable_steps, early_stop_steps,
           measured_month, decision = 'include' AS confirmed_by_curator
    FROM setting_result WHERE status = 'counted'
    """
_COUNTED_FOLLOW_UPS: Final = f"""
    SELECT unit_id, pool_id, conditions_id, stable_steps, unstable_steps, early_stop_steps,
           measured_month, {_CONFIRMED_BY_CURATOR} AS confirmed_by_curator
    FROM follow_up WHERE status = 'counted' AND NOT {TAKEN_OUT}
    """  # noqa: S608 - put together from constants of this file
_HERE: Final = "AND unit_id = ?1 AND pool_id = ?2 AND conditions_id = ?3"
_COUNTED: Final = f"""
    SELECT stable_steps, unstable_steps, early_stop_steps, measured_month, confirmed_by_curator
    FROM ({_COUNTED_SETTINGS} {_HERE} UNION ALL {_COUNTED_FOLLOW_UPS} {_HERE})
    """  # noqa: S608 - put together from constants of this file
COUNTED_EVERYWHERE: Final = f"""
    {_COUNTED_SETTINGS} UNION ALL {_COUNTED_FOLLOW_UPS} ORDER BY 1, 2, 3
    """
"""What counts of all units, place by place."""
_FORGET: Final = "DELETE FROM evidence_row WHERE pool_id = ? AND unit_id = ? AND conditions_id = ?"
_ADD: Final = """
    INSERT INTO evidence_row (pool_id, unit_id, conditions_id, contributor_id, stable_steps,
                              unstable_steps, early_stop_steps, latest_month, confirmed_by_curator)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
    """


def load_counted_outcomes(
    connection: Connection, key: EvidenceKey, supposed: WhatIf | None = None
) -> list[OutcomeRow]:
    """Every counted setting and follow-up of this unit in this pool under these conditions."""
    place = (key.unit_id, key.pool_id, key.conditions_id)
    return [OutcomeRow(*row) for row in find_rows(connection, supposing(supposed, _COUNTED), place)]


_CONDITIONS: Final = (
    "SELECT DISTINCT conditions_id FROM evidence_row WHERE pool_id = ? AND unit_id = ?"
)


def find_evidence_conditions(connection: Connection, key: EvidenceKey) -> list[int]:
    """The conditions under which this unit has evidence in this pool."""
    return [row[0] for row in find_rows(connection, _CONDITIONS, (key.pool_id, key.unit_id))]


def replace_evidence(
    connection: Connection, key: EvidenceKey, contributor_id: int, levels: Iterable[EvidenceLevel]
) -> None:
    """Put these rows in place of whatever stood at this place before."""
    place = (key.pool_id, key.unit_id, key.conditions_id)
    change_rows(connection, _FORGET, place)
    rows = [
        (
            *place,
            contributor_id,
            level.stable_steps,
            level.unstable_steps,
            level.early_stop_steps,
            level.latest_month,
            level.confirmed_by_curator,
        )
        for level in levels
    ]
    add_rows(connection, _ADD, rows)


_SHALLOWEST_FAILURE: Final = """
    SELECT MIN(level.unstable_steps)
    FROM evidence_row AS level
    JOIN conditions AS own ON own.id = ?3
    JOIN conditions AS other ON other.id = level.conditions_id
     AND other.firmware = own.firmware AND other.microcode = own.microcode
    WHERE level.pool_id = ?1 AND level.unit_id = ?2 AND level.unstable_steps < ?4
    """


def find_shallowest_failure(connection: Connection, key: EvidenceKey) -> int | None:
    """Where the unit is known to fail in this pool and era, None where it never did."""
    values = (key.pool_id, key.unit_id, key.conditions_id, NEVER_FAILED)
    return find_number(connection, _SHALLOWEST_FAILURE, values)
