"""Few results of a chip: shapes of a distribution of limits, prior, posterior.

Every shape is parametrised by its mean and standard deviation, so that one prior serves all.

A share of the reports, the contamination, need not be of the shape: their limits lie anywhere down
to the deepest mean that the scale allows (Box & Tiao 1968, Biometrika 55:119-129, section 2: a few
observations of another source as a mixture with a wide density). The likelihood is raised to a
power below one where the shape is only nearly right (Miller & Dunson 2019, J. Am. Statist. Ass.
114:1113-1125, equation 2.3).

Without siblings the shape is a parameter: a family of forms, each a main body of one skewness
and perhaps a weak group before it. The form, the mean and the spread are averaged over together.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from itertools import product
from typing import Final

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, frozen_array
from kbapi.stats.scale import PriorScale

Vector = NDArray[np.float64]

_EULER: Final = 0.5772156649015329
# Standard deviations for one unit of spread of an extreme-value distribution.
_SD: Final = float(np.pi / np.sqrt(6.0))
# Beyond this exponent every share is 0 or 1, and exp would overflow.
_STEEP: Final = 50.0


class Shape(StrEnum):
    """Which way the longer tail of a distribution points."""

    SMALLEST_EXTREME = "smallest_extreme_value"
    NORMAL = "normal"
    LARGEST_EXTREME = "largest_extreme_value"


FARTHEST: Final = {
    Shape.SMALLEST_EXTREME: 4.0,
    Shape.NORMAL: 5.0,
    Shape.LARGEST_EXTREME: 8.0,
}
"""Standard deviations beyond the mean that fewer than one unit in 10,000 reaches."""


def survival(shape: Shape, deviations: Vector) -> Vector:
    """The share that lies beyond so many standard deviations from the mean; input overwritten.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, sections 4.5 (normal), 4.6
    (smallest extreme value) and 4.7 (largest): S(u) = exp(-exp(u)), 1 - Phi(z) and
    1 - exp(-exp(-u)), where z = 0.780 (u + 0.577) and 0.780 (u - 0.577 mirrored) have mean 0.

    >>> [round(float(survival(shape, np.zeros(1))[0]), 4) for shape in Shape]
    [0.5704, 0.5, 0.4296]
    """
    if shape is Shape.NORMAL:
        np.negative(deviations, out=deviations)
        return np.asarray(scipy.special.ndtr(deviations, out=deviations))
    # In place: these are the largest arrays of an answer.
    sign = 1.0 if shape is Shape.SMALLEST_EXTREME else -1.0
    deviations *= sign * _SD
    deviations -= _EULER
    np.exp(np.minimum(deviations, _STEEP, out=deviations), out=deviations)
    np.negative(deviations, out=deviations)
    if shape is Shape.SMALLEST_EXTREME:
        return np.asarray(np.exp(deviations, out=deviations))
    return np.asarray(np.negative(np.expm1(deviations, out=deviations), out=deviations))


def deviations_at(shape: Shape, share: float) -> float:
    """Standard deviations from the mean to the depth that the share reaches.

    >>> [round(deviations_at(shape, 0.90), 3) for shape in Shape]
    [-1.305, -1.282, -1.1]
    """
    if shape is Shape.NORMAL:
        return float(-scipy.special.ndtri(share))
    if shape is Shape.SMALLEST_EXTREME:
        return float((np.log(-np.log(share)) + _EULER) / _SD)
    return float((-np.log(-np.log1p(-share)) - _EULER) / _SD)


@dataclass(frozen=True, slots=True)
class Form:
    """A distribution up to its place and spread: a main body, and a weak group before it.

    Parameters
    ----------
    skewness : q of the generalised log-gamma; 1, 0 and -1 are the three members of `Shape`
    weak_share : share of the units that are in the weak group
    distance : of its centre before the mean of the main body, whose spread is the unit
    """

    skewness: float
    weak_share: float = 0.0
    distance: float = 0.0


_SKEWNESSES: Final = (1.5, 1.0, 0.5, 0.0, -0.5, -1.0, -1.5)
_SKEWNESS_CHANCES: Final = (1.0, 2.0, 4.0, 4.0, 4.0, 2.0, 1.0)
_CAREFUL_SKEWNESS_CHANCES: Final = (2.0, 4.0, 2.0, 1.0, 1.0, 0.5, 0.5)
_WEAK_GROUPS: Final = ((0.0, 0.0), (0.05, 1.5), (0.05, 3.0), (0.1, 1.5), (0.1, 2.2), (0.1, 3.0))
_WEAK_CHANCES: Final = (0.65, 0.07, 0.07, 0.07, 0.07, 0.07)
_CAREFUL_WEAK_CHANCES: Final = (0.10, 0.18, 0.18, 0.18, 0.18, 0.18)
_CAREFUL_FROM: Final = 15.0
_CAREFUL_AT: Final = 50.0
_WEAK_SPREAD: Final = 0.3
FORMS: Final = tuple(Form(q, *weak) for q, weak in product(_SKEWNESSES, _WEAK_GROUPS))

# The tables: standard deviations from the mean, where nearly all units are; lines a distance.
_REACH: Final = 16
_LINES: Final = 128


def generalised_log_gamma(skewness: float, deviations: Vector) -> Vector:
    """The share that lies beyond so many standard deviations from the mean.

    References
    ----------
    Prentice (1974), Biometrika 61:539-544, section 2: for q > 0 the limit is, up to place and
    scale, log G where G is gamma of shape q^-2; for q < 0 it is mirrored; 0 is the normal limit.

    >>> [round(float(generalised_log_gamma(q, np.zeros(1))[0]), 4) for q in (1.0, 0.0, -1.0)]
    [0.5704, 0.5, 0.4296]
    """
    if skewness == 0.0:
        return np.asarray(scipy.special.ndtr(-deviations))
    order = skewness**-2
    mean, sd = scipy.special.digamma(order), np.sqrt(scipy.special.polygamma(1, order))
    off = sd * deviations if skewness > 0 else -sd * deviations
    beyond = scipy.special.gammaincc if skewness > 0 else scipy.special.gammainc
    return np.asarray(beyond(order, np.exp(np.minimum(mean + off, _STEEP))))


@dataclass(frozen=True, slots=True)
class FormTables:
    """The stable share of every form, on lines a 128th of a standard deviation apart.

    Parameters
    ----------
    columns : float32 array, shape (lines, c)
        Of each main body, then of each place of a weak group.
    slopes : the growth of each from a line to the next
    parts : float32 array, shape (c, forms)
        The part of each column in each form.
    """

    columns: NDArray[np.float32]
    slopes: NDArray[np.float32]
    parts: NDArray[np.float32]

    def columns_at(self, deviations: Vector) -> NDArray[np.float32]:
        """Each column at so many standard deviations, one more axis than these, interpolated."""
        lines = np.clip((deviations + _REACH) * _LINES, 0.0, len(self.columns) - 1.001)
        line = lines.astype(np.int64)
        found = self.columns[line]
        found += (lines - line).astype(np.float32)[..., None] * self.slopes[line]
        return found

    def deviations_of(self, share: float) -> Vector:
        """Standard deviations from the mean to the depth the share reaches, shape (forms,)."""
        beyond = (self.columns.astype(np.float64) @ self.parts).T
        last = np.clip((beyond >= share).sum(axis=1) - 1, 0, beyond.shape[1] - 2)
        rows = np.arange(len(beyond))
        above, below = beyond[rows, last], beyond[rows, last + 1]
        part = (above - share) / np.maximum(above - below, _TINY)
        return np.asarray((last + np.clip(part, 0.0, 1.0)) / _LINES - _REACH)


@lru_cache(maxsize=1)
def form_tables() -> FormTables:
    """The tables of `FORMS`, computed at the first use.

    >>> tables = form_tables()
    >>> tables.columns.shape[1] == tables.parts.shape[0], tables.parts.shape[1] == len(FORMS)
    (True, True)
    """
    lines = np.arange(-_REACH * _LINES, _REACH * _LINES + 1) / _LINES
    places = sorted({one.distance for one in FORMS if one.weak_share})
    columns = [generalised_log_gamma(q, lines) for q in _SKEWNESSES]
    columns += [scipy.special.ndtr(-(lines + place) / _WEAK_SPREAD) for place in places]
    parts = np.zeros((len(columns), len(FORMS)), dtype=np.float32)
    for number, one in enumerate(FORMS):
        parts[_SKEWNESSES.index(one.skewness), number] = 1.0 - one.weak_share
        if one.weak_share:
            parts[len(_SKEWNESSES) + places.index(one.distance), number] = one.weak_share
    table = np.stack(columns, axis=1)
    slopes = np.diff(table, axis=0, append=table[-1:])
    return FormTables(table.astype(np.float32), slopes.astype(np.float32), parts)


@lru_cache(maxsize=256)
def _form_deviations(share: float) -> Vector:
    return frozen_array(form_tables().deviations_of(share))


def form_chances(own_units: float) -> Vector:
    """The chance of each form before the evidence of so many units, shape (forms,), summing to one.

    A few units say little of the form, and caution for every form would be needless for them. More
    units show the main body, but not whether a weak group lies apart from it: their likelihood
    would exclude what is needed. So from 15 to 50 units the long weak tails and the weak groups
    gain.

    >>> chances = [form_chances(units) for units in (15.0, 50.0)]
    >>> no_group = [place for place, form in enumerate(FORMS) if form.weak_share == 0.0]
    >>> [round(float(one.sum()), 9) for one in chances]
    [1.0, 1.0]
    >>> [round(float(one[no_group].sum()), 3) for one in chances]
    [0.65, 0.1]
    """
    grown = min(max((own_units - _CAREFUL_FROM) / (_CAREFUL_AT - _CAREFUL_FROM), 0.0), 1.0)

    def mixed(few: tuple[float, ...], many: tuple[float, ...]) -> Vector:
        ends = np.array(few) / sum(few), np.array(many) / sum(many)
        return np.asarray((1.0 - grown) * ends[0] + grown * ends[1])

    skewness = mixed(_SKEWNESS_CHANCES, _CAREFUL_SKEWNESS_CHANCES)
    weak = mixed(_WEAK_CHANCES, _CAREFUL_WEAK_CHANCES)
    return np.outer(skewness, weak).ravel()


Grid2 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bell:
    """A normal distribution, cut to the range of the scale."""

    centre: float
    sd: float

    def log_density(self, values: Grid2, low: float, high: float) -> Grid2:
        """Log density on [low, high], where all of it lies.

        >>> np.exp(Bell(0.0, 1.0).log_density(np.zeros(1), -9.0, 9.0)).round(4).tolist()
        [0.3989]
        """
        inside = scipy.special.ndtr((high - self.centre) / self.sd) - scipy.special.ndtr(
            (low - self.centre) / self.sd
        )
        peak = -np.log(self.sd * np.sqrt(2 * np.pi) * max(float(inside), 1e-12))
        return np.asarray(peak - 0.5 * ((values - self.centre) / self.sd) ** 2)


@dataclass(frozen=True, slots=True)
class VaguePrior:
    """A uniform density over the means and log standard deviations of the scale."""

    def log_density(self, mean: Grid2, log_sd: Grid2, scale: PriorScale) -> Grid2:
        """Log density over (mean, log sd), shape of `mean`."""
        area = (scale.mean_high - scale.mean_low) * np.log(scale.sd_high / scale.sd_low)
        return np.full(mean.shape, -np.log(area))


@dataclass(frozen=True, slots=True)
class BellPrior:
    """A bell in mean and in log standard deviation."""

    mean: Bell
    log_sd: Bell

    def log_density(self, mean: Grid2, log_sd: Grid2, scale: PriorScale) -> Grid2:
        """Log density over (mean, log sd), shape of `mean`."""
        bell = self.mean.log_density(mean, scale.mean_low, scale.mean_high)
        bell += self.log_sd.log_density(log_sd, np.log(scale.sd_low), np.log(scale.sd_high))
        return bell


_USUAL_SPREAD: Final = 4.0


@dataclass(frozen=True, slots=True)
class UsualSpreadPrior:
    """A uniform density over the means, and a bell over the log standard deviations.

    The bell lies at four times the least spread of the scale: 20 mV or 4 counts.
    """

    sd: float

    def log_density(self, mean: Grid2, log_sd: Grid2, scale: PriorScale) -> Grid2:
        """Log density over (mean, log sd), shape of `mean`."""
        low, high = np.log(scale.sd_low), np.log(scale.sd_high)
        usual = Bell(float(np.log(_USUAL_SPREAD * scale.least_spread)), self.sd)
        bell = usual.log_density(log_sd, low, high)
        return np.asarray(bell - np.log(scale.mean_high - scale.mean_low))


Prior = VaguePrior | BellPrior | UsualSpreadPrior


@dataclass(frozen=True, slots=True)
class ShapePrior:
    """The prior of a shape: its probability, and mean and spread if it is the true one."""

    shape: Shape
    chance: float
    prior: Prior


NO_POSTERIOR: Final = (ShapePrior(Shape.SMALLEST_EXTREME, 1.0, VaguePrior()),)
"""Without any evidence a long weak tail is assumed, the most cautious of the shapes."""


_PASSES: Final = 4
FINE: Final = (33, 17)
"""Means by log standard deviations of the grid: for quantiles."""
MEDIUM: Final = (17, 9)
COARSE: Final = (13, 9)
"""Enough for expectations: over a bell that fills its box midpoint sums are nearly exact."""
FORM_CELLS: Final = (33, 11)
"""For quantiles over all forms."""
# exp(-12) of the highest density is left outside the box of the fine grid.
_NEGLECTED: Final = 12.0
_TINY: Final = 1e-300
# Differences of shares in single precision are off by up to 1e-7: a rarer report counts as this.
_SMALLEST: Final = np.float32(1e-6)
_MANY: Final = 300.0


@dataclass(frozen=True, slots=True)
class ShapePosterior:
    """Weighted distributions of the limit, all of one shape.

    A limit in whole steps is the last step at or before a draw.

    Parameters
    ----------
    mean, log_sd, weight : float64 arrays, shape (g,)
        Points of the grid, in the control's unit, and their probability, summing to one.
    mean_width : width of each cell in the mean
    step : the control's unit a grid step, mV or counts
    shape : of the distributions
    log_evidence : log probability of the evidence, prior and shape given
    """

    mean: Vector
    log_sd: Vector
    weight: Vector
    mean_width: float
    step: float
    shape: Shape = Shape.SMALLEST_EXTREME
    log_evidence: float = 0.0

    def deepest(self) -> int:
        """A depth in whole steps, 1 or more, that practically no unit reaches."""
        reach = (self.mean + FARTHEST[self.shape] * np.exp(self.log_sd)).max()
        return max(1, int(np.ceil(reach / self.step)))

    def expected_mean(self) -> float:
        """Posterior mean of the mean limit, in the control's unit."""
        return float(self.weight @ self.mean)

    def sd_of_mean(self) -> float:
        """Posterior standard deviation of the mean limit, in the control's unit."""
        off = self.mean - self.expected_mean()
        return float(np.sqrt(self.weight @ off**2))

    def expected_log_sd(self) -> float:
        """Posterior mean of the log standard deviation."""
        return float(self.weight @ self.log_sd)

    def sd_of_log_sd(self) -> float:
        """Posterior standard deviation of the log standard deviation."""
        off = self.log_sd - self.expected_log_sd()
        return float(np.sqrt(self.weight @ off**2))

    def reweighted(self, weight: Vector) -> "ShapePosterior":
        """The same distributions with other probabilities, shape (g,)."""
        return replace(self, weight=weight)

    def depths_of(self, share: float) -> Vector:
        """The depth in steps, not whole, that this share of units reaches, shape (g,)."""
        off = deviations_at(self.shape, share)
        return np.asarray((self.mean + off * np.exp(self.log_sd)) / self.step)

    def share_at(self, steps: ArrayLike) -> Vector:
        """Stable share at each depth under each distribution, shape (depths, g)."""
        ends = np.atleast_1d(np.asarray(steps))
        return _stable_share(ends, self.step, self.shape, self.mean, np.exp(self.log_sd))

    def expected_share_at(self, steps: ArrayLike) -> Vector:
        """Posterior mean of the stable share at each depth, shape (depths,)."""
        return np.asarray(self.share_at(steps) @ self.weight)


