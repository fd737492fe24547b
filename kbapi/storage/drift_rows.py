"""A pool's results as arrays, with when and under what each was found."""

from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.statements import find_rows
from kbapi.storage.what_if import WhatIf, supposing

Integers = NDArray[np.int64]


@dataclass(frozen=True)
class DatedRows:
    """The counted results of a pool, shape (n,) each, in no order."""

    unit: Integers
    contributor: Integers
    conditions: Integers
    stable_steps: Integers
    """0 where nothing passed."""
    unstable_steps: Integers
    """`NEVER_FAILED` where no failure was seen."""
    month: Integers
    """Twelve times the year and the month of the year, 1 to 12."""


# Results as they were sent: follow-ups tell of failures above all, and would make whatever is old
# look weak. Both ends cross in one number, as each value that crosses costs.
_UNSTABLE = 2048
_DATED: Final = f"""
    SELECT setting.unit_id, unit.contributor_id, setting.conditions_id,
           CASE WHEN setting.stable_steps IS NULL THEN 0
                WHEN setting.unstable_steps IS NOT NULL THEN setting.stable_steps
                ELSE MAX(0, setting.stable_steps - setting.early_stop_steps) END * {_UNSTABLE}
           + MIN(COALESCE(setting.unstable_steps, {_UNSTABLE - 1}), {_UNSTABLE - 1}),
           substr(setting.measured_month, 1, 4) * 12 + substr(setting.measured_month, 6)
    FROM setting_result AS setting JOIN unit ON unit.id = setting.unit_id
    WHERE setting.pool_id = ? AND setting.status = 'counted'
    """  # noqa: S608 - put together from constants of this file


def load_dated_rows(
    connection: Connection, pool_id: int, supposed: WhatIf | None = None
) -> DatedRows:
    """Every counted result of a pool."""
    rows = find_rows(connection, supposing(supposed, _DATED), (pool_id,))
    flat = np.fromiter(chain.from_iterable(rows), dtype=np.int64, count=5 * len(rows))
    unit, contributor, conditions, packed, month = flat.reshape(len(rows), 5).T
    stable, unstable = np.divmod(packed, _UNSTABLE)
    return DatedRows(
        unit=unit,
        contributor=contributor,
        conditions=conditions,
        stable_steps=stable,
        unstable_steps=np.where(unstable == _UNSTABLE - 1, NEVER_FAILED, unstable),
        month=month,
    )


_LARGEST: Final = """
    SELECT pool.id
    FROM pool
    JOIN chip ON chip.id = pool.chip_id
    JOIN setting_result AS setting ON setting.pool_id = pool.id AND setting.status = 'counted'
    WHERE chip.key = ? AND pool.control = ? AND instr('+' || pool.domains || '+', '+' || ? || '+')
    GROUP BY pool.id
    ORDER BY COUNT(DISTINCT setting.unit_id) DESC, pool.domains, pool.clock_band_mhz LIMIT 1
    """


def find_largest_pool(
    connection: Connection, chip_key: str, control: str, domain: str
) -> int | None:
    """The largest pool of a chip's control that holds the domain, if there is one."""
    rows = find_rows(connection, _LARGEST, (chip_key, control, domain))
    return rows[0][0] if rows else None
