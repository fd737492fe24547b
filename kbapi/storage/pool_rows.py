"""Pools as questions read them: filtered, merged by unit and grouped inside the database."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Final

import orjson
from sqlalchemy import ColumnElement, Connection, func, select, text, true

from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.submissions import PoolKey
from kbapi.storage.tables import MAX_STEPS, Chip, EvidenceRow, Pool, SettingResult
from kbapi.vocabulary import GRADES


@dataclass(frozen=True, slots=True)
class UnitGroup:
    """Units of a pool that share one limit interval and all that judging asks of them."""

    stable_steps: int
    unstable_steps: int
    contributor_id: int
    """0 for all contributors that have too few units to be looked at one by one."""
    is_established: bool
    is_vouched: bool
    weight_ppm: int
    """Sum of the units' weights in millionths: integers add up the same in any order."""
    units: int
    latest_month: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Who weighs how much, before any verdict."""

    units_of_full_weight: int
    """How many units of one contributor weigh one each; more share that."""
    units_told_apart: int
    """A contributor of this many units or more is looked at alone."""
    established_by: date
    """Who was first seen later is not established."""
    others_needed: int
    """With fewer other contributors in the pool nobody is established."""
    nobody: bytes
    """Hash that stands for all who send without a token; never established."""


@dataclass(frozen=True, slots=True)
class Filters:
    """Which conditions rows are read under; None is any."""

    load: str | None = None
    grade: str | None = None
    """At least this strength of testing."""
    cooling: str | None = None
    firmware: str | None = None
    microcode: str | None = None
    machine: str | None = None
    supply: str | None = None


EVERYTHING: Final = Filters()

# Filters select rows first. Of what is left, each unit speaks for its latest era: the one with the
# latest month and, of several, the one whose microcode and firmware sort last, so that the order
# of arrival never matters.
_CHOSEN_ROWS: Final = """
    era AS (
        SELECT id, loads, grade,
               printf('%08d', DENSE_RANK() OVER (ORDER BY microcode, firmware)) AS era
        FROM conditions
    ),
    wanted AS (
        SELECT era.id, era.loads, era.grade, era.era
        FROM era JOIN conditions ON conditions.id = era.id
        WHERE (:load IS NULL OR instr(',' || conditions.loads || ',', ',' || :load || ',') > 0)
          AND (:cooling IS NULL
               OR instr(',' || conditions.cooling || ',', ',' || :cooling || ',') > 0)
          AND (:grade IS NULL
               OR instr(:grades, conditions.grade) >= instr(:grades, :grade))
          AND (:firmware IS NULL OR conditions.firmware = :firmware)
          AND (:microcode IS NULL OR conditions.microcode = :microcode)
          AND (:machine IS NULL OR conditions.machine = :machine)
          AND (:supply IS NULL OR conditions.supply = :supply)
    ),
    filtered AS MATERIALIZED (
        SELECT level.unit_id, level.contributor_id, level.stable_steps, level.unstable_steps,
               level.early_stop_steps, level.latest_month, level.vouched,
               wanted.loads, wanted.grade, wanted.era
        FROM evidence_row AS level JOIN wanted ON wanted.id = level.conditions_id
        WHERE level.pool_id = :pool_id
    ),
    newest AS (
        SELECT unit_id, substr(MAX(latest_month || era), 8) AS era
        FROM filtered GROUP BY unit_id
    ),
    chosen AS (
        SELECT filtered.* FROM filtered
        JOIN newest ON newest.unit_id = filtered.unit_id AND newest.era = filtered.era
    )
"""


_PACKING: Final = {"packing": MAX_STEPS + 1, "never_failed": NEVER_FAILED}


def _parameters(pool_id: int, filters: Filters) -> dict[str, Any]:
    return {"pool_id": pool_id, "grades": ",".join(GRADES), **asdict(filters)}


# Two steps, because the deepest pass that counts is the deepest one short of the unit's
# shallowest failure, and that failure may stand in another row. Depth and early stop are packed
# into one number so that MAX brings the early stop of the deepest pass (the smallest one at ties).
_COUNTED_UNITS: Final = f"""
    {_CHOSEN_ROWS},
    failed AS (
        SELECT unit_id, MIN(unstable_steps) AS unstable FROM chosen GROUP BY unit_id
    ),
    merged AS (
        SELECT level.unit_id, level.contributor_id, failed.unstable,
               MAX(CASE WHEN level.stable_steps < failed.unstable
                        THEN level.stable_steps * :packing + (:packing - 1 - level.early_stop_steps)
                        ELSE :packing - 1 END) AS packed,
               MAX(level.latest_month) AS latest_month, MAX(level.vouched) AS vouched
        FROM chosen AS level JOIN failed ON failed.unit_id = level.unit_id
        GROUP BY level.unit_id, level.contributor_id, failed.unstable
    ),
    held AS (
        SELECT unit_id, contributor_id, unstable, latest_month, vouched,
               packed / :packing AS stable, :packing - 1 - packed % :packing AS early_stop
        FROM merged
    ),
    counted AS (
        SELECT unit_id, contributor_id, unstable, latest_month, vouched,
               CASE WHEN unstable < :never_failed THEN stable
                    WHEN stable > early_stop THEN stable - early_stop
                    ELSE 0 END AS stable
        FROM held
    )
