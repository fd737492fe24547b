"""Performance over power: a concave curve with its band."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.intervals import frozen_array

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]


def isotonic(heights: Matrix, weight: Matrix) -> Matrix:
    """The never falling least-squares fit of each row.

    Parameters
    ----------
    heights, weight : float64 arrays, shape (b, k)
        One curve a row, its points from left to right; weights positive.

    References
    ----------
    Robertson, Wright & Dykstra (1988), *Order Restricted Statistical Inference*, theorem 1.4.4:
    the largest over all beginnings of the smallest over all ends of the weighted means.

    >>> nine = np.array([[1.0, 0, 4, 3, 3, 5, 4, 2, 0]])
    >>> isotonic(nine, np.ones((1, 9))).tolist()
    [[0.5, 0.5, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0]]
    """
    rows, points = heights.shape
    total = np.zeros((rows, points + 1))
    mass = np.zeros((rows, points + 1))
    np.cumsum(heights * weight, axis=1, out=total[:, 1:])
    np.cumsum(weight, axis=1, out=mass[:, 1:])
    best = np.full((rows, points), -np.inf)
    for begin in range(points):
        means = (total[:, begin + 1 :] - total[:, begin, None]) / (
            mass[:, begin + 1 :] - mass[:, begin, None]
        )
        smallest = np.minimum.accumulate(means[:, ::-1], axis=1)[:, ::-1]
        np.maximum(best[:, begin:], smallest, out=best[:, begin:])
    return best


def concave_majorant(at: Vector, heights: Matrix) -> Matrix:
    """The lowest concave curve through or above the points of each row.

    Parameters
    ----------
    at : float64 array, shape (k,)
        Ascending and distinct.
    heights : float64 array, shape (b, k)
        One curve a row. A curve that never falls has a majorant that never falls.

    References
    ----------
    Robertson, Wright & Dykstra (1988), section 1.2 (the greatest convex minorant, mirrored); found
    from vertex to vertex, the steepest slope onward first (Jarvis 1973).

    >>> concave_majorant(np.array([0.0, 1, 2, 3]), np.array([[0.0, 0, 2, 3]])).tolist()
    [[0.0, 1.0, 2.0, 3.0]]
    """
    rows, points = heights.shape
    row = np.arange(rows)
    vertex = np.zeros(rows, dtype=np.int64)
    place = np.arange(points)
    hull = heights.copy()
    while (vertex < points - 1).any():
        base, start = heights[row, vertex], at[vertex]
        behind = place[None, :] > vertex[:, None]
        run = np.where(behind, at[None, :] - start[:, None], 1.0)
        slopes = np.where(behind, (heights - base[:, None]) / run, -np.inf)
        onward = np.where(vertex < points - 1, np.argmax(slopes, axis=1), vertex)
        line = base[:, None] + slopes[row, onward][:, None] * run
        hull = np.where(behind & (place[None, :] < onward[:, None]), line, hull)
        vertex = onward
    return hull


def rise_and_flatten(at: Vector, heights: Matrix, weight: Matrix) -> Matrix:
    """Each row made monotone, then concave; parameters as in the two steps.

    >>> at = np.array([0.0, 1, 2])
    >>> rise_and_flatten(at, np.array([[0.0, 3, 2]]), np.ones((1, 3))).tolist()
    [[0.0, 2.5, 2.5]]
    """
    return concave_majorant(at, isotonic(heights, weight))


Units = NDArray[np.int64]
Drawn = NDArray[np.uint16]

FEWEST_UNITS: Final = 5
"""Fewest units behind each point of a curve; with fewer in all there is no curve."""
FEWEST_FOR_GAIN: Final = 8
"""Fewest units near a limit, at stock and tuned, for the gain from tuning under it."""
_SKEWED_PART: Final = 0.5
"""Of the chance of error, what an interval of gains is drawn with, so that it holds if skewed."""
RESAMPLES: Final = 400
NOMINAL_CONFIDENCE: Final = 0.95
_WIDTH: Final = 0.025
"""Points this near one another, as shares of stock power, are one; further where units are few."""
# A bin that a resample misses keeps its own mean with next to no weight.
_NEXT_TO_NOTHING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class CurvePoints:
    """What units did at some power.

    Parameters
    ----------
    unit : int64 array, shape (n,)
        Which unit, from 0.
    power : float64 array, shape (n,)
        Drawn, as a share of what the same unit draws at stock without a cap.
    performance : float64 array, shape (n,)
        As a share of what the same unit achieves there; more is better.
    """

    unit: Units
    power: Vector
    performance: Vector


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its bootstrap interval over units.

    `is_lowest_measured`: it lies at the lowest power that was measured, and may lie beyond it.
    """

    value: float
    low: float
    high: float
    is_lowest_measured: bool = False


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """A pooled curve, rising and concave; flat from its last point to stock power.

    Parameters
    ----------
    power, performance : float64 arrays, shape (k,)
        Points, ascending; shares of own uncapped stock, power at most 1.
    drawn : float64 array, shape (resamples, k)
        The same heights with the units drawn again.
    units : units behind it
    between : int64 array, shape (k - 1,)
        Units at either of two neighbouring points.
    """

    power: Vector
    performance: Vector
    drawn: Matrix
    units: int
    between: Units

    def covers(self, power: float) -> bool:
        """Whether anything was measured at about this power or below."""
        return bool(power >= self.power[0] - 0.5 * _WIDTH)

    def at(self, power: float) -> Vector:
        """Heights at a power, the pooled one first, then the drawn; shape (1 + resamples,).

        Raises ValueError for a power that the curve does not cover.
        """
        if not self.covers(power):
            raise ValueError("nothing was measured at so low a power")
        # The same two neighbours serve every row.
        left = self._left_of(power)
        right = left + 1
        part = (power - self.power[left]) / (self.power[right] - self.power[left])
        heights = np.vstack([self.performance, self.drawn])
        part = float(np.clip(part, 0.0, 1.0))
        return np.asarray((1.0 - part) * heights[:, left] + part * heights[:, right])

    def _left_of(self, power: float) -> int:
        return int(np.clip(np.searchsorted(self.power, power), 1, len(self.power) - 1)) - 1

    def units_near(self, power: float) -> int:
        """How many units were measured at the points around a power."""
        return int(self.between[self._left_of(power)])

    def reached_at(self, performance: float) -> Vector:
        """The least power of each curve that reaches a performance; NaN where none does.

        Shape (1 + resamples,), the pooled curve first; the first point's power where even that
        is more than enough.
        """
        heights = np.vstack([self.performance, self.drawn])
        place = (heights < performance).sum(axis=1)
        right = np.clip(place, 1, len(self.power) - 1)
        row = np.arange(len(heights))
        low, high = heights[row, right - 1], heights[row, right]
        rise = np.where(high > low, high - low, 1.0)
        part = np.clip((performance - low) / rise, 0.0, 1.0)
        between = self.power[right - 1] + part * (self.power[right] - self.power[right - 1])
        return np.where(
            place == 0, self.power[0], np.where(place == len(self.power), np.nan, between)
        )


