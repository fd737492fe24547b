"""Readings and lock reports of a document as rows, in its order; pairs of readings."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any, Final, Literal

from sqlalchemy import CTE, ColumnElement, Connection, Select, String, bindparam, exists
from sqlalchemy import select as select_columns
from sqlalchemy.orm import aliased
from sqlmodel import SQLModel, and_, case, col, func

from kbapi.storage.contributors import UnitRow
from kbapi.storage.sql import Rows, add_parts, insert_statement, load_as, load_columns, materialized
from kbapi.storage.tables import SettingResult, Submission, Unit
from kbapi.storage.tables_reports import LockReport, Reading
from kbapi.vocabulary import Load, PowerScope

_PLACE: Final = ("submission_id", "chip_id", "unit_id", "contributor_id", "ordinal")


class DocumentRows:
    """A table whose further columns are the fields of a dataclass."""

    def __init__(self, table: type[SQLModel], kind: type[Any]) -> None:
        names = tuple(field.name for field in fields(kind))
        self._add = insert_statement(table, (*_PLACE, *names))
        self._values_of = attrgetter(*names)

    def save(
        self,
        connection: Connection,
        submission_id: int,
        chip_id: int,
        unit: UnitRow,
        parts: Sequence[Any],
    ) -> None:
        """Store these of a document; there may be none."""
        add_parts(connection, [self.rows(submission_id, chip_id, unit, parts)])

    def rows(self, submission_id: int, chip_id: int, unit: UnitRow, parts: Sequence[Any]) -> Rows:
        """The rows of these parts of a document, to be added."""
        place = (submission_id, chip_id, unit.id, unit.contributor_id)
        rows = [(*place, ordinal, *self._values_of(part)) for ordinal, part in enumerate(parts)]
        return self._add, rows


@dataclass(frozen=True, slots=True)
class NewLock:
    """One new lock report; texts are empty where nothing was sent."""

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


LOCK_ROWS: Final = DocumentRows(LockReport, NewLock)


@dataclass(frozen=True, slots=True)
class NewReading:
    """One new reading; texts are empty where nothing was sent."""

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


READING_ROWS: Final = DocumentRows(Reading, NewReading)


Numbers = tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class PairColumns:
    """Tuned beside stock of one document: one load, one cap, one kind of everything measured.

    Each field holds one entry a pair, because a thousand units as objects would cost more than
    their sums. Ratios are tuned over stock, differences tuned less stock; None if not reported.
    """

    contributor_id: tuple[int, ...]
    unit_id: tuple[int, ...]
    unit_order: tuple[bytes, ...]
    """Gives units an order that does not depend on their arrival."""
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
    """Above the room, whose own temperature must be reported both times."""
    stock_heat_c: Numbers
    """Of stock above the room."""
    louder_dba: Numbers
    clock_spread: Numbers
    """Of stock, as a share of its clock."""
    runs_stock: tuple[int, ...]
    """How many runs a reading is the mean of; one if not reported."""
    runs_tuned: tuple[int, ...]


_LOAD: Final = bindparam("load", type_=String)
"""Only readings under this load; empty for all."""
# A unit without a token of its own comes first.
_UNIT_ORDER: Final = func.coalesce(col(Unit.token_hash), b"").label("unit_order")


def _sent() -> CTE:
    # Only beside a setting that counts: a locked machine ignores the request, and its readings
    # would show that tuning changes nothing.
    has_counted = exists().where(
        col(SettingResult.submission_id) == col(Submission.id),
        col(SettingResult.status) == "counted",
    )
    return materialized(
        select_columns(
            col(Submission.id), col(Submission.measured_month).label("month"), _UNIT_ORDER
        )
        .join(Unit, col(Unit.id) == col(Submission.unit_id))
        .where(col(Submission.chip_id) == bindparam("chip_id"), has_counted),
        "sent",
    )


def _ratios(stock: type[Reading], tuned: type[Reading]) -> tuple[ColumnElement[Any], ...]:
    return (
        case(
            (col(stock.performance_unit) != col(tuned.performance_unit), None),
            (col(stock.performance_unit) == "", None),
            (
                col(stock.performance_unit) == "s_per_job",
                col(stock.performance) / col(tuned.performance),
            ),
            else_=col(tuned.performance) / col(stock.performance),
        ).label("performance_ratio"),
        (col(tuned.power_w) / col(stock.power_w)).label("power_ratio"),
        case(
            (
                col(stock.clock_kind) != "requested",
                col(tuned.clock_mhz) / col(stock.clock_mhz),
            )
        ).label("clock_ratio"),
        (col(stock.clock_spread_mhz) / col(stock.clock_mhz)).label("clock_spread"),
    )


def _differences(stock: type[Reading], tuned: type[Reading]) -> tuple[ColumnElement[Any], ...]:
    return (
        case(
            (
                col(stock.temp_sensor) == col(tuned.temp_sensor),
                func.coalesce(
                    col(tuned.temp_avg_c) - col(stock.temp_avg_c),
                    col(tuned.temp_max_c) - col(stock.temp_max_c),
                )
                - (col(tuned.ambient_c) - col(stock.ambient_c)),
            )
        ).label("rise_c"),
        (func.coalesce(col(stock.temp_avg_c), col(stock.temp_max_c)) - col(stock.ambient_c)).label(
            "stock_heat_c"
        ),
        (col(tuned.noise_dba) - col(stock.noise_dba)).label("louder_dba"),
    )


def _pairs() -> Select[*tuple[Any, ...]]:
    stock, tuned, sent = aliased(Reading), aliased(Reading), _sent()
    return (
        select_columns(
            col(stock.contributor_id),
            col(stock.unit_id),
            sent.c.unit_order,
            sent.c.month,
            col(stock.load),
            _as_int(col(stock.power_cap_w).is_not(None)).label("is_capped"),
            _as_int(and_(col(stock.fan) == "fixed", col(tuned.fan) == "fixed")).label(
                "is_fan_fixed"
            ),
            *_ratios(stock, tuned),
            *_differences(stock, tuned),
            func.coalesce(col(stock.runs), 1).label("runs_stock"),
            func.coalesce(col(tuned.runs), 1).label("runs_tuned"),
        )
        .select_from(sent)
        .join(stock, col(stock.submission_id) == sent.c.id)
        .join(
            tuned,
            and_(
                col(tuned.submission_id) == col(stock.submission_id),
                col(tuned.state) == "tuned",
                col(tuned.is_below_stock) == 1,
                col(tuned.load) == col(stock.load),
                col(tuned.power_cap_w).is_not_distinct_from(col(stock.power_cap_w)),
                col(tuned.power_scope) == col(stock.power_scope),
                col(tuned.clock_kind) == col(stock.clock_kind),
            ),
        )
        .where(
            col(stock.load) != "",
            _LOAD.in_(["", col(stock.load)]),
            col(stock.state) == "stock",
        )
    )


def _as_int(condition: ColumnElement[bool]) -> ColumnElement[int]:
    return case((condition, 1), else_=0)


_PAIRS: Final = _pairs()


def load_pairs(connection: Connection, chip_id: int, load: str = "") -> PairColumns | None:
    """Every pair of a chip's readings that may be compared, in no order; None without any."""
    return load_columns(connection, PairColumns, _PAIRS, {"chip_id": chip_id, "load": load})