"""  # noqa: S608 - put together from constants of this file

# A contributor's one counted unit in a pool with five others is this very pool, or the pool is too
# small to have established weight anyway: nothing is asked of other pools.
_UNIT_GROUPS: Final = text(
    f"""
    WITH {_COUNTED_UNITS},
    share AS (
        SELECT contributor_id,
               CASE WHEN COUNT(*) <= :full_units THEN 1000000
                    ELSE 1000000 * :full_units / COUNT(*) END AS weight_ppm,
               CASE WHEN COUNT(*) >= :told_apart THEN contributor_id ELSE 0 END AS alone,
               COUNT(*) OVER () > :others_needed AS in_company
        FROM counted GROUP BY contributor_id
    ),
    sender AS (
        SELECT share.contributor_id, share.weight_ppm, share.alone,
               share.in_company AND contributor.first_seen_day <= :established_by
               AND contributor.token_hash <> :nobody AS established
        FROM share JOIN contributor ON contributor.id = share.contributor_id
    )
    SELECT stable, unstable, alone, established, vouched, SUM(weight_ppm), COUNT(*),
           MAX(latest_month)
    FROM counted JOIN sender ON sender.contributor_id = counted.contributor_id
    GROUP BY stable, unstable, alone, established, vouched
    ORDER BY stable, unstable, alone, established, vouched
    """  # noqa: S608 - put together from constants of this file
)


def load_unit_groups(
    connection: Connection, pool_id: int, standing: Standing, filters: Filters = EVERYTHING
) -> list[UnitGroup]:
    """The units of a pool, each merged over its rows, grouped by all that judging asks of them."""
    rows = connection.execute(
        _UNIT_GROUPS,
        {
            **_parameters(pool_id, filters),
            **_PACKING,
            "full_units": standing.units_of_full_weight,
            "told_apart": standing.units_told_apart,
            "established_by": standing.established_by.isoformat(),
            "others_needed": standing.others_needed,
            "nobody": standing.nobody,
        },
    )
    return [
        UnitGroup(*row[:3], *(bool(flag) for flag in row[3:5]), *row[5:])
        for row in map(tuple, rows)
    ]


@dataclass(frozen=True, slots=True)
class Outlying:
    """An interval whose units were set aside, and why."""

    stable_steps: int
    unstable_steps: int
    code: str


@dataclass(frozen=True, slots=True)
class UnitSetAside:
    """A unit that judging set aside, and why."""

    unit_id: int
    code: str


_UNITS_OF_INTERVALS: Final = text(
    f"""
    WITH {_COUNTED_UNITS}
    SELECT counted.unit_id, outlying.value ->> 2
    FROM counted JOIN json_each(:outlying) AS outlying
      ON outlying.value ->> 0 = counted.stable AND outlying.value ->> 1 = counted.unstable
    WHERE counted.vouched = 0
    ORDER BY counted.unit_id
    """  # noqa: S608 - put together from constants of this file
)


def find_units_of(
    connection: Connection, pool_id: int, outlying: Sequence[Outlying]
) -> list[UnitSetAside]:
    """The units of a pool that have one of these intervals and that nobody vouches for."""
    if not outlying:
        return []
    told = [[one.stable_steps, one.unstable_steps, one.code] for one in outlying]
    values = {**_parameters(pool_id, EVERYTHING), **_PACKING, "outlying": orjson.dumps(told)}
    rows = connection.execute(_UNITS_OF_INTERVALS, values)
    return [UnitSetAside(*row) for row in rows]


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


@dataclass(frozen=True, slots=True)
class ConditionsCount:
    """How many units of a pool passed something under these conditions."""

    loads: str
    grade: str
    units: int


_UNITS_BY_CONDITIONS: Final = text(
    f"""
    WITH {_CHOSEN_ROWS}
    SELECT loads, grade, COUNT(DISTINCT unit_id) FROM chosen WHERE stable_steps > 0
    GROUP BY loads, grade ORDER BY loads, grade
    """  # noqa: S608 - put together from constants of this file
)


def count_units_by_conditions(
    connection: Connection, pool_id: int, filters: Filters = EVERYTHING
) -> list[ConditionsCount]:
    """The loads and grades behind a pool's stable ends, in a fixed order."""
    rows = connection.execute(_UNITS_BY_CONDITIONS, _parameters(pool_id, filters))
    return [ConditionsCount(*row) for row in rows]
