"""Readings: written by document, read by chip as pairs and as curves put together inside SQLite."""

from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Final

from sqlalchemy import Connection

from kbapi.storage.people import UnitRow
from kbapi.storage.statements import add_rows, find_rows


@dataclass(frozen=True, slots=True)
class NewReading:
    """One reading on its way into the database; texts are empty where nothing was told."""

    state: str
    is_lowered: int
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


_TOLD: Final = tuple(field.name for field in fields(NewReading))
_COLUMNS: Final = ("submission_id", "chip_id", "unit_id", "contributor_id", "ordinal", *_TOLD)
_ADD: Final = (
    f"INSERT INTO reading ({', '.join(_COLUMNS)}) "  # noqa: S608 - of constants of this file
    f"VALUES ({', '.join('?' * len(_COLUMNS))})"
)
_told_of: Final = attrgetter(*_TOLD)


def save_readings(
    connection: Connection,
    submission_id: int,
    chip_id: int,
    unit: UnitRow,
    readings: tuple[NewReading, ...],
) -> None:
    """Keep the readings of a document, in its order."""
    if not readings:
        return
    place = (submission_id, chip_id, unit.id, unit.contributor_id)
    rows = [(*place, ordinal, *_told_of(reading)) for ordinal, reading in enumerate(readings)]
    add_rows(connection, _ADD, rows)


@dataclass(frozen=True, slots=True)
class Measured:
    """What one reading told."""

    runs: int | None
    power_w: float | None
    clock_mhz: float | None
    clock_spread_mhz: float | None
    temp_c: float | None
    """The mean one, else the highest."""
    ambient_c: float | None
    noise_dba: float | None
    performance: float | None


@dataclass(frozen=True, slots=True)
class PairPlace:
    """Whose pair it is and what both of its readings have in common."""

    contributor_id: int
    unit_id: int
    unit_order: str
    """Puts units in an order that has nothing to do with when they came."""
    month: str
    load: str
    power_cap_w: float | None
    fan: str
    """How it was both times; `auto` where it differed or was not told."""
    performance_unit: str
    """Empty where it differed."""


@dataclass(frozen=True, slots=True)
class PairRow:
    """Stock and tuned of one document: one load, one cap, one kind of everything measured."""

    place: PairPlace
    stock: Measured
    tuned: Measured


# A tuned reading speaks only beside a setting that counts: a locked machine ignores the request,
# and its readings would say that tuning changes nothing.
_PAIRS: Final = """
    SELECT stock.contributor_id, stock.unit_id, COALESCE(hex(unit.token_hash), ''),
           submission.measured_month, stock.load, stock.power_cap_w,
           CASE WHEN stock.fan = 'fixed' AND tuned.fan = 'fixed' THEN 'fixed' ELSE 'auto' END,
           CASE WHEN stock.performance_unit = tuned.performance_unit
                THEN stock.performance_unit ELSE '' END,
           stock.runs, stock.power_w, CASE WHEN stock.clock_kind <> 'requested'
                                           THEN stock.clock_mhz END,
           stock.clock_spread_mhz,
           CASE WHEN stock.temp_avg_c IS NULL OR tuned.temp_avg_c IS NULL
                THEN stock.temp_max_c ELSE stock.temp_avg_c END,
           stock.ambient_c, stock.noise_dba, stock.performance,
           tuned.runs, tuned.power_w, CASE WHEN tuned.clock_kind <> 'requested'
                                           THEN tuned.clock_mhz END,
           tuned.clock_spread_mhz,
           CASE WHEN stock.temp_sensor <> tuned.temp_sensor THEN NULL
                WHEN stock.temp_avg_c IS NULL OR tuned.temp_avg_c IS NULL
                THEN tuned.temp_max_c ELSE tuned.temp_avg_c END,
           tuned.ambient_c, tuned.noise_dba, tuned.performance
    FROM reading AS stock
    JOIN reading AS tuned ON tuned.submission_id = stock.submission_id
         AND tuned.state = 'tuned' AND tuned.is_lowered = 1 AND tuned.load = stock.load
         AND tuned.power_cap_w IS stock.power_cap_w
         AND tuned.power_scope = stock.power_scope AND tuned.clock_kind = stock.clock_kind
    JOIN submission ON submission.id = stock.submission_id
    JOIN unit ON unit.id = stock.unit_id
    WHERE stock.chip_id = ?1 AND stock.load <> '' AND (?2 = '' OR stock.load = ?2)
      AND stock.state = 'stock'
      AND EXISTS (SELECT 1 FROM setting_result AS setting
                  WHERE setting.submission_id = stock.submission_id
                    AND setting.status = 'counted')
    """
