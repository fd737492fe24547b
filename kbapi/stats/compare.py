"""Whether groups of units differ in their limits beyond chance: a score test with permutations."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.interval import group_intervals
from kbapi.stats.npmle import StableShareFit, fit_npmle

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]

_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class GroupDifference:
    """How surely groups differ.

    Parameters
    ----------
    p_value : chance of a statistic as large if the labels meant nothing, by permutation
    p_asymptotic : the same by the chi-squared distribution, for comparison
    statistic : zero where all groups have the same mean score
    groups : number of groups
    total_weight : units, where no unit is weighed down
    permutations : drawn; the least `p_value` is 1 / (permutations + 1)
    """

    p_value: float
    p_asymptotic: float
    statistic: float
    groups: int
    total_weight: float
    permutations: int


def compare_groups(
    stable_steps: Steps,
    unstable_steps: Steps,
    weight: Vector,
    group: Steps,
    rng: np.random.Generator,
    permutations: int = 999,
) -> GroupDifference:
    """The generalised log-rank test for interval-censored limits.

    Parameters
    ----------
    stable_steps, unstable_steps : int64 arrays, shape (n,)
        One unit each: `stable_steps <= T < unstable_steps`, in grid steps.
    weight : float64 array, shape (n,)
        Positive.
    group : int64 array, shape (n,)
        Labels from 0; with fewer than two in use nothing can differ and `p_value` is 1.
    rng
        Draws the permutations; the same state gives the same answer, whatever the order of units.
    permutations
        Number of random relabellings.

    Raises
    ------
    ValueError
        When there are no units.

    References
    ----------
    Fay (1996), Biometrics 52:811-822, section 3 (scores of the grouped proportional hazards model
    for interval-censored data); Fay & Shaw (2010), J. Statist. Software 36(2), section 2.3
    (permutation form). The statistic is (N - 1) sum_g U_g^2 / N_g / sum_i w_i c_i^2, with U_g the
    sum of a group's scores less N_g times their mean.

    >>> low, high = np.repeat([10, 20], 20), np.repeat([12, 22], 20)
    >>> halves, evenly = np.repeat([0, 1], 20), np.tile([0, 1], 20)
    >>> rng = np.random.default_rng(1)
    >>> compare_groups(low, high, np.ones(40), halves, rng).p_value
    0.001
    >>> compare_groups(low, high, np.ones(40), evenly, rng).p_value
    1.0
    """
    if len(weight) == 0:
        raise ValueError("no units, no comparison")
    order = np.lexsort((group, weight, unstable_steps, stable_steps))
    stable, unstable, heft = stable_steps[order], unstable_steps[order], weight[order]
    scores = log_rank_scores(stable, unstable, fit_npmle(group_intervals(stable, unstable, heft)))
    return compare_scored(scores, heft, group[order], rng, permutations)


def compare_scored(
    scores: Vector, weight: Vector, group: Steps, rng: np.random.Generator, permutations: int
) -> GroupDifference:
    """The same test where the units' scores are known, all of shape (n,).

    Scores may come from a fit of more units than are compared; the order of units matters to the
    permutations that are drawn. With no permutations the p-value is the asymptotic one.

    >>> scores = np.repeat([-1.0, 1.0], 10)
    >>> rng = np.random.default_rng(1)
    >>> found = compare_scored(scores, np.ones(20), np.repeat([0, 1], 10), rng, 0)
    >>> found.p_value == found.p_asymptotic, round(found.statistic, 1)
    (True, 19.0)
    """
    label = np.unique(group, return_inverse=True)[1]
    groups = int(label.max()) + 1
    observed = _statistic(scores, weight, label)
    asymptotic = float(scipy.special.chdtrc(groups - 1, observed)) if groups > 1 else 1.0
    drawn = [_statistic(scores, weight, rng.permutation(label)) for _ in range(permutations)]
    # A relabelling that ties but for rounding is as extreme as what was seen.
    as_large = int(np.sum(np.array(drawn) >= observed * (1.0 - _ROUNDING) - _ROUNDING))
    return GroupDifference(
        p_value=(1 + as_large) / (permutations + 1) if permutations else asymptotic,
        p_asymptotic=asymptotic,
        statistic=observed,
        groups=groups,
        total_weight=float(weight.sum()),
        permutations=permutations,
    )


def log_rank_scores(stable: Steps, unstable: Steps, fit: StableShareFit) -> Vector:
    """Each unit's score, shape (n,): above zero where it goes deeper than units do on average.

    c = (S(R) log S(R) - S(L) log S(L)) / (S(L) - S(R)) under the likeliest share S of all units
    together; S is 1 at stock, and 0 beyond all depths, so that one never failed has -log S(L).

    >>> pool = group_intervals(np.array([4, 9]), np.array([5, 10]), np.array([1.0, 1.0]))
    >>> log_rank_scores(np.array([4, 9]), np.array([5, 10]), fit_npmle(pool)).round(3).tolist()
    [-0.693, 0.693]
    """
    before, after = fit.share_at(stable), fit.share_at(unstable)
    return np.asarray((_entropy(after) - _entropy(before)) / (before - after))


def _entropy(share: Vector) -> Vector:
    """S log S, zero where the share is zero."""
    return np.asarray(share * np.log(np.maximum(share, 1e-300)))


def _statistic(scores: Vector, weight: Vector, label: NDArray[np.intp]) -> float:
    units = np.bincount(label, weight)
    total = float(weight.sum())
    centred = scores - float(weight @ scores) / total
    spread = float(weight @ centred**2)
    if spread <= _ROUNDING * total:
        return 0.0
    sums = np.bincount(label, weight * centred)
    return float((total - 1.0) * np.sum(sums**2 / units) / spread)


def holm_adjusted(p_values: Sequence[float]) -> tuple[float, ...]:
    """Each p-value raised so that all of a family can be read at one level, in the given order.

    References
    ----------
    Holm (1979), Scand. J. Statist. 6:65-70: the smallest times k, the next times k - 1..., never
    falling, at most 1.

    >>> holm_adjusted([0.01, 0.04, 0.03, 0.005])
    (0.03, 0.06, 0.06, 0.02)
    """
    given = np.array(p_values, dtype=np.float64)
    order = np.argsort(given, kind="stable")
    factors = np.arange(len(given), 0, -1)
    raised = np.minimum(np.maximum.accumulate(given[order] * factors), 1.0)
    adjusted = np.empty(len(given))
    adjusted[order] = raised
    return tuple(float(p) for p in adjusted.round(12))
