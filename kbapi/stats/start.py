"""The suggested start of a pool, with everything that it stands on."""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from kbapi.stats.grid import Grid
from kbapi.stats.guard import Guard
from kbapi.stats.interval import GroupedIntervals
from kbapi.stats.percentiles import SHARES, TWO_SIDED, ShareDepth, share_depth
from kbapi.stats.pool import PoolFit, fit_pool
from kbapi.stats.scale import PriorScale
from kbapi.stats.siblings import Level, Siblings

FEWEST_OWN_UNITS: Final = 3.0
"""Without siblings fewer units than this only repeat the vague prior: no number is made up."""


class StartMethod(StrEnum):
    """How a start was computed."""

    EXTREME_VALUE = "extreme_value"
    BLEND = "blend"
    MODEL_FREE = "model_free"
    NONE = "none"


class NoStartReason(StrEnum):
    """Why no setting is suggested."""

    TOO_FEW_UNITS = "too_few_units"
    FAILS_NEAR_STOCK = "fails_near_stock"


@dataclass(frozen=True, slots=True)
class Start:
    """The setting to try first, as whole grid steps below stock, 1 or more.

    `interval` tells how deep the served share of units reaches; its shallow end is the start.
    """

    steps: int
    interval: ShareDepth


@dataclass(frozen=True, slots=True)
class NoStart:
    """No setting can be suggested, and why."""

    reason: NoStartReason


@dataclass(frozen=True, slots=True)
class StartFit:
    """A start, or the reason for none, with what it stands on.

    Parameters
    ----------
    answer : the start, or why there is none
    stable_share, stable_share_used : asked for, and served: stricter under a guard
    confidence : asked for, one-sided; the attained one is in the start's interval
    percentiles : for 90, 75, 50, 25 and 10 % of units, two-sided 90 %; empty without a fit
    level : whose units it leans on
    own_units, borrowed_units : weight of the chip's own units, and of the siblings leant on
    sibling_agreement : how often a chip among its siblings would lie as far from them, in [0, 1]
    method : which of the two bounds speak
    optimality_gap, converged : certificate of the nonparametric fit; 0 and true without own units
    """

    answer: Start | NoStart
    stable_share: float
    stable_share_used: float
    confidence: float
    percentiles: tuple[ShareDepth, ...]
    level: Level
    own_units: float
    borrowed_units: float
    sibling_agreement: float
    method: StartMethod
    optimality_gap: float
    converged: bool


def pool_start(
    evidence: GroupedIntervals,
    siblings: Siblings,
    grid: Grid,
    scale: PriorScale,
    stable_share: float,
    confidence: float,
    guard: Guard,
) -> StartFit:
    """The deepest setting at which, and before which, the wanted share of units is stable.

    Parameters
    ----------
    evidence
        Distinct intervals of the chip's own units in grid steps; may be empty.
    siblings
        Summaries of the related chips (`summarise_sibling`).
    grid
        Steps of the control.
    scale
        Prior scale of the control, in its own unit.
    stable_share, confidence
        Both in (0, 1).
    guard
        What stands against the pool.

    Raises
    ------
    ValueError
        When the share or the confidence is not inside (0, 1).

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26:404-413, on the estimate of Turnbull (1976), with the
    extreme-value posterior of `small_sample` for few units; see `blend`.

    >>> import numpy as np
    >>> from fractions import Fraction
    >>> from kbapi.stats.guard import NO_GUARD
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([14, 18]), np.array([15, 20]), np.array([10.0, 190.0]))
    >>> arguments = (Siblings(), Grid(Fraction(5)), VOLTAGE_OFFSET, 0.9, 0.95, NO_GUARD)
    >>> fit = pool_start(pool, *arguments)
    >>> fit.answer.steps, fit.method.value, fit.level.value
    (18, 'model_free', 'chip')
    >>> nobody = GroupedIntervals(np.zeros(0, int), np.zeros(0, int), np.zeros(0))
    >>> pool_start(nobody, *arguments).answer
    NoStart(reason=<NoStartReason.TOO_FEW_UNITS: 'too_few_units'>)
    """
    for given in (stable_share, confidence):
        if not 0 < given < 1:
            raise ValueError("a stable share and a confidence lie between 0 and 1")
    stable_share_used = guard.stable_share_used(stable_share)
    pool = fit_pool(evidence, siblings, float(grid.step), scale)
    if not says_something(pool):
        return _without_units(pool, stable_share, stable_share_used, confidence)
    interval = depth_in_reach(pool, stable_share_used, confidence)
    free = pool.bound.model_free_weight
    return StartFit(
        answer=(
            Start(interval.shallow, interval)
            if interval.shallow > 0
            else NoStart(NoStartReason.FAILS_NEAR_STOCK)
        ),
        stable_share=stable_share,
        stable_share_used=stable_share_used,
        confidence=confidence,
        percentiles=_percentiles(pool),
        level=level_of(pool),
        own_units=pool.own_units,
        borrowed_units=0.0 if free == 1.0 else pool.prior.borrowed_units,
        sibling_agreement=pool.agreement,
        method=_method(free),
        optimality_gap=pool.optimality_gap,
        converged=pool.converged,
    )


def says_something(pool: PoolFit) -> bool:
    """Whether siblings, or units enough of its own, stand behind a pool; else nothing is told."""
    return pool.prior.level is not Level.NONE or pool.own_units >= FEWEST_OWN_UNITS


def _without_units(
    pool: PoolFit, stable_share: float, stable_share_used: float, confidence: float
) -> StartFit:
    return StartFit(
        answer=NoStart(NoStartReason.TOO_FEW_UNITS),
        stable_share=stable_share,
        stable_share_used=stable_share_used,
        confidence=confidence,
        percentiles=(),
        level=Level.NONE,
        own_units=pool.own_units,
        borrowed_units=0.0,
        sibling_agreement=pool.agreement,
        method=StartMethod.NONE,
        optimality_gap=pool.optimality_gap,
        converged=pool.converged,
    )


def _percentiles(pool: PoolFit) -> tuple[ShareDepth, ...]:
    one_sided = (1.0 + TWO_SIDED) / 2.0
    return tuple(depth_in_reach(pool, share, one_sided) for share in SHARES)


def depth_in_reach(pool: PoolFit, share: float, confidence: float) -> ShareDepth:
    """The depth that a share of units reaches, no deeper than anybody has tried.

    Where many never failed the shapes go on beyond all of them. Its deep end alone may lie there:
    it says how far the limits could reach. What siblings have tried counts like the chip's own.

    >>> import numpy as np
    >>> from kbapi.stats.interval import NEVER_FAILED
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> units = GroupedIntervals(np.array([20]), np.array([NEVER_FAILED]), np.array([40.0]))
    >>> pool = fit_pool(units, Siblings(), 5.0, VOLTAGE_OFFSET)
    >>> share_depth(pool.bound, 0.9, 0.95).shallow, depth_in_reach(pool, 0.9, 0.95).shallow
    (22, 20)
    """
    depth, reach = share_depth(pool.bound, share, confidence), pool.deepest_tried
    return replace(depth, steps=min(depth.steps, reach), shallow=min(depth.shallow, reach))


def level_of(pool: PoolFit) -> Level:
    """The chip itself, where siblings say nothing or its own units have grown out of them."""
    free = pool.bound.model_free_weight
    return Level.CHIP if free == 1.0 or pool.prior.level is Level.NONE else pool.prior.level


def _method(free: float) -> StartMethod:
    if free == 0.0:
        return StartMethod.EXTREME_VALUE
    return StartMethod.MODEL_FREE if free == 1.0 else StartMethod.BLEND