@dataclass(frozen=True, slots=True)
class FormPosterior:
    """Weighted distributions of the limit of all forms; as `ShapePosterior` where not said.

    Parameters
    ----------
    mean, log_sd : float64 arrays, shape (p,)
        Points of the grid: of the main body.
    chances : float64 array, shape (forms, p)
        Of each form at each point, summing to one.
    mean_width, step : as for one shape
    """

    mean: Vector
    log_sd: Vector
    chances: Vector
    mean_width: float
    step: float

    @property
    def weight(self) -> Vector:
        """Probability of each distribution, shape (forms * p,), form by form."""
        return self.chances.ravel()

    def reweighted(self, weight: Vector) -> "FormPosterior":
        """The same distributions with other probabilities, shape (forms * p,)."""
        return replace(self, chances=weight.reshape(self.chances.shape))

    def deepest(self) -> int:
        """A depth in whole steps, 1 or more, that fewer than one unit in 10,000 reaches."""
        return max(1, int(np.ceil(self.depths_of(1e-4).max())))

    def depths_of(self, share: float) -> Vector:
        """The depth in steps that this share of units reaches, shape (forms * p,)."""
        off = _form_deviations(share)[:, None] * np.exp(self.log_sd)
        return np.asarray((self.mean + off).ravel() / self.step)

    def share_at(self, steps: ArrayLike) -> Vector:
        """Stable share at each depth under each distribution, shape (depths, forms * p)."""
        columns = self._columns_at(steps)
        shares = np.swapaxes(columns @ form_tables().parts, 1, 2)
        return shares.reshape(len(columns), -1).astype(np.float64)

    def expected_share_at(self, steps: ArrayLike) -> Vector:
        """Posterior mean of the stable share at each depth, shape (depths,)."""
        columns = self._columns_at(steps)
        by_column = (form_tables().parts.astype(np.float64) @ self.chances).T
        return np.asarray(columns.reshape(len(columns), -1) @ by_column.ravel())

    def _columns_at(self, steps: ArrayLike) -> NDArray[np.float32]:
        return _stable_columns(
            np.atleast_1d(np.asarray(steps)), self.step, self.mean, np.exp(self.log_sd)
        )


