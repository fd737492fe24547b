"""Whether a pool's recent reports have drifted from its earlier ones, in words of the reports."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.evidence.pair_units import few_of_each_by_content, ranks_of
from kbapi.evidence.units import month_in_words
from kbapi.stats.drift import UNTOLD, DatedLimits, DriftFound, find_drift
from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.drift_rows import DatedRows, load_dated_rows
from kbapi.storage.unit_rows import ConditionsRow, load_conditions
from kbapi.storage.what_if import WhatIf

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PoolDrift:
    """The clearest drift of a pool, with the month and the version it is about."""

    found: DriftFound
    since: str
    """Month of the first recent report, empty where nothing could be compared."""
    version: str
    """The firmware or microcode that the recent reports share, empty for a drift by month."""


def load_drift(connection: Connection, pool_id: int, supposed: WhatIf | None = None) -> PoolDrift:
    """Whether a pool has drifted, from each unit's latest counted result.

    A driver is no condition of a result, so that a change of driver shows by its months alone.
    """
    rows = load_dated_rows(connection, pool_id, supposed)
    return drift_of(rows, load_conditions(connection, np.unique(rows.conditions).tolist()))


def drift_of(rows: DatedRows, conditions: Sequence[ConditionsRow]) -> PoolDrift:
    """Whether these results have drifted; the order of rows never matters.

    `conditions` are those that rows stand under, ascending by number. The test takes units for
    independent of each other, which those of one contributor are not: three of them are heard.
    """
    units = _heard(_latest_of_each_unit(_told(rows, conditions)))
    found = find_drift(units.limits)
    if found.kind is None:
        return PoolDrift(found, "", "")
    version = ""
    if found.version != UNTOLD:
        version = _versions([getattr(row, found.kind) for row in conditions])[found.version]
    return PoolDrift(found, month_in_words(found.since), version)


@dataclass(frozen=True)
class _Told:
    """Results, or units, as the test takes them, and whose they are; shape (n,) each."""

    unit: Integers
    contributor: Integers
    limits: DatedLimits

    def some(self, places: Integers) -> "_Told":
        """Those at these places."""
        limits = [getattr(self.limits, field.name)[places] for field in fields(DatedLimits)]
        return _Told(self.unit[places], self.contributor[places], DatedLimits(*limits))


def _told(rows: DatedRows, conditions: Sequence[ConditionsRow]) -> _Told:
    place = np.searchsorted([row.id for row in conditions], rows.conditions)
    limits = DatedLimits(
        stable_steps=rows.stable_steps,
        unstable_steps=rows.unstable_steps,
        month=rows.month,
        machine=ranks_of([row.machine for row in conditions])[place],
        firmware=_labels([row.firmware for row in conditions])[place],
        microcode=_labels([row.microcode for row in conditions])[place],
    )
    return _Told(rows.unit, rows.contributor, limits)


def _labels(words: Sequence[str]) -> Integers:
    label = {word: place for place, word in enumerate(_versions(words))} | {"": UNTOLD}
    return np.array([label[word] for word in words], dtype=np.int64)


def _versions(words: Sequence[str]) -> list[str]:
    """Those that were told, in their order."""
    return sorted(set(words) - {""})


def _latest_of_each_unit(told: _Told) -> _Told:
    """Each unit's latest result that says something of it.

    Ties within a month are broken by era and by what was found, never by arrival.
    """
    limits = told.limits
    order = np.lexsort(
        (
            limits.machine,
            limits.unstable_steps,
            limits.stable_steps,
            -limits.firmware,
            -limits.microcode,
            -limits.month,
            told.unit,
        )
    )
    unit = told.unit[order]
    latest = told.some(order[np.append(True, unit[1:] != unit[:-1])[: len(unit)]])
    found = latest.limits
    says = (found.stable_steps > 0) | (found.unstable_steps < NEVER_FAILED)
    return latest.some(np.flatnonzero(says))


def _heard(units: _Told) -> _Told:
    limits = units.limits
    content = [
        limits.stable_steps,
        limits.unstable_steps,
        limits.machine,
        limits.firmware,
        limits.microcode,
    ]
    return units.some(few_of_each_by_content(units.contributor, limits.month, content))
