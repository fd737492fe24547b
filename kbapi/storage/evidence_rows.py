"""Evidence rows: written by unit and conditions, read by pool and merged inside the database."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, delete, func, insert, select, text

from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.submissions import EvidenceKey, PoolKey
from kbapi.storage.tables import MAX_STEPS, Chip, Conditions, EvidenceRow, Pool, SettingResult


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """One counted setting of a unit, as `evidence/merge.py` takes it."""

    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int
    measured_month: str


@dataclass(frozen=True, slots=True)
class EvidenceLevel:
    """One evidence row without its place."""

    stable_steps: int
    unstable_steps: int
    early_stop_steps: int
    latest_month: str


@dataclass(frozen=True, slots=True)
class IntervalGroup:
    """Units of a pool that share one limit interval."""

    stable_steps: int
    unstable_steps: int
    weight_ppm: int
    """Sum of the units' weights in millionths: integers add up the same in any order."""
    units: int
    latest_month: str


def load_counted_outcomes(connection: Connection, key: EvidenceKey) -> list[OutcomeRow]:
    """Every counted setting of this unit in this pool under these conditions."""
    rows = connection.execute(
        select(
            SettingResult.stable_steps,
            SettingResult.unstable_steps,
            SettingResult.early_stop_steps,
            SettingResult.measured_month,
        ).where(
            SettingResult.unit_id == key.unit_id,
            SettingResult.pool_id == key.pool_id,
            SettingResult.conditions_id == key.conditions_id,
            SettingResult.status == "counted",
        )
    )
    return [OutcomeRow(*row) for row in rows]


def replace_evidence(
    connection: Connection, key: EvidenceKey, contributor_id: int, levels: Iterable[EvidenceLevel]
) -> None:
    """Put these rows in place of whatever stood at this place before."""
    connection.execute(
        delete(EvidenceRow).where(
            EvidenceRow.pool_id == key.pool_id,
            EvidenceRow.unit_id == key.unit_id,
            EvidenceRow.conditions_id == key.conditions_id,
        )
    )
    rows = [
        {
            "pool_id": key.pool_id,
            "unit_id": key.unit_id,
            "conditions_id": key.conditions_id,
            "contributor_id": contributor_id,
            "stable_steps": level.stable_steps,
            "unstable_steps": level.unstable_steps,
            "early_stop_steps": level.early_stop_steps,
            "latest_month": level.latest_month,
        }
        for level in levels
    ]
    if rows:
        connection.execute(insert(EvidenceRow), rows)


# Two steps, because the deepest pass that counts is the deepest one short of the unit's
# shallowest failure, and that failure may stand in another row. Depth and early stop are packed
# into one number so that MAX brings the early stop of the deepest pass (the smallest one at ties).
_INTERVALS_OF_POOL: Final = text(
    """
    WITH failed AS (
        SELECT unit_id, MIN(unstable_steps) AS unstable
        FROM evidence_row WHERE pool_id = :pool_id GROUP BY unit_id
    ),
    merged AS (
        SELECT level.unit_id, level.contributor_id, failed.unstable,
               MAX(CASE WHEN level.stable_steps < failed.unstable
                        THEN level.stable_steps * :packing + (:packing - 1 - level.early_stop_steps)
                        ELSE :packing - 1 END) AS packed,
               MAX(level.latest_month) AS latest_month
        FROM evidence_row AS level JOIN failed ON failed.unit_id = level.unit_id
        WHERE level.pool_id = :pool_id
        GROUP BY level.unit_id, level.contributor_id, failed.unstable
    ),
    held AS (
        SELECT unit_id, contributor_id, unstable, latest_month,
               packed / :packing AS stable, :packing - 1 - packed % :packing AS early_stop
        FROM merged
    ),
    counted AS (
        SELECT unit_id, contributor_id, unstable, latest_month,
               CASE WHEN unstable < :never_failed THEN stable
                    WHEN stable > early_stop THEN stable - early_stop
                    ELSE 0 END AS stable
        FROM held
    ),
    share AS (
        SELECT contributor_id,
               CASE WHEN COUNT(*) <= :full_units THEN 1000000
                    ELSE 1000000 * :full_units / COUNT(*) END AS weight_ppm
        FROM counted GROUP BY contributor_id
    )
    SELECT stable, unstable, SUM(weight_ppm), COUNT(*), MAX(latest_month)
    FROM counted JOIN share ON share.contributor_id = counted.contributor_id
    GROUP BY stable, unstable ORDER BY stable, unstable
    """
)


