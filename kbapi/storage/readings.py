"""Readings and lock reports of a document as rows, in its order; pairs of readings."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any, Final, Literal

from sqlalchemy import Connection

from kbapi.storage.contributors import UnitRow
from kbapi.storage.sqlite.engine import add_rows, find_rows
from kbapi.vocabulary import Load, PowerScope

_PLACE = ("submission_id", "chip_id", "unit_id", "contributor_id", "ordinal")


class DocumentRows:
    """A table whose further columns are the fields of a dataclass."""

    def __init__(self, table: str, kind: type[Any]) -> None:
        told = tuple(field.name for field in fields(kind))
        columns = (*_PLACE, *told)
        self._add = (
            f"INSERT INTO {table} ({', '.join(columns)}) "  # noqa: S608 - names of our own
            f"VALUES ({', '.join('?' * len(columns))})"
        )
        self._told_of = attrgetter(*told)

    def save(
        self,
        connection: Connection,
        submission_id: int,
        chip_id: int,
        unit: UnitRow,
        parts: Sequence[Any],
    ) -> None:
        """Keep these of a document; none is no fault."""
        if not parts:
            return
        place = (submission_id, chip_id, unit.id, unit.contributor_id)
        rows = [(*place, ordinal, *self._told_of(part)) for ordinal, part in enumerate(parts)]
        add_rows(connection, self._add, rows)


@dataclass(frozen=True, slots=True)
class NewLock:
    """One report on its way into the database; texts are empty where nothing was told."""

    domain: str
    control: str
    status: str
    found_by: str
    changes: str
    measured_month: str
    machine: str
    firmware: str
    firmware_month: str
    microcode: str
    os: str
    virtualization: str
    hypervisor: str
    memory_integrity: str
    kernel_lockdown: str
    voltage_write_protection: str


LOCK_ROWS: Final = DocumentRows("lock_report", NewLock)


@dataclass(frozen=True, slots=True)
class NewReading:
    """One reading on its way into the database; texts are empty where nothing was told."""

    state: str
    is_below_stock: int
    load: str
    runs: int | None
    minutes: float | None
    power_w: float | None
    power_scope: str
    power_cap_w: float | None
    clock_mhz: float | None
    clock_spread_mhz: float | None
    clock_kind: str
    temp_avg_c: float | None
    temp_max_c: float | None
    temp_sensor: str
    ambient_c: float | None
    fan: str
    noise_dba: float | None
    performance: float | None
    performance_low: float | None
    performance_unit: str


READING_ROWS: Final = DocumentRows("reading", NewReading)


Numbers = tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class PairColumns:
    """Tuned beside stock of one document: one load, one cap, one kind of everything measured.

    Each field holds one entry a pair, because a thousand units as objects would cost more than
    their sums. Ratios are tuned over stock, differences tuned less stock; None where untold.
    """

    contributor_id: tuple[int, ...]
    unit_id: tuple[int, ...]
    unit_order: tuple[bytes, ...]
    """Puts units in an order that has nothing to do with when they came."""
    month: tuple[str, ...]
    load: tuple[Load, ...]
    is_capped: tuple[int, ...]
    is_fan_fixed: tuple[int, ...]
    """Both times."""
    performance_ratio: Numbers
    """More is better, whatever the unit of measure; None where that differed."""
    power_ratio: Numbers
    clock_ratio: Numbers
    rise_c: Numbers
    """Above the room, whose own temperature must be told both times."""
    stock_heat_c: Numbers
    """Of stock above the room."""
    louder_dba: Numbers
    clock_spread: Numbers
    """Of stock, as a share of its clock."""
    runs_stock: tuple[int, ...]
    """How many runs a reading is the mean of; one where nobody said."""
    runs_tuned: tuple[int, ...]


# A tuned reading speaks only beside a setting that counts: a locked machine ignores the request,
# and its readings would say that tuning changes nothing.
_PAIRS: Final = """
    WITH sent AS MATERIALIZED (
        SELECT submission.id, submission.measured_month AS month,
               COALESCE(unit.token_hash, x'') AS unit_order
        FROM submission JOIN unit ON unit.id = submission.unit_id
        WHERE submission.chip_id = ?1
          AND EXISTS (SELECT 1 FROM setting_result AS setting
                      WHERE setting.submission_id = submission.id AND setting.status = 'counted')
    )
    SELECT stock.contributor_id, stock.unit_id, sent.unit_order,
           sent.month, stock.load, stock.power_cap_w IS NOT NULL,
           stock.fan = 'fixed' AND tuned.fan = 'fixed',
           CASE WHEN stock.performance_unit <> tuned.performance_unit THEN NULL
                WHEN stock.performance_unit = '' THEN NULL
                WHEN stock.performance_unit = 's_per_job'
                THEN stock.performance / tuned.performance
                ELSE tuned.performance / stock.performance END,
           tuned.power_w / stock.power_w,
           CASE WHEN stock.clock_kind <> 'requested' THEN tuned.clock_mhz / stock.clock_mhz END,
           CASE WHEN stock.temp_sensor = tuned.temp_sensor
                THEN COALESCE(tuned.temp_avg_c - stock.temp_avg_c,
                              tuned.temp_max_c - stock.temp_max_c)
                     - (tuned.ambient_c - stock.ambient_c) END,
           COALESCE(stock.temp_avg_c, stock.temp_max_c) - stock.ambient_c,
           tuned.noise_dba - stock.noise_dba,
           stock.clock_spread_mhz / stock.clock_mhz,
           COALESCE(stock.runs, 1), COALESCE(tuned.runs, 1)
    FROM sent
    JOIN reading AS stock ON stock.submission_id = sent.id
    JOIN reading AS tuned ON tuned.submission_id = stock.submission_id
         AND tuned.state = 'tuned' AND tuned.is_below_stock = 1 AND tuned.load = stock.load
         AND tuned.power_cap_w IS stock.power_cap_w
         AND tuned.power_scope = stock.power_scope AND tuned.clock_kind = stock.clock_kind
    WHERE stock.load <> '' AND (?2 = '' OR stock.load = ?2) AND stock.state = 'stock'
    """


def load_pairs(connection: Connection, chip_id: int, load: str = "") -> PairColumns | None:
    """Every pair of a chip's readings that may be compared, in no order; None without any."""
    columns = list(zip(*find_rows(connection, _PAIRS, (chip_id, load)), strict=True))
    return PairColumns(*columns) if columns else None


