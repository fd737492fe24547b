"""Evidence for tests, put straight into the tables, and a slow reading of it in plain Python."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from itertools import count
from typing import Final

import numpy as np
from sqlalchemy import Connection, insert

from kbapi.chips.chip import ChipName
from kbapi.evidence.units import (
    EVERYTHING,
    Filters,
    PoolRows,
    PoolUnits,
    load_pool_rows,
    merge_results,
    month_text,
    standing_on,
    units_of,
)
from kbapi.instance.instance import Instance
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage.contributors import UnitRow
from kbapi.storage.evidence import ConditionsRow, ResultRows, read_results
from kbapi.storage.pools import ChipRow, ConditionsKey, EvidenceKey, PoolKey, add_chip
from kbapi.storage.results import NewSetting, NewSubmission, save_submission
from kbapi.storage.tables import Contributor, Unit

CORE: Final = PoolKey("voltage_offset", "core", 0)
CONDITIONS: Final = (
    ConditionsKey("", "quick"),
    ConditionsKey("all_core", "long"),
    ConditionsKey("all_core,vector_heavy", "long"),
)
_numbers = count(1)


@dataclass(frozen=True)
class OutcomeRow:
    """One counted setting of a unit."""

    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int
    measured_month: str
    confirmed_by_curator: int = 0
    is_follow_up: bool = False
    is_stock_unproven: bool = False


@dataclass(frozen=True)
class UnitSeen:
    """A unit of a contributor with its outcomes, each under one of the conditions."""

    contributor: int
    outcomes: tuple[tuple[int, OutcomeRow], ...]


@dataclass(frozen=True)
class IntervalGroup:
    """Units of a pool that share one limit interval."""

    stable_steps: int
    unstable_steps: int
    weight_ppm: int
    units: int
    latest_month: str


STANDING: Final = standing_on(date(2026, 9, 15), b"n" * 32)


def load_intervals(
    connection: Connection, pool_id: int, filters: Filters = EVERYTHING
) -> list[IntervalGroup]:
    """The distinct intervals of a pool before the outlier check."""
    units = units_of(load_pool_rows(connection, pool_id, STANDING), filters)
    columns = (units.stable_steps, units.unstable_steps, units.weight_ppm, units.month)
    seen: dict[tuple[int, int], IntervalGroup] = {}
    for stable, unstable, weight_ppm, month in zip(*(c.tolist() for c in columns), strict=True):
        before = seen.get((stable, unstable), IntervalGroup(stable, unstable, 0, 0, ""))
        seen[stable, unstable] = IntervalGroup(
            stable,
            unstable,
            before.weight_ppm + weight_ppm,
            before.units + 1,
            max(before.latest_month, month_text(month)),
        )
    return [seen[interval] for interval in sorted(seen)]


def an_outcome(
    stable: int | None, unstable: int | None = None, early_stop: int = 0, month: str = "2026-08"
) -> OutcomeRow:
    return OutcomeRow(stable, unstable, early_stop, month)


SABLE: Final = ChipName(
    key="norvane-sable-7-4820mx",
    name="Norvane Sable 7 4820MX",
    kind="cpu",
    maker="norvane",
    series="norvane-sable-48-mx",
    line="norvane-sable",
)


def a_chip(connection: Connection, chip: ChipName = SABLE) -> ChipRow:
    return add_chip(
        connection,
        key=chip.key,
        name=chip.name,
        kind=chip.kind,
        series=chip.series,
        line=chip.line,
    )


def a_unit(connection: Connection, contributor_id: int | None = None) -> UnitRow:
    if contributor_id is None:
        contributor_id = connection.execute(
            insert(Contributor).values(
                token_hash=next(_numbers).to_bytes(32, "big"),
                key_id="0a1b2c3d",
                first_seen_day=date(2026, 9, 15),
            )
        ).inserted_primary_key[0]
    added = connection.execute(insert(Unit).values(contributor_id=contributor_id))
    return UnitRow(added.inserted_primary_key[0], contributor_id)


def add_outcome(
    connection: Connection,
    chip: ChipRow,
    unit: UnitRow,
    outcome: OutcomeRow,
    conditions: ConditionsKey = CONDITIONS[1],
    pool: PoolKey = CORE,
    status: str = "counted",
) -> tuple[int, EvidenceKey]:
    """The number of a document with this setting, and where the setting belongs."""
    setting = NewSetting(
        domain=pool.domains.split("+")[0],
        pool=pool,
        conditions=conditions,
        status=status,
        reasons="[]",
        stable_steps=outcome.stable_steps,
        unstable_steps=outcome.unstable_steps,
        early_stop_steps=outcome.early_stop_steps,
        clock_mhz=None,
        stock_mv=None,
    )
    new = NewSubmission(
        public_id=f"document-{next(_numbers)}",
        chip_id=chip.id,
        unit=unit,
        received_day=date(2026, 9, 15),
        measured_month=outcome.measured_month,
        document="{}",
        content_hash=None,
        rules_version=1,
        settings=(setting,),
    )
    submission_id, settings = save_submission(connection, new)
    return submission_id, settings[0].place


def add_units(
    connection: Connection, chip: ChipRow, units: Iterable[UnitSeen], pool: PoolKey = CORE
) -> int | None:
    """The pool's number, once all outcomes of all units are stored."""
    contributors: dict[int, int] = {}
    pool_id = None
    for seen in units:
        unit = a_unit(connection, contributors.get(seen.contributor))
        contributors[seen.contributor] = unit.contributor_id
        for conditions, outcome in seen.outcomes:
            _, place = add_outcome(connection, chip, unit, outcome, CONDITIONS[conditions], pool)
            pool_id = place.pool_id
    return pool_id


