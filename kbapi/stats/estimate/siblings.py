"""The prior that chips of a series, of a line or of several lines give for one more chip."""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import scipy

from kbapi.stats.estimate.small_sample import (
    COARSE,
    NO_POSTERIOR,
    Bell,
    BellPrior,
    Shape,
    ShapePosterior,
    ShapePrior,
    VaguePrior,
    Vector,
    fit_shape,
)
from kbapi.stats.intervals import GroupedIntervals
from kbapi.stats.scale import PriorScale

_FREEDOM: Final = 3.0
# From a twentieth of the scale of the half-t to 80 times it, where hardly any mass is left.
_EXCESSES: Final = np.exp(np.linspace(np.log(0.05), np.log(80.0), 32))
# Between lines the scale is so large that smaller parts of it matter.
_EXCESSES_OF_LINES: Final = np.exp(np.linspace(np.log(0.005), np.log(80.0), 40))
_VAGUE: Final = 0.04
_VAGUE_BESIDE_OWN: Final = 0.06
_OWN_UNITS: Final = 3.0
_FEW_CHIPS: Final = 3
_VAGUER: Final = 0.30
# A shape less likely than this by the siblings' own units costs a fit and changes nothing.
_LEAST_CHANCE: Final = 1e-3
FEWEST_LINES: Final = 3
"""Fewer lines do not show how far lines differ."""


class Level(StrEnum):
    """Whose units an answer is computed from."""

    CHIP = "chip"
    SERIES = "series"
    LINE = "line"
    ALL_CHIPS = "all_chips"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Reading:
    """One related chip's fit by one shape, and how likely that shape makes its units.

    `log_evidence` is relative to the smallest extreme value's.
    """

    shape: Shape
    mean: float
    log_sd: float
    log_evidence: float
    mean_error: float = 0.0
    """Standard error of the mean."""
    log_sd_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Sibling:
    """One related chip: where its limits lie, and the weight of its units.

    `mean` and `log_sd` are fitted with a long weak tail; `other_shapes` has those of other shapes.
    `deepest_tried` is the deepest setting that any of its units passed or failed, in the control's
    unit; infinite where that is unknown. The errors are standard errors.
    """

    mean: float
    log_sd: float
    units: float
    other_shapes: tuple[Reading, ...] = ()
    deepest_tried: float = math.inf
    mean_error: float = 0.0
    log_sd_error: float = 0.0

    def readings(self) -> tuple[Reading, ...]:
        """All readings, that with the long weak tail first."""
        return (
            Reading(
                Shape.SMALLEST_EXTREME,
                self.mean,
                self.log_sd,
                0.0,
                self.mean_error,
                self.log_sd_error,
            ),
            *self.other_shapes,
        )


@dataclass(frozen=True, slots=True)
class Siblings:
    """The chips of the same series, those of the same line outside of it, and those of others.

    Those of others are one for each line: so a line with many chips counts once.
    """

    series: tuple[Sibling, ...] = ()
    line: tuple[Sibling, ...] = ()
    all_chips: tuple[Sibling, ...] = ()


@dataclass(frozen=True, slots=True)
class _Spread:
    """How far the means and the log standard deviations of two chips are expected to differ.

    Each has a least size, and a half-t distribution of what exceeds it with this scale. The sizes
    of means are multiples of `PriorScale.between_chips`.
    """

    least_of_means: float
    excess_of_means: float
    least_of_log_sds: float
    excess_of_log_sds: float
    excesses: Vector
    """The points of the half-t, in units of its scale."""


_WITHIN_A_LINE: Final = _Spread(13 / 12, 1 / 5, 0.14, 0.03, _EXCESSES)
_BETWEEN_LINES: Final = _Spread(13 / 12, 7 / 4, 0.14, 0.1, _EXCESSES_OF_LINES)
_SPREADS: Final = {
    Level.SERIES: _WITHIN_A_LINE,
    Level.LINE: _WITHIN_A_LINE,
    Level.ALL_CHIPS: _BETWEEN_LINES,
}


@dataclass(frozen=True, slots=True)
class SiblingPrior:
    """The prior for a chip, the level it comes from, and the units borrowed for it.

    With siblings, `shapes` has the vague part first, then a bell for each likely shape. `weak_tail`
    is the bell of the long weak tail, likely or not; None without siblings. `deepest_tried` is that
    of all siblings, 0 without any.
    """

    shapes: tuple[ShapePrior, ...]
    level: Level
    siblings: int
    borrowed_units: float
    deepest_tried: float
    weak_tail: BellPrior | None = None

    @property
    def vague_share(self) -> float:
        """The share of the vague part before the chip has units of its own; 1 without siblings."""
        return self.shapes[0].chance