@dataclass(frozen=True, slots=True)
class RepeatRow:
    """One of several stock readings of one unit under one load and cap."""

    kind: int
    """Equal for readings that only repeat one another."""
    runs: int
    power_w: float | None
    clock_mhz: float | None
    performance: float | None
    """More is better, whatever the unit of measure."""
    heat_c: float | None
    """Above the room."""
    noise_dba: float | None


# A clock that was asked for repeats itself to the last digit, and is in no pair either.
# At stock alone: nothing but the runs can differ there, while tuned ones may differ in settings.
_REPEATS: Final = """
    WITH alike AS (
        SELECT MIN(id) AS kind, submission_id, load, power_cap_w, power_scope, clock_kind,
               performance_unit, fan, temp_sensor
        FROM reading
        WHERE chip_id = ?1 AND load <> '' AND (?2 = '' OR load = ?2) AND state = 'stock'
        GROUP BY 2, 3, 4, 5, 6, 7, 8, 9 HAVING COUNT(*) > 1
    )
    SELECT alike.kind, COALESCE(one.runs, 1), one.power_w,
           CASE WHEN one.clock_kind <> 'requested' THEN one.clock_mhz END,
           CASE one.performance_unit WHEN 's_per_job' THEN 1.0 / one.performance
                                     ELSE one.performance END,
           one.temp_avg_c - one.ambient_c, one.noise_dba
    FROM alike JOIN reading AS one
      ON one.submission_id = alike.submission_id AND one.state = 'stock' AND one.load = alike.load
     AND one.power_cap_w IS alike.power_cap_w AND one.power_scope = alike.power_scope
     AND one.clock_kind = alike.clock_kind AND one.performance_unit = alike.performance_unit
     AND one.fan = alike.fan AND one.temp_sensor = alike.temp_sensor
    """


