"""The suggested start of a pool, its guard, and percentiles with intervals.

The bound is Clopper & Pearson's (1934, Biometrika 26:404-413) on the estimate of Turnbull (1976),
and for few units the posterior of the family of shapes in `small_sample`; `blend` mixes them.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from math import ceil, floor, log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.estimate.siblings import Level, Siblings
from kbapi.stats.intervals import Grid, GroupedIntervals
from kbapi.stats.scale import PriorScale
from kbapi.stats.start.blend import BlendedBound, LimitPosterior
from kbapi.stats.start.pool import PoolFit, fit_pool

Vector = NDArray[np.float64]

_FOR_DRIFT: Final = 0.9
_FOR_EACH_FLAG: Final = 5.0
_AT_LEAST: Final = 0.9
_RESERVE: Final = 0.1
_RESERVE_FROM: Final = 10.0
_WHOLE_RESERVE_AT: Final = 30.0


def reserve_for(units: float) -> float:
    """The part of the share that may fail that is kept for false results.

    Where a fifth of the reports says of every setting that it is stable, a true share S looks like
    0.8 S + 0.2. Among few units the confidence interval is wider than that. So the reserve grows
    from nothing at 10 units to a tenth at 30.

    >>> [round(reserve_for(units), 3) for units in (10.0, 20.0, 30.0, 1000.0)]
    [0.0, 0.05, 0.1, 0.1]
    """
    grown = (units - _RESERVE_FROM) / (_WHOLE_RESERVE_AT - _RESERVE_FROM)
    return _RESERVE * min(max(grown, 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class Guard:
    """Reasons for a stricter share: weight that was excluded or discounted, and drift.

    Parameters
    ----------
    flagged_share : share of the pool's weight that was excluded or discounted, 0 to 1
    drift_alarm : whether the pool has drifted
    """

    flagged_share: float
    drift_alarm: bool

    def stable_share_used(self, stable_share: float, units: float) -> float:
        """The share that is used for the one wanted, from so many own units.

        Of the share that may fail, `reserve_for` is subtracted, a tenth under a drift alarm, and
        5 % for each per cent that is flagged, a tenth at most.

        >>> guards = Guard(0.0, drift_alarm=False), Guard(0.01, drift_alarm=False)
        >>> [round(guard.stable_share_used(0.9, 10.0), 4) for guard in guards]
        [0.9, 0.905]
        """
        kept = 1.0 - reserve_for(units)
        kept *= _FOR_DRIFT if self.drift_alarm else 1.0
        kept *= max(1.0 - _FOR_EACH_FLAG * self.flagged_share, _AT_LEAST)
        return 1.0 - kept * (1.0 - stable_share)


NO_GUARD: Final = Guard(flagged_share=0.0, drift_alarm=False)


SHARES: Final = (0.90, 0.75, 0.50, 0.25, 0.10)
TWO_SIDED: Final = 0.90

# Of the least spread of the control: 2 mV or 0.4 counts.
_READ_TOO_SHALLOW: Final = 0.4
# Errors at which an end is computed: from the wanted one down to 1/256 of it.
_FRACTIONS: Final = 0.5 ** (np.arange(65) / 8)


@dataclass(frozen=True, slots=True)
class ShareDepth:
    """How deep a share of units reaches, in whole grid steps below stock.

    Parameters
    ----------
    share : of the units, whose limit lies at or beyond the depth
    steps : likeliest depth, within the interval
    shallow, deep : ends of the interval, rounded outward
    shallow_confidence, deep_confidence : the highest confidence that still gives this end
    """

    share: float
    steps: int
    shallow: int
    deep: int
    shallow_confidence: float
    deep_confidence: float

    @property
    def confidence(self) -> float:
        """Attained confidence of the interval, two-sided."""
        return self.shallow_confidence + self.deep_confidence - 1.0


def share_depth(bound: BlendedBound, share: float, confidence: float) -> ShareDepth:
    """The depth that a share of units reaches, with an interval.

    Parameters
    ----------
    bound
        Of a fitted pool.
    share
        Of the units, in (0, 1).
    confidence
        One-sided, of each end, in (0, 1).

    References
    ----------
    Meeker, Hahn & Escobar (2017), Statistical Intervals, section 5.2 (quantile intervals from
    order statistics), carried over to interval-censored data by `blend`.

    >>> from kbapi.stats.intervals import GroupedIntervals
    >>> from kbapi.stats.start.pool import fit_pool
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.estimate.siblings import Siblings
    >>> pool = GroupedIntervals(np.array([14, 18]), np.array([15, 20]), np.array([40.0, 160.0]))
    >>> deep = share_depth(fit_pool(pool, Siblings(), 5.0, VOLTAGE_OFFSET).bound, 0.75, 0.95)
    >>> deep.shallow, deep.steps, deep.deep
    (14, 18, 19)
    """
    errors = (1.0 - confidence) * _FRACTIONS
    ends = bound.ends(share, errors)
    shallow = np.maximum(np.floor(ends.shallow), 0).astype(int)
    deep = np.maximum(np.ceil(ends.deep), shallow[0]).astype(int)
    return ShareDepth(
        share=share,
        steps=int(np.clip(round(ends.middle), shallow[0], deep[0])),
        shallow=int(shallow[0]),
        deep=int(deep[0]),
        shallow_confidence=_attained(errors, shallow),
        deep_confidence=_attained(errors, deep),
    )


def _attained(errors: Vector, ends: NDArray[np.int_]) -> float:
    """The highest confidence at which the bound equals the bound at the first error."""
    return float(1.0 - errors[np.flatnonzero(ends == ends[0])[-1]])


FEWEST_OWN_UNITS: Final = 3.0
"""Without siblings fewer units than this only repeat the vague prior: there is no start."""
FEW_OWN_UNITS: Final = 10.0
"""With so much weight of its own a chip says more than all chips of its kind."""


class StartMethod(StrEnum):
    """How a start was computed."""

    SMALL_SAMPLE = "small_sample"
    BLEND = "blend"
    MODEL_FREE = "model_free"
    NONE = "none"


class NoStartReason(StrEnum):
    """Why no setting is suggested."""

    TOO_FEW_UNITS = "too_few_units"
    SHARE_OUT_OF_REACH = "share_out_of_reach"
    FAILS_NEAR_STOCK = "fails_near_stock"


@dataclass(frozen=True, slots=True)
class Start:
    """The setting to try first, as whole grid steps below stock, 1 or more.

    Parameters
    ----------
    steps : entered as a whole number of mV or counts it is below stock
    interval : the depth that the share used reaches; its shallow end is the start
    stable_share, stable_share_used : wanted, and used: stricter under a guard
    """

    steps: int
    interval: ShareDepth
    stable_share: float
    stable_share_used: float


@dataclass(frozen=True, slots=True)
class NoStart:
    """No setting can be suggested for the share wanted, and why.

    Parameters
    ----------
    units_needed : weight of units that the share takes; None where more units need not help
    units_behind : whole units of weight that count for it, fewer than are needed; None likewise
    lower : the start for the largest of `USUAL_SHARES` below the one wanted that has a start
    """

    reason: NoStartReason
    units_needed: int | None = None
    units_behind: int | None = None
    lower: Start | None = None


USUAL_SHARES: Final = (0.95, 0.90, 0.75, 0.50)
"""Shares that are tried, in this order, where the one wanted has no start."""

_CALIBRATED_SHARE: Final = 0.90
_EXACT_FROM: Final = 0.99


def units_needed(share: float, confidence: float) -> float:
    """Weight of units that a start for a share takes; three for shares of 0.90 or less.

    Without a model it takes `n` units of which none failed, with `share ** n` equal to the error.
    Below as many a start depends on the shape of the distribution. From a share of 0.99 on that is
    ruled out: no shape shows whether one unit in a hundred fails. In between the needed part of `n`
    grows like the inverse of the share that may fail, from a tenth at 0.90.

    References
    ----------
    Wilks (1941), Ann. Math. Statist. 12:91-96 (sample size for a one-sided tolerance limit).

    >>> [ceil(units_needed(share, 0.95)) for share in (0.5, 0.9, 0.95, 0.97, 0.99)]
    [3, 3, 12, 33, 299]
    """
    if share <= _CALIBRATED_SHARE:
        return FEWEST_OWN_UNITS
    part = min((1.0 - _EXACT_FROM) / (1.0 - share), 1.0)
    return max(FEWEST_OWN_UNITS, part * exact_units_needed(share, confidence))


def exact_units_needed(share: float, confidence: float) -> float:
    """Weight of units without a failure that shows the share without a model.

    >>> [round(exact_units_needed(share, 0.95), 1) for share in (0.9, 0.99)]
    [28.4, 298.1]
    """
    return log(1.0 - confidence) / log(share)


@dataclass(frozen=True, slots=True)
class StartFit:
    """A start, or the reason for none, with the evidence behind it.

    Parameters
    ----------
    answer : the start, or why there is none
    stable_share, stable_share_used : wanted, and used: stricter under a guard
    confidence : wanted, one-sided; the attained one is in the start's interval
    pool : the fit that it is computed from
    """

    answer: Start | NoStart
    stable_share: float
    stable_share_used: float
    confidence: float
    pool: PoolFit

    @property
    def percentiles(self) -> tuple[ShareDepth, ...]:
        """For 90, 75, 50, 25 and 10 % of units, two-sided 90 %; empty with too few units.

        They are computed here, because most answers do not show them.
        """
        one_sided = (1.0 + TWO_SIDED) / 2.0
        shares = SHARES if is_informative(self.pool) else ()
        return tuple(depth_in_reach(self.pool, share, one_sided) for share in shares)

    @property
    def level(self) -> Level:
        """Whose units it is computed from."""
        return level_of(self.pool) if is_informative(self.pool) else Level.NONE

    @property
    def own_units(self) -> float:
        """Weight of the chip's own units."""
        return self.pool.own_units

    @property
    def borrowed_units(self) -> float:
        """Weight of the units of its siblings, where they count."""
        return _borrowed_units(self.pool)

    @property
    def sibling_agreement(self) -> float:
        """Chance that a chip among its siblings lies as far from them, in [0, 1]."""
        return self.pool.agreement

    @property
    def method(self) -> StartMethod:
        """Which of the two bounds have weight."""
        if not is_informative(self.pool):
            return StartMethod.NONE
        return _method(self.pool.bound.model_free_weight)

    @property
    def optimality_gap(self) -> float:
        """Certificate of the nonparametric fit; 0 without own units."""
        return self.pool.optimality_gap

    @property
    def converged(self) -> bool:
        """Whether that fit reached its maximum."""
        return self.pool.converged


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
    grid, scale
        Steps and prior scale of the control, in its own unit.
    stable_share, confidence
        Both in (0, 1); ValueError outside.
    guard
        Reasons for a stricter share.

    >>> from fractions import Fraction
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([14, 18]), np.array([15, 20]), np.array([10.0, 190.0]))
    >>> arguments = (Siblings(), Grid(Fraction(5)), VOLTAGE_OFFSET, 0.9, 0.95, NO_GUARD)
    >>> fit = pool_start(pool, *arguments)
    >>> fit.answer.steps, fit.method.value, fit.level.value
    (18, 'model_free', 'chip')
    """
    pool = fit_own_pool(evidence, siblings, float(grid.step), scale)
    return start_of(pool, grid, stable_share, confidence, guard)


@dataclass(frozen=True, slots=True)
class FadedPosterior(LimitPosterior):
    """What own units say beside other lines, and what they say alone, mixed by their weights.

    Shares are those of the mixture. Depths are mixed one by one: a few percent of one posterior
    would decide the ends of a mixture, and a single unit would move them by tens of mV.

    Parameters
    ----------
    beside, alone
        The two posteriors.
    faded : the weight of `alone`, in [0, 1]
    """

    beside: LimitPosterior
    alone: LimitPosterior
    faded: float

    def depth_at(self, share: float, levels: NDArray[np.float64]) -> NDArray[np.float64]:
        """The mean of both posteriors' quantiles of the depth in steps.

        References
        ----------
        Ratcliff (1979), Psychol. Bull. 86:446-461 (averages of quantiles).
        """
        beside, alone = (one.depth_at(share, levels) for one in (self.beside, self.alone))
        return np.asarray((1.0 - self.faded) * beside + self.faded * alone)


def fit_own_pool(
    evidence: GroupedIntervals, siblings: Siblings, step: float, scale: PriorScale
) -> PoolFit:
    """The fit of a pool, where other lines count less with each own unit: from three to ten.

    Parameters
    ----------
    evidence, siblings, step, scale
        As for `fit_pool`.

    >>> from kbapi.stats.estimate.siblings import Sibling
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> lines = Siblings(all_chips=tuple(Sibling(mean, 3.0, 60.0) for mean in (60.0, 80.0, 100.0)))
    >>> def shallow(units, siblings):
    ...     pool = GroupedIntervals(np.array([40]), np.array([41]), np.array([units]))
    ...     fit = fit_own_pool(pool, siblings, 5.0, VOLTAGE_OFFSET)
    ...     return share_depth(fit.bound, 0.9, 0.95).shallow
    >>> [shallow(units, lines) for units in (3.0, 6.5, 9.9, 10.0)], shallow(10.0, Siblings())
    ([17, 31, 37, 37], 37)
    """
    pool = fit_pool(evidence, siblings, step, scale)
    faded = float(np.interp(pool.own_units, [FEWEST_OWN_UNITS, FEW_OWN_UNITS], [0.0, 1.0]))
    if pool.prior.level is not Level.ALL_CHIPS or faded == 0.0:
        return pool
    alone = fit_pool(evidence, Siblings(), step, scale)
    one, other = pool.bound.posterior, alone.bound.posterior
    chances = np.concatenate([(1.0 - faded) * one.chances, faded * other.chances])
    mixed = FadedPosterior((*one.parts, *other.parts), chances, one, other, faded)
    tried = (1.0 - faded) * pool.deepest_tried + faded * alone.deepest_tried
    return replace(
        pool, bound=replace(pool.bound, posterior_of=lambda: mixed), deepest_tried=round(tried)
    )


def start_of(
    pool: PoolFit, grid: Grid, stable_share: float, confidence: float, guard: Guard
) -> StartFit:
    """The same for a fitted pool, so that one fit serves several shares and confidences."""
    for given in (stable_share, confidence):
        if not 0 < given < 1:
            raise ValueError("a stable share and a confidence lie between 0 and 1")
    used = guard.stable_share_used(stable_share, pool.own_units)

    def start_for(share: float) -> Start | NoStart:
        return suggested_start(pool, grid, share, confidence, guard)

    return StartFit(_or_lower_share(start_for, stable_share), stable_share, used, confidence, pool)


def is_informative(pool: PoolFit) -> bool:
    """Whether a pool has siblings, or enough units of its own, for an answer."""
    return pool.prior.level is not Level.NONE or pool.own_units >= FEWEST_OWN_UNITS


def suggested_start(
    pool: PoolFit, grid: Grid, stable_share: float, confidence: float, guard: Guard
) -> Start | NoStart:
    """The start for one share, without percentiles; without one, what it takes.

    A search for the limit of one unit begins here too.
    """
    if not is_informative(pool):
        return NoStart(NoStartReason.TOO_FEW_UNITS)
    in_full = guard.stable_share_used(stable_share, _WHOLE_RESERVE_AT)
    needed = units_needed(in_full, confidence)
    # Units of other lines show nothing of how rare failures of this one are.
    lent = 0.0 if pool.prior.level is Level.ALL_CHIPS else _borrowed_units(pool)
    behind = pool.own_units + lent
    # At lower shares the prior alone is enough where relatives lend one.
    if stable_share > _CALIBRATED_SHARE and behind < needed:
        return _out_of_reach(needed, behind)
    used = guard.stable_share_used(stable_share, pool.own_units)
    interval = depth_in_reach(pool, used, confidence)
    # People enter whole numbers: a start that rounds to 0 would be stock.
    if grid.enter(interval.shallow) > 0:
        return Start(interval.shallow, interval, stable_share, used)
    exact = exact_units_needed(used, confidence)
    if pool.bound.model_free_weight == 1.0 and pool.own_units < exact:
        return _out_of_reach(exact, pool.own_units)
    return NoStart(NoStartReason.FAILS_NEAR_STOCK)


def _out_of_reach(needed: float, behind: float) -> NoStart:
    # Sums of weights may lie a little below a whole number.
    whole = floor(behind + 1e-9)
    return NoStart(NoStartReason.SHARE_OUT_OF_REACH, ceil(needed), min(whole, ceil(needed) - 1))


def _or_lower_share(
    start_for: Callable[[float], Start | NoStart], stable_share: float
) -> Start | NoStart:
    """The start for the share wanted; without one, the reason and the start for a lower share."""
    found = start_for(stable_share)
    if isinstance(found, Start):
        return found
    lower = (start_for(share) for share in USUAL_SHARES if share < stable_share)
    return replace(found, lower=next((one for one in lower if isinstance(one, Start)), None))


def _borrowed_units(pool: PoolFit) -> float:
    return 0.0 if pool.bound.model_free_weight == 1.0 else pool.prior.borrowed_units


def chance_stable(pool: PoolFit, steps: int, grid: Grid, scale: PriorScale) -> float:
    """The chance that one more unit is stable at a depth: the best estimate, not a bound.

    It is the expected share of stable units. Limits are reported some 2 mV or 0.4 counts too
    shallow: a search ends at its first failure, even an early one by chance, and some stops count
    less deep. So the share is read that much closer to stock.

    Parameters
    ----------
    pool
        A fitted pool with units of its own or siblings.
    steps
        Whole grid steps below stock.
    grid, scale
        Steps and prior scale of the control, in its own unit.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 1.3 (the posterior predictive); Dawid
    (1982), J. Am. Statist. Ass. 77:605-610 (a forecast is calibrated where it comes true as often).

    >>> from fractions import Fraction
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> units = GroupedIntervals(np.array([14, 18]), np.array([15, 20]), np.array([1.0, 9.0]))
    >>> pool = fit_pool(units, Siblings(), 5.0, VOLTAGE_OFFSET)
    >>> grid = Grid(Fraction(5))
    >>> [round(chance_stable(pool, steps, grid, VOLTAGE_OFFSET), 2) for steps in (0, 14, 19)]
    [1.0, 0.98, 0.49]
    """
    shift = _READ_TOO_SHALLOW * scale.least_spread / float(grid.step)
    return pool.bound.expected_share(max(steps - shift, 0.0))


def depth_in_reach(pool: PoolFit, share: float, confidence: float) -> ShareDepth:
    """The depth that a share of units reaches, no deeper than the deepest setting tried.

    Where many units never failed, the shapes go on beyond all of them. Only the deep end of the
    interval may lie there. Settings that siblings have tried count like the chip's own.

    >>> import numpy as np
    >>> from kbapi.stats.intervals import NEVER_FAILED
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> units = GroupedIntervals(np.array([20]), np.array([NEVER_FAILED]), np.array([40.0]))
    >>> pool = fit_pool(units, Siblings(), 5.0, VOLTAGE_OFFSET)
    >>> share_depth(pool.bound, 0.9, 0.95).shallow, depth_in_reach(pool, 0.9, 0.95).shallow
    (22, 20)
    """
    depth, reach = share_depth(pool.bound, share, confidence), pool.deepest_tried
    return replace(depth, steps=min(depth.steps, reach), shallow=min(depth.shallow, reach))


def level_of(pool: PoolFit) -> Level:
    """The chip itself where it has no siblings or so many units that they have no weight."""
    free = pool.bound.model_free_weight
    return Level.CHIP if free == 1.0 or pool.prior.level is Level.NONE else pool.prior.level


def _method(free: float) -> StartMethod:
    if free == 0.0:
        return StartMethod.SMALL_SAMPLE
    return StartMethod.MODEL_FREE if free == 1.0 else StartMethod.BLEND
