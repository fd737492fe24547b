"""A pool ready for questions: intervals, estimate, small-sample model, relatives, stock voltage."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.estimate.npmle import StableShareFit, fit_npmle
from kbapi.stats.estimate.siblings import (
    Level,
    SiblingPrior,
    Siblings,
    sibling_agreement,
    sibling_prior,
    vague_share,
)
from kbapi.stats.estimate.small_sample import (
    COARSE,
    ShapePosterior,
    UsualSpreadPrior,
    VaguePrior,
    contamination_of,
    fit_forms,
    fit_sev,
    form_chances,
)
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, frozen_array, group_intervals
from kbapi.stats.scale import PriorScale
from kbapi.stats.start.blend import (
    ALONE,
    BESIDE_SIBLINGS,
    BlendedBound,
    KnownShare,
    LimitPosterior,
    fit_posterior,
    known_share,
)

_NEGLECTED: Final = 1e-9


def spread_first_failures(
    evidence: GroupedIntervals, posterior: ShapePosterior
) -> GroupedIntervals:
    """The evidence with each `[0, unstable)` spread over its steps like the posterior.

    Without this, the likelihood would put all of these units just before the shallowest first
    setting that failed, and every shallower depth would look safe.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps.
    posterior
        Distribution of limits by whose expectation the units are spread.

    >>> from kbapi.stats.estimate.small_sample import ShapePosterior
    >>> limit_posterior = ShapePosterior(np.array([10.0]), np.array([1.6]), np.ones(1), 1.0, 5.0)
    >>> pool = GroupedIntervals(np.array([0, 3]), np.array([2, 4]), np.array([4.0, 1.0]))
    >>> spread = spread_first_failures(pool, limit_posterior)
    >>> spread.stable_steps.tolist(), spread.weight.round(2).tolist()
    ([0, 1, 3], [1.33, 2.67, 1.0])
    """
    first = (evidence.stable_steps == 0) & (evidence.unstable_steps < NEVER_FAILED)
    if not first.any():
        return evidence
    shares = _spread(evidence.unstable_steps[first], evidence.weight[first], posterior)
    steps = np.flatnonzero(shares > _NEGLECTED * evidence.total_weight)
    return group_intervals(
        np.concatenate([evidence.stable_steps[~first], steps]),
        np.concatenate([evidence.unstable_steps[~first], steps + 1]),
        np.concatenate([evidence.weight[~first], shares[steps]]),
    )


def _spread(
    unstable: NDArray[np.int64], weight: NDArray[np.float64], posterior: ShapePosterior
) -> NDArray[np.float64]:
    """Weight at each whole step before the deepest of the failures, shape (max(unstable),)."""
    unstable = np.minimum(unstable, posterior.deepest())
    share = posterior.expected_share_at(np.arange(int(unstable.max()) + 1))
    # The floor avoids 0 / 0 where the posterior rules all these steps out.
    chance = np.maximum(-np.diff(share), 1e-300)
    by_end = np.bincount(unstable - 1, weight / np.cumsum(chance)[unstable - 1])
    return np.asarray(chance * np.cumsum(by_end[::-1])[::-1])


_MOST_POINTS: Final = 1000


@dataclass(frozen=True, slots=True)
class StockVoltage:
    """Stock voltage read off the line at one clock, and how far the line's data are from it."""

    clock_mhz: float
    stock_mv: float
    distance_mhz: float
    reports: int


@dataclass(frozen=True, slots=True)
class StockLine:
    """`stock_mv = level_mv + slope_mv_per_mhz * (clock_mhz - centre_mhz)`.

    `clocks_mhz`, float64 array of shape (k,), ascending and distinct, is where data are.
    """

    centre_mhz: float
    level_mv: float
    slope_mv_per_mhz: float
    clocks_mhz: NDArray[np.float64]
    reports: int

    def at(self, clock_mhz: float) -> StockVoltage:
        """The stock voltage at a clock, with the distance to the nearest clock in the data.

        >>> line = fit_stock_line(np.array([1500.0, 1600, 1800]), np.array([700.0, 720, 760]))
        >>> line.at(1900.0)
        StockVoltage(clock_mhz=1900.0, stock_mv=780.0, distance_mhz=100.0, reports=3)
        """
        return StockVoltage(
            clock_mhz=clock_mhz,
            stock_mv=self.level_mv + self.slope_mv_per_mhz * (clock_mhz - self.centre_mhz),
            distance_mhz=float(np.abs(self.clocks_mhz - clock_mhz).min()),
            reports=self.reports,
        )