def fit_sev(
    evidence: GroupedIntervals,
    step: float,
    scale: PriorScale,
    prior: Prior,
    cells: tuple[int, int] = FINE,
) -> ShapePosterior:
    """`fit_shape` for the smallest extreme value: the shape with the long weak tail.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> fit = fit_sev(pool, 5.0, VOLTAGE_OFFSET, VaguePrior())
    >>> round(fit.expected_mean(), 1), round(float(np.exp(fit.expected_log_sd())), 1)
    (100.2, 6.3)
    """
    return fit_shape(evidence, step, scale, prior, Shape.SMALLEST_EXTREME, cells=cells)


def fit_shape(
    evidence: GroupedIntervals,
    step: float,
    scale: PriorScale,
    prior: Prior,
    shape: Shape,
    trust: float = 1.0,
    cells: tuple[int, int] = FINE,
    contamination: float = 0.0,
) -> ShapePosterior:
    """The posterior over mean and log standard deviation, on a grid fitted to where it lies.

    Parameters
    ----------
    evidence, step
        Distinct intervals in grid steps, mV or counts a step; without any the prior comes back.
    prior, scale
        Density over the scale's range of means and standard deviations.
    shape, cells
        Of the distribution of limits; of the grid, means by log standard deviations.
    trust, contamination
        Power of the likelihood, in (0, 1]; share of reports that need not fit, in [0, 1).

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, sections 7.2 and 14.3.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> fit = fit_shape(pool, 5.0, VOLTAGE_OFFSET, VaguePrior(), Shape.NORMAL, 0.5)
    >>> round(fit.expected_mean(), 1), round(fit.sd_of_mean(), 1)
    (100.4, 1.9)
    """
    elsewhere = contamination_of(evidence, step, scale, contamination, is_of_forms=False)
    density = _ShapeDensity(
        _ShapeLikelihood.of(evidence, step, shape, trust, elsewhere), prior, scale
    )
    # With many units the posterior is a bell that fills its box, and the coarse grid is enough.
    cells = cells if evidence.total_weight < _MANY else COARSE
    return _on_grid(density, _fitted_box(density), cells)