def load_repeats(connection: Connection, chip_id: int, load: str = "") -> list[RepeatRow]:
    """Stock readings that only repeat one another: what the noise of runs is learnt from."""
    return [RepeatRow(*row) for row in find_rows(connection, _REPEATS, (chip_id, load))]


@dataclass(frozen=True, slots=True)
class CurveColumns:
    """Readings beside the same unit's stock without a cap, under one load; one entry a reading."""

    contributor_id: tuple[int, ...]
    unit_id: tuple[int, ...]
    unit_order: tuple[bytes, ...]
    month: tuple[str, ...]
    load: tuple[Load, ...]
    power_scope: tuple[PowerScope | Literal[""], ...]
    is_tuned: tuple[int, ...]
    stock_power_w: tuple[float, ...]
    power_w: tuple[float, ...]
    """As measured, else the cap."""
    performance: tuple[float, ...]
    """Over the unit's own uncapped stock; more is better."""


# What a document without any setting measured at stock is as good as another's; one whose
# settings were all set aside is not.
_CURVES: Final = """
    WITH judged AS MATERIALIZED (
        SELECT submission.id, submission.measured_month AS month,
               COALESCE(unit.token_hash, x'') AS unit_order,
               COALESCE(MAX(setting.status = 'counted'), 0) AS is_counted
        FROM submission
        JOIN unit ON unit.id = submission.unit_id
        LEFT JOIN setting_result AS setting ON setting.submission_id = submission.id
        WHERE submission.chip_id = ?1
        GROUP BY submission.id
        HAVING COALESCE(MIN(setting.status = 'excluded'), 0) = 0
    ),
    base AS MATERIALIZED (
        SELECT judged.*, load, power_scope, performance_unit,
               AVG(power_w) AS power_w, AVG(performance) AS performance
        FROM judged JOIN reading ON reading.submission_id = judged.id
        WHERE load <> '' AND (?2 = '' OR load = ?2) AND state = 'stock'
          AND power_cap_w IS NULL AND power_w > 0 AND performance > 0
        GROUP BY judged.id, load, power_scope, performance_unit
    )
    SELECT reading.contributor_id, reading.unit_id, base.unit_order, base.month, base.load,
           base.power_scope, reading.state = 'tuned', base.power_w,
           COALESCE(reading.power_w, reading.power_cap_w),
           CASE WHEN base.performance_unit = 's_per_job'
                THEN base.performance / reading.performance
                ELSE reading.performance / base.performance END
    FROM base
    JOIN reading ON reading.submission_id = base.id AND reading.load = base.load
         AND reading.power_scope = base.power_scope
         AND reading.performance_unit = base.performance_unit
    WHERE reading.performance > 0 AND COALESCE(reading.power_w, reading.power_cap_w) > 0
      AND CASE reading.state WHEN 'stock' THEN reading.power_cap_w IS NOT NULL
                             ELSE reading.is_below_stock = 1 AND base.is_counted = 1 END
    """


def load_curves(connection: Connection, chip_id: int, load: str = "") -> CurveColumns | None:
    """Every reading on a unit's curve of performance over power, in no order; None without any.

    The uncapped stock that all of them are held against is not among them.
    """
    columns = list(zip(*find_rows(connection, _CURVES, (chip_id, load)), strict=True))
    return CurveColumns(*columns) if columns else None
