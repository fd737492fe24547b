"""Chips, lines, pools and conditions, and what counts in a pool."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from secrets import randbits
from typing import Any, Final, Literal

from sqlalchemy import (
    ColumnElement,
    Connection,
    CursorResult,
    FromClause,
    Select,
    and_,
    case,
    column,
    delete,
    exists,
    func,
    literal,
    or_,
    select,
    table,
    update,
)
from sqlalchemy.dialects import sqlite
from sqlmodel import SQLModel, col

from kbapi.storage.sql import (
    Find,
    add_if_missing,
    change_rows,
    find_firsts,
    find_number,
    find_or_add,
    find_row,
    find_rows,
    insert_statement,
    is_sqlite,
    json_of,
    number_by,
    position_of,
)
from kbapi.storage.tables import (
    Chip,
    Conditions,
    Contributor,
    Line,
    Pool,
    SettingResult,
    Submission,
    Unit,
)
from kbapi.storage.tables_evidence import PoolPeers
from kbapi.storage.tables_reports import FollowUp
from kbapi.vocabulary import DOMAINS, ChipKind, Domain, Grade, LimitControl


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A setting, and the decision that it is read with."""

    submission_id: int
    ordinal: int
    decision: Literal["include", "exclude"]

    @property
    def status(self) -> str:
        """The status under the decision; only a setting with an end can be included."""
        return "counted" if self.decision == "include" else "excluded"


_SETTINGS: Final = SQLModel.metadata.tables["setting_result"]


def _settings_after(what_if: WhatIf, schema: str | None) -> Select[Any]:
    """All settings, the one with the status and the decision that it would have."""
    settings = table(_SETTINGS.name, *(column(one.name) for one in _SETTINGS.c), schema=schema)
    here = and_(
        settings.c.submission_id == what_if.submission_id, settings.c.ordinal == what_if.ordinal
    )
    changed = {"decision": what_if.decision, "status": what_if.status}
    return select(
        *(
            case((here, literal(changed[one.name])), else_=one).label(one.name)
            if one.name in changed
            else one
            for one in settings.c
        )
    )


def _settings(what_if: WhatIf | None) -> FromClause:
    return _SETTINGS if what_if is None else _settings_after(what_if, None).subquery()


def with_what_if(connection: Connection, what_if: WhatIf | None, statement: str) -> str:
    """The statement, reading settings as they would be after the decision."""
    if what_if is None:
        return statement
    # The values are written out, because the statement numbers its own parameters. The database
    # merges a common table expression into the statement, so indexes still serve. Only SQLite
    # takes the name of the table for that of the expression itself.
    schema = "main" if is_sqlite(connection) else None
    settings = _settings_after(what_if, schema).compile(
        dialect=sqlite.dialect(), compile_kwargs={"literal_binds": True}
    )
    return f"WITH setting_result AS NOT MATERIALIZED ({settings}) {statement}"


# A follow-up follows the decision about its setting. Of several settings of one document in one
# pool it may be about any, so all of them must have been decided so. The unary plus keeps SQLite
# from the index of the pool, which is the wrong one to find the settings of a document.
_ALL_ITS_SETTINGS: Final = """
    COALESCE((
        SELECT MIN(CASE WHEN {} THEN 1 ELSE 0 END) FROM setting_result AS setting
        WHERE setting.submission_id = follow_up.submission_id
          AND +setting.pool_id = follow_up.pool_id
    ), 0)
    """
_TAKEN_OUT: Final = _ALL_ITS_SETTINGS.format("setting.decision IN ('exclude', 'invalidate')")
"""1 where a row of follow_up does not count because of the decision about its setting."""
_SETTINGS_COUNTED: Final = "FROM setting_result WHERE status = 'counted'"
_FOLLOW_UPS_COUNTED: Final = f"FROM follow_up WHERE status = 'counted' AND {_TAKEN_OUT} = 0"
COUNTED: Final = f"""
    SELECT unit_id, pool_id, conditions_id, stable_steps, unstable_steps, early_stop_steps,
           measured_month,
           CASE WHEN decision = 'include' THEN 1 ELSE 0 END AS confirmed_by_curator,
           0 AS is_follow_up,
           CASE WHEN stable_steps IS NULL AND decision <> 'include'
                  AND reasons LIKE '%"stock_unproven"%' THEN 1 ELSE 0 END AS is_stock_unproven,
           submission_id, CAST(NULL AS DATE) AS received_day
    {_SETTINGS_COUNTED}
    UNION ALL
    SELECT unit_id, pool_id, conditions_id, stable_steps, unstable_steps, early_stop_steps,
           measured_month, {_ALL_ITS_SETTINGS.format("setting.decision = 'include'")}, 1, 0,
           submission_id, received_day
    {_FOLLOW_UPS_COUNTED}
    """