def fit_stock_line(clock_mhz: NDArray[np.float64], stock_mv: NDArray[np.float64]) -> StockLine:
    """The Theil-Sen line: median slope of all pairs, median level around it.

    Parameters
    ----------
    clock_mhz, stock_mv
        One report each, shape (n,), n at least 1. At a single clock the line is flat.

    Raises
    ------
    ValueError
        When there is no report or the shapes differ.

    References
    ----------
    Sen (1968), J. Am. Statist. Ass. 63:1379-1389.

    >>> clocks = np.array([1500.0, 1600, 1700, 1800])
    >>> fit_stock_line(clocks, np.array([700.0, 720, 900, 760])).slope_mv_per_mhz
    0.2
    """
    if clock_mhz.shape != stock_mv.shape or clock_mhz.ndim != 1 or len(clock_mhz) == 0:
        raise ValueError("a stock line needs reports, one clock and one voltage each")
    order = np.lexsort((stock_mv, clock_mhz))
    # Pairs grow with the square; a thousand evenly spread reports give the same line.
    order = order[np.unique(np.linspace(0, len(order) - 1, _MOST_POINTS).round().astype(int))]
    clock, stock = clock_mhz[order], stock_mv[order]
    slope, centre = _median_slope(clock, stock), float(np.median(clock))
    return StockLine(
        centre_mhz=centre,
        level_mv=float(np.median(stock - slope * (clock - centre))),
        slope_mv_per_mhz=slope,
        clocks_mhz=frozen_array(np.unique(clock_mhz)),
        reports=len(clock_mhz),
    )


def _median_slope(clock: NDArray[np.float64], stock: NDArray[np.float64]) -> float:
    first, second = np.triu_indices(len(clock), k=1)
    run = clock[second] - clock[first]
    apart = run > 0
    if not apart.any():
        return 0.0
    return float(np.median((stock[second] - stock[first])[apart] / run[apart]))


_SPREAD_OF_LOG_SDS: Final = 0.65
_TRUSTED_UNITS_ALONE: Final = 300.0
_CONTAMINATION_ALONE: Final = 0.02
_TRUSTED_UNITS: Final = 60.0
_TRUST_BESIDE_SIBLINGS: Final = 0.3
_OUTGROWN_UNITS: Final = 1_000.0
_CONTAMINATION: Final = 0.03
_CONTAMINATED_FROM: Final = 30.0
_FULLY_CONTAMINATED_AT: Final = 60.0


@dataclass(frozen=True, slots=True)
class PoolFit:
    """The bounds of a pool, with the prior and the certificate behind them.

    Parameters
    ----------
    bound : depths of shares with their errors
    prior : what the siblings gave
    agreement : see `sibling_agreement`
    own_units : weight of the chip's own informative units
    deepest_tried : in grid steps, by its own units or its siblings'
    optimality_gap, converged : certificate of the nonparametric fit; 0 and true without own units
    """

    bound: BlendedBound
    prior: SiblingPrior
    agreement: float
    own_units: float
    deepest_tried: int
    optimality_gap: float
    converged: bool