@dataclass(frozen=True, slots=True)
class PowerFit:
    """Curves of stock and tuned from one drawing of units, so that they can be compared.

    Parameters
    ----------
    stock, tuned : None where fewer than five contributors, or powers of one kind alone, are known
    stock_power_w : median over units of what they draw at stock without a cap, then of each
        drawing; shape (1 + resamples,)
    confidence : nominal, of every interval
    """

    stock: PowerCurve | None
    tuned: PowerCurve | None
    stock_power_w: Vector
    confidence: float

    def estimate(self, values: Vector, units: int, *, is_lowest_measured: bool = False) -> Estimate:
        """The first value with the interval of the others, from so many units.

        The values have shape (1 + resamples,).
        """
        tail = tail_of(units, self.confidence)
        low, high = np.quantile(values[1:], (tail, 1.0 - tail))
        value = float(values[0])
        return Estimate(value, min(float(low), value), max(float(high), value), is_lowest_measured)

    def smallest_limit(self, curve: PowerCurve, keep_share: float) -> Estimate | None:
        """The least share of stock power that keeps a share of stock performance, at most 1.

        None where the curve does not reach it.
        """
        reached = curve.reached_at(keep_share)
        if np.isnan(reached[0]):
            return None
        # A resample that never reaches it counts as stock power.
        return self.estimate(
            np.nan_to_num(reached, nan=1.0),
            curve.units,
            is_lowest_measured=bool(reached[0] == curve.power[0]),
        )

    def smallest_limit_w(self, curve: PowerCurve, keep_share: float) -> Estimate | None:
        """The same in W, for a unit with the median stock power, and never above that."""
        reached = curve.reached_at(keep_share)
        if np.isnan(reached[0]):
            return None
        in_w = np.nan_to_num(reached, nan=1.0) * self.stock_power_w
        in_w = np.minimum(in_w, self.stock_power_w[0])
        is_lowest = bool(reached[0] == curve.power[0])
        return self.estimate(in_w, curve.units, is_lowest_measured=is_lowest)

    def best_efficiency(self, curve: PowerCurve) -> Estimate:
        """The share of stock power at which performance per watt is largest."""
        heights = np.vstack([curve.performance, curve.drawn])
        best = np.argmax(heights / curve.power, axis=1)
        return self.estimate(curve.power[best], curve.units, is_lowest_measured=bool(best[0] == 0))

    def per_watt(self, curve: PowerCurve, power: float) -> Estimate:
        """Performance per watt at a share of stock power, stock without a cap being 1."""
        return self.estimate(curve.at(power) / power, curve.units)

    def gain_at(self, power: float) -> Estimate | None:
        """Tuned over stock performance under the same limit.

        None where a curve ends above it or fewer than eight units were measured near it.
        """
        if self.stock is None or self.tuned is None:
            return None
        if not self.stock.covers(power) or not self.tuned.covers(power):
            return None
        units = min(self.stock.units_near(power), self.tuned.units_near(power))
        if units < FEWEST_FOR_GAIN:
            return None
        ratios = self.tuned.at(power) / self.stock.at(power)
        # Few machines that gain much more than others make percentiles too narrow by this much.
        drawn_at = replace(self, confidence=1.0 - _SKEWED_PART * (1.0 - self.confidence))
        return drawn_at.estimate(ratios, units)


