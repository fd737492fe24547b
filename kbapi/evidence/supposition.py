"""What a pool would be with another word about one of its settings: computed, never written."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
from sqlalchemy import Connection

from kbapi.evidence.merge import merge_outcomes
from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.decision_rows import SettingAt, find_places_of
from kbapi.storage.evidence_rows import (
    EvidenceLevel,
    find_evidence_conditions,
    load_counted_outcomes,
)
from kbapi.storage.pool_rows import PoolSize
from kbapi.storage.unit_rows import LevelRows, months_since_year_0
from kbapi.storage.what_if import WhatIf


@dataclass(frozen=True)
class Supposition:
    """A word about a setting, and the evidence of its unit as it would then be."""

    word: WhatIf
    setting: SettingAt
    levels: Mapping[int, tuple[EvidenceLevel, ...]]
    """By the number of the conditions; all others of the unit stand as they are."""
    units_more: int
    """How many units more its pool would have: 1, 0 or -1."""

    @property
    def pool_id(self) -> int:
        """The only pool that would be different."""
        return self.setting.place.pool_id

    def resized(self, pool: PoolSize) -> PoolSize:
        """A pool with as many units as it would have."""
        if pool.id != self.pool_id:
            return pool
        return replace(pool, units=pool.units + self.units_more)

    def put_into(self, rows: LevelRows) -> LevelRows:
        """The rows of the setting's pool as they would be."""
        replaced = (rows.unit == self.setting.place.unit_id) & np.isin(
            rows.conditions, list(self.levels)
        )
        new = self._rows()
        columns = [
            np.concatenate((getattr(rows, field.name)[~replaced], getattr(new, field.name)))
            for field in fields(LevelRows)
        ]
        together = LevelRows(*columns)
        order = np.lexsort((together.stable_steps, together.conditions, together.unit))
        return LevelRows(*(column[order] for column in columns))

    def _rows(self) -> LevelRows:
        told = [(number, level) for number, levels in self.levels.items() for level in levels]

        def whole(values: list[int]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
            return np.array(values, dtype=np.int64)

        return LevelRows(
            unit=whole([self.setting.place.unit_id] * len(told)),
            contributor=whole([self.setting.contributor_id] * len(told)),
            conditions=whole([number for number, _ in told]),
            stable_steps=whole([level.stable_steps for _, level in told]),
            unstable_steps=whole([min(level.unstable_steps, NEVER_FAILED) for _, level in told]),
            early_stop_steps=whole([level.early_stop_steps for _, level in told]),
            confirmed_by_curator=whole([level.confirmed_by_curator for _, level in told]) == 1,
            month=whole([months_since_year_0(level.latest_month) for _, level in told]),
        )


def suppose(connection: Connection, setting: SettingAt, word: WhatIf) -> Supposition:
    """What the setting's pool would be if this word stood about it."""
    places = sorted(set(find_places_of(connection, setting)))
    levels = {
        place.conditions_id: merge_outcomes(load_counted_outcomes(connection, place, word))
        for place in places
    }
    now = find_evidence_conditions(connection, setting.place)
    stays = bool(set(now) - set(levels)) or any(levels.values())
    return Supposition(word, setting, levels, int(stays) - int(bool(now)))


def word_of(supposed: Supposition | None) -> WhatIf | None:
    """The word that settings are read with, None where they are read as they stand."""
    return None if supposed is None else supposed.word
