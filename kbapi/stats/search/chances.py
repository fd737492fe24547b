"""How likely each grid step is the limit of one more unit, and of a unit with runs of its own.

A run can mislead: a stable setting fails now and then, and an unstable one can pass, the more
likely the shorter the run.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.intervals import frozen_array
from kbapi.stats.scale import PriorScale
from kbapi.stats.start.blend import KnownShare
from kbapi.stats.start.pool import PoolFit

Vector = NDArray[np.float64]

# A unit may differ from all reported ones: its limit could lie anywhere.
_UNIFORM: Final = 0.01
_REACH: Final = 4.0

FALSE_FAILURE: Final = 0.05
"""Chance that a run fails at a stable setting, whatever its length."""
# Where an unstable setting has passed half of the time: 5 minutes then pass three times in ten.
_HALF_MISSED_MINUTES: Final = 5.0 * 0.3 / 0.7
LIGHT_LOAD: Final = 0.5
"""A minute of a load that leaves most of the chip idle shows as much as this part of a minute."""
LONG_RUNS_MINUTES: Final = (30.0, 60.0, 120.0, 240.0)
"""Lengths of the run that confirms the end of a search, shortest first."""
_CONFIRMED: Final = 0.05


def missed_failure(minutes: float) -> float:
    """Chance that an unstable setting passes a run of this length.

    Settings fail at different rates, so long runs find less than an equal rate for all would: with
    exponentially distributed rates the chance is 1 / (1 + minutes / scale).

    References
    ----------
    Lomax (1954), J. Am. Statist. Ass. 49:847-852 (a mixture of exponential times to failure).

    >>> [round(missed_failure(minutes), 3) for minutes in (5.0, 20.0, 60.0)]
    [0.3, 0.097, 0.034]
    """
    return 1.0 / (1.0 + minutes / _HALF_MISSED_MINUTES)


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a unit's own: its setting in whole steps, its length and how it ended.

    `minutes` are those of a heavy load: a light one shows less (`LIGHT_LOAD`).
    """

    steps: int
    minutes: float
    is_stable: bool


@dataclass(frozen=True, slots=True)
class LimitChances:
    """Probability of each whole step to be a unit's limit, from its own stable setting on.

    Parameters
    ----------
    stable_steps : the unit's deepest setting that passed; 0 without one
    mass : float64 array, shape (d,)
        Of limit `stable_steps + i`, summing to one. The first is also for shallower limits, whose
        passes are false, and the last for deeper ones, whose failures are.
    is_open : whether the unit never failed; then the last mass is for that step or deeper
    before : float64 array, shape (b,), b <= stable_steps
        Of limit `i`, all shallower than `stable_steps`, where the pass was false.
    """

    stable_steps: int
    mass: Vector
    is_open: bool
    before: Vector = field(default_factory=lambda: frozen_array(np.zeros(0)))

    @property
    def false_pass(self) -> float:
        """Chance that the limit lies before `stable_steps`."""
        return float(self.before.sum())

    @property
    def unstable_steps(self) -> int:
        """The shallowest step that failed, or the one beyond the deepest that may be tried."""
        return self.stable_steps + len(self.mass)

    @property
    def failing(self) -> Vector:
        """Chance that the limit lies before each step, shape (d + 1,), from 0 to 1."""
        # Rounding must not leave the last one below 1.
        return np.append(np.minimum(np.cumsum(np.append(0.0, self.mass[:-1])), 1.0), 1.0)


def limit_chances(pool: PoolFit, deepest: int) -> Vector:
    """Probability of each step 0..deepest to be the limit of one more unit, shape (deepest + 1,).

    The last is for `deepest` and everything beyond. The posterior predictive of the shapes and
    the smoothed nonparametric estimate, mixed by the same weight as the start; 1 % is spread
    evenly, for a unit that differs from the pool.

    Parameters
    ----------
    pool
        A fitted pool with units of its own or siblings.
    deepest
        The deepest step that may be proposed, 1 or more.

    References
    ----------
    Groeneboom, Jongbloed & Witte (2010), Ann. Statist. 38:352-387, section 3 (the maximum
    likelihood estimate smoothed by a kernel); Silverman (1986), Density Estimation, equation 3.31
    (its width).

    >>> from kbapi.stats.intervals import GroupedIntervals
    >>> from kbapi.stats.start.pool import fit_pool
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.estimate.siblings import Siblings
    >>> units = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> chances = limit_chances(fit_pool(units, Siblings(), 5.0, VOLTAGE_OFFSET), 32)
    >>> int(chances.argmax()), round(float(chances[:18].sum()), 2)
    (20, 0.06)
    """
    if deepest < 1:
        raise ValueError("at least one step must be allowed")
    weight = pool.bound.model_free_weight
    if weight == 1.0 and not _goes_beyond(pool.bound.known, deepest):
        # The posterior would change nothing, and costs most of a fit.
        modelled = np.ones(deepest + 1)
    else:
        modelled = _posterior_share(pool, deepest)
    share = modelled if weight == 0.0 else _mixed(pool, modelled, deepest, weight)
    mass = np.append(share[:-1] - share[1:], share[-1])
    return np.asarray((1.0 - _UNIFORM) * mass / mass.sum() + _UNIFORM / (deepest + 1))