def summarise_sibling(evidence: GroupedIntervals, step: float, scale: PriorScale) -> Sibling:
    """A related chip's mean and log standard deviation by each shape, from its own units.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> sibling = summarise_sibling(pool, 5.0, VOLTAGE_OFFSET)
    >>> round(sibling.mean, 1), round(sibling.mean_error, 1), sibling.units
    (100.2, 1.3, 30.0)
    """
    fits = [fit_shape(evidence, step, scale, VaguePrior(), shape, cells=COARSE) for shape in Shape]
    first, *others = (
        Reading(
            fit.shape,
            fit.expected_mean(),
            fit.expected_log_sd(),
            fit.log_evidence - fits[0].log_evidence,
            fit.sd_of_mean(),
            fit.sd_of_log_sd(),
        )
        for fit in fits
    )
    return Sibling(
        mean=first.mean,
        log_sd=first.log_sd,
        units=evidence.total_weight,
        other_shapes=tuple(others),
        deepest_tried=evidence.deepest_tried * step,
        mean_error=first.mean_error,
        log_sd_error=first.log_sd_error,
    )


def sibling_prior(siblings: Siblings, scale: PriorScale) -> SiblingPrior:
    """The prior from the nearest level with siblings, vague where there are none.

    That of all chips needs three lines. The spread from chip to chip is learned: it has a least
    size, and what exceeds that has a half-t distribution. Means and log standard deviations are
    treated alike.

    Parameters
    ----------
    siblings
        Chips of the series, then of the line, then one of each other line.
    scale
        Gives the size of the spread that chips are expected to have among each other.

    References
    ----------
    Gelman (2006), Bayesian Analysis 1:515-534, section 3.2 (half-t for the between-group
    standard deviation), its excess over the least size integrated on 32 or 40 points; Gelman et al.
    (2013), Bayesian Data Analysis, section 5.4, equations 5.20 and 5.21, for the rest of the model.
    Schmidli et al. (2014), Biometrics 70:1023-1032, section 2.3, for the vague part. Hoeting et al.
    (1999), Statist. Sci. 14:382-401, for the chances of the shapes.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> series = tuple(Sibling(mean, 3.0, 100.0) for mean in (60.0, 90.0, 120.0, 150.0))
    >>> found = sibling_prior(Siblings(series), VOLTAGE_OFFSET)
    >>> found.level.value, found.borrowed_units, found.vague_share
    ('series', 400.0, 0.04)
    >>> round(found.shapes[1].prior.mean.centre, 2), round(found.shapes[1].prior.mean.sd, 1)
    (105.0, 28.3)
    """
    for level, spread in _SPREADS.items():
        chips: tuple[Sibling, ...] = getattr(siblings, level)
        if len(chips) >= (FEWEST_LINES if level is Level.ALL_CHIPS else 1):
            vague = _VAGUER if len(chips) < _FEW_CHIPS else _VAGUE
            borrowed = float(sum(chip.units for chip in chips))
            tried = max(chip.deepest_tried for chip in chips)
            shapes = _shapes_of(chips, vague, scale, spread)
            weak_tail = _bells([chip.readings()[0] for chip in chips], scale, spread)
            return SiblingPrior(shapes, level, len(chips), borrowed, tried, weak_tail)
    return SiblingPrior(NO_POSTERIOR, Level.NONE, 0, 0.0, 0.0)


def _shapes_of(
    chips: tuple[Sibling, ...], vague: float, scale: PriorScale, spread: _Spread
) -> tuple[ShapePrior, ...]:
    """The vague part, and a bell for each shape that the siblings' units make likely."""
    by_shape: dict[Shape, list[Reading]] = {}
    for reading in (reading for chip in chips for reading in chip.readings()):
        by_shape.setdefault(reading.shape, []).append(reading)
    read = {shape: found for shape, found in by_shape.items() if len(found) == len(chips)}
    log_evidence = np.array([sum(r.log_evidence for r in found) for found in read.values()])
    chances = np.exp(log_evidence - log_evidence.max())
    chances[chances < _LEAST_CHANCE * chances.sum()] = 0.0
    chances *= (1.0 - vague) / chances.sum()
    bells = (
        ShapePrior(shape, chance, _bells(readings, scale, spread))
        for (shape, readings), chance in zip(read.items(), chances.tolist(), strict=True)
        if chance
    )
    return (ShapePrior(Shape.SMALLEST_EXTREME, vague, VaguePrior()), *bells)


def _bells(readings: list[Reading], scale: PriorScale, spread: _Spread) -> BellPrior:
    between = scale.between_chips
    means = np.array([(r.mean, r.mean_error) for r in readings])
    log_sds = np.array([(r.log_sd, r.log_sd_error) for r in readings])
    mean_sds = (spread.least_of_means + spread.excess_of_means * spread.excesses) * between
    log_sd_sds = spread.least_of_log_sds + spread.excess_of_log_sds * spread.excesses
    return BellPrior(
        mean=_next_of(means, mean_sds, spread.excesses),
        log_sd=_next_of(log_sds, log_sd_sds, spread.excesses),
    )


