"""What the chips of a series, or of a line, say of one more chip among them."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from kbapi.stats.interval import GroupedIntervals
from kbapi.stats.scale import PriorScale
from kbapi.stats.sev_prior import Bell, MixedPrior, Prior, VaguePrior
from kbapi.stats.small_sample import fit_sev

FEWEST_UNITS: Final = 10.0
"""A chip with less weight tells more of the vague prior than of itself: no sibling."""

_BETWEEN_LOG_SDS: Final = 0.2
_PRIOR_CHIPS: Final = 3
_VAGUE: Final = 0.10
_VAGUER: Final = 0.30


class Level(StrEnum):
    """Whose units an answer stands on."""

    CHIP = "chip"
    SERIES = "series"
    LINE = "line"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Sibling:
    """One related chip: where its limits lie, and on how many units that rests."""

    mean: float
    log_sd: float
    units: float


@dataclass(frozen=True, slots=True)
class Siblings:
    """The chips of the same series, and those of the same line outside of it."""

    series: tuple[Sibling, ...] = ()
    line: tuple[Sibling, ...] = ()


@dataclass(frozen=True, slots=True)
class SiblingPrior:
    """The prior for a chip, the level it comes from, and the units borrowed for it."""

    prior: Prior
    level: Level
    siblings: int
    borrowed_units: float


def summarise_sibling(evidence: GroupedIntervals, step: float, scale: PriorScale) -> Sibling:
    """A related chip's mean and log standard deviation, from its own units alone.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> sibling = summarise_sibling(pool, 5.0, VOLTAGE_OFFSET)
    >>> round(sibling.mean, 1), sibling.units
    (100.2, 30.0)
    """
    fit = fit_sev(evidence, step, scale, VaguePrior())
    return Sibling(fit.expected_mean(), fit.expected_log_sd(), evidence.total_weight)


def sibling_prior(siblings: Siblings, own_units: float, scale: PriorScale) -> SiblingPrior:
    """The prior that the nearest level with siblings gives, vague where there are none.

    Parameters
    ----------
    siblings
        Chips of the series, then of the line; those below `FEWEST_UNITS` are left out.
    own_units
        Weight of the chip's own units; without any the prior is vaguer.
    scale
        Gives the spread that chips are expected to have among each other.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 5.4 (normal hierarchical model), with
    three imagined chips at the expected spread in the estimate of the between-chip variance:
    four means 100, 104, 108, 112 give tau^2 = (80 + 3 * 12^2) / 6 = 85.3 and sd 10.3.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> series = tuple(Sibling(mean, 3.0, 100.0) for mean in (100.0, 104.0, 108.0, 112.0))
    >>> prior = sibling_prior(Siblings(series), 5.0, VOLTAGE_OFFSET)
    >>> prior.level.value, prior.borrowed_units, prior.prior.mean.centre
    ('series', 400.0, 106.0)
    >>> round(prior.prior.mean.sd, 2), prior.prior.vague_mass
    (10.33, 0.1)
    """
    for level, chips in ((Level.SERIES, siblings.series), (Level.LINE, siblings.line)):
        counted = [chip for chip in chips if chip.units >= FEWEST_UNITS]
        if counted:
            few = len(counted) < _PRIOR_CHIPS or own_units == 0
            prior = MixedPrior(
                mean=_next_of([chip.mean for chip in counted], scale.between_chips),
                log_sd=_next_of([chip.log_sd for chip in counted], _BETWEEN_LOG_SDS),
                vague_mass=_VAGUER if few else _VAGUE,
            )
            borrowed = float(sum(chip.units for chip in counted))
            return SiblingPrior(prior, level, len(counted), borrowed)
    return SiblingPrior(VaguePrior(), Level.NONE, 0, 0.0)


def _next_of(values: list[float], expected_sd: float) -> Bell:
    """Where the next value will lie after these K: N(m0, tau^2 (1 + 1/K))."""
    count, centre = len(values), float(np.mean(values))
    squares = float(np.sum((np.array(values) - centre) ** 2))
    tau2 = (squares + _PRIOR_CHIPS * expected_sd**2) / (count + 2)
    return Bell(centre, float(np.sqrt(tau2 * (1 + 1 / count))))