def fit_forms(
    evidence: GroupedIntervals,
    step: float,
    scale: PriorScale,
    prior: Prior,
    chances: Vector,
    trust: float = 1.0,
    contamination: float = 0.0,
) -> FormPosterior:
    """The posterior over form, mean and log standard deviation, on a grid where it lies.

    Parameters
    ----------
    evidence, step, scale, prior, trust, contamination
        As for `fit_shape`; mean and standard deviation are those of the main body.
    chances
        Of the `FORMS` before any evidence, shape (forms,).

    References
    ----------
    Prentice (1974), Biometrika 61:539-544: the shape as a parameter beside place and scale.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> fit = fit_forms(pool, 5.0, VOLTAGE_OFFSET, VaguePrior(), form_chances(1.0))
    >>> [round(float(share), 2) for share in fit.expected_share_at([0, 18, 20, 22])]
    [1.0, 0.95, 0.62, 0.04]
    """
    elsewhere = contamination_of(evidence, step, scale, contamination, is_of_forms=True)
    density = _FormDensity.of(evidence, step, trust, elsewhere, chances, prior, scale)
    box = _fitted_box(density)
    mean, log_sd = box.points(*FORM_CELLS)
    log_density = density.of_forms(mean, log_sd)
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    width = (box.mean_high - box.mean_low) / FORM_CELLS[0]
    return FormPosterior(
        frozen_array(mean), frozen_array(log_sd), frozen_array(weight), width, step
    )