def _next_of(read: Vector, between: Vector, excesses: Vector) -> Bell:
    """Centre and spread of the next value after these K, rows of a value and its error.

    For each spread between chips, N(m, tau^2 + V) with the centre m known up to the variance V.
    """
    values, errors = read.T
    tau2 = between**2
    variance = tau2[:, None] + errors**2
    of_centre = 1.0 / (1.0 / variance).sum(axis=1)
    centre = (values / variance).sum(axis=1) * of_centre
    # The points lie evenly in the logarithm of the excess: its width is the last term.
    log_prior = -0.5 * (_FREEDOM + 1.0) * np.log1p(excesses**2 / _FREEDOM) + np.log(excesses)
    off = (values - centre[:, None]) ** 2
    log_chance = log_prior + 0.5 * (
        np.log(of_centre) - (np.log(variance) + off / variance).sum(axis=1)
    )
    chance = np.exp(log_chance - log_chance.max())
    chance /= chance.sum()
    middle = float(chance @ centre)
    spread2 = chance @ (tau2 + of_centre + (centre - middle) ** 2)
    return Bell(middle, float(np.sqrt(spread2)))


def vague_share(
    prior: SiblingPrior, alone: ShapePosterior, own_units: float, scale: PriorScale
) -> float:
    """The share of the vague part of the posterior, once the chip has units of its own.

    It grows where they contradict the siblings. It never falls below 4 %, from three own units on
    6 %, as a few units that agree prove little. Without siblings it is 1.

    Parameters
    ----------
    prior
        From the siblings.
    alone, own_units
        The chip's own units under a vague prior and the long weak tail, and their weight.
    scale
        The range that the vague prior fills.

    References
    ----------
    Schmidli et al. (2014), Biometrics 70:1023-1032, section 2.3: the weight of each component of a
    mixture is multiplied by the marginal likelihood of the data under it.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> series = tuple(Sibling(mean, 3.0, 100.0) for mean in (110.0, 114.0, 118.0, 122.0))
    >>> prior = sibling_prior(Siblings(series), VOLTAGE_OFFSET)
    >>> pools = (GroupedIntervals(np.array([at]), np.array([at + 2]), np.ones(1)) for at in (21, 2))
    >>> fits = (fit_shape(one, 5.0, VOLTAGE_OFFSET, VaguePrior(), Shape.NORMAL) for one in pools)
    >>> [round(vague_share(prior, alone, 1.0, VOLTAGE_OFFSET), 2) for alone in fits]
    [0.05, 0.77]
    """
    if prior.weak_tail is None:
        return 1.0
    grown = min(own_units / _OWN_UNITS, 1.0)
    least = _VAGUE + (_VAGUE_BESIDE_OWN - _VAGUE) * grown
    at = alone.mean, alone.log_sd, scale
    ratio = np.exp(prior.weak_tail.log_density(*at) - VaguePrior().log_density(*at))
    # The mean of the ratio over the posterior is the ratio of the marginal likelihoods.
    agreeing = (1.0 - prior.vague_share) * float(alone.weight @ ratio)
    return max(least, prior.vague_share / (prior.vague_share + agreeing))


def sibling_agreement(prior: SiblingPrior, alone: ShapePosterior) -> float:
    """Probability that a chip among its siblings lies as far from them as this one, in [0, 1].

    1 without siblings, or without units of its own.

    Parameters
    ----------
    prior
        From the siblings.
    alone
        The chip's own units under a vague prior and the long weak tail.

    References
    ----------
    Box (1980), J. R. Statist. Soc. A 143:383-430, section 3.1 (prior predictive check), for the
    mean: two-sided, siblings' spread and the own mean's uncertainty added.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> series = tuple(Sibling(mean, 3.0, 100.0) for mean in (100.0, 104.0, 108.0, 112.0))
    >>> prior = sibling_prior(Siblings(series), VOLTAGE_OFFSET)
    >>> pool = GroupedIntervals(np.array([14, 16]), np.array([15, 17]), np.array([10.0, 20.0]))
    >>> alone = fit_shape(pool, 5.0, VOLTAGE_OFFSET, VaguePrior(), Shape.SMALLEST_EXTREME)
    >>> round(sibling_agreement(prior, alone), 3)
    0.103
    """
    if prior.weak_tail is None:
        return 1.0
    bell = prior.weak_tail.mean
    off = abs(alone.expected_mean() - bell.centre)
    return float(2.0 * scipy.special.ndtr(-off / np.hypot(bell.sd, alone.sd_of_mean())))