def fit_pool(
    evidence: GroupedIntervals, siblings: Siblings, step: float, scale: PriorScale
) -> PoolFit:
    """The fit of a pool: prior, posterior, first failures placed, likelihood maximised.

    Parameters
    ----------
    evidence
        Distinct intervals of the chip's own units in grid steps; may be empty.
    siblings
        Summaries of the related chips.
    step
        The control's unit a grid step, mV or counts.
    scale
        Where means and spreads may lie, in the control's unit.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([18, 0]), np.array([19, NEVER_FAILED]), np.ones(2))
    >>> fit_pool(pool, Siblings(), 5.0, VOLTAGE_OFFSET).own_units
    1.0
    """
    own = informative(evidence)
    prior = sibling_prior(siblings, scale)
    units = own.total_weight
    tried = max(own.deepest_tried, _whole_steps(prior.deepest_tried, step))
    posterior_of = cache(partial(_limit_posterior, own, prior, step, scale))
    if len(own.weight) == 0:
        bound = BlendedBound(posterior_of, _NOTHING_KNOWN, 0.0)
        return PoolFit(bound, prior, 1.0, 0.0, tried, optimality_gap=0.0, converged=True)
    alone = fit_sev(own, step, scale, VaguePrior(), COARSE)
    bound, fit = _own_bound(own, alone, posterior_of, prior, scale)
    agreement = sibling_agreement(prior, alone)
    return PoolFit(bound, prior, agreement, units, tried, fit.optimality_gap, fit.converged)


def _limit_posterior(
    own: GroupedIntervals, prior: SiblingPrior, step: float, scale: PriorScale
) -> LimitPosterior:
    units = own.total_weight
    trust, contamination = likelihood_trust(units, prior), contamination_share(units, prior)
    if prior.level is Level.NONE:
        spread = UsualSpreadPrior(_SPREAD_OF_LOG_SDS)
        alone = fit_forms(own, step, scale, spread, form_chances(units), trust, contamination)
        return LimitPosterior((alone,), np.ones(1))
    return fit_posterior(own, step, scale, prior.shapes, trust=trust, contamination=contamination)


_fit_roughly: Final = partial(fit_npmle, newton_steps=0)


def without_some(
    pool: PoolFit, left: GroupedIntervals, gone: GroupedIntervals, step: float, scale: PriorScale
) -> PoolFit:
    """The fit of the intervals that are left, with the posterior on the grid that it was on.

    Weights on a grid cost a small part of a new grid. The powers and chances that depend on the
    number of units stay as they were: that is nearly right where few are gone.

    Parameters
    ----------
    pool
        The fit of both together.
    left, gone
        Informative intervals in grid steps, with the weight that each has.
    step, scale
        As for `fit_pool`.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> gone = GroupedIntervals(np.array([10]), np.array([11]), np.array([1.0]))
    >>> left = GroupedIntervals(np.array([15, 18]), np.array([16, 19]), np.array([4.0, 16.0]))
    >>> both = GroupedIntervals(np.array([10, 15, 18]), left.unstable_steps[[0, 0, 1]] - [5, 0, 0],
    ...     np.array([1.0, 4.0, 16.0]))
    >>> before, then = (fit_pool(one, Siblings(), 5.0, VOLTAGE_OFFSET) for one in (both, left))
    >>> about = without_some(before, left, gone, 5.0, VOLTAGE_OFFSET)
    >>> ends = [one.bound.ends(0.9, np.array([0.05])) for one in (before, about, then)]
    >>> [round(float(end.shallow[0]), 1) for end in ends]
    [13.9, 15.1, 15.1]
    """
    units, prior = pool.own_units, pool.prior
    trust, share = likelihood_trust(units, prior), contamination_share(units, prior)
    is_alone = prior.level is Level.NONE
    elsewhere = contamination_of(left, step, scale, share, is_of_forms=is_alone)
    posterior_of = cache(lambda: pool.bound.posterior.without(gone, trust, elsewhere))
    bound = BlendedBound(posterior_of, _NOTHING_KNOWN, left.total_weight, pool.bound.handover)
    if bound.model_free_weight > 0.0 or not is_alone:
        alone = fit_sev(left, step, scale, VaguePrior(), COARSE)
        bound = _own_bound(left, alone, posterior_of, prior, scale, _fit_roughly)[0]
    return replace(pool, bound=bound, own_units=left.total_weight)


def _own_bound(
    own: GroupedIntervals,
    alone: ShapePosterior,
    posterior_of: Callable[[], LimitPosterior],
    prior: SiblingPrior,
    scale: PriorScale,
    fit_of: Callable[[GroupedIntervals], StableShareFit] = fit_npmle,
) -> tuple[BlendedBound, StableShareFit]:
    """The bound with own units in it, and the nonparametric fit behind it."""
    handover = ALONE
    if prior.level is not Level.NONE:
        handover = BESIDE_SIBLINGS
        vague = vague_share(prior, alone, own.total_weight, scale)
        shapes_of = posterior_of
        posterior_of = cache(lambda: shapes_of().with_first_chance(vague))
    placed = spread_first_failures(own, alone)
    fit = fit_of(placed)
    known = known_share(own, placed, fit)
    return BlendedBound(posterior_of, known, own.total_weight, handover), fit