def tail_of(units: int, confidence: float) -> float:
    """The share of resamples beyond either end of an interval.

    Resamples of few units spread less than new units do: by sqrt((n - 1) / n), and their spread is
    itself uncertain. So the ends lie where Student's t would put them.

    References
    ----------
    Hesterberg (2015), The American Statistician 69:371-386, section 5.3: expanded percentiles.

    >>> round(tail_of(8, 0.95), 4), round(tail_of(1000, 0.95), 3)
    (0.0057, 0.025)
    """
    freedom = max(1, units - 1)
    ends = scipy.special.stdtrit(freedom, 0.5 * (1.0 - confidence))
    return float(scipy.special.ndtr(ends * np.sqrt((freedom + 1) / freedom)))


def fit_power_curves(
    stock: CurvePoints,
    tuned: CurvePoints,
    stock_power_w: Vector,
    rng: np.random.Generator,
    confidence: float = NOMINAL_CONFIDENCE,
    contributor: Vector | None = None,
) -> PowerFit:
    """The pooled curves of stock and tuned with a bootstrap over units.

    Parameters
    ----------
    stock, tuned
        Powers above stock are left out; each unit's own uncapped stock, (1, 1), is added to stock.
    stock_power_w : float64 array, shape (units,)
        What each unit draws at stock without a cap, in W.
    rng, confidence, contributor
        Draws units again; nominal, of intervals; who sent each unit, NaN for one not counted.

    References
    ----------
    Monotone and concave regression: Robertson, Wright & Dykstra (1988), chapter 1. Percentile
    intervals: Efron & Tibshirani (1993), *An Introduction to the Bootstrap*, section 13.3.
    >>> unit, power = np.repeat(np.arange(8), 4), np.tile([0.4, 0.6, 0.8, 0.9], 8)
    >>> stock = CurvePoints(unit, power, np.minimum(1.0, 0.5 + 0.625 * power))
    >>> nothing = CurvePoints(unit[:0], power[:0], power[:0])
    >>> fit = fit_power_curves(stock, nothing, np.full(8, 60.0), np.random.default_rng(1))
    >>> limit = fit.smallest_limit(fit.stock, 0.95)
    >>> round(limit.value, 3), fit.tuned is None
    (0.72, True)
    """
    units = len(stock_power_w)
    drawn = _draw_again(units, rng) if units else None
    by = np.arange(units, dtype=np.float64) if contributor is None else contributor
    return PowerFit(
        stock=_curve(_with_own_stock(stock, units), by, len(np.unique(stock.unit)), drawn),
        tuned=_curve(tuned, by, len(np.unique(tuned.unit)), drawn),
        stock_power_w=frozen_array(_medians(stock_power_w, drawn)),
        confidence=confidence,
    )