@dataclass(frozen=True, slots=True)
class Contamination:
    """Reports that need not be of the shape: their share, uniform between two depths."""

    share: float
    deepest_steps: float
    shallowest_steps: float = 0.0

    def chance(self, evidence: GroupedIntervals) -> Vector:
        """Probability of each interval as one of them, shape (k, 1)."""
        ends = self.shallowest_steps, max(self.deepest_steps, self.shallowest_steps + 1.0)
        low, high = (np.clip(e, *ends) for e in (evidence.stable_steps, evidence.unstable_steps))
        return np.asarray(self.share * (high - low) / (ends[1] - ends[0]))[:, None]


def contamination_of(
    evidence: GroupedIntervals, step: float, scale: PriorScale, share: float, *, is_of_forms: bool
) -> Contamination:
    """The reports that need not be of the shape; those of no form lie beyond the middle."""
    shallowest = _middle(evidence) if is_of_forms else 0.0
    return Contamination(share, scale.mean_high / step, shallowest)


def log_chance(
    posterior: ShapePosterior | FormPosterior,
    evidence: GroupedIntervals,
    trust: float,
    contamination: Contamination,
) -> Vector:
    """Log likelihood of intervals under each distribution of a posterior, shape (g,)."""
    ends = np.concatenate([evidence.stable_steps, evidence.unstable_steps])
    stable, unstable = np.split(posterior.share_at(ends), 2)
    chance = (1.0 - contamination.share) * (stable - unstable) + contamination.chance(evidence)
    least = _SMALLEST if isinstance(posterior, FormPosterior) else _TINY
    return np.asarray(trust * evidence.weight @ np.log(np.maximum(chance, least)))