@dataclass(frozen=True, slots=True)
class RepeatRow:
    """One of several stock readings of one unit under one load and cap."""

    kind: int
    """Equal for readings that only repeat one another."""
    contributor_id: int
    unit_id: int
    runs: int
    power_w: float | None
    clock_mhz: float | None
    performance: float | None
    """More is better, whatever the unit of measure."""
    heat_c: float | None
    """Above the room."""
    noise_dba: float | None


_ALIKE: Final = (
    "submission_id",
    "load",
    "power_cap_w",
    "power_scope",
    "clock_kind",
    "performance_unit",
    "fan",
    "temp_sensor",
)


def _alike() -> CTE:
    alike_columns = [getattr(Reading, name) for name in _ALIKE]
    # At stock alone: there nothing differs but the runs, while tuned ones may differ in settings.
    return (
        select_columns(func.min(Reading.id).label("kind"), *alike_columns)
        .where(
            col(Reading.chip_id) == bindparam("chip_id"),
            col(Reading.load) != "",
            _LOAD.in_(["", col(Reading.load)]),
            col(Reading.state) == "stock",
        )
        .group_by(*alike_columns)
        .having(func.count() > 1)
        .cte("alike")
    )


def _repeats() -> Select[*tuple[Any, ...]]:
    alike = _alike()
    return (
        select_columns(
            alike.c.kind,
            col(Reading.contributor_id),
            col(Reading.unit_id),
            func.coalesce(col(Reading.runs), 1).label("runs"),
            col(Reading.power_w),
            # A requested clock repeats itself to the last digit, and is in no pair either.
            case((col(Reading.clock_kind) != "requested", col(Reading.clock_mhz))).label(
                "clock_mhz"
            ),
            case(
                (col(Reading.performance_unit) == "s_per_job", 1.0 / col(Reading.performance)),
                else_=col(Reading.performance),
            ).label("performance"),
            (col(Reading.temp_avg_c) - col(Reading.ambient_c)).label("heat_c"),
            col(Reading.noise_dba),
        )
        .select_from(alike)
        .join(
            Reading,
            and_(
                col(Reading.state) == "stock",
                *(
                    getattr(Reading, name).is_not_distinct_from(alike.c[name])
                    if name == "power_cap_w"
                    else getattr(Reading, name) == alike.c[name]
                    for name in _ALIKE
                ),
            ),
        )
    )


