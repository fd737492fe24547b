"""What became of settings after a change, and without it: both kinds of ends are counted."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.lasting import is_failure, is_proven
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN
from kbapi.evidence.units import MILLION, weight_ppm_of
from kbapi.stats.lift import CONFIDENCE, Lift, lift_of
from kbapi.stats.siblings import Level
from kbapi.storage.lasting_rows import FollowedRow
from kbapi.vocabulary import FOLLOW_UP_CHANGES, FollowUpChange

Which = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class UnitAfterChanges:
    """One unit: what had changed when its setting failed, or while it kept."""

    unit_id: int
    contributor_id: int
    failed: bool
    changed: frozenset[str]


@dataclass(frozen=True, slots=True)
class ChangeCompared:
    """Units with a change beside those without it; None where either are fewer than five."""

    change: FollowUpChange
    failed_with: int
    kept_with: int
    failed_without: int
    kept_without: int
    lift: Lift | None


@dataclass(frozen=True)
class ChangesFound:
    """All kinds of change, the likeliest cause first, from the chip's units or its series'."""

    level: Level
    """chip, series where the chip's own are fewer than five units, none where both are."""
    units: int
    compared: tuple[ChangeCompared, ...]
    too_few: int = 0
    """Units of the series, where these are fewer than five and so not used."""


_UNIT: Final = attrgetter("unit_id")


def compare_changes(
    rows: Sequence[FollowedRow], chip_key: str, told: Collection[str] = ()
) -> ChangesFound:
    """Each kind of change with what followed it, from follow-ups of a series on one control.

    Those that are `told`, or all where none is. Ranked by the lower bound of the lift, which holds
    for all of them together (Bonferroni): the first is picked because it is the clearest. Changes
    told by too few come last, and ties stand in the order of the vocabulary.
    """
    own = _units([row for row in rows if row.chip_key == chip_key])
    level, units = (
        (Level.CHIP, own) if len(own) >= FEWEST_UNITS_SHOWN else (Level.SERIES, _units(rows))
    )
    if len(units) < FEWEST_UNITS_SHOWN:
        return ChangesFound(Level.NONE, 0, (), too_few=len(units))
    asked = [change for change in FOLLOW_UP_CHANGES if change in told or not told]
    looked_at = sum(not _are_few(_who_has(units, change)) for change in asked)
    confidence = 1.0 - (1.0 - CONFIDENCE) / max(1, looked_at)
    compared = [_compare(units, change, confidence) for change in asked]
    ranked = sorted(compared, key=lambda one: -one.lift.at_least if one.lift else 0.0)
    return ChangesFound(level, len(units), tuple(ranked))


def _units(rows: Iterable[FollowedRow]) -> list[UnitAfterChanges]:
    """Each unit once: by its failures if it has any, else by what it kept through.

    A setting that nothing shows to be in effect any more keeps through everything: it is left out.
    """
    counted = sorted((row for row in rows if row.status == "counted"), key=_UNIT)
    found = []
    for unit_id, some in groupby(counted, _UNIT):
        told = list(some)
        failures = [row for row in told if is_failure(row)]
        kept = [row for row in told if row.outcome == "still_stable" and is_proven(row)]
        if ends := failures or kept:
            changed = frozenset().union(*(row.changed for row in ends))
            found.append(UnitAfterChanges(unit_id, told[0].contributor_id, bool(failures), changed))
    return found


def _who_has(units: list[UnitAfterChanges], change: str) -> Which:
    return np.array([change in unit.changed for unit in units], dtype=np.bool_)


def _are_few(has_it: Which) -> bool:
    return bool(min(has_it.sum(), (~has_it).sum()) < FEWEST_UNITS_SHOWN)


def _compare(
    units: list[UnitAfterChanges], change: FollowUpChange, confidence: float
) -> ChangeCompared:
    has_it = _who_has(units, change)
    failed = np.array([unit.failed for unit in units], dtype=np.bool_)
    weight = weight_ppm_of(np.array([unit.contributor_id for unit in units], dtype=np.int64))
    failed_with, kept_with = has_it & failed, has_it & ~failed
    failed_without, kept_without = ~has_it & failed, ~has_it & ~failed
    ends = (failed_with, kept_with, failed_without, kept_without)
    weights = tuple(float(weight[end].sum()) / MILLION for end in ends)
    return ChangeCompared(
        change=change,
        failed_with=int(failed_with.sum()),
        kept_with=int(kept_with.sum()),
        failed_without=int(failed_without.sum()),
        kept_without=int(kept_without.sum()),
        lift=None if _are_few(has_it) else _lift(weights, confidence),
    )


def _lift(weights: tuple[float, ...], confidence: float) -> Lift:
    failed_with, kept_with, failed, kept = weights
    return lift_of(failed_with, kept_with, failed, kept, confidence)
