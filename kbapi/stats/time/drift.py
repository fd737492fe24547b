"""Whether a pool's recent reports have drifted from its earlier ones beyond chance."""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from typing import Final, Literal

import numpy as np
import scipy

from kbapi.stats.time.two_groups import (
    ScoredUnits,
    Split,
    Steps,
    Which,
    chance_of_largest,
    estimate_shift,
    score_units,
    split_units,
)

DriftKind = Literal["month", "firmware", "microcode"]

FEWEST_UNITS: Final = 40
FEWEST_A_SIDE: Final = 20
RECENT_MONTHS: Final = 12
"""A change that lies further back is no drift any more: the pool consists of later reports."""
LEVEL_OF_A_LOOK: Final = 0.002
"""By simulation: with it a pool that is looked at every month for a year, each look over all kinds
of change, raises a false alarm in less than 1 % (`tests/calibration/time.py`)."""
_OF_THE_LEVEL: Final = {"shallower": 0.75, "deeper": 0.25}
"""Limits that became shallower make answers too deep; deeper ones only make them cautious."""
LEAST_DIFFERENCE: Final = 0.16
"""In mean scores: with limits known exactly, that a recent unit goes deeper than an earlier one in
0.58 of pairs. More short tests alone make it 0.05, which large pools would show."""
UNKNOWN: Final = -1


@dataclass(frozen=True, slots=True)
class DatedLimits:
    """The limits of a pool's units, with month, machine and versions of each.

    Parameters
    ----------
    stable_steps, unstable_steps : int64 arrays, shape (n,)
        One unit each, as in `GroupedIntervals`.
    month : int64 array, shape (n,)
        Counted from any one month.
    machine, firmware, microcode : int64 arrays, shape (n,)
        Labels from 0, `UNKNOWN` where none was reported. Only units of one machine label are
        compared with each other, so that a change of the mix of machines is no drift. Those of an
        unknown machine are compared with each other too: a caller who does not want that leaves
        them out.
    """

    stable_steps: Steps
    unstable_steps: Steps
    month: Steps
    machine: Steps
    firmware: Steps
    microcode: Steps


@dataclass(frozen=True, slots=True)
class DriftFound:
    """The clearest difference between recent and earlier reports of a pool.

    Parameters
    ----------
    is_drift : whether it is beyond chance at this look
    kind : what distinguishes recent reports from earlier ones; None where nothing does
    since : the first month of the recent reports, counted like the months given
    version : label of the firmware or microcode that the recent reports share, else `UNKNOWN`
    shift_steps, error_steps : how much deeper the recent limits lie, below zero where they are
        shallower, with its standard error; both zero unless it is a drift
    units_before, units_since : the units compared
    p_value : adjusted for all months, versions and kinds tested; three quarters of the level are
        for limits that have become shallower
    level : `p_value` at which it counts as drift
    """

    is_drift: bool
    kind: DriftKind | None
    since: int
    version: int
    shift_steps: float
    error_steps: float
    units_before: int
    units_since: int
    p_value: float
    level: float


NO_DRIFT: Final = DriftFound(
    False, None, 0, UNKNOWN, 0.0, 0.0, 0, 0, p_value=1.0, level=LEVEL_OF_A_LOOK
)


def find_drift(reports: DatedLimits) -> DriftFound:
    """The clearest drift of a pool's limits: by month, or with a firmware or microcode.

    Pools of fewer than 40 units have none. Every month of the latest twelve is tried as the first
    of the recent ones, and every version that first came up in these months against the others
    of the same machines. Nothing is drawn at random, and the order of units never matters.

    Parameters
    ----------
    reports
        One entry a unit.

    References
    ----------
    Those of `depth_scores`, `split_units`, `chance_of_largest` (over months) and
    `estimate_shift`; over versions, and over months and versions together: Bonferroni.

    >>> rng = np.random.default_rng(1)
    >>> limit = (rng.normal(110, 15, 160) - np.repeat([0, 15], 80)).astype(int)
    >>> same = np.zeros(160, int)
    >>> month = np.repeat(np.arange(16), 10)
    >>> found = find_drift(DatedLimits(limit, limit + 5, month, same, same, same))
    >>> found.is_drift, found.kind, found.since, -20 < found.shift_steps < -10
    (True, 'month', 8, True)
    """
    if len(reports.month) < FEWEST_UNITS:
        return NO_DRIFT
    pool = _in_order(reports)
    found = _clearest_of(pool, in_both_readings=False)
    # The second reading only takes from a difference, so it is computed where one is found.
    if found is not None and _is_drift(found):
        found = _clearest_of(pool, in_both_readings=True)
    return NO_DRIFT if found is None else _drift(pool, found)