_SHARED: Final = len(fields(PairPlace))
_BOTH: Final = _SHARED + len(fields(Measured))


def load_pairs(connection: Connection, chip_id: int, load: str = "") -> list[PairRow]:
    """Every pair of a chip's readings that may be compared, in no order."""
    return [
        PairRow(PairPlace(*row[:_SHARED]), Measured(*row[_SHARED:_BOTH]), Measured(*row[_BOTH:]))
        for row in find_rows(connection, _PAIRS, (chip_id, load))
    ]


@dataclass(frozen=True, slots=True)
class RepeatRow:
    """One of several stock readings of one unit under one load and cap."""

    kind: int
    """Equal for readings that only repeat one another."""
    runs: int
    power_w: float | None
    clock_mhz: float | None
    performance: float | None
    heat_c: float | None
    """Above the room."""
    noise_dba: float | None


# At stock alone: nothing but the runs can differ there, while tuned ones may differ in settings.
_REPEATS: Final = """
    WITH alike AS (
        SELECT reading.*,
               DENSE_RANK() OVER (ORDER BY submission_id, load, power_cap_w, power_scope,
                                           clock_kind, performance_unit, fan, temp_sensor) AS kind
        FROM reading
        WHERE chip_id = ?1 AND load <> '' AND (?2 = '' OR load = ?2) AND state = 'stock'
    ),
    counted AS (SELECT alike.*, COUNT(*) OVER (PARTITION BY kind) AS together FROM alike)
    SELECT kind, COALESCE(runs, 1), power_w, clock_mhz, performance, temp_avg_c - ambient_c,
           noise_dba
    FROM counted WHERE together > 1 ORDER BY kind, ordinal
    """


def load_repeats(connection: Connection, chip_id: int, load: str = "") -> list[RepeatRow]:
    """Stock readings that only repeat one another: what the noise of runs is learnt from."""
    return [RepeatRow(*row) for row in find_rows(connection, _REPEATS, (chip_id, load))]


@dataclass(frozen=True, slots=True)
class CurveRow:
    """One reading beside the same unit's stock without a cap, under one load."""

    contributor_id: int
    unit_id: int
    unit_order: str
    month: str
    load: str
    power_scope: str
    state: str
    is_uncapped: int
    stock_power_w: float
    power_w: float
    """As measured, else the cap."""
    performance: float
    """Over the unit's own uncapped stock; more is better."""


# What a document without any setting measured at stock is as good as another's; one whose
# settings were all set aside is not.
_CURVES: Final = """
    WITH judged AS (
        SELECT submission_id, MAX(status = 'counted') AS counted, MIN(status = 'set_aside') AS aside
        FROM setting_result
        WHERE submission_id IN (SELECT submission_id FROM reading WHERE chip_id = ?1)
        GROUP BY submission_id
    ),
    base AS (
        SELECT submission_id, load, power_scope, performance_unit,
               AVG(power_w) AS power_w, AVG(performance) AS performance
        FROM reading
        WHERE chip_id = ?1 AND load <> '' AND (?2 = '' OR load = ?2) AND state = 'stock'
          AND power_cap_w IS NULL AND power_w > 0 AND performance > 0
        GROUP BY submission_id, load, power_scope, performance_unit
    )
    SELECT reading.contributor_id, reading.unit_id, COALESCE(hex(unit.token_hash), ''),
           submission.measured_month, reading.load, reading.power_scope, reading.state,
           reading.power_cap_w IS NULL, base.power_w,
           COALESCE(reading.power_w, reading.power_cap_w),
           CASE WHEN base.performance_unit = 's_per_job'
                THEN base.performance / reading.performance
                ELSE reading.performance / base.performance END
    FROM reading
    JOIN base ON base.submission_id = reading.submission_id AND base.load = reading.load
         AND base.power_scope = reading.power_scope
         AND base.performance_unit = reading.performance_unit
    JOIN submission ON submission.id = reading.submission_id
    JOIN unit ON unit.id = reading.unit_id
    LEFT JOIN judged ON judged.submission_id = reading.submission_id
    WHERE reading.chip_id = ?1 AND COALESCE(judged.aside, 0) = 0
      AND reading.performance > 0 AND COALESCE(reading.power_w, reading.power_cap_w) > 0
      AND (reading.state = 'stock' OR (reading.is_lowered = 1 AND judged.counted = 1))
    """


def load_curve_rows(connection: Connection, chip_id: int, load: str = "") -> list[CurveRow]:
    """Every reading that lies on a unit's curve of performance over power, in no order."""
    return [CurveRow(*row) for row in find_rows(connection, _CURVES, (chip_id, load))]