def _with_own_stock(stock: CurvePoints, units: int) -> CurvePoints:
    """The points with each unit's own uncapped stock, (1, 1)."""
    return CurvePoints(
        np.concatenate([stock.unit, np.arange(units)]),
        np.concatenate([stock.power, np.ones(units)]),
        np.concatenate([stock.performance, np.ones(units)]),
    )


def _draw_again(units: int, rng: np.random.Generator) -> Drawn:
    """How often each unit is in each resample, shape (resamples, units)."""
    drawn = np.empty((RESAMPLES, units), dtype=np.uint16)
    for row in drawn:
        row[:] = np.bincount(rng.integers(0, units, units), minlength=units)
    return drawn


def _medians(values: Vector, drawn: Drawn | None) -> Vector:
    if drawn is None:
        return np.full(1 + RESAMPLES, np.nan)
    order = np.argsort(values, kind="stable")
    half = [np.searchsorted(np.cumsum(row[order]), 0.5 * len(values)) for row in drawn]
    return np.concatenate([[np.median(values)], values[order][half]])


def sums_over_units(values: Matrix, drawn: Drawn) -> Matrix:
    """Sums of the columns, then of those of the units as drawn; shape (1 + resamples, columns).

    Ten resamples at a time: as floating numbers all of them would take 3.2 kB a unit.
    """
    once = values.sum(axis=0)
    again = [part @ values for part in np.array_split(drawn, RESAMPLES // 10)]
    return np.vstack([once, np.vstack(again) + _NEXT_TO_NOTHING * once])


def _curve(
    points: CurvePoints, contributor: Vector, behind: int, drawn: Drawn | None
) -> PowerCurve | None:
    if drawn is None:
        return None
    units = drawn.shape[1]
    order = np.lexsort((points.performance, points.unit, points.power))
    order = order[points.power[order] <= 1.0 + 0.5 * _WIDTH]
    unit, power, performance = points.unit[order], points.power[order], points.performance[order]
    owner = _bins(contributor[unit], power)
    bins = int(owner.max(initial=-1)) + 1
    if bins < 2:
        return None
    # A unit counts once in a bin, by its means there, however many readings it has.
    cell = unit * bins + owner
    readings = np.bincount(cell, minlength=units * bins)
    part = 1.0 / readings[cell]
    at = np.minimum(np.bincount(owner, power * part) / np.bincount(owner, part), 1.0)
    sums = np.bincount(cell, performance, minlength=units * bins)
    present = (readings > 0).astype(np.float64)
    means = (sums / np.maximum(readings, 1)).reshape(units, bins)
    weight = sums_over_units(present.reshape(units, bins), drawn)
    heights = rise_and_flatten(at, sums_over_units(means, drawn) / weight, weight)
    return PowerCurve(
        power=frozen_array(at),
        performance=frozen_array(heights[0]),
        drawn=frozen_array(heights[1:]),
        units=behind,
        between=frozen_array(_units_of_neighbours(present.reshape(units, bins))),
    )


def _units_of_neighbours(present: Matrix) -> Units:
    """How many units have a reading at either of two neighbouring points."""
    either = np.maximum(present[:, :-1], present[:, 1:])
    return np.asarray(either.sum(axis=0), dtype=np.int64)


def _bins(contributor: Vector, power: Vector) -> Units:
    """Which bin each point is in, the points in ascending power: each has five contributors."""
    narrow = np.floor((1.0 + 0.5 * _WIDTH - power) / _WIDTH).astype(np.int64)
    owner = np.zeros(len(power), dtype=np.int64)
    bins, held = 0, set[float]()
    for one in np.unique(narrow):
        inside = narrow == one
        held |= set(contributor[inside & ~np.isnan(contributor)].tolist())
        owner[inside] = bins
        if len(held) >= FEWEST_UNITS:
            bins, held = bins + 1, set()
    # Units left over at the low end join the last bin that holds enough.
    owner = np.minimum(owner, bins - 1)
    return owner.max(initial=0) - owner if bins else np.zeros(0, dtype=np.int64)
