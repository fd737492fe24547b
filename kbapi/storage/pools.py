"""Chips, lines, pools and conditions, and what stands beside the units of a pool."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Final, Literal

import orjson
from sqlalchemy import ColumnElement, Connection, delete, exists, func, insert, select, true, update

from kbapi.storage.sqlite.engine import change_rows, find_number, find_row, find_rows
from kbapi.storage.tables import Chip, Conditions, Line, Pool, SettingResult, Submission
from kbapi.storage.tables_evidence import EvidenceRow
from kbapi.storage.tables_reports import FollowUp
from kbapi.vocabulary import DOMAINS, ChipKind, Domain, Grade, LimitControl


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A setting, and the word that it is read with."""

    submission_id: int
    ordinal: int
    decision: Literal["include", "exclude"]

    @property
    def status(self) -> str:
        """What the setting would stand as; a setting without an end cannot be made to count."""
        return "counted" if self.decision == "include" else "excluded"


# In the place of the table for one statement: SQLite takes it apart, so that indexes serve as ever.
_IN_ITS_PLACE: Final = """
    WITH setting_result AS NOT MATERIALIZED (
        SELECT id, submission_id, ordinal, unit_id, pool_id, conditions_id, stable_steps,
               unstable_steps, early_stop_steps, measured_month, clock_mhz, stock_mv,
               CASE WHEN {here} THEN '{decision}' ELSE decision END AS decision,
               CASE WHEN {here} THEN '{status}' ELSE status END AS status
        FROM main.setting_result
    )
    """


def with_what_if(what_if: WhatIf | None, statement: str) -> str:
    """A question about settings, asked of the table as it would be with the word."""
    if what_if is None:
        return statement
    # Numbers and words of ours, so that the statement's own values keep their places.
    here = f"submission_id = {what_if.submission_id:d} AND ordinal = {what_if.ordinal:d}"
    prefix = _IN_ITS_PLACE.format(here=here, decision=what_if.decision, status=what_if.status)
    return prefix + statement


@dataclass(frozen=True, slots=True)
class ChipRow:
    """A chip's place in this database."""

    id: int
    line_id: int


_CHIP: Final = "SELECT id, line_id FROM chip WHERE key = ?"


def find_chip(connection: Connection, key: str) -> ChipRow | None:
    """The chip with this key, if any result or question has brought it here."""
    row = find_row(connection, _CHIP, (key,))
    return ChipRow(*row) if row else None


@dataclass(frozen=True, slots=True)
class LineRow:
    """A line's place in this database."""

    id: int
    revision: int


def revision_text(line: LineRow | None) -> str:
    """The line's revision as answers tell it; "0" where none of its chips has results."""
    return "0" if line is None else str(line.revision)


def find_line(connection: Connection, key: str) -> LineRow | None:
    """The line with this key, if any of its chips has results."""
    row = connection.execute(select(Line.id, Line.revision).where(Line.key == key)).one_or_none()
    return LineRow(*row) if row else None


def add_chip(
    connection: Connection, *, key: str, name: str, kind: str, series: str, line: str
) -> ChipRow:
    """The row of a chip that was not here before; its line is added with it."""
    row = find_line(connection, line) or _add_line(connection, line)
    added = connection.execute(
        insert(Chip).values(key=key, name=name, kind=kind, series=series, line_id=row.id)
    )
    return ChipRow(added.inserted_primary_key[0], row.id)


def _add_line(connection: Connection, key: str) -> LineRow:
    added = connection.execute(insert(Line).values(key=key, revision=0))
    return LineRow(added.inserted_primary_key[0], 0)


_RAISE: Final = "UPDATE line SET revision = revision + 1 WHERE id = ?"


def raise_line_revision(connection: Connection, line_id: int) -> None:
    """Make every stored answer of the line stale; called in each transaction that touches it."""
    change_rows(connection, _RAISE, (line_id,))


def drop_chip_if_unused(connection: Connection, chip_id: int, line_id: int) -> None:
    """Forget a chip that no submission names any more, and a line without chips."""
    if connection.execute(select(exists().where(Submission.chip_id == chip_id))).scalar_one():
        return
    connection.execute(delete(Chip).where(Chip.id == chip_id))
    drop_line_if_unused(connection, line_id)


