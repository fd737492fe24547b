"""Pools of many units, written straight into their tables."""

from collections.abc import Iterator
from datetime import timedelta

import numpy as np
from sqlalchemy import Connection

from kbapi.stats.intervals import NEVER_FAILED
from tests.calibration.testers import STEP_MV, TRUTHS, a_tested_pool
from tests.makers import NOON

SEED = 20261103
CHIPS = tuple(f"norvane-sable-7-4{number}20mx" for number in range(10))


def fill_pool(connection: Connection, place: int, units: int) -> None:
    """A pool straight into its tables: people with one to nine machines, a hundredth far too deep.

    Half of them have been here for long.
    """
    rng = np.random.default_rng([SEED, place])
    pool = a_tested_pool(rng, TRUTHS[0], units)
    owner = rng.permutation(np.repeat(np.arange(len(pool.weight)), pool.weight.astype(int)))
    stable, unstable = pool.stable_steps[owner], pool.unstable_steps[owner]
    wrong = rng.choice(units, units // 100, replace=False)
    stable[wrong], unstable[wrong] = round(290 / STEP_MV), NEVER_FAILED
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
    run("INSERT INTO contributor VALUES (?, ?, '0a1b2c3d', ?)", people)
    run(
        "INSERT INTO unit VALUES (?, ?, NULL)",
        [(first + unit, first + int(who)) for unit, who in enumerate(person)],
    )
    run(
        "INSERT INTO evidence_row (pool_id, unit_id, conditions_id, contributor_id, stable_steps, "
        "unstable_steps, early_stop_steps, latest_month) VALUES (?, ?, 1, ?, ?, ?, 0, '2026-08')",
        list(_rows(place + 1, first, person, stable, unstable)),
    )


def _rows(
    pool: int, first: int, person: np.ndarray, stable: np.ndarray, unstable: np.ndarray
) -> Iterator[tuple[int, ...]]:
    columns = (person.tolist(), stable.tolist(), unstable.tolist())
    for unit, (who, held, failed) in enumerate(zip(*columns, strict=True)):
        yield pool, first + unit, first + who, held, failed
