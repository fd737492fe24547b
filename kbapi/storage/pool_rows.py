"""Pools and what stands beside their units: sizes, screening counts, stock voltages."""

from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, func, select, true

from kbapi.storage.places import PoolKey
from kbapi.storage.tables import Chip, EvidenceRow, Pool, SettingResult


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
    return _load_pools(connection, Chip.line_id == line_id)


def load_all_pools(connection: Connection) -> list[PoolSize]:
    """Every pool of the instance, in a fixed order, with the units that are counted in each."""
    return _load_pools(connection, true())


def _load_pools(connection: Connection, condition: ColumnElement[bool]) -> list[PoolSize]:
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
        .where(condition)
        .group_by(Pool.id)
        .order_by(Chip.key, Pool.control, Pool.domains, Pool.clock_band_mhz)
    )
    return [PoolSize(row[0], row[1], row[2], PoolKey(*row[3:6]), row[6]) for row in rows]


@dataclass(frozen=True, slots=True)
class StockPoint:
    """A clock and the stock voltage that one report gives for it."""

    clock_mhz: float
    stock_mv: float


def load_stock_points(connection: Connection, chip_key: str, domains: str) -> list[StockPoint]:
    """The counted stock voltages of a chip's rails over all clocks, in a fixed order."""
    rows = connection.execute(
        select(SettingResult.clock_mhz, SettingResult.stock_mv)
        .join(Pool, Pool.id == SettingResult.pool_id)
        .join(Chip, Chip.id == Pool.chip_id)
        .where(
            Chip.key == chip_key,
            Pool.control == "fixed_clock_voltage",
            Pool.domains == domains,
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