def find_relatives(
    connection: Connection, key: str, series: str, line: str, limit: int = 5
) -> list[str]:
    """Keys of other chips with results, those of the series before those of the line."""
    return list(
        connection.execute(
            select(Chip.key)
            .join(Line, Line.id == Chip.line_id)
            .where(Line.key == line, Chip.key != key)
            .order_by(Chip.series != series, Chip.key)
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
    rows = connection.execute(
        select(Chip.key, Chip.name, Chip.kind, Chip.series, Line.key)
        .join(Line, Line.id == Chip.line_id)
        .order_by(Chip.key)
    )
    return [StoredChip(*row) for row in rows]


def replace_chip(connection: Connection, chip: StoredChip) -> None:
    """Put a chip's name, series and line in the place of what was read before."""
    line = find_line(connection, chip.line) or _add_line(connection, chip.line)
    connection.execute(
        update(Chip)
        .where(Chip.key == chip.key)
        .values(name=chip.name, kind=chip.kind, series=chip.series, line_id=line.id)
    )


def drop_line_if_unused(connection: Connection, line_id: int) -> None:
    """Forget a line without chips."""
    if not connection.execute(select(exists().where(Chip.line_id == line_id))).scalar_one():
        connection.execute(delete(Line).where(Line.id == line_id))


_POOL: Final = """
    SELECT id FROM pool WHERE chip_id = ? AND control = ? AND domains = ? AND clock_band_mhz = ?
    """


_CONDITIONS: Final = """
    SELECT id FROM conditions WHERE loads = ? AND grade = ? AND firmware = ? AND microcode = ?
       AND machine = ? AND cooling = ? AND supply = ?
    """


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
    """The place that a setting's outcome is merged into."""

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
    values = (chip_id, key.control, key.domains, key.clock_band_mhz)
    found = find_number(connection, _POOL, values)
    if found is not None:
        return found
    return connection.execute(
        insert(Pool).values(
            chip_id=chip_id,
            control=key.control,
            domains=key.domains,
            clock_band_mhz=key.clock_band_mhz,
        )
    ).inserted_primary_key[0]


def find_or_add_conditions(connection: Connection, key: ConditionsKey) -> int:
    """The number of these conditions, added if nothing was found under them before."""
    found = find_number(
        connection,
        _CONDITIONS,
        (
            key.loads,
            key.grade,
            key.firmware,
            key.microcode,
            key.machine,
            key.cooling,
            key.supply,
        ),
    )
    if found is not None:
        return found
    return connection.execute(insert(Conditions).values(**asdict(key))).inserted_primary_key[0]


def find_places(
    connection: Connection, table: type[SettingResult | FollowUp], submission_id: int
) -> list[EvidenceKey]:
    """The places that the settings or the follow-ups of a document are merged into."""
    rows = connection.execute(
        select(table.pool_id, table.unit_id, table.conditions_id).where(
            table.submission_id == submission_id
        )
    )
    return [EvidenceKey(*row) for row in rows]


def drop_unused_places(connection: Connection, places: Iterable[EvidenceKey]) -> None:
    """Forget pools and conditions that no setting belongs to any more."""
    for place in places:
        if not _are_conditions_used(connection, place.conditions_id):
            connection.execute(delete(Conditions).where(Conditions.id == place.conditions_id))
        if not _is_referred_to(connection, SettingResult.pool_id == place.pool_id):
            connection.execute(delete(Pool).where(Pool.id == place.pool_id))


def _are_conditions_used(connection: Connection, conditions_id: int) -> bool:
    return any(
        _is_referred_to(connection, table.conditions_id == conditions_id)
        for table in (SettingResult, FollowUp)
    )


def _is_referred_to(connection: Connection, condition: ColumnElement[bool]) -> bool:
    return connection.execute(select(exists().where(condition))).scalar_one()


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
    connection: Connection, chip_key: str, domains: str, what_if: WhatIf | None = None
) -> list[StockPoint]:
    """The counted stock voltages of a chip's rails over all clocks, in a fixed order."""
    rows = find_rows(connection, with_what_if(what_if, _STOCK_POINTS), (chip_key, domains))
    return [StockPoint(*row) for row in rows]


_BY_STATUS: Final = """
    SELECT status, COUNT(DISTINCT unit_id) FROM setting_result WHERE pool_id = ? GROUP BY status
    """


def count_units_by_status(
    connection: Connection, pool_id: int, what_if: WhatIf | None = None
) -> dict[str, int]:
    """How many units have results of each screening status in a pool."""
    rows = find_rows(connection, with_what_if(what_if, _BY_STATUS), (pool_id,))
    return {row[0]: row[1] for row in rows}


@dataclass(frozen=True, slots=True)
class Peers:
    """How many units of the same pool are stable at a setting."""

    known: int
    """Units of which it is known whether they are stable at this setting."""
    stable: int
    """How many of these units are stable at this setting."""


_PEERS: Final = "SELECT stable, known FROM pool_peers WHERE pool_id = ?"


def find_peers(connection: Connection, pool_id: int, steps: int) -> Peers | None:
    """The pool's peers at this depth when it was last fitted, None before the first fit."""
    row = find_row(connection, _PEERS, (pool_id,))
    if row is None:
        return None
    stable, known = orjson.loads(row[0]), orjson.loads(row[1])
    # Deeper settings than any in the pool are like the deepest one: all known, none stable.
    place = min(steps, len(known) - 1)
    return Peers(known[place], stable[place])


_OUTLIER_CODES: Final = """
    SELECT code FROM outlier_unit WHERE pool_id = ?1 AND unit_id = ?2
    UNION ALL
    SELECT code FROM differing_contributor WHERE pool_id = ?1 AND contributor_id = ?3
    """


def find_outlier_codes(
    connection: Connection, pool_id: int, unit_id: int, contributor_id: int
) -> list[str]:
    """Why the latest outlier check of the pool excluded this unit; empty if it did not."""
    values = (pool_id, unit_id, contributor_id)
    return [row[0] for row in find_rows(connection, _OUTLIER_CODES, values)]
