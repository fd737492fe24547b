"""The evidence rows of a pool as arrays, the conditions they stand under, and who sent them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import chain
from typing import Final

import numpy as np
import orjson
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.statements import find_rows

Integers = NDArray[np.int64]


@dataclass(frozen=True)
class LevelRows:
    """Evidence rows of one pool, shape (n,) each, those of a unit side by side."""

    unit: Integers
    contributor: Integers
    conditions: Integers
    stable_steps: Integers
    unstable_steps: Integers
    early_stop_steps: Integers
    confirmed_by_curator: NDArray[np.bool_]
    month: Integers
    """Twelve times the year and the month of the year, 1 to 12."""


@dataclass(frozen=True, slots=True)
class ConditionsRow:
    """Filter values that rows were found under; empty where nothing was told."""

    id: int
    loads: str
    grade: str
    firmware: str
    microcode: str
    machine: str
    cooling: str
    supply: str


# A hundred thousand rows are read at once: what is small is packed into one number on the way,
# because each value that crosses costs more than the arithmetic.
_UNSTABLE, _EARLY, _FLAG = 2048, 1024, 2
_LEVELS: Final = f"""
    SELECT unit_id, contributor_id, conditions_id,
           ((stable_steps * {_UNSTABLE} + MIN(unstable_steps, {_UNSTABLE - 1})) * {_EARLY}
            + early_stop_steps) * {_FLAG} + confirmed_by_curator,
           substr(latest_month, 1, 4) * 12 + substr(latest_month, 6)
    FROM evidence_row WHERE pool_id = ? ORDER BY unit_id, conditions_id, stable_steps
    """  # noqa: S608 - put together from constants of this file


def months_since_year_0(month: str) -> int:
    """A month as evidence is read with it.

    >>> months_since_year_0("2026-09")
    24321
    """
    return int(month[:4]) * 12 + int(month[5:])


def load_level_rows(connection: Connection, pool_id: int) -> LevelRows:
    """Every evidence row of a pool."""
    rows = find_rows(connection, _LEVELS, (pool_id,))
    flat = np.fromiter(chain.from_iterable(rows), dtype=np.int64, count=5 * len(rows))
    unit, contributor, conditions, packed, month = flat.reshape(len(rows), 5).T
    packed, confirmed_by_curator = np.divmod(packed, _FLAG)
    packed, early_stop = np.divmod(packed, _EARLY)
    stable, unstable = np.divmod(packed, _UNSTABLE)
    return LevelRows(
        unit=unit,
        contributor=contributor,
        conditions=conditions,
        stable_steps=stable,
        unstable_steps=np.where(unstable == _UNSTABLE - 1, NEVER_FAILED, unstable),
        early_stop_steps=early_stop,
        confirmed_by_curator=confirmed_by_curator == 1,
        month=month,
    )


_CONDITIONS: Final = """
    SELECT id, loads, grade, firmware, microcode, machine, cooling, supply FROM conditions
    WHERE id IN (SELECT value FROM json_each(?)) ORDER BY id
    """


def load_conditions(connection: Connection, ids: Sequence[int]) -> tuple[ConditionsRow, ...]:
    """The conditions with these numbers, ascending."""
    rows = find_rows(connection, _CONDITIONS, (orjson.dumps(list(ids)).decode(),))
    return tuple(ConditionsRow(*row) for row in rows)


_FIRST_SEEN_BY: Final = """
    SELECT contributor.id
    FROM json_each(?) AS asked JOIN contributor ON contributor.id = asked.value
    WHERE first_seen_day <= ? AND token_hash <> ?
    """


def find_first_seen_by(
    connection: Connection, contributors: Integers, day: date, nobody: bytes
) -> Integers:
    """Those of the contributors that were here by a day, the one hash left out."""
    asked = orjson.dumps(contributors.tolist()).decode()
    rows = find_rows(connection, _FIRST_SEEN_BY, (asked, day.isoformat(), nobody))
    return np.array([row[0] for row in rows], dtype=np.int64)
