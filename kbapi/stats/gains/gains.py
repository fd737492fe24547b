"""One gain from many units, or from one's own runs: estimate, interval, noise."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

Vector = NDArray[np.float64]

_BOTH_SIDES: Final = 1.96
"""Standard deviations that hold 95 % of what repeats bring."""


@dataclass(frozen=True, slots=True)
class PairedShift:
    """By how much the median unit changed.

    Parameters
    ----------
    estimate : median of the differences
    low, high : distribution-free interval for the median of all such units
    attained_confidence : what the interval attains whatever the differences are like; it falls
        short of what was asked with few units: 0.9375 at most with 5
    units : differences, one a unit
    p_value : two-sided, of the sign test that half of all such units change either way
    """

    estimate: float
    low: float
    high: float
    attained_confidence: float
    units: int
    p_value: float


def pool_shift(differences: Vector, confidence: float = 0.95) -> PairedShift:
    """The median change of units: tuned less stock, or the logarithm of their ratio.

    Parameters
    ----------
    differences : float64 array, shape (n,)
        One a unit, in any order; ties and zeros stay in.
    confidence
        Wanted at least; with few units the widest interval there is may attain less.

    Raises
    ------
    ValueError
        When there is no unit.

    References
    ----------
    Meeker, Hahn & Escobar (2017), *Statistical Intervals*, 2nd ed., section 5.2: order statistics
    around the median, by the binomial distribution. Zeros count against a change (p_value).

    >>> pool_shift(np.array([0.01, 0.03, 0.04, 0.06, 0.02])) == PairedShift(
    ...     estimate=0.03, low=0.01, high=0.06, attained_confidence=0.9375, units=5, p_value=0.0625
    ... )
    True
    """
    units = len(differences)
    if units == 0:
        raise ValueError("no unit, no shift")
    ordered = np.sort(differences)
    place = _place_of_low_end(units, confidence)
    agree = max(int((ordered > 0).sum()), int((ordered < 0).sum()))
    return PairedShift(
        estimate=float(np.median(ordered)),
        low=float(ordered[place - 1]),
        high=float(ordered[units - place]),
        attained_confidence=1.0 - 2.0 * _chance_at_most(units, place - 1),
        units=units,
        p_value=min(1.0, 2.0 * _chance_at_most(units, units - agree)),
    )


def _place_of_low_end(units: int, confidence: float) -> int:
    """Which of the ordered differences, from 1, is the low end: the innermost sure enough."""
    chances = scipy.special.bdtr(np.arange(units // 2 + 1), units, 0.5)
    wanted = 0.5 * (1.0 - confidence) + 1e-12
    return max(1, int(np.searchsorted(chances, wanted, side="right")))


def _chance_at_most(units: int, below: int) -> float:
    """P(no more than so many of the units lie below their median)."""
    return float(scipy.special.bdtr(below, units, 0.5))


_OWN_ERROR: Final = 0.04
"""Of a comparison of own runs, so that it stays below 0.05 where runs are not normal."""
FEWEST_RUNS: Final = 3
"""Own runs at stock, and tuned, that a comparison takes: with two, equal readings err too often."""


@dataclass(frozen=True, slots=True)
class RunsCompared:
    """One machine's own runs, tuned beside stock.

    Parameters
    ----------
    change : difference of the means
    noise : the least difference that the spread of these runs would not show by chance, 96 % unless
        another error is wanted;
        None with fewer than three runs either way
    """

    change: float
    noise: float | None


def compare_runs(stock: Vector, tuned: Vector, error: float = _OWN_ERROR) -> RunsCompared:
    """The change between runs at stock and tuned, with the noise of these runs.

    Parameters
    ----------
    stock, tuned : float64 arrays
        One a run; logarithms where ratios are compared.
    error
        The chance to take noise for a change.

    References
    ----------
    Student's comparison of two means: one spread, as nothing differs without an effect.

    >>> compare_runs(np.array([1.0, 2.0, 3.0]), np.array([6.0, 7.0, 8.0]))
    RunsCompared(change=5.0, noise=2.448287756289663)
    """
    change = float(np.mean(tuned) - np.mean(stock))
    sizes = np.array([len(stock), len(tuned)])
    if sizes.min() < FEWEST_RUNS:
        return RunsCompared(change, None)
    freedom = float(sizes.sum() - 2)
    squares = float(np.var(stock) * sizes[0] + np.var(tuned) * sizes[1])
    spread = float(np.sqrt(squares / freedom * np.sum(1.0 / sizes)))
    return RunsCompared(change, spread * float(scipy.special.stdtrit(freedom, 1.0 - 0.5 * error)))


def share_below(differences: Vector, own: float) -> float:
    """The share of units that changed by less than one's own; equal ones count half.

    >>> share_below(np.array([1.0, 2.0, 3.0, 4.0]), 3.0)
    0.625
    """
    return float(np.mean(differences < own) + 0.5 * np.mean(differences == own))


@dataclass(frozen=True, slots=True)
class RunNoise:
    """How much one run of a load differs from the next on the same unit.

    Parameters
    ----------
    sd : standard deviation of a single run, on the scale of the differences
    groups : units that were read more than once
    """

    sd: float
    groups: int

    def of_one_pair(self, runs_stock: Vector, runs_tuned: Vector) -> float:
        """The least difference of one unit that its own repeats would not show by chance, 95 %.

        The arrays, shape (n,), hold how many runs each unit's readings are the mean of; the result
        is that of the median unit.

        >>> round(RunNoise(0.01, 12).of_one_pair(np.array([3.0]), np.array([3.0])), 4)
        0.016
        """
        pair = np.sqrt(1.0 / runs_stock + 1.0 / runs_tuned)
        return _BOTH_SIDES * self.sd * float(np.median(pair))


def pool_run_noise(
    values: Vector, runs: Vector, group: NDArray[np.int64], weight: Vector | None = None
) -> RunNoise | None:
    """The noise of one run from readings that only repeat one another; None without repeats.

    Parameters
    ----------
    values, runs : float64 arrays, shape (n,)
        Readings, each the mean of so many runs; logarithms where ratios are compared.
    group : int64 array, shape (n,)
        Equal for readings of one unit in one state under one load.

    weight : float64 array, shape (n,)
        Of the group of each reading, above 0; 1 unless given.

    The pooled variance within groups, a reading weighed by its runs.

    >>> pool_run_noise(np.array([1.0, 3.0, 5.0]), np.ones(3), np.array([0, 0, 1]))
    RunNoise(sd=1.4142135623730951, groups=1)
    """
    _, first, owner, sizes = np.unique(
        group, return_index=True, return_inverse=True, return_counts=True
    )
    if len(values) == len(sizes):
        return None
    counts = np.ones(len(values)) if weight is None else weight
    means = np.bincount(owner, runs * values) / np.bincount(owner, runs)
    repeats = float(np.sum(counts[first] * (sizes - 1)))
    variance = float(np.sum(counts * runs * (values - means[owner]) ** 2)) / repeats
    return RunNoise(float(np.sqrt(variance)), int((sizes > 1).sum()))
