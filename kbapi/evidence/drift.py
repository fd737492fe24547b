"""Whether a pool's recent reports have drifted from its earlier ones, in words of the reports."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.evidence.units import MILLION, weight_ppm_of
from kbapi.stats.drift import UNTOLD, DatedLimits, DriftFound, find_drift
from kbapi.storage.drift_rows import DatedRow, load_dated

_MONTHS_A_YEAR: Final = 12


@dataclass(frozen=True, slots=True)
class PoolDrift:
    """The clearest drift of a pool, with the month and the version it is about."""

    found: DriftFound
    since: str
    """Month of the first recent report, empty where nothing could be compared."""
    version: str
    """The firmware or microcode that the recent reports share, empty for a drift by month."""


def load_drift(connection: Connection, pool_id: int) -> PoolDrift:
    """Whether a pool has drifted, from each unit's latest counted result.

    A driver is no condition of a result, so that a change of driver shows by its months alone.
    """
    return drift_of(load_dated(connection, pool_id))


def drift_of(rows: Sequence[DatedRow]) -> PoolDrift:
    """Whether these results have drifted; the order of rows never matters."""
    machines = sorted({row.machine for row in rows})
    versions = {
        "firmware": sorted({row.firmware for row in rows} - {""}),
        "microcode": sorted({row.microcode for row in rows} - {""}),
    }
    found = find_drift(
        DatedLimits(
            stable_steps=_whole(row.stable_steps for row in rows),
            unstable_steps=_whole(row.unstable_steps for row in rows),
            weight=weight_ppm_of(_whole(row.contributor_id for row in rows)) / MILLION,
            month=_whole(_month_number(row.month) for row in rows),
            machine=_labels((row.machine for row in rows), machines),
            firmware=_labels((row.firmware for row in rows), versions["firmware"]),
            microcode=_labels((row.microcode for row in rows), versions["microcode"]),
        )
    )
    if found.kind is None:
        return PoolDrift(found, "", "")
    version = "" if found.version == UNTOLD else versions[found.kind][found.version]
    return PoolDrift(found, _month_text(found.since), version)


def _whole(values: Iterable[int]) -> NDArray[np.int64]:
    return np.array(list(values), dtype=np.int64)


def _labels(values: Iterable[str], known: list[str]) -> NDArray[np.int64]:
    places = {value: place for place, value in enumerate(known)}
    return _whole(places.get(value, UNTOLD) for value in values)


def _month_number(month: str) -> int:
    year, of_year = month.split("-")
    return int(year) * _MONTHS_A_YEAR + int(of_year) - 1


def _month_text(number: int) -> str:
    return f"{number // _MONTHS_A_YEAR}-{number % _MONTHS_A_YEAR + 1:02}"
