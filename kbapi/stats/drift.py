"""Whether a pool's recent reports have drifted from its earlier ones beyond chance."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from kbapi.stats.interval import group_intervals
from kbapi.stats.npmle import fit_npmle
from kbapi.stats.shift_scores import shift_scores

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]
Kind = Literal["month", "firmware", "microcode"]

FEWEST_UNITS: Final = 40
FEWEST_A_SIDE: Final = 20
RECENT_MONTHS: Final = 12
"""A change that lies further back is what the pool is like by now."""
LEVEL_OF_A_LOOK: Final = 0.0015
"""By simulation: with it a pool that is looked at every month for a year, each look over all kinds
of change, raises a false alarm in less than 1 % (`tests/calibration/time.py`)."""
_ROUNDING: Final = 1e-9
UNTOLD: Final = -1


@dataclass(frozen=True, slots=True)
class DatedLimits:
    """The limits of a pool's units with when and under what each was found.

    Parameters
    ----------
    stable_steps, unstable_steps : int64 arrays, shape (n,)
        One unit each, as in `GroupedIntervals`.
    weight : float64 array, shape (n,)
        Positive, at most 1.
    month : int64 array, shape (n,)
        Counted from any one month.
    machine, firmware, microcode : int64 arrays, shape (n,)
        Labels from 0, `UNTOLD` where nothing was told. Only units of one machine label are
        compared with each other, so that a change of what is sent in looks like no drift.
    """

    stable_steps: Steps
    unstable_steps: Steps
    weight: Vector
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
    kind : what tells the recent reports from the earlier ones; None where nothing can
    since : the first month of the recent reports, counted like the months given
    version : label of the firmware or microcode that the recent reports share, else `UNTOLD`
    shift_steps : how much deeper the recent limits lie, below zero where they are shallower
    error_steps : its standard error
    units_before, units_since : the units compared
    p_value : adjusted for all months, versions and kinds that were looked at
    level : `p_value` at which it counts as drift
    """

    is_drift: bool
    kind: Kind | None
    since: int
    version: int
    shift_steps: float
    error_steps: float
    units_before: int
    units_since: int
    p_value: float
    level: float


NO_DRIFT: Final = DriftFound(
    False, None, 0, UNTOLD, 0.0, 0.0, 0, 0, p_value=1.0, level=LEVEL_OF_A_LOOK
)