"""Every counted setting and follow-up; those without a pass and a failure give no limit."""


def counted_in(pool_id: str) -> tuple[str, str]:
    """The ends of statements about settings and follow-ups with a limit in the pool of a column."""
    in_pool = f" AND pool_id = {pool_id} AND COALESCE(stable_steps, unstable_steps) IS NOT NULL"
    return _SETTINGS_COUNTED + in_pool, _FOLLOW_UPS_COUNTED + in_pool


@dataclass(frozen=True, slots=True)
class ChipRow:
    """A chip's place in this database."""

    id: int
    line_id: int


_CHIP: Final = "SELECT id, line_id FROM chip WHERE key = ?"
CHIP_NUMBER: Final = number_by("chip", "key")
_ADD_CHIP: Final = insert_statement(Chip, ("key", "name", "kind", "series", "line_id"))
_LINE_NUMBER: Final = number_by("line", "key")
_ADD_LINE: Final = insert_statement(Line, ("id", "key", "revision"))


def find_chip(connection: Connection, key: str) -> ChipRow | None:
    """The chip with this key, if any result or question has brought it here."""
    row = find_row(connection, _CHIP, (key,))
    return ChipRow(*row) if row else None


@dataclass(frozen=True, slots=True)
class LineRow:
    """A line's place in this database."""

    id: int
    revision: int


def find_line(connection: Connection, key: str) -> LineRow | None:
    """The line with this key, if any of its chips has results."""
    row = connection.execute(
        select(col(Line.id), col(Line.revision)).where(col(Line.key) == key)
    ).one_or_none()
    return None if row is None else LineRow(row[0] or 0, row[1])


def add_chip(
    connection: Connection, *, key: str, name: str, kind: str, series: str, line: str
) -> ChipRow:
    """The row of a chip that was not here before; its line is added with it."""
    row = find_line(connection, line) or _add_line(connection, line)
    number = find_or_add(
        connection,
        (CHIP_NUMBER, (key,)),
        lambda: (_ADD_CHIP, (key, name, kind, series, row.id)),
    )
    return ChipRow(number, row.id)


_LINE_NUMBER_BITS: Final = 48
"""So many that no number ever comes twice."""


def _add_line(connection: Connection, key: str) -> LineRow:
    new = randbits(_LINE_NUMBER_BITS)
    number = find_or_add(connection, (_LINE_NUMBER, (key,)), lambda: (_ADD_LINE, (new, key, 0)))
    return LineRow(number, 0)


_RAISE: Final = "UPDATE line SET revision = revision + 1 WHERE id = ?"


def raise_line_revision(connection: Connection, line_id: int) -> None:
    """Outdate every stored answer of the line; called in each transaction that changes it."""
    change_rows(connection, _RAISE, (line_id,))


def load_lines(connection: Connection) -> tuple[LineRow, ...]:
    """Every line by number: an equal tuple means that no evidence has changed."""
    rows = connection.execute(select(col(Line.id), col(Line.revision)).order_by(col(Line.id)))
    return tuple(LineRow(row[0], row[1]) for row in rows)


def drop_chip_if_unused(connection: Connection, chip_id: int, line_id: int) -> None:
    """Delete a chip that no submission names any more, and a line without chips."""
    if _is_referred_to(connection, col(Submission.chip_id) == chip_id):
        return
    connection.execute(delete(Chip).where(col(Chip.id) == chip_id))
    drop_line_if_unused(connection, line_id)


def find_relatives(
    connection: Connection, key: str, series: str, line: str, limit: int = 5
) -> list[str]:
    """Keys of other chips with results, those of the series before those of the line."""
    return list(
        connection.execute(
            select(col(Chip.key))
            .join(Line, col(Line.id) == col(Chip.line_id))
            .where(col(Line.key) == line, col(Chip.key) != key)
            .order_by(col(Chip.series) != series, col(Chip.key))
            .limit(limit)
        ).scalars()
    )