def load_intervals(
    connection: Connection, pool_id: int, units_of_full_weight: int
) -> list[IntervalGroup]:
    """The distinct limit intervals of a pool, each unit merged over its rows and weighed.

    `units_of_full_weight` is how many units of one contributor weigh one each; more share that.
    """
    rows = connection.execute(
        _INTERVALS_OF_POOL,
        {
            "pool_id": pool_id,
            "never_failed": NEVER_FAILED,
            "full_units": units_of_full_weight,
            "packing": MAX_STEPS + 1,
        },
    )
    return [IntervalGroup(*row) for row in rows]


@dataclass(frozen=True, slots=True)
class PoolSize:
    """A pool of a chip and how many units stand in it."""

    id: int
    chip_key: str
    series: str
    key: PoolKey
    units: int


def load_pools_of_line(connection: Connection, line_id: int) -> list[PoolSize]:
    """Every pool of a line's chips, in a fixed order, with the units that are counted in each."""
    units = func.count(EvidenceRow.unit_id.distinct())
    rows = connection.execute(
        select(
            Pool.id,
            Chip.key,
            Chip.series,
            Pool.control,
            Pool.domains,
            Pool.clock_band_mhz,
            units,
        )
        .join(Chip, Chip.id == Pool.chip_id)
        .outerjoin(EvidenceRow, EvidenceRow.pool_id == Pool.id)
        .where(Chip.line_id == line_id)
        .group_by(Pool.id)
        .order_by(Chip.key, Pool.control, Pool.domains, Pool.clock_band_mhz)
    )
    return [PoolSize(row[0], row[1], row[2], PoolKey(*row[3:6]), row[6]) for row in rows]


@dataclass(frozen=True, slots=True)
class StockPoint:
    """A clock and the stock voltage that one report gives for it."""

    clock_mhz: float
    stock_mv: float


def load_stock_points(connection: Connection, pool_id: int) -> list[StockPoint]:
    """The counted stock voltages of a pool in a fixed order."""
    rows = connection.execute(
        select(SettingResult.clock_mhz, SettingResult.stock_mv)
        .where(
            SettingResult.pool_id == pool_id,
            SettingResult.status == "counted",
            SettingResult.stock_mv.is_not(None),
        )
        .order_by(SettingResult.clock_mhz, SettingResult.stock_mv)
    )
    return [StockPoint(*row) for row in rows]


def count_units_by_status(connection: Connection, pool_id: int) -> dict[str, int]:
    """How many units have results of each screening status in a pool."""
    rows = connection.execute(
        select(SettingResult.status, func.count(SettingResult.unit_id.distinct()))
        .where(SettingResult.pool_id == pool_id)
        .group_by(SettingResult.status)
    )
    return {row[0]: row[1] for row in rows}


@dataclass(frozen=True, slots=True)
class ConditionsCount:
    """How many units of a pool passed something under these conditions."""

    loads: str
    grade: str
    units: int


def count_units_by_conditions(connection: Connection, pool_id: int) -> list[ConditionsCount]:
    """The conditions behind a pool's stable ends, in a fixed order."""
    rows = connection.execute(
        select(Conditions.loads, Conditions.grade, func.count(EvidenceRow.unit_id.distinct()))
        .join(Conditions, Conditions.id == EvidenceRow.conditions_id)
        .where(EvidenceRow.pool_id == pool_id, EvidenceRow.stable_steps > 0)
        .group_by(Conditions.id)
        .order_by(Conditions.loads, Conditions.grade)
    )
    return [ConditionsCount(*row) for row in rows]
