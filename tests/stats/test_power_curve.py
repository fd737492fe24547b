"""Curves over power: against the books, slow second ways, and the law that they flatten."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression
from scipy.stats import norm, t

from kbapi.stats.gains.power_curve import (
    FEWEST_UNITS,
    RESAMPLES,
    CurvePoints,
    PowerFit,
    concave_majorant,
    fit_power_curves,
    isotonic,
    rise_and_flatten,
    sums_over_units,
    tail_of,
)
from tests.stats import slow
from tests.stats.makers import VECTORS

POINTS = st.lists(
    st.tuples(st.integers(-20, 20).map(lambda n: n / 4), st.integers(1, 9).map(float)),
    min_size=1,
    max_size=9,
)
NOTHING = CurvePoints(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))


@pytest.mark.parametrize("name", ["isotonic_pituitary", "isotonic_nine"])
def test_the_published_regressions_are_met(name):
    vector = VECTORS[name]
    is_grouped = isinstance(vector["data"], dict)
    raw = vector["data"]["raw"].values() if is_grouped else [[one] for one in vector["data"]]
    heights = [sum(group) / len(group) for group in raw]
    weights = vector["data"]["weights"] if is_grouped else [1] * len(heights)
    fitted = isotonic(np.array([heights], dtype=float), np.array([weights], dtype=float))
    assert fitted[0] == pytest.approx(vector["answer"], abs=1e-12)


@given(POINTS)
def test_monotone_fits_are_those_of_pooling_and_of_scipy(points):
    heights, weights = map(list, zip(*points, strict=True))
    fitted = isotonic(np.array([heights]), np.array([weights]))[0]
    assert fitted == pytest.approx(slow.never_falling(heights, weights), abs=1e-9)
    assert fitted == pytest.approx(isotonic_regression(heights, weights=weights).x, abs=1e-9)


@given(POINTS)
def test_majorants_are_the_highest_chords(points):
    heights = [height for height, _ in points]
    at = np.cumsum([weight for _, weight in points])
    hull = concave_majorant(at, np.array([heights]))[0]
    assert hull == pytest.approx(slow.concave_over(at.tolist(), heights), abs=1e-9)


@given(st.lists(POINTS, min_size=1, max_size=4))
def test_rows_are_fitted_each_for_itself_and_always_rise_and_flatten(rows):
    points = min(map(len, rows))
    heights = np.array([[height for height, _ in row[:points]] for row in rows])
    weight = np.array([[weight for _, weight in row[:points]] for row in rows])
    at = np.linspace(0.2, 1.0, points)
    together = rise_and_flatten(at, heights, weight)
    for place in range(len(rows)):
        alone = rise_and_flatten(at, heights[place : place + 1], weight[place : place + 1])
        assert together[place] == pytest.approx(alone[0], abs=1e-12)
    rises(at, together)


def rises(at, heights):
    slopes = np.diff(heights, axis=1) / np.diff(at)
    assert (slopes >= -1e-9).all()
    assert (np.diff(slopes, axis=1) <= 1e-9).all()


def a_club(rng, units, noise, exponent=0.45, tuned_gain=1.0):
    """Points of units at six caps, and what each draws at stock."""
    cap = np.tile([0.4, 0.5, 0.6, 0.7, 0.8, 0.9], (units, 1))
    own = 1 + noise * rng.normal(size=(units, 1))
    shown = tuned_gain * cap**exponent * (1 + noise * rng.normal(size=cap.shape)) / own
    unit = np.repeat(np.arange(units), cap.shape[1])
    return CurvePoints(unit, cap.ravel(), shown.ravel()), np.linspace(56.0, 64.0, units)


@given(st.integers(5, 12), st.sampled_from([0.0, 0.03, 0.5, 3.0]), st.integers(0, 99))
def test_a_fitted_curve_always_rises_and_flattens_whatever_was_measured(units, noise, seed):
    rng = np.random.default_rng(seed)
    points, stock_w = a_club(rng, units, noise)
    fit = fit_power_curves(points, points, stock_w, rng)
    for curve in (fit.stock, fit.tuned):
        rises(curve.power, np.vstack([curve.performance, curve.drawn]))
        assert curve.power.max() <= 1.0


def test_without_noise_limit_and_gain_are_those_of_the_truth():
    rng = np.random.default_rng(2)
    stock, stock_w = a_club(rng, 20, 0.0)
    tuned, _ = a_club(rng, 20, 0.0, tuned_gain=1.06)
    fit = fit_power_curves(stock, tuned, stock_w, rng)
    # Straight between caps ten hundredths apart: a little below the true curve.
    limit = fit.smallest_limit(fit.stock, 0.9)
    assert limit.value == pytest.approx(0.9 ** (1 / 0.45), abs=0.005)
    assert fit.smallest_limit(fit.tuned, 0.9).value < limit.value - 0.05
    assert fit.gain_at(0.7).value == pytest.approx(1.06)
    in_w = fit.smallest_limit_w(fit.stock, 0.9)
    assert in_w.value == pytest.approx(60 * limit.value)
    assert in_w.low < in_w.value < in_w.high


def test_a_share_reached_at_the_lowest_power_is_marked_as_lowest_measured():
    rng = np.random.default_rng(2)
    points, stock_w = a_club(rng, 20, 0.0)
    fit = fit_power_curves(points, NOTHING, stock_w, rng)
    limit = fit.smallest_limit(fit.stock, 0.5)
    assert limit.is_lowest_measured
    assert limit.value == pytest.approx(0.4)
    assert fit.tuned is None
    assert fit.gain_at(0.7) is None


@pytest.mark.parametrize("keep_share", [0.5, 0.8, 0.95, 0.99])
def test_no_limit_and_no_end_of_its_interval_lies_above_stock(keep_share):
    rng = np.random.default_rng(5)
    points, stock_w = a_club(rng, 7, 0.05)
    fit = fit_power_curves(points, NOTHING, stock_w * rng.uniform(0.6, 1.4, 7), rng)
    limit = fit.smallest_limit_w(fit.stock, keep_share)
    assert limit.low <= limit.value <= limit.high <= fit.stock_power_w[0]


@pytest.mark.parametrize(("units", "given"), [(7, False), (8, True)])
def test_the_gain_under_a_limit_takes_eight_units_near_it(units, given):
    rng = np.random.default_rng(3)
    points, stock_w = a_club(rng, units, 0.02)
    fit = fit_power_curves(points, points, stock_w, rng)
    assert fit.stock.units_near(0.7) == units
    assert (fit.gain_at(0.7) is not None) == given


def test_units_that_were_measured_elsewhere_do_not_count_near_a_limit():
    rng = np.random.default_rng(3)
    points, stock_w = a_club(rng, 14, 0.02)
    # Of six units only the high caps, of another two only the low ones.
    kept = np.where(points.unit < 6, points.power > 0.75, True)
    kept &= np.where(points.unit >= 12, points.power < 0.55, True)
    tuned = CurvePoints(points.unit[kept], points.power[kept], points.performance[kept])
    fit = fit_power_curves(points, tuned, stock_w, rng)
    near = {
        float(cap): len(
            {
                unit
                for unit, power in zip(tuned.unit, tuned.power, strict=True)
                if cap - 0.06 < power < cap + 0.06
            }
        )
        for cap in (0.45, 0.65, 0.85)
    }
    assert {cap: fit.tuned.units_near(cap) for cap in near} == near
    assert near == {0.45: 8, 0.65: 6, 0.85: 12}
    assert fit.gain_at(0.45) is not None
    assert fit.gain_at(0.65) is None


@pytest.mark.parametrize("units", [2, 5, 8, 30, 1000])
def test_ends_lie_where_students_t_puts_those_of_a_mean(units):
    freedom = units - 1
    ends = t(freedom).ppf(0.025) * np.sqrt(units / freedom)
    assert tail_of(units, 0.95) == pytest.approx(norm.cdf(ends))


def test_an_interval_of_a_mean_has_students_width():
    rng = np.random.default_rng(4)
    units = 8
    values = rng.normal(0, 1, units)
    means = values[rng.integers(0, units, (200_000, units))].mean(axis=1)
    fit = PowerFit(None, None, values, 0.95)
    found = fit.estimate(np.append(values.mean(), means), units)
    half = t(units - 1).ppf(0.975) * values.std(ddof=1) / np.sqrt(units)
    # Resamples of eight are only nearly normal, most of all so far out.
    assert (found.high - found.low) / 2 == pytest.approx(half, rel=0.08)


def test_sums_over_drawn_units_are_those_of_each_drawing():
    rng = np.random.default_rng(6)
    drawn = rng.integers(0, 4, (RESAMPLES, 9)).astype(np.uint16)
    values = rng.uniform(size=(9, 3))
    slowly = [values.sum(axis=0), *((row[:, None] * values).sum(axis=0) for row in drawn)]
    assert sums_over_units(values, drawn) == pytest.approx(np.array(slowly), abs=1e-7)


def test_a_share_that_a_curve_never_reaches_has_no_limit():
    rng = np.random.default_rng(2)
    points, stock_w = a_club(rng, 20, 0.0, tuned_gain=0.8)
    fit = fit_power_curves(NOTHING, points, stock_w, rng)
    assert fit.smallest_limit(fit.tuned, 0.99) is None
    assert fit.smallest_limit_w(fit.tuned, 0.99) is None


def test_the_best_performance_per_watt_lies_inside_where_idling_costs_power():
    rng = np.random.default_rng(4)
    cap = np.tile([0.2, 0.3, 0.4, 0.6, 0.8], 12)
    # Of the power 0.15 does nothing: performance over power is best at twice that.
    shown = np.sqrt(np.maximum(cap - 0.15, 0) / 0.85)
    points = CurvePoints(np.repeat(np.arange(12), 5), cap, shown)
    fit = fit_power_curves(points, NOTHING, np.full(12, 60.0), rng)
    best = fit.best_efficiency(fit.stock)
    assert best.value == pytest.approx(0.3)
    assert not best.is_lowest_measured
    assert fit.per_watt(fit.stock, best.value).value == pytest.approx(shown[1] / 0.3)


def test_points_above_stock_are_ignored():
    rng = np.random.default_rng(4)
    points, stock_w = a_club(rng, 12, 0.01)
    above = CurvePoints(
        np.concatenate([points.unit, np.arange(12)]),
        np.concatenate([points.power, np.full(12, 1.3)]),
        np.concatenate([points.performance, np.full(12, 1.9)]),
    )
    with_them = fit_power_curves(above, NOTHING, stock_w, np.random.default_rng(1))
    without = fit_power_curves(points, NOTHING, stock_w, np.random.default_rng(1))
    assert with_them.stock.performance.tolist() == without.stock.performance.tolist()


@pytest.mark.parametrize("units", [0, 1, FEWEST_UNITS - 1])
def test_fewer_than_five_units_have_no_curve(units):
    rng = np.random.default_rng(1)
    points, stock_w = a_club(rng, units, 0.01)
    fit = fit_power_curves(points, points, stock_w, rng)
    assert fit.stock is None
    assert fit.tuned is None


def test_every_point_of_a_curve_has_five_units():
    rng = np.random.default_rng(1)
    points, stock_w = a_club(rng, 12, 0.01)
    lonely = CurvePoints(
        np.append(points.unit, [0, 1]),
        np.append(points.power, [0.2, 0.21]),
        np.append(points.performance, [0.3, 0.3]),
    )
    fit = fit_power_curves(lonely, NOTHING, stock_w, rng)
    assert len(fit.stock.power) == 7
    assert fit.stock.power[0] > 0.35


def test_the_same_rng_and_units_give_the_same_bytes_in_any_order_of_points():
    points, stock_w = a_club(np.random.default_rng(7), 15, 0.03)
    order = np.random.default_rng(8).permutation(len(points.unit))
    mixed = CurvePoints(points.unit[order], points.power[order], points.performance[order])
    fits = [
        fit_power_curves(one, NOTHING, stock_w, np.random.default_rng(9)) for one in (points, mixed)
    ]
    assert fits[0].stock.drawn.tobytes() == fits[1].stock.drawn.tobytes()
    assert fits[0].stock_power_w.tobytes() == fits[1].stock_power_w.tobytes()