@dataclass(frozen=True, slots=True)
class _Split:
    """Recent against earlier reports: their difference in standard errors, and its size."""

    kind: Kind
    since: int
    version: int
    z: float
    shift_steps: float
    units_before: int
    units_since: int


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
    The difference of mean `shift_scores` within machines over its exact permutation variance
    (Hajek, Sidak & Sen 1999, Theory of Rank Tests, theorem 3.3.1.3, summed over machines). Over
    months, the largest of all splits: Miller & Siegmund (1982), Biometrics 38:1011-1016, equation
    8. Over versions, and
    over months and versions together: Bonferroni.

    >>> rng = np.random.default_rng(1)
    >>> limit = (rng.normal(110, 15, 160) - np.repeat([0, 15], 80)).astype(int)
    >>> told = np.zeros(160, int)
    >>> month = np.repeat(np.arange(16), 10)
    >>> found = find_drift(DatedLimits(limit, limit + 5, np.ones(160), month, told, told, told))
    >>> found.is_drift, found.kind, found.since, -20 < found.shift_steps < -10
    (True, 'month', 8, True)
    """
    if len(reports.weight) < FEWEST_UNITS:
        return NO_DRIFT
    sample = _scored(reports)
    families = (_by_month(sample), _by_version(sample, reports))
    told = [family for family in families if family is not None]
    if not told:
        return NO_DRIFT
    clearest = min(told, key=lambda family: family.p_value)
    return _found(clearest.split, min(1.0, len(told) * clearest.p_value))


def _found(split: _Split, adjusted: float) -> DriftFound:
    return DriftFound(
        is_drift=adjusted <= LEVEL_OF_A_LOOK,
        kind=split.kind,
        since=split.since,
        version=split.version,
        shift_steps=split.shift_steps,
        error_steps=abs(split.shift_steps / split.z) if split.z else 0.0,
        units_before=split.units_before,
        units_since=split.units_since,
        p_value=adjusted,
        level=LEVEL_OF_A_LOOK,
    )


@dataclass(frozen=True, slots=True)
class _Clearest:
    """The clearest of a family of splits, with the chance of one as clear among them."""

    split: _Split
    p_value: float


@dataclass(frozen=True, slots=True)
class _Sample:
    """Scores times weights, centred within each machine, in one order for all orders sent."""

    value: Vector
    weight: Vector
    slope: float
    stratum: NDArray[np.intp]
    month: Steps
    order: NDArray[np.intp]

    @property
    def squares(self) -> Vector:
        """By machine: the sum of squared values."""
        return np.asarray(np.bincount(self.stratum, self.value**2), dtype=np.float64)


def _scored(reports: DatedLimits) -> _Sample:
    stable, unstable, weight = reports.stable_steps, reports.unstable_steps, reports.weight
    keys = (reports.microcode, reports.firmware, reports.month, weight, unstable, stable)
    order = np.lexsort((*keys, reports.machine))
    fit = fit_npmle(group_intervals(stable, unstable, weight))
    found = shift_scores(stable, unstable, fit)
    value = (weight * found.scores)[order]
    stratum = np.unique(reports.machine[order], return_inverse=True)[1]
    mean = np.bincount(stratum, value) / np.bincount(stratum)
    return _Sample(
        value - mean[stratum], weight[order], found.slope, stratum, reports.month[order], order
    )


def _split(
    sample: _Sample, recent: NDArray[np.bool_], kind: Kind, version: int = UNTOLD
) -> _Split | None:
    """The difference between recent and earlier reports of the same machines, None where few."""
    strata = len(sample.squares)
    all_units = np.bincount(sample.stratum, minlength=strata)
    since = np.bincount(sample.stratum[recent], minlength=strata)
    compared = (since > 0) & (since < all_units)
    units_since = int(since[compared].sum())
    units_before = int((all_units - since)[compared].sum())
    if min(units_since, units_before) < FEWEST_A_SIDE:
        return None
    total = all_units[compared]
    pairs = since[compared] * (total - since[compared]) / total
    sums = np.bincount(sample.stratum[recent], sample.value[recent], minlength=strata)
    difference = float(sums[compared].sum())
    variance = float(np.sum(pairs * sample.squares[compared] / (total - 1)))
    if variance <= 0:
        return None
    information = float(pairs.sum() * np.mean(sample.weight)) * sample.slope
    return _Split(
        kind=kind,
        since=int(sample.month[recent].min()),
        version=version,
        z=difference / float(np.sqrt(variance)),
        shift_steps=difference / information if information > 0 else 0.0,
        units_before=units_before,
        units_since=units_since,
    )


def _by_month(sample: _Sample) -> _Clearest | None:
    first = int(sample.month.max()) - RECENT_MONTHS + 1
    months = [month for month in np.unique(sample.month).tolist() if month >= first]
    splits = [_split(sample, sample.month >= month, "month") for month in months]
    told = [split for split in splits if split is not None]
    if not told:
        return None
    clearest = max(told, key=lambda split: (abs(split.z), split.since))
    parts = [split.units_since / (split.units_since + split.units_before) for split in told]
    p_value = _largest_of_splits(abs(clearest.z), len(told), min(parts), max(parts))
    return _Clearest(clearest, p_value)


def _largest_of_splits(z: float, splits: int, least: float, most: float) -> float:
    """Chance of a difference as large at any of some splits of one sample."""
    alone = 2.0 * float(ndtr(-z))
    if z < 1.0:
        return 1.0
    density = float(np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))
    spread = np.log(most * (1.0 - least) / ((1.0 - most) * least))
    scanned = density * (4.0 / z + (z - 1.0 / z) * float(spread))
    return max(alone, min(1.0, splits * alone, scanned))


def _by_version(sample: _Sample, reports: DatedLimits) -> _Clearest | None:
    firmware = _new_versions(sample, "firmware", reports.firmware[sample.order])
    microcode = _new_versions(sample, "microcode", reports.microcode[sample.order])
    told: list[_Split] = []
    for split in (*firmware, *microcode):
        # A firmware that alone brings a microcode is one change under two names.
        if not any(_is_same(split, other) for other in told):
            told.append(split)
    if not told:
        return None
    clearest = max(told, key=lambda split: (abs(split.z), split.kind, -split.version))
    return _Clearest(clearest, min(1.0, 2.0 * len(told) * float(ndtr(-abs(clearest.z)))))


def _is_same(one: _Split, other: _Split) -> bool:
    counts = (one.units_before, one.units_since) == (other.units_before, other.units_since)
    return counts and abs(one.z - other.z) < _ROUNDING


def _new_versions(sample: _Sample, kind: Kind, labels: Steps) -> Iterator[_Split]:
    """Each version that came up lately against what the same machines had otherwise."""
    first = int(sample.month.max()) - RECENT_MONTHS + 1
    known = labels != UNTOLD
    for version in np.unique(labels[known]).tolist():
        with_it = labels == version
        came_up = int(sample.month[with_it].min())
        others = known & ~with_it & np.isin(sample.stratum, sample.stratum[with_it])
        # The oldest version is what the others are compared with, and never the new one.
        if came_up < first or not np.any(sample.month[others] < came_up):
            continue
        split = _split(_only(sample, with_it | others), with_it[with_it | others], kind, version)
        if split is not None:
            yield split


def _only(sample: _Sample, kept: NDArray[np.bool_]) -> _Sample:
    """The sample without the other reports, centred again."""
    stratum = np.unique(sample.stratum[kept], return_inverse=True)[1]
    value = sample.value[kept]
    mean = np.bincount(stratum, value) / np.bincount(stratum)
    return _Sample(
        value - mean[stratum],
        sample.weight[kept],
        sample.slope,
        stratum,
        sample.month[kept],
        sample.order[kept],
    )