def _distinct_ends(
    evidence: GroupedIntervals,
) -> tuple[NDArray[np.int64], NDArray[np.intp], NDArray[np.intp]]:
    """The distinct ends, ascending, and the places among them of each stable and unstable end."""
    both = np.concatenate([evidence.stable_steps, evidence.unstable_steps])
    ends, place = np.unique(both, return_inverse=True)
    stable, unstable = np.split(place, 2)
    return ends, stable, unstable


@dataclass(frozen=True, slots=True)
class _FormDensity:
    """The posterior density of all forms, up to a constant factor, in single precision."""

    ends: NDArray[np.int64]
    stable: NDArray[np.intp]
    unstable: NDArray[np.intp]
    weight: NDArray[np.float32]
    step: float
    body_share: float
    elsewhere: Vector
    log_chances: Vector
    prior: Prior
    scale: PriorScale

    @classmethod
    def of(
        cls,
        evidence: GroupedIntervals,
        step: float,
        trust: float,
        contamination: Contamination,
        chances: Vector,
        prior: Prior,
        scale: PriorScale,
    ) -> "_FormDensity":
        ends, stable, unstable = _distinct_ends(evidence)
        return cls(
            ends=ends,
            stable=stable,
            unstable=unstable,
            weight=(trust * evidence.weight).astype(np.float32),
            step=step,
            body_share=1.0 - contamination.share,
            elsewhere=contamination.chance(evidence)[:, :, None],
            log_chances=np.log(np.maximum(chances, _TINY)),
            prior=prior,
            scale=scale,
        )

    def log_at(self, mean: Vector, log_sd: Vector) -> Vector:
        """Log density of the likeliest form at points of (mean, log sd), shape of `mean`."""
        return np.asarray(self.of_forms(mean, log_sd).max(axis=0))

    def of_forms(self, mean: Vector, log_sd: Vector) -> Vector:
        """Log density of each form at points of (mean, log sd), shape (forms, p)."""
        columns = _stable_columns(self.ends, self.step, mean, np.exp(log_sd))
        inside = columns[self.stable] - columns[self.unstable]
        chance = inside @ (form_tables().parts * np.float32(self.body_share))
        chance += self.elsewhere.astype(np.float32)
        np.log(np.maximum(chance, _SMALLEST, out=chance), out=chance)
        log_likelihood = np.tensordot(self.weight, chance, axes=1).T
        log_prior = self.prior.log_density(mean, log_sd, self.scale)
        return np.asarray(log_likelihood + self.log_chances[:, None] + log_prior)