def _whole_steps(depth: float, step: float) -> int:
    # A sibling's step may differ: a depth between two steps counts as the shallower one.
    return int(min(depth / step + 1e-9, NEVER_FAILED))


def likelihood_trust(own_units: float, prior: SiblingPrior) -> float:
    """Power of the own units' likelihood, as no shape is ever quite right.

    Alone 300 / (300 + n). Beside siblings 60 / (60 + n), 0.3 at most: a few units of a weak chip
    look like those of its siblings, and a sharp likelihood would only confirm the siblings.

    References
    ----------
    Miller & Dunson (2019), J. Am. Statist. Ass. 114:1113-1125, section 2.2: alpha / (alpha + n).

    >>> from kbapi.stats.estimate.small_sample import NO_POSTERIOR
    >>> alone = SiblingPrior(NO_POSTERIOR, Level.NONE, 0, 0.0, 0.0)
    >>> round(likelihood_trust(100.0, alone), 3)
    0.75
    """
    if prior.level is Level.NONE:
        return _TRUSTED_UNITS_ALONE / (_TRUSTED_UNITS_ALONE + own_units)
    return min(_TRUST_BESIDE_SIBLINGS, _TRUSTED_UNITS / (_TRUSTED_UNITS + own_units))


def contamination_share(own_units: float, prior: SiblingPrior) -> float:
    """The share of own reports that need not be of any shape: 2 %, beside siblings 3 % at most.

    Without siblings one report far deeper than all others would widen every form. Beside siblings a
    few shallow reports within the outlier cutoffs would change a shape that the siblings determine
    well. From 30 to 60 units that share grows from 0: one weak chip of ten must not be explained
    away.

    >>> from kbapi.stats.estimate.small_sample import NO_POSTERIOR
    >>> alone = SiblingPrior(NO_POSTERIOR, Level.NONE, 0, 0.0, 0.0)
    >>> beside = SiblingPrior(NO_POSTERIOR, Level.SERIES, 4, 400.0, 0.0)
    >>> contamination_share(100.0, alone)
    0.02
    >>> contamination_share(45.0, beside), contamination_share(100.0, beside)
    (0.015, 0.03)
    """
    if prior.level is Level.NONE:
        return _CONTAMINATION_ALONE
    grown = (own_units - _CONTAMINATED_FROM) / (_FULLY_CONTAMINATED_AT - _CONTAMINATED_FROM)
    return _CONTAMINATION * min(max(grown, 0.0), 1.0)


def has_outgrown_siblings(evidence: GroupedIntervals) -> bool:
    """Whether a chip has so many own units that siblings do not change its answers.

    From 200 units the model-free bound has all the weight (`BESIDE_SIBLINGS`). Siblings would only
    extend the depth beyond the deepest failure.

    >>> pool = GroupedIntervals(np.array([18]), np.array([19]), np.array([999.0]))
    >>> has_outgrown_siblings(pool)
    False
    """
    return informative(evidence).total_weight >= _OUTGROWN_UNITS


def informative(evidence: GroupedIntervals) -> GroupedIntervals:
    """The evidence without uninformative units: stable at stock only, never failed.

    >>> pool = GroupedIntervals(np.array([18, 0]), np.array([19, NEVER_FAILED]), np.ones(2))
    >>> informative(pool).stable_steps.tolist()
    [18]
    """
    known = (evidence.stable_steps > 0) | (evidence.unstable_steps < NEVER_FAILED)
    return GroupedIntervals(
        evidence.stable_steps[known], evidence.unstable_steps[known], evidence.weight[known]
    )


_NOTHING_KNOWN = KnownShare(
    depths=np.zeros(0, dtype=np.int64),
    least=np.zeros(0),
    most=np.zeros(0),
    known_weight=np.zeros(0),
    straddling_weight=np.zeros(0),
)