@dataclass(frozen=True, slots=True)
class StoredChip:
    """A chip that results have named, as it was read then."""

    key: str
    name: str
    kind: ChipKind
    series: str
    line: str


def load_chips(connection: Connection) -> list[StoredChip]:
    """Every chip that results have named, in the order of keys."""
    rows: CursorResult[Any] = connection.execute(
        select(Chip, col(Line.key).label("line"))
        .join(Line, col(Line.id) == col(Chip.line_id))
        .order_by(col(Chip.key))
    )
    return [StoredChip(row.key, row.name, row.kind, row.series, row.line) for row in rows]


def replace_chip(connection: Connection, chip: StoredChip) -> None:
    """Put a chip's name, series and line in the place of what was read before."""
    line = find_line(connection, chip.line) or _add_line(connection, chip.line)
    connection.execute(
        update(Chip)
        .where(col(Chip.key) == chip.key)
        .values(name=chip.name, kind=chip.kind, series=chip.series, line_id=line.id)
    )


def drop_line_if_unused(connection: Connection, line_id: int) -> None:
    """Delete a line without chips."""
    if not _is_referred_to(connection, col(Chip.line_id) == line_id):
        connection.execute(delete(Line).where(col(Line.id) == line_id))


_POOL: Final = """
    SELECT id FROM pool WHERE chip_id = ? AND control = ? AND domains = ? AND clock_band_mhz = ?
    """
_ADD_POOL: Final = insert_statement(Pool, ("chip_id", "control", "domains", "clock_band_mhz"))
_CONDITIONS: Final = """
    SELECT id FROM conditions WHERE loads = ? AND grade = ? AND firmware = ? AND microcode = ?
       AND machine = ? AND cooling = ? AND supply = ?
    """
_ADD_CONDITIONS: Final = insert_statement(
    Conditions, ("loads", "grade", "firmware", "microcode", "machine", "cooling", "supply")
)


@dataclass(frozen=True, slots=True)
class PoolKey:
    """What makes results one pool, within a chip."""

    control: LimitControl
    domains: str
    clock_band_mhz: int

    @property
    def rails(self) -> tuple[Domain, ...]:
        """The domains that moved together, in the order of the glossary."""
        return _domains_in(self.domains)


@dataclass(frozen=True, slots=True)
class ConditionsKey:
    """The filter values of a result."""

    loads: str
    grade: Grade
    firmware: str = ""
    microcode: str = ""
    machine: str = ""
    cooling: str = ""
    supply: str = ""


@dataclass(frozen=True, slots=True, order=True)
class EvidenceKey:
    """The pool, unit and conditions that a setting or a follow-up belongs to."""

    pool_id: int
    unit_id: int
    conditions_id: int


def moved_with(domain: Domain, domains: str) -> tuple[Domain, ...]:
    """The other domains of a pool, in their fixed order.

    >>> moved_with("core", "core+ring")
    ('ring',)
    """
    return tuple(one for one in _domains_in(domains) if one != domain)


def _domains_in(domains: str) -> tuple[Domain, ...]:
    together = domains.split("+")
    return tuple(code for code in DOMAINS if code in together)


def find_or_add_pool(connection: Connection, chip_id: int, key: PoolKey) -> int:
    """The number of this pool of a chip, added if it had no results before."""
    find = _POOL, _values_of_pool(chip_id, key)
    return find_or_add(connection, find, lambda: (_ADD_POOL, find[1]))


def find_or_add_conditions(connection: Connection, key: ConditionsKey) -> int:
    """The number of these conditions, added if nothing was found under them before."""
    find = _CONDITIONS, _values_of_conditions(key)
    return find_or_add(connection, find, lambda: (_ADD_CONDITIONS, find[1]))