@dataclass(frozen=True, slots=True)
class _ShapeDensity:
    """The posterior density of one shape, up to a constant factor."""

    likelihood: "_ShapeLikelihood"
    prior: Prior
    scale: PriorScale

    def log_at(self, mean: Vector, log_sd: Vector) -> Vector:
        """Log density at points of (mean, log sd), shape of `mean`."""
        log_prior = self.prior.log_density(mean, log_sd, self.scale)
        return self.likelihood.log_at(mean, log_sd) + log_prior


def _fitted_box(density: _ShapeDensity | _FormDensity) -> "_Box":
    """The part of the scale's range where the density is not negligible."""
    scale = density.scale
    box = _Box(scale.mean_low, scale.mean_high, np.log(scale.sd_low), np.log(scale.sd_high))
    for _ in range(_PASSES):
        log_density = density.log_at(*box.points(*COARSE))
        inner = box.around(log_density > log_density.max() - _NEGLECTED, *COARSE)
        if inner.area > 0.5 * box.area:
            break
        box = inner
    return box


def _on_grid(density: _ShapeDensity, box: "_Box", cells: tuple[int, int]) -> ShapePosterior:
    """The posterior at the midpoints of a grid over the box."""
    mean, log_sd = box.points(*cells)
    log_density = density.log_at(mean, log_sd)
    highest = log_density.max()
    weight = np.exp(log_density - highest)
    cell_area = box.area / (cells[0] * cells[1])
    return ShapePosterior(
        mean=frozen_array(mean),
        log_sd=frozen_array(log_sd),
        weight=frozen_array(weight / weight.sum()),
        mean_width=(box.mean_high - box.mean_low) / cells[0],
        step=density.likelihood.step,
        shape=density.likelihood.shape,
        log_evidence=float(highest + np.log(weight.sum() * cell_area)),
    )


