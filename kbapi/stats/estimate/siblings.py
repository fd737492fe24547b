"""The prior that the chips of a series, or of a line, give for one more chip among them."""

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
    MixedPrior,
    Shape,
    ShapePosterior,
    ShapePrior,
    VaguePrior,
    fit_shape,
)
from kbapi.stats.intervals import GroupedIntervals
from kbapi.stats.scale import PriorScale

FEWEST_UNITS: Final = 10.0
"""The estimate of a chip with less weight is mostly the vague prior: it is no sibling."""

_BETWEEN_LOG_SDS: Final = 0.2
_PRIOR_CHIPS: Final = 3
# Four siblings that happen to lie close together do not prove that the next one will.
_LEAST_BETWEEN: Final = 1.3
_VAGUE: Final = 0.04
_VAGUER: Final = 0.30
# A shape less likely than this by the siblings' own units costs a fit and changes nothing.
_LEAST_CHANCE: Final = 1e-3


class Level(StrEnum):
    """Whose units an answer is computed from."""

    CHIP = "chip"
    SERIES = "series"
    LINE = "line"
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


@dataclass(frozen=True, slots=True)
class Sibling:
    """One related chip: where its limits lie, and the weight of its units.

    `mean` and `log_sd` are fitted with a long weak tail; `other_shapes` has those of other shapes.
    `deepest_tried` is the deepest setting that any of its units passed or failed, in the control's
    unit; infinite where that is unknown.
    """

    mean: float
    log_sd: float
    units: float
    other_shapes: tuple[Reading, ...] = ()
    deepest_tried: float = math.inf

    def readings(self) -> tuple[Reading, ...]:
        """All readings, that with the long weak tail first."""
        return (
            Reading(Shape.SMALLEST_EXTREME, self.mean, self.log_sd, 0.0),
            *self.other_shapes,
        )


@dataclass(frozen=True, slots=True)
class Siblings:
    """The chips of the same series, and those of the same line outside of it."""

    series: tuple[Sibling, ...] = ()
    line: tuple[Sibling, ...] = ()


@dataclass(frozen=True, slots=True)
class SiblingPrior:
    """The prior for a chip, the level it comes from, and the units borrowed for it.

    `shapes` has the smallest extreme value first; only that one has vague mass. `deepest_tried` is
    that of all siblings, 0 without any.
    """

    shapes: tuple[ShapePrior, ...]
    level: Level
    siblings: int
    borrowed_units: float
    deepest_tried: float


def summarise_sibling(evidence: GroupedIntervals, step: float, scale: PriorScale) -> Sibling:
    """A related chip's mean and log standard deviation by each shape, from its own units.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> sibling = summarise_sibling(pool, 5.0, VOLTAGE_OFFSET)
    >>> round(sibling.mean, 1), sibling.units
    (100.2, 30.0)
    """
    first, *others = (
        fit_shape(evidence, step, scale, VaguePrior(), shape, cells=COARSE) for shape in Shape
    )
    readings = tuple(
        Reading(
            fit.shape,
            fit.expected_mean(),
            fit.expected_log_sd(),
            fit.log_evidence - first.log_evidence,
        )
        for fit in others
    )
    return Sibling(
        mean=first.expected_mean(),
        log_sd=first.expected_log_sd(),
        units=evidence.total_weight,
        other_shapes=readings,
        deepest_tried=evidence.deepest_tried * step,
    )


def sibling_prior(siblings: Siblings, scale: PriorScale) -> SiblingPrior:
    """The prior from the nearest level with siblings, vague where there are none.

    Parameters
    ----------
    siblings
        Chips of the series, then of the line; those below `FEWEST_UNITS` are left out.
    scale
        Gives the spread that chips are expected to have among each other.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 5.4 (normal hierarchical model), with
    three imagined chips at the expected spread in the estimate of the between-chip spread, which
    is at least 1.3 times the expected one: four means 60, 90, 120, 150 give
    tau^2 = (4500 + 3 * 12^2) / 6 = 822 and sd 32.1. Hoeting et al. (1999), Statist. Sci.
    14:382-401, for the chances of the shapes.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> series = tuple(Sibling(mean, 3.0, 100.0) for mean in (60.0, 90.0, 120.0, 150.0))
    >>> found = sibling_prior(Siblings(series), VOLTAGE_OFFSET)
    >>> found.level.value, found.borrowed_units, found.shapes[0].prior.mean.centre
    ('series', 400.0, 105.0)
    >>> round(found.shapes[0].prior.mean.sd, 2), found.shapes[0].prior.vague_mass
    (32.05, 0.04)
    """
    for level, chips in ((Level.SERIES, siblings.series), (Level.LINE, siblings.line)):
        counted = [chip for chip in chips if chip.units >= FEWEST_UNITS]
        if counted:
            vague = _VAGUER if len(counted) < _PRIOR_CHIPS else _VAGUE
            borrowed = float(sum(chip.units for chip in counted))
            shapes = _shapes_of(counted, vague, scale)
            tried = max(chip.deepest_tried for chip in counted)
            return SiblingPrior(shapes, level, len(counted), borrowed, tried)
    return SiblingPrior(NO_POSTERIOR, Level.NONE, 0, 0.0, 0.0)


def _shapes_of(chips: list[Sibling], vague: float, scale: PriorScale) -> tuple[ShapePrior, ...]:
    """A bell for each shape that the siblings' units make likely; the vague mass with the first."""
    by_shape: dict[Shape, list[Reading]] = {}
    for reading in (reading for chip in chips for reading in chip.readings()):
        by_shape.setdefault(reading.shape, []).append(reading)
    read = {shape: found for shape, found in by_shape.items() if len(found) == len(chips)}
    log_evidence = np.array([sum(r.log_evidence for r in found) for found in read.values()])
    chances = np.exp(log_evidence - log_evidence.max())
    chances /= chances.sum()
    priors = []
    for (shape, readings), chance in zip(read.items(), chances.tolist(), strict=True):
        first = shape is Shape.SMALLEST_EXTREME
        if first or chance > _LEAST_CHANCE:
            mass = (1.0 - vague) * chance + (vague if first else 0.0)
            priors.append(ShapePrior(shape, mass, _bells(readings, vague / mass * first, scale)))
    total = sum(prior.chance for prior in priors)
    return tuple(ShapePrior(p.shape, p.chance / total, p.prior) for p in priors)


def _bells(readings: list[Reading], vague: float, scale: PriorScale) -> MixedPrior:
    between = scale.between_chips
    return MixedPrior(
        mean=_next_of([r.mean for r in readings], between, _LEAST_BETWEEN * between),
        log_sd=_next_of([r.log_sd for r in readings], _BETWEEN_LOG_SDS, 0.0),
        vague_mass=min(vague, 1.0),
    )


def _next_of(values: list[float], expected_sd: float, least_sd: float) -> Bell:
    """The distribution of the next value after these K: N(m0, tau^2 (1 + 1/K))."""
    count, centre = len(values), float(np.mean(values))
    squares = float(np.sum((np.array(values) - centre) ** 2))
    tau2 = (squares + _PRIOR_CHIPS * expected_sd**2) / (count + 2)
    return Bell(centre, float(np.sqrt(max(tau2, least_sd**2) * (1 + 1 / count))))


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
    0.116
    """
    bell = prior.shapes[0].prior
    if isinstance(bell, VaguePrior):
        return 1.0
    off = abs(alone.expected_mean() - bell.mean.centre)
    return float(2.0 * scipy.special.ndtr(-off / np.hypot(bell.mean.sd, alone.sd_of_mean())))
