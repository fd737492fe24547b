"""Pools of many results, written straight into their tables."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage.sql import checksum_of
from kbapi.versions import RULES_VERSION
from tests.calibration.testers import STEP_MV, TRUTHS, a_tested_pool
from tests.makers import NOON

SEED = 20261103
CHIPS = tuple(f"norvane-sable-7-4{number}20mx" for number in range(10))


@dataclass(frozen=True)
class _Units:
    """Units of a pool in the order of their numbers, shape (n,) each."""

    number: NDArray[np.int64]
    stable_steps: NDArray[np.int64]
    unstable_steps: NDArray[np.int64]


def fill_pool(connection: Connection, place: int, units: int) -> None:
    """A pool of units with one result each: people with one to nine machines.

    One in two hundred is far too deep. Half of the people were first seen long ago.
    """
    made = _add_units(connection, place, units)
    columns = (made.number, made.stable_steps, made.unstable_steps)
    _add_results(
        connection,
        [
            (unit, unit, place + 1, *_ends(held, failed), "2026-08", 1, False, 0)
            for unit, held, failed in zip(*(one.tolist() for one in columns), strict=True)
        ],
    )


def fill_results(connection: Connection, place: int, results: int) -> None:
    """A pool of results of which a fifth are of units that have one already.

    These are under other conditions or the same. A fiftieth of the units have a follow-up; of
    every hundred results one is included by curators.
    """
    units = results * 4 // 5
    made = _add_units(connection, place, units)
    pool, rng = place + 1, np.random.default_rng([SEED, 7, place])
    _add_conditions(connection)
    of = np.append(np.arange(units), rng.integers(0, units, results - units))
    unit, stable, unstable = (
        column[of] for column in (made.number, made.stable_steps, made.unstable_steps)
    )
    again = np.arange(results) >= units
    deeper = np.maximum(stable + rng.integers(-9, 9, results), 1)
    stable = np.where(again & (stable > 0), deeper, stable)
    unstable = np.where(again & (rng.random(results) < 0.5), NEVER_FAILED, unstable)
    unstable = np.where(unstable <= stable, stable + 3, unstable)
    stable = np.where(unstable >= NEVER_FAILED, np.maximum(stable, 1), stable)
    month = rng.integers(0, 15, results)
    first = place * 10_000_000 + 1
    columns = (
        unit,
        stable,
        unstable,
        month,
        rng.integers(1, 4, results),
        rng.random(results) < 0.01,
    )
    rows = [
        (
            first + n,
            whose,
            pool,
            *_ends(held, failed),
            _month(when),
            under,
            included,
            (first + n) % 4,
        )
        for n, (whose, held, failed, when, under, included) in enumerate(
            zip(*(column.tolist() for column in columns), strict=True)
        )
    ]
    _add_results(connection, rows)
    _add_follow_ups(connection, rows[:: 50 * results // units][: units // 50])


def _add_units(connection: Connection, place: int, units: int) -> _Units:
    rng = np.random.default_rng([SEED, place])
    pool = a_tested_pool(rng, TRUTHS[0], units)
    owner = rng.permutation(np.repeat(np.arange(len(pool.weight)), pool.weight.astype(int)))
    stable, unstable = pool.stable_steps[owner], pool.unstable_steps[owner]
    # Deeper than eight spreads. With more than 1 % of the weight there is no cutoff.
    wrong = rng.choice(units, max(1, units // 200), replace=False)
    stable[wrong], unstable[wrong] = round(450 / STEP_MV), NEVER_FAILED
    machines = np.where(rng.random(units) < 0.7, 1, 1 + rng.geometric(0.4, units).clip(1, 8))
    person = np.repeat(np.arange(units), machines)[:units]
    first = 1 + place * units
    run = connection.exec_driver_sql
    run("INSERT OR IGNORE INTO line VALUES (1, 'norvane-sable', 0)")
    run(
        "INSERT INTO chip VALUES (?, ?, 'Norvane Sable', 'cpu', ?, ?)",
        (place + 1, CHIPS[place], f"norvane-sable-4{place}-mx", 1),
    )
    run("INSERT INTO pool VALUES (?, ?, 'voltage_offset', 'core', 0)", (place + 1, place + 1))
    if place == 0:
        run(
            "INSERT INTO conditions (id, loads, grade, firmware, microcode, machine, cooling, "
            "supply) VALUES (1, 'all_core', 'long', '', '', '', '', '')"
        )
    long_ago, now = (NOON - timedelta(days=90)).date(), NOON.date()
    people = [
        (first + who, (first + who).to_bytes(32, "big"), (long_ago if who % 2 else now).isoformat())
        for who in range(int(person.max()) + 1)
    ]
    run("INSERT INTO contributor VALUES (?, ?, '0a1b2c3d', ?, 0)", people)
    run(
        "INSERT INTO unit (id, contributor_id) VALUES (?, ?)",
        [(first + unit, first + int(who)) for unit, who in enumerate(person)],
    )
    return _Units(first + np.arange(units), stable, unstable)


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


_OF_EMPTY: Final = checksum_of("{}")


def _add_results(connection: Connection, rows: list[tuple]) -> None:
    """Each row: number, unit, pool, stable, unstable, month, conditions, included, early stop."""
    run = connection.exec_driver_sql
    run(
        "INSERT INTO submission (id, public_id, chip_id, unit_id, received_day, measured_month, "
        "document, document_checksum, rules_version) "
        f"VALUES (?, ?, ?, ?, '2026-09-15', ?, '{{}}', '{_OF_EMPTY}', {RULES_VERSION})",
        [(row[0], f"bench-{row[0]}", row[2], row[1], row[5]) for row in rows],
    )
    run(
        "INSERT INTO setting_result (submission_id, ordinal, domain, unit_id, pool_id, "
        "stable_steps, unstable_steps, measured_month, conditions_id, decision, early_stop_steps, "
        "status, reasons) VALUES (?, 0, 'core', ?, ?, ?, ?, ?, ?, ?, ?, 'counted', '[]')",
        [(*row[:7], "include" if row[7] else "", row[8]) for row in rows],
    )


def _add_follow_ups(connection: Connection, rows: list[tuple]) -> None:
    connection.exec_driver_sql(
        "INSERT INTO follow_up (submission_id, unit_id, pool_id, measured_month, conditions_id, "
        "unstable_steps, received_day, outcome, status, document, document_checksum, reasons, "
        "steps, early_stop_steps) VALUES (?, ?, ?, '2026-09', ?, ?, '2026-09-15', 'failed_later', "
        f"'counted', '{{}}', '{_OF_EMPTY}', '[]', ?, 0)",
        [(row[0], row[1], row[2], row[6], row[3] or 40, row[3] or 40) for row in rows],
    )