def find_or_add_places(
    connection: Connection, wanted: Iterable[tuple[int, PoolKey, ConditionsKey]]
) -> list[tuple[int, int]]:
    """The numbers of each pool of a chip and of the conditions, added if they are new."""
    finds: list[Find] = []
    for chip_id, pool, conditions in wanted:
        finds.append((_POOL, _values_of_pool(chip_id, pool)))
        finds.append((_CONDITIONS, _values_of_conditions(conditions)))
    found = find_firsts(connection, finds)
    if None in found:  # one of them may be added twice: each is looked up again
        adds = (_ADD_POOL, _ADD_CONDITIONS) * (len(finds) // 2)
        found = [
            find_number(connection, *find) or add_if_missing(connection, find, add, find[1])
            for find, add in zip(finds, adds, strict=True)
        ]
    return list(zip(found[::2], found[1::2], strict=True))


def _values_of_pool(chip_id: int, key: PoolKey) -> tuple[int | str, ...]:
    return chip_id, key.control, key.domains, key.clock_band_mhz


def _values_of_conditions(key: ConditionsKey) -> tuple[str, ...]:
    return (
        key.loads,
        key.grade,
        key.firmware,
        key.microcode,
        key.machine,
        key.cooling,
        key.supply,
    )


def find_places(
    connection: Connection, of: type[SettingResult | FollowUp], submission_id: int
) -> list[EvidenceKey]:
    """The places that the settings or the follow-ups of a document belong to."""
    rows = connection.execute(
        select(col(of.pool_id), col(of.unit_id), col(of.conditions_id)).where(
            col(of.submission_id) == submission_id
        )
    )
    return [EvidenceKey(*row) for row in rows]


def drop_unused_places(connection: Connection, places: Iterable[EvidenceKey]) -> None:
    """Delete pools and conditions that no setting belongs to any more."""
    for place in places:
        if not _are_conditions_used(connection, place.conditions_id):
            connection.execute(delete(Conditions).where(col(Conditions.id) == place.conditions_id))
        if not _is_referred_to(connection, col(SettingResult.pool_id) == place.pool_id):
            connection.execute(delete(Pool).where(col(Pool.id) == place.pool_id))


def _are_conditions_used(connection: Connection, conditions_id: int) -> bool:
    return any(
        _is_referred_to(connection, col(of.conditions_id) == conditions_id)
        for of in (SettingResult, FollowUp)
    )


def _is_referred_to(connection: Connection, condition: ColumnElement[bool]) -> bool:
    return connection.execute(select(exists().where(condition))).scalar_one()


@dataclass(frozen=True, slots=True)
class PoolSize:
    """A pool of a chip and how many units count in it."""

    id: int
    chip_key: str
    series: str
    key: PoolKey
    units: int
    line: LineRow
    """As it was read with the units."""


_COUNTED_SETTINGS, _COUNTED_FOLLOW_UPS = counted_in("pool.id")
_POOLS: Final = f"""
    SELECT pool.id, chip.key, chip.series, pool.control, pool.domains, pool.clock_band_mhz, (
        SELECT COUNT(*) FROM (
            SELECT unit_id {_COUNTED_SETTINGS} UNION SELECT unit_id {_COUNTED_FOLLOW_UPS}
        ) AS counted
    ), line.id, line.revision
    FROM pool JOIN chip ON chip.id = pool.chip_id JOIN line ON line.id = chip.line_id
    """  # noqa: S608 - put together from constants of this file
_OF_LINE: Final = "WHERE chip.line_id = ?"
_IN_ORDER: Final = " ORDER BY chip.key, pool.control, pool.domains, pool.clock_band_mhz"


def load_pools_of_line(
    connection: Connection, line_id: int, what_if: WhatIf | None = None
) -> list[PoolSize]:
    """Every pool of a line's chips, in a fixed order, with the units that are counted in each."""
    statement = with_what_if(connection, what_if, _POOLS + _OF_LINE + _IN_ORDER)
    return _pool_sizes(find_rows(connection, statement, (line_id,)))


def load_all_pools(connection: Connection) -> list[PoolSize]:
    """Every pool of the instance, in a fixed order, with the units that are counted in each."""
    return _pool_sizes(find_rows(connection, _POOLS + _IN_ORDER, ()))


_OF_THESE: Final = "WHERE pool.id IN (SELECT value FROM json_each(?))"


def load_pools(connection: Connection, ids: Sequence[int]) -> list[PoolSize]:
    """The pools with these numbers, in a fixed order, with the units that are counted in each."""
    values = (json_of(ids),)
    return _pool_sizes(find_rows(connection, _POOLS + _OF_THESE + _IN_ORDER, values))


def find_pools_of_others(
    connection: Connection, line_id: int | None, control: str, kind: str
) -> dict[LineRow, set[int]]:
    """The numbers of the pools of this control in chips of this kind, by line, outside this one."""
    rows = connection.execute(
        select(col(Pool.id), col(Line.id), col(Line.revision))
        .join(Chip, col(Chip.id) == col(Pool.chip_id))
        .join(Line, col(Line.id) == col(Chip.line_id))
        .where(col(Pool.control) == control, col(Chip.kind) == kind)
    )
    found: dict[LineRow, set[int]] = {}
    for pool_id, line, revision in rows:
        if line != line_id:
            found.setdefault(LineRow(line, revision), set()).add(pool_id)
    return found


_MOST_TRUSTED: Final = 60
"""Pools with as many trusted units are not compared further: more would have to be read."""


def count_trusted_units(
    connection: Connection, pool_id: int, established_by: date, without_token: bytes
) -> int:
    """How many units of contributors who may be established the pool has, at most sixty."""
    first_seen = col(Contributor.first_seen_day)
    units = (
        select(col(SettingResult.unit_id))
        .join(Unit, col(Unit.id) == col(SettingResult.unit_id))
        .join(Contributor, col(Contributor.id) == col(Unit.contributor_id))
        .where(
            col(SettingResult.pool_id) == pool_id,
            col(SettingResult.status) == "counted",
            or_(first_seen <= established_by, col(Contributor.is_vouched) == 1),
            col(Contributor.token_hash) != without_token,
        )
        .distinct()
        .limit(_MOST_TRUSTED)
        .subquery()
    )
    return connection.execute(select(func.count()).select_from(units)).scalar_one()


def _pool_sizes(rows: Iterable[tuple[Any, ...]]) -> list[PoolSize]:
    return [
        PoolSize(row[0], row[1], row[2], PoolKey(*row[3:6]), row[6], LineRow(*row[7:]))
        for row in rows
    ]


@dataclass(frozen=True, slots=True)
class StockPoint:
    """A clock and the stock voltage that one report gives for it."""

    clock_mhz: float
    stock_mv: float


def load_stock_points(
    connection: Connection, chip_key: str, domains: str, what_if: WhatIf | None = None
) -> list[StockPoint]:
    """The counted stock voltages of a chip's domains over all clocks, in a fixed order."""
    setting = _settings(what_if).c
    rows = connection.execute(
        select(setting.clock_mhz, setting.stock_mv)
        .join(Pool, col(Pool.id) == setting.pool_id)
        .join(Chip, col(Chip.id) == col(Pool.chip_id))
        .where(
            col(Chip.key) == chip_key,
            col(Pool.control) == "fixed_clock_voltage",
            col(Pool.domains) == domains,
            setting.status == "counted",
            setting.stock_mv.is_not(None),
        )
        .order_by(setting.clock_mhz, setting.stock_mv)
    )
    return [StockPoint(row.clock_mhz, row.stock_mv) for row in rows]


def count_units_by_status(
    connection: Connection, pool_id: int, what_if: WhatIf | None = None
) -> dict[str, int]:
    """How many units have results of each screening status in a pool."""
    setting = _settings(what_if).c
    rows = connection.execute(
        select(setting.status, func.count(setting.unit_id.distinct()))
        .where(setting.pool_id == pool_id)
        .group_by(setting.status)
    )
    return {row[0]: row[1] for row in rows}


def find_largest_pool(
    connection: Connection, chip_key: str, control: str, domain: str
) -> int | None:
    """The largest pool of a chip's control that holds the domain, if there is one."""
    units = func.count(col(SettingResult.unit_id).distinct())
    return connection.execute(
        select(col(Pool.id))
        .join(Chip, col(Chip.id) == col(Pool.chip_id))
        .join(SettingResult, col(SettingResult.pool_id) == col(Pool.id))
        .where(
            col(Chip.key) == chip_key,
            col(Pool.control) == control,
            col(SettingResult.status) == "counted",
            position_of("+" + col(Pool.domains) + "+", f"+{domain}+") > 0,
        )
        .group_by(col(Pool.id))
        .order_by(units.desc(), col(Pool.domains), col(Pool.clock_band_mhz))
        .limit(1)
    ).scalar_one_or_none()


def find_peers_day(connection: Connection, pool_id: int) -> date | None:
    """The day that the pool's peers are of, None without any."""
    of_pool = select(col(PoolPeers.day)).where(col(PoolPeers.pool_id) == pool_id)
    return connection.execute(of_pool).scalar_one_or_none()