def evidence_of(connection: Connection) -> list[tuple[int, ...]]:
    """The merged rows of every pool, sorted.

    Pool, unit, conditions, stable, unstable, early stop, contributor, month, confirmed.
    """
    rows: list[tuple[int, ...]] = []
    for (pool_id,) in connection.exec_driver_sql("SELECT id FROM pool").all():
        merged = merge_results(read_results(connection, pool_id))
        columns = (
            merged.unit,
            merged.conditions,
            merged.stable_steps,
            merged.unstable_steps,
            merged.early_stop_steps,
            merged.contributor,
            merged.month,
            merged.confirmed_by_curator.astype(np.int64),
        )
        rows += ((pool_id, *row) for row in zip(*(one.tolist() for one in columns), strict=True))
    return sorted(rows)


def evidence_in(instance: Instance) -> list[tuple[int, ...]]:
    """The same of an instance."""
    with instance.reading() as connection:
        return evidence_of(connection)


def results_of(outcomes: Iterable[OutcomeRow]) -> ResultRows:
    """These outcomes as a pool's results, of one unit under conditions number 1."""
    seen = list(outcomes)

    def column(values: Iterable[int]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return np.array(list(values), dtype=np.int64)

    ones = np.ones(len(seen), dtype=np.int64)
    return ResultRows(
        unit=ones,
        contributor=ones,
        conditions=ones,
        stable_steps=column(-1 if o.stable_steps is None else o.stable_steps for o in seen),
        unstable_steps=column(o.unstable_steps or NEVER_FAILED for o in seen),
        early_stop_steps=column(o.early_stop_steps for o in seen),
        confirmed_by_curator=column(o.confirmed_by_curator for o in seen) == 1,
        is_follow_up=column(o.is_follow_up for o in seen) == 1,
        is_stock_unproven=column(o.is_stock_unproven for o in seen) == 1,
        month=column(12 * int(o.measured_month[:4]) + int(o.measured_month[5:]) for o in seen),
        arrival=0 * ones,
    )


def units_of_results(results: ResultRows) -> PoolUnits:
    """The units of these results, no contributor established."""
    conditions = tuple(
        ConditionsRow(number, "", "quick", "", "", "", "", "")
        for number in np.unique(results.conditions).tolist()
    )
    none_established = np.zeros(0, dtype=np.int64)
    return units_of(
        PoolRows(
            results,
            merge_results(results),
            conditions,
            none_established,
            none_established,
            none_established,
        )
    )


def slowly_proven(outcomes: Iterable[OutcomeRow]) -> list[OutcomeRow]:
    """The outcomes without those of unproven stock, if any other gives a limit."""
    seen = [o for o in outcomes if o.stable_steps is not None or o.unstable_steps is not None]
    proven = [outcome for outcome in seen if not outcome.is_stock_unproven]
    return proven or seen


def slowly_merged(outcomes: Iterable[OutcomeRow]) -> tuple[int, int] | None:
    """What a unit's outcomes say together, by the rule of merging, in plain Python."""
    seen = slowly_proven(outcomes)
    if not seen:
        return None
    unstable = NEVER_FAILED
    for outcome in seen:
        if outcome.unstable_steps is not None:
            unstable = min(unstable, outcome.unstable_steps)
    deepest, early_stop = 0, 0
    for outcome in seen:
        depth = outcome.stable_steps
        if depth is None or depth >= unstable or depth < deepest:
            continue
        tied = depth == deepest and deepest > 0
        early_stop = min(early_stop, outcome.early_stop_steps) if tied else outcome.early_stop_steps
        deepest = depth
    if unstable == NEVER_FAILED:
        deepest = max(0, deepest - early_stop)
    return deepest, unstable


def slowly_grouped(units: Iterable[UnitSeen]) -> list[IntervalGroup]:
    """The distinct intervals of these units of newcomers, weighed by how many each of them has."""
    units = [unit for unit in units if unit.outcomes]
    intervals = [slowly_merged([outcome for _, outcome in unit.outcomes]) for unit in units]
    with_a_limit = Counter(
        unit.contributor
        for unit, interval in zip(units, intervals, strict=True)
        if interval != (0, NEVER_FAILED)
    )
    pool = sum(min(3, own) for own in with_a_limit.values())
    each_ppm = 1_000_000 * max(30, min(90, pool)) // 30
    groups: dict[tuple[int, int], list[tuple[int, str]]] = {}
    for unit, interval in zip(units, intervals, strict=True):
        assert interval is not None
        outcomes = [outcome for _, outcome in unit.outcomes]
        weight_ppm = min(1_000_000, each_ppm // max(1, with_a_limit[unit.contributor]))
        weight_ppm *= interval != (0, NEVER_FAILED)
        latest = max(outcome.measured_month for outcome in outcomes)
        groups.setdefault(interval, []).append((weight_ppm, latest))
    return [
        IntervalGroup(
            *interval,
            weight_ppm=sum(weight for weight, _ in members),
            units=len(members),
            latest_month=max(month for _, month in members),
        )
        for interval, members in sorted(groups.items())
    ]
