"""What the latest outlier check of a pool found; saving it again writes only what has changed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from sqlalchemy import Connection, select

from kbapi.storage.sqlite.engine import add_rows, change_rows
from kbapi.storage.tables_evidence import DifferingContributor, OutlierUnit, PoolOutlierCheck


@dataclass(frozen=True, slots=True)
class ExcludedUnit:
    """A unit that judging set aside, and why."""

    unit_id: int
    code: str


@dataclass(frozen=True, slots=True)
class OutlierCheckRow:
    """A pool's cuts and factor, as they were found."""

    deep_cutoff_steps: int | None
    shallow_cutoff_steps: int | None
    newcomer_weight_ppm: int
    excluded_weight_ppm: int
    is_young: bool


@dataclass(frozen=True, slots=True)
class StoredOutliers:
    """Everything that is kept about a pool; units and contributors ascending."""

    outlier_report: OutlierCheckRow | None
    """None for a pool that was never judged."""
    units: tuple[ExcludedUnit, ...]
    unlike: tuple[int, ...]


def load_outliers(connection: Connection, pool_id: int) -> StoredOutliers:
    """What the last judging of a pool found."""
    row = connection.execute(
        select(
            PoolOutlierCheck.deep_cutoff_steps,
            PoolOutlierCheck.shallow_cutoff_steps,
            PoolOutlierCheck.newcomer_weight_ppm,
            PoolOutlierCheck.excluded_weight_ppm,
            PoolOutlierCheck.is_young,
        ).where(PoolOutlierCheck.pool_id == pool_id)
    ).one_or_none()
    units = connection.execute(
        select(OutlierUnit.unit_id, OutlierUnit.code)
        .where(OutlierUnit.pool_id == pool_id)
        .order_by(OutlierUnit.unit_id)
    )
    unlike = connection.execute(
        select(DifferingContributor.contributor_id)
        .where(DifferingContributor.pool_id == pool_id)
        .order_by(DifferingContributor.contributor_id)
    )
    return StoredOutliers(
        None if row is None else OutlierCheckRow(row[0], row[1], row[2], row[3], bool(row[4])),
        tuple(ExcludedUnit(*unit) for unit in units),
        tuple(unlike.scalars()),
    )


_KEEP: Final = """
    INSERT INTO pool_outlier_check (pool_id, checked_day, rules_version, deep_cutoff_steps,
                                    shallow_cutoff_steps, newcomer_weight_ppm,
                                    excluded_weight_ppm, is_young)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?)
    ON CONFLICT (pool_id) DO UPDATE SET
        checked_day = excluded.checked_day, rules_version = excluded.rules_version,
        deep_cutoff_steps = excluded.deep_cutoff_steps,
        shallow_cutoff_steps = excluded.shallow_cutoff_steps,
        newcomer_weight_ppm = excluded.newcomer_weight_ppm,
        excluded_weight_ppm = excluded.excluded_weight_ppm,
        is_young = excluded.is_young
    """
_DROP_UNIT: Final = "DELETE FROM outlier_unit WHERE pool_id = ? AND unit_id = ?"
_ADD_UNIT: Final = "INSERT INTO outlier_unit (pool_id, unit_id, code) VALUES (?, ?, ?)"
_DROP_CONTRIBUTOR: Final = (
    "DELETE FROM differing_contributor WHERE pool_id = ? AND contributor_id = ?"
)
_ADD_CONTRIBUTOR: Final = (
    "INSERT INTO differing_contributor (pool_id, contributor_id, code) "
    "VALUES (?, ?, 'contributor_differs')"
)


def save_outliers(
    connection: Connection, pool_id: int, found: StoredOutliers, today: date, rules_version: int
) -> bool:
    """Whether anything that was kept about the pool has changed."""
    before = load_outliers(connection, pool_id)
    if before == found:
        return False
    if found.outlier_report is not None and found.outlier_report != before.outlier_report:
        _save_check(connection, pool_id, found.outlier_report, today, rules_version)
    gone = set(before.units) - set(found.units)
    for unit in sorted(gone, key=lambda one: one.unit_id):
        change_rows(connection, _DROP_UNIT, (pool_id, unit.unit_id))
    add_rows(
        connection,
        _ADD_UNIT,
        _sorted((pool_id, one.unit_id, one.code) for one in set(found.units) - set(before.units)),
    )
    for contributor in sorted(set(before.unlike) - set(found.unlike)):
        change_rows(connection, _DROP_CONTRIBUTOR, (pool_id, contributor))
    new = set(found.unlike) - set(before.unlike)
    add_rows(connection, _ADD_CONTRIBUTOR, _sorted((pool_id, one) for one in new))
    return True


def _save_check(
    connection: Connection, pool_id: int, found: OutlierCheckRow, today: date, rules_version: int
) -> None:
    values = (
        pool_id,
        today.isoformat(),
        rules_version,
        found.deep_cutoff_steps,
        found.shallow_cutoff_steps,
        found.newcomer_weight_ppm,
        found.excluded_weight_ppm,
        int(found.is_young),
    )
    change_rows(connection, _KEEP, values)


def _sorted(rows: Iterable[Sequence[int | str]]) -> list[Sequence[int | str]]:
    return sorted(rows, key=lambda row: row[1])
