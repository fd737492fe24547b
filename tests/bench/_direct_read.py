"""A pool read from its stored results instead of from evidence rows, and results to read."""

from itertools import chain, groupby
from typing import Final

import numpy as np
from sqlalchemy import Connection

from kbapi.evidence.pool_updates import merge_outcomes
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage import evidence
from kbapi.storage.evidence import LevelRows, OutcomeRow, replace_evidence
from kbapi.storage.pools import EvidenceKey, PoolKey, PoolSize
from kbapi.storage.sqlite.engine import find_number, find_rows
from kbapi.versions import RULES_VERSION
from tests.bench._many_units import SEED, fill_pool

_ENDS, _EARLY, _FLAG = 2048, 1024, 2
# With so many results in one pool, the pool's index is the wrong one to find a document's settings.
_FOLLOW_UPS: Final = evidence._COUNTED_FOLLOW_UPS.replace(
    "AND setting.pool_id", "AND +setting.pool_id"
)
_COUNTED: Final = f"""
    {evidence._COUNTED_SETTINGS} AND pool_id = ?1
    UNION ALL
    {_FOLLOW_UPS} AND pool_id = ?1
    """
# A pass is sent one step deeper, so that 0 is no pass.
_RESULTS: Final = f"""
    SELECT counted.unit_id, unit.contributor_id, conditions_id,
           (((COALESCE(stable_steps, -1) + 1) * {_ENDS}
             + COALESCE(unstable_steps, {_ENDS - 1})) * {_EARLY}
            + early_stop_steps) * {_FLAG} + confirmed_by_curator,
           substr(measured_month, 1, 4) * 12 + substr(measured_month, 6)
    FROM ({_COUNTED}) AS counted JOIN unit ON unit.id = counted.unit_id
    WHERE COALESCE(stable_steps, unstable_steps) IS NOT NULL
    """
_POOLS: Final = """
    SELECT pool.id, chip.key, chip.series, pool.control, pool.domains, pool.clock_band_mhz, (
        SELECT COUNT(*) FROM (
            SELECT unit_id FROM setting_result
            WHERE pool_id = pool.id AND status = 'counted'
            UNION
            SELECT unit_id FROM follow_up WHERE pool_id = pool.id AND status = 'counted'
        )
    )
    FROM pool JOIN chip ON chip.id = pool.chip_id
    WHERE chip.line_id = ?
    ORDER BY chip.key, pool.control, pool.domains, pool.clock_band_mhz
    """


def read_results(connection: Connection, pool_id: int) -> LevelRows:
    """What counts in a pool, one row for each result, of which units are made as of evidence rows.

    Beaten passes are 0, and each row has the shallowest failure of its unit and conditions.
    """
    rows = find_rows(connection, _RESULTS, (pool_id,))
    flat = np.fromiter(chain.from_iterable(rows), dtype=np.int64, count=5 * len(rows))
    unit, contributor, conditions, packed, month = flat.reshape(len(rows), 5).T
    place = unit * (int(conditions.max(initial=0)) + 1) + conditions
    order = np.argsort(place, kind="stable")
    place, packed = place[order], packed[order]
    first = np.append(True, place[1:] != place[:-1])[: len(place)]
    packed, confirmed = np.divmod(packed, _FLAG)
    packed, early_stop = np.divmod(packed, _EARLY)
    passed, failed = np.divmod(packed, _ENDS)
    failed = np.where(failed == _ENDS - 1, NEVER_FAILED, failed)
    shallowest = np.minimum.reduceat(failed, np.flatnonzero(first))[np.cumsum(first) - 1]
    holds = (passed > 0) & (passed - 1 < shallowest)
    fails = (failed == shallowest) & (failed < NEVER_FAILED)
    return LevelRows(
        unit=unit[order],
        contributor=contributor[order],
        conditions=conditions[order],
        stable_steps=np.where(holds, passed - 1, 0),
        unstable_steps=shallowest,
        early_stop_steps=np.where(holds, early_stop, 0),
        confirmed_by_curator=(confirmed == 1) & (holds | fails),
        month=month[order],
    )


def read_pools_of_line(connection: Connection, line_id: int) -> list[PoolSize]:
    """Every pool of a line's chips with its units, counted over results."""
    rows = find_rows(connection, _POOLS, (line_id,))
    return [PoolSize(row[0], row[1], row[2], PoolKey(*row[3:6]), row[6]) for row in rows]


_SHALLOWEST: Final = f"""
    SELECT MIN(unstable_steps) FROM ({_COUNTED}) AS counted
    JOIN conditions AS own ON own.id = ?3
    JOIN conditions AS other ON other.id = counted.conditions_id
     AND other.firmware = own.firmware AND other.microcode = own.microcode
    WHERE counted.unit_id = ?2
    """