def _clearest_of(pool: DatedLimits, *, in_both_readings: bool) -> "_Clearest | None":
    ends = pool.stable_steps, pool.unstable_steps
    units = score_units(*ends, pool.machine, in_both_readings=in_both_readings)
    families = (_by_month(pool, units), _by_version(pool, units))
    found = [family for family in families if family is not None]
    if not found:
        return None
    clearest = min(found, key=lambda family: family.p_value)
    return replace(clearest, p_value=min(1.0, len(found) * clearest.p_value))


@dataclass(frozen=True, slots=True)
class _Change:
    """A split of units into recent and earlier ones, and their difference."""

    kind: DriftKind
    since: int
    version: int
    compared: Which
    recent: Which
    """Of the pool's units, like `compared`."""
    split: Split


@dataclass(frozen=True, slots=True)
class _Clearest:
    """The clearest of a family of changes, with the chance of one as clear among them."""

    change: _Change
    p_value: float


def _in_order(reports: DatedLimits) -> DatedLimits:
    # Floating sums must not depend on the order sent, to the last bit.
    columns = [getattr(reports, field.name) for field in fields(DatedLimits)]
    order = np.lexsort(columns)
    return DatedLimits(*(column[order] for column in columns))


def _is_drift(found: _Clearest) -> bool:
    is_large = abs(found.change.split.difference) >= LEAST_DIFFERENCE
    return is_large and found.p_value <= LEVEL_OF_A_LOOK


def _drift(pool: DatedLimits, found: _Clearest) -> DriftFound:
    is_drift, change = _is_drift(found), found.change
    shift = _shift(pool, change) if is_drift else 0.0
    return DriftFound(
        is_drift=is_drift,
        kind=change.kind,
        since=change.since,
        version=change.version,
        shift_steps=shift,
        error_steps=abs(shift / change.split.z) if is_drift else 0.0,
        units_before=change.split.units_before,
        units_since=change.split.units_since,
        p_value=found.p_value,
        level=LEVEL_OF_A_LOOK,
    )


def _shift(pool: DatedLimits, change: _Change) -> float:
    compared = change.compared
    return estimate_shift(
        pool.stable_steps[compared],
        pool.unstable_steps[compared],
        pool.machine[compared],
        change.recent[compared],
    )


def _by_month(pool: DatedLimits, units: ScoredUnits) -> _Clearest | None:
    all_units = np.ones(len(pool.month), dtype=np.bool_)
    changes = []
    for month in np.unique(pool.month).tolist():
        if month < _first_recent(pool):
            continue
        recent = pool.month >= month
        split = split_units(units, recent)
        if _is_enough(split):
            changes.append(_Change("month", month, UNKNOWN, all_units, recent, split))
    if not changes:
        return None
    clearest = max(changes, key=lambda change: (abs(change.split.z), change.since))
    parts = sorted({_part_before(change.split) for change in changes})
    return _Clearest(
        clearest,
        _split_level(chance_of_largest(abs(clearest.split.z), parts), clearest),
    )


def _by_version(pool: DatedLimits, units: ScoredUnits) -> _Clearest | None:
    changes: list[_Change] = []
    for change in (
        *_new_versions(pool, units, "firmware"),
        *_new_versions(pool, units, "microcode"),
    ):
        # A firmware that alone brings a microcode is one change under two names.
        if not any(np.array_equal(change.recent, other.recent) for other in changes):
            changes.append(change)
    if not changes:
        return None
    clearest = max(changes, key=lambda change: (abs(change.split.z), change.kind, -change.version))
    chance = 2.0 * len(changes) * float(scipy.special.ndtr(-abs(clearest.split.z)))
    return _Clearest(clearest, _split_level(chance, clearest))


def _split_level(chance: float, change: _Change) -> float:
    """A two-sided chance, adjusted by the direction's part of the level."""
    direction = "shallower" if change.split.z < 0 else "deeper"
    return min(1.0, 0.5 * chance / _OF_THE_LEVEL[direction])


def _new_versions(
    pool: DatedLimits, units: ScoredUnits, kind: Literal["firmware", "microcode"]
) -> Iterator[_Change]:
    """Each recently introduced version, compared with the others of the same machines."""
    labels = pool.firmware if kind == "firmware" else pool.microcode
    for version in np.unique(labels[labels != UNKNOWN]).tolist():
        recent = labels == version
        since = int(pool.month[recent].min())
        machines = np.isin(pool.machine, pool.machine[recent])
        compared = machines & (labels != UNKNOWN)
        # The oldest version is the reference, never the new one.
        is_new = np.any(pool.month[compared & ~recent] < since)
        if since < _first_recent(pool) or not is_new:
            continue
        split = split_units(units.only(compared), recent[compared])
        if _is_enough(split):
            yield _Change(kind, since, version, compared, recent, split)


def _first_recent(pool: DatedLimits) -> int:
    return int(pool.month.max()) - RECENT_MONTHS + 1


def _is_enough(split: Split) -> bool:
    return min(split.units_before, split.units_since) >= FEWEST_A_SIDE and split.z != 0.0


def _part_before(split: Split) -> float:
    return split.units_before / (split.units_before + split.units_since)