def _middle(evidence: GroupedIntervals) -> float:
    """The weighted median of the deepest passes; 0 without evidence.

    A shallower report is of the shape: one weak unit of ten must not be explained away.
    """
    if len(evidence.weight) == 0:
        return 0.0
    order = np.argsort(evidence.stable_steps, kind="stable")
    reached = np.cumsum(evidence.weight[order])
    half = np.searchsorted(reached, 0.5 * reached[-1])
    return float(evidence.stable_steps[order][half])


@dataclass(frozen=True, slots=True)
class _ShapeLikelihood:
    """Intervals as pairs of distinct ends, so that each end's survival is computed once."""

    ends: NDArray[np.int64]
    stable: NDArray[np.intp]
    unstable: NDArray[np.intp]
    weight: Vector
    step: float
    shape: Shape
    shape_share: float
    elsewhere: Vector

    @classmethod
    def of(
        cls,
        evidence: GroupedIntervals,
        step: float,
        shape: Shape,
        trust: float,
        contamination: Contamination,
    ) -> "_ShapeLikelihood":
        ends, stable, unstable = _distinct_ends(evidence)
        return cls(
            ends=ends,
            stable=stable,
            unstable=unstable,
            weight=trust * evidence.weight,
            step=step,
            shape=shape,
            shape_share=1.0 - contamination.share,
            elsewhere=contamination.chance(evidence),
        )

    def log_at(self, mean: Vector, log_sd: Vector) -> Vector:
        share = _stable_share(self.ends, self.step, self.shape, mean, np.exp(log_sd))
        inside = share[self.stable] - share[self.unstable]
        inside *= self.shape_share
        inside += self.elsewhere
        np.log(np.maximum(inside, _TINY, out=inside), out=inside)
        return np.asarray(self.weight @ inside)


@dataclass(frozen=True, slots=True)
class _Box:
    """A rectangle of (mean, log sd), cut into cells represented by their midpoints."""

    mean_low: float
    mean_high: float
    log_sd_low: float
    log_sd_high: float

    @property
    def area(self) -> float:
        return (self.mean_high - self.mean_low) * (self.log_sd_high - self.log_sd_low)

    def points(self, means: int, log_sds: int) -> tuple[Vector, Vector]:
        across = self.mean_low + (np.arange(means) + 0.5) / means * (self.mean_high - self.mean_low)
        up = self.log_sd_low + (np.arange(log_sds) + 0.5) / log_sds * (
            self.log_sd_high - self.log_sd_low
        )
        return np.repeat(across, log_sds), np.tile(up, means)

    def around(self, included: NDArray[np.bool_], means: int, log_sds: int) -> "_Box":
        """The smallest box around the included cells and their neighbours."""
        table = included.reshape(means, log_sds)
        first, last = _span(np.logical_or.reduce(table, axis=1))
        low, high = _span(np.logical_or.reduce(table, axis=0))
        wide = (self.mean_high - self.mean_low) / means
        tall = (self.log_sd_high - self.log_sd_low) / log_sds
        return _Box(
            self.mean_low + first * wide,
            self.mean_low + last * wide,
            self.log_sd_low + low * tall,
            self.log_sd_low + high * tall,
        )


def _span(included: NDArray[np.bool_]) -> tuple[int, int]:
    """First and past-the-last index of what is included, with one neighbour on either side."""
    places = np.flatnonzero(included)
    return max(int(places[0]) - 1, 0), min(int(places[-1]) + 2, len(included))


def _stable_columns(
    steps: NDArray[np.int64], step: float, mean: Vector, sd: Vector
) -> NDArray[np.float32]:
    """P(T >= steps) of each column of the forms, shape (steps, g, columns)."""
    share = form_tables().columns_at((steps[:, None] * step - mean) / sd)
    share[steps <= 0] = 1.0
    share[steps >= NEVER_FAILED] = 0.0
    return share


def _stable_share(
    steps: NDArray[np.int64], step: float, shape: Shape, mean: Vector, sd: Vector
) -> Vector:
    """P(T >= steps), shape (steps, g): one at stock, zero beyond all depths."""
    share = survival(shape, (steps[:, None] * step - mean) / sd)
    share[steps <= 0] = 1.0
    share[steps >= NEVER_FAILED] = 0.0
    return share