def read_shallowest_failure(connection: Connection, key: EvidenceKey) -> int | None:
    """Where the unit is known to fail in this pool and firmware era, None where it never did."""
    return find_number(connection, _SHALLOWEST, (key.pool_id, key.unit_id, key.conditions_id))


def fill_results(connection: Connection, place: int, results: int) -> None:
    """A pool of results and the evidence that merging them gives.

    A fifth of the results are of units that have one already, under other conditions or the same.
    A fiftieth of the units have a follow-up; of every hundred results one is included by curators.
    """
    units = results * 4 // 5
    fill_pool(connection, place, units)
    run = connection.exec_driver_sql
    pool, rng = place + 1, np.random.default_rng([SEED, 7, place])
    _add_conditions(connection)
    rows = run(
        "SELECT unit_id, stable_steps, unstable_steps FROM evidence_row WHERE pool_id = ?", (pool,)
    ).fetchall()
    run("DELETE FROM evidence_row WHERE pool_id = ?", (pool,))
    found = np.array([tuple(row) for row in rows])[
        np.append(np.arange(units), rng.integers(0, units, results - units))
    ]
    unit, stable, unstable = found.T
    again = np.arange(results) >= units
    deeper = np.maximum(stable + rng.integers(-9, 9, results), 1)
    stable = np.where(again & (stable > 0), deeper, stable)
    unstable = np.where(again & (rng.random(results) < 0.5), NEVER_FAILED, unstable)
    unstable = np.where(unstable <= stable, stable + 3, unstable)
    stable = np.where(unstable >= NEVER_FAILED, np.maximum(stable, 1), stable)
    month = rng.integers(0, 15, results)
    first = place * 10_000_000 + 1
    columns = (stable, unstable, month, rng.integers(1, 4, results), rng.random(results) < 0.01)
    rows = [
        (first + number, int(of), pool, *_ends(held, failed), _month(when), under, word)
        for number, (of, held, failed, when, under, word) in enumerate(
            zip(unit, *(column.tolist() for column in columns), strict=True)
        )
    ]
    _add_results(connection, rows)
    _add_follow_ups(connection, rows[:: 50 * results // units][: units // 50])
    _merge(connection, pool)


def _merge(connection: Connection, pool: int) -> None:
    """Evidence rows as the merge of results writes them, with a quicker way to the results."""
    statement = (
        f"SELECT contributor_id, counted.* FROM ({_COUNTED}) AS counted JOIN unit ON id = unit_id"
    )
    rows = sorted(find_rows(connection, statement, (pool,)), key=lambda row: row[:4])
    for (who, unit, _, conditions), of_place in groupby(rows, key=lambda row: row[:4]):
        levels = merge_outcomes(OutcomeRow(*row[4:]) for row in of_place)
        replace_evidence(connection, EvidenceKey(pool, unit, conditions), who, levels)


def _ends(stable: int, unstable: int) -> tuple[int | None, int | None]:
    return stable or None, None if unstable >= NEVER_FAILED else unstable


def _month(number: int) -> str:
    return f"{2025 + number // 12}-{number % 12 + 1:02}"


def _add_conditions(connection: Connection) -> None:
    connection.exec_driver_sql(
        "INSERT OR IGNORE INTO conditions (id, loads, grade, firmware, microcode, machine, "
        "cooling, supply) VALUES (2, 'all_core', 'long', '1.14', '0x2b', 'harbour-15', '', ''), "
        "(3, 'all_core', 'quick', '1.12', '0x2a', 'quay-13', '', '')"
    )


def _add_results(connection: Connection, rows: list[tuple]) -> None:
    run = connection.exec_driver_sql
    run(
        "INSERT INTO submission (id, public_id, chip_id, unit_id, received_day, measured_month, "
        f"document, rules_version) VALUES (?, ?, ?, ?, '2026-09-15', ?, '{{}}', {RULES_VERSION})",
        [(row[0], f"bench-{row[0]}", row[2], row[1], row[5]) for row in rows],
    )
    run(
        "INSERT INTO setting_result (submission_id, ordinal, domain, unit_id, pool_id, "
        "stable_steps, unstable_steps, measured_month, conditions_id, decision, early_stop_steps, "
        "status, reasons) VALUES (?, 0, 'core', ?, ?, ?, ?, ?, ?, ?, ?, 'counted', '[]')",
        [(*row[:7], "include" if row[7] else "", row[0] % 4) for row in rows],
    )


def _add_follow_ups(connection: Connection, rows: list[tuple]) -> None:
    connection.exec_driver_sql(
        "INSERT INTO follow_up (submission_id, unit_id, pool_id, measured_month, conditions_id, "
        "unstable_steps, received_day, outcome, status, document, reasons, steps, "
        "early_stop_steps) VALUES (?, ?, ?, '2026-09', ?, ?, '2026-09-15', 'failed_later', "
        "'counted', '{}', '[]', ?, 0)",
        [(row[0], row[1], row[2], row[6], row[3] or 40, row[3] or 40) for row in rows],
    )