_WEAK_MEANS: Final = 64


def weak_limit_chances(scale: PriorScale, step: float, deepest: int) -> Vector:
    """Probability of each step 0..deepest to be a limit, for a chip without any results.

    The mean limit of a chip lies anywhere in the control's range with equal chance, because no
    result says where. Its units spread around it by the middle of the range of spreads.

    Parameters
    ----------
    scale
        Range of means and spreads of the control, in its own unit.
    step
        The control's unit a grid step, mV or counts.
    deepest
        The deepest step that may be proposed, 1 or more.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> mass = weak_limit_chances(VOLTAGE_OFFSET, 10.0, 16)
    >>> failing = np.cumsum(mass) - mass
    >>> failing[[2, 4, 8, 12]].round(2).tolist()
    [0.03, 0.1, 0.3, 0.5]
    """
    across = (np.arange(_WEAK_MEANS) + 0.5) / _WEAK_MEANS
    means = scale.mean_low + across * (scale.mean_high - scale.mean_low)
    spread = float(np.sqrt(scale.sd_low * scale.sd_high))
    depths = step * np.arange(deepest + 1)
    share = scipy.special.ndtr((means - depths[:, None]) / spread).mean(axis=1)
    mass = np.append(share[:-1] - share[1:], share[-1])
    return np.asarray(mass / mass.sum())


def chances_of_unit(
    mass: Vector,
    stable_steps: int,
    unstable_steps: int,
    runs: Sequence[Run] = (),
    failed_minutes: float = LONG_RUNS_MINUTES[-1],
) -> LimitChances:
    """The chances of a unit's limit, from its bracket and from how far its runs can mislead.

    A limit outside the bracket counts for the nearer end.

    Parameters
    ----------
    mass
        Of one more unit's limit, from `limit_chances`.
    stable_steps, unstable_steps
        The deepest pass short of every failure, and the shallowest failure.
    runs, failed_minutes
        Those that count (none: the bracket is certain); how long a failed run was to last.

    References
    ----------
    Burnashev & Zigangirov (1974), Probl. Inf. Transm. 10:223-231 (answers of known error).

    >>> unit = chances_of_unit(np.array([0.1, 0.2, 0.3, 0.4]), 1, 3)
    >>> unit.mass.round(2).tolist(), unit.unstable_steps, unit.is_open
    ([0.4, 0.6], 3, False)
    >>> unit = chances_of_unit(np.full(4, 0.25), 2, 1 << 30, [Run(2, 5.0, is_stable=True)])
    >>> unit.mass.round(2).tolist(), round(unit.false_pass, 2)
    ([0.62, 0.38], 0.24)
    """
    if not 0 <= stable_steps < unstable_steps:
        raise ValueError("what failed lies deeper than what passed, and both below stock")
    deepest = len(mass) - 1
    first, end = min(stable_steps, deepest), min(unstable_steps, len(mass))
    likely = mass * _likelihood(runs, failed_minutes, deepest)
    if not runs:
        likely[:first] = likely[end:] = 0.0
    likely /= likely.sum()
    return _within(likely, first, end, stable_steps, unstable_steps > max(len(mass), stable_steps))


def _within(likely: Vector, first: int, end: int, stable_steps: int, is_open: bool) -> LimitChances:
    """The chances between two steps, with what lies outside at the nearer end."""
    inside, before = likely[first:end].copy(), frozen_array(likely[:first].copy())
    inside[0] += before.sum()
    inside[-1] += likely[end:].sum()
    return LimitChances(stable_steps, frozen_array(inside / inside.sum()), is_open, before)