_REPEATS: Final = _repeats()


def load_repeats(connection: Connection, chip_id: int, load: str = "") -> list[RepeatRow]:
    """Stock readings that only repeat one another, which show the noise between runs."""
    return load_as(connection, RepeatRow, _REPEATS, {"chip_id": chip_id, "load": load})


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


def _trusted() -> CTE:
    status = col(SettingResult.status)
    # A document without any setting may have measured stock; one whose settings were all excluded
    # may not be trusted.
    return materialized(
        select_columns(
            col(Submission.id),
            col(Submission.measured_month).label("month"),
            _UNIT_ORDER,
            func.coalesce(func.max(_as_int(status == "counted")), 0).label("is_counted"),
        )
        .join(Unit, col(Unit.id) == col(Submission.unit_id))
        .outerjoin(SettingResult, col(SettingResult.submission_id) == col(Submission.id))
        .where(col(Submission.chip_id) == bindparam("chip_id"))
        .group_by(col(Submission.id), col(Unit.id))
        .having(func.coalesce(func.min(_as_int(status == "excluded")), 0) == 0),
        "trusted",
    )


def _stock_means(trusted: CTE) -> CTE:
    stock_of = (
        trusted.c.id,
        trusted.c.month,
        trusted.c.unit_order,
        trusted.c.is_counted,
        col(Reading.load),
        col(Reading.power_scope),
        col(Reading.performance_unit),
    )
    return materialized(
        select_columns(
            *stock_of,
            func.avg(Reading.power_w).label("power_w"),
            func.avg(Reading.performance).label("performance"),
        )
        .select_from(trusted)
        .join(Reading, col(Reading.submission_id) == trusted.c.id)
        .where(
            col(Reading.load) != "",
            _LOAD.in_(["", col(Reading.load)]),
            col(Reading.state) == "stock",
            col(Reading.power_cap_w).is_(None),
            col(Reading.power_w) > 0,
            col(Reading.performance) > 0,
        )
        .group_by(*stock_of),
        "base",
    )


def _relative_performance(base: CTE) -> ColumnElement[Any]:
    """The performance of a reading over that of its stock; more is better."""
    return case(
        (
            base.c.performance_unit == "s_per_job",
            base.c.performance / col(Reading.performance),
        ),
        else_=col(Reading.performance) / base.c.performance,
    )


def _curves() -> Select[*tuple[Any, ...]]:
    base = _stock_means(_trusted())
    power = func.coalesce(col(Reading.power_w), col(Reading.power_cap_w))
    return (
        select_columns(
            col(Reading.contributor_id),
            col(Reading.unit_id),
            base.c.unit_order,
            base.c.month,
            base.c.load,
            base.c.power_scope,
            _as_int(col(Reading.state) == "tuned").label("is_tuned"),
            base.c.power_w.label("stock_power_w"),
            power.label("power_w"),
            _relative_performance(base).label("performance"),
        )
        .select_from(base)
        .join(
            Reading,
            and_(
                col(Reading.submission_id) == base.c.id,
                col(Reading.load) == base.c.load,
                col(Reading.power_scope) == base.c.power_scope,
                col(Reading.performance_unit) == base.c.performance_unit,
            ),
        )
        .where(
            col(Reading.performance) > 0,
            power > 0,
            case(
                (col(Reading.state) == "stock", col(Reading.power_cap_w).is_not(None)),
                else_=and_(col(Reading.is_below_stock) == 1, base.c.is_counted == 1),
            ),
        )
    )


_CURVES: Final = _curves()


def load_curves(connection: Connection, chip_id: int, load: str = "") -> CurveColumns | None:
    """Every reading on a unit's curve of performance over power, in no order; None without any.

    The uncapped stock readings, which all of them are compared with, are not among them.
    """
    return load_columns(connection, CurveColumns, _CURVES, {"chip_id": chip_id, "load": load})
