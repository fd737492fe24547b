"""Pools and what stands beside their units: sizes, screening counts, stock voltages."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import ColumnElement, Connection, func, select, true

from kbapi.storage.places import PoolKey
from kbapi.storage.statements import find_rows
from kbapi.storage.tables import Chip, EvidenceRow, Pool
from kbapi.storage.what_if import WhatIf, supposing


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


_STOCK_POINTS: Final = """
    SELECT setting.clock_mhz, setting.stock_mv
    FROM chip
    JOIN pool ON pool.chip_id = chip.id
    JOIN setting_result AS setting ON setting.pool_id = pool.id
    WHERE chip.key = ? AND pool.control = 'fixed_clock_voltage' AND pool.domains = ?
      AND setting.status = 'counted' AND setting.stock_mv IS NOT NULL
    ORDER BY setting.clock_mhz, setting.stock_mv
    """


def load_stock_points(
    connection: Connection, chip_key: str, domains: str, supposed: WhatIf | None = None
) -> list[StockPoint]:
    """The counted stock voltages of a chip's rails over all clocks, in a fixed order."""
    rows = find_rows(connection, supposing(supposed, _STOCK_POINTS), (chip_key, domains))
    return [StockPoint(*row) for row in rows]


_BY_STATUS: Final = """
    SELECT status, COUNT(DISTINCT unit_id) FROM setting_result WHERE pool_id = ? GROUP BY status
    """


def count_units_by_status(
    connection: Connection, pool_id: int, supposed: WhatIf | None = None
) -> dict[str, int]:
    """How many units have results of each screening status in a pool."""
    rows = find_rows(connection, supposing(supposed, _BY_STATUS), (pool_id,))
    return {row[0]: row[1] for row in rows}