def confirming_minutes(chances: LimitChances, passed_minutes: float) -> float | None:
    """The length of the run that confirms the deepest pass; None where it is confirmed.

    The shortest of `LONG_RUNS_MINUTES` after whose pass the setting is unstable with a chance of
    5 % at most, or else the longest.

    Parameters
    ----------
    chances
        Of the unit's limit, after all of its runs.
    passed_minutes
        How long it has passed at its deepest pass.

    >>> sure = LimitChances(60, np.ones(1), is_open=True, before=np.full(10, 0.001))
    >>> confirming_minutes(sure, 20.0), confirming_minutes(sure, 50.0)
    (30.0, None)
    """
    shortest, longest = LONG_RUNS_MINUTES[0], LONG_RUNS_MINUTES[-1]
    is_sure = chances.false_pass <= _CONFIRMED and passed_minutes >= shortest
    if is_sure or passed_minutes >= longest:
        return None
    odds = chances.false_pass / (1.0 - chances.false_pass) / missed_failure(passed_minutes)
    enough = (
        minutes
        for minutes in LONG_RUNS_MINUTES
        if odds * missed_failure(passed_minutes + minutes) <= _CONFIRMED / (1.0 - _CONFIRMED)
    )
    return next(enough, longest)


def _likelihood(runs: Sequence[Run], failed_minutes: float, deepest: int) -> Vector:
    """How likely each limit makes the runs, shape (deepest + 1,), up to a factor.

    Runs at one setting count as one of their length together: what fails slowly does so each time.
    """
    likelihood = np.ones(deepest + 1)
    passed: dict[int, float] = {}
    for run in runs:
        if run.is_stable:
            passed[run.steps] = passed.get(run.steps, 0.0) + run.minutes
        else:
            likelihood[: run.steps] *= 1.0 - missed_failure(failed_minutes)
            likelihood[run.steps :] *= FALSE_FAILURE
    for steps, minutes in passed.items():
        likelihood[: min(steps, deepest)] *= missed_failure(minutes) / (1.0 - FALSE_FAILURE)
    return likelihood


def _posterior_share(pool: PoolFit, deepest: int) -> Vector:
    share = pool.bound.posterior.expected_share_at(np.arange(deepest + 1))
    return np.asarray(share / share[0])


def _goes_beyond(known: KnownShare, deepest: int) -> bool:
    """Whether units that never failed go on beyond the deepest failure of the pool."""
    return bool(known.most[-1] > 0.0 and known.depths[-1] <= deepest)


def _mixed(pool: PoolFit, modelled: Vector, deepest: int, weight: float) -> Vector:
    free = _free_share(pool.bound.known, modelled, deepest)
    smooth = _smoothed(free, pool.own_units)
    return (1.0 - weight) * modelled + weight * smooth


def _free_share(known: KnownShare, modelled: Vector, deepest: int) -> Vector:
    """The nonparametric share, each cell's mass half at either end.

    What never failed at the deep end of the pool goes on as the posterior does there.
    """
    depths = np.arange(deepest + 1)
    run = np.searchsorted(known.depths, depths, side="right") - 1
    never_failed = float(known.most[-1])
    middle = (np.maximum(known.least - never_failed, 0.0) + known.most - never_failed) / 2.0
    last = min(max(int(known.depths[-1]) - 1, 0), deepest)
    beyond = np.minimum(modelled / max(modelled[last], 1e-300), 1.0)
    return np.asarray(middle[run] + never_failed * beyond)


def _smoothed(share: Vector, units: float) -> Vector:
    """The share under a bell-shaped kernel; what would lie above stock is folded back."""
    mass = np.append(share[:-1] - share[1:], share[-1])
    width = _width(mass, units)
    reach = int(np.ceil(_REACH * width))
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    spread = np.convolve(mass, bell / bell.sum())
    folded = spread[reach:].copy()
    folded[:reach] += spread[:reach][::-1]
    return np.asarray(np.cumsum(folded[::-1])[::-1][: len(share)])


def _width(mass: Vector, units: float) -> float:
    """Silverman's width in steps, half a step at least."""
    steps = np.arange(len(mass))
    mean = float(mass @ steps)
    sd = float(np.sqrt(mass @ (steps - mean) ** 2))
    quarter, rest = np.searchsorted(np.cumsum(mass), [0.25, 0.75])
    spread = min(sd, float(rest - quarter) / 1.34) or sd
    return max(0.9 * spread * float(units**-0.2), 0.5)
