"""Shifts of pairs: against counts of coins, scipy, and by laws; own runs against scipy."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.stats import quantile_test, ttest_ind

from kbapi.stats.gains.gains import (
    FEWEST_RUNS,
    compare_runs,
    pool_run_noise,
    pool_shift,
    share_below,
)
from tests.stats import slow
from tests.stats.makers import VECTORS

VALUES = st.lists(st.integers(-40, 40).map(lambda n: n / 8), min_size=1, max_size=11)


def test_published_pairs_give_the_median_between_the_second_and_the_eighth():
    data = VECTORS["hollander_wolfe_depression"]["data"]
    shift = pool_shift(np.array(data["x"]) - np.array(data["y"]))
    assert (shift.low, shift.estimate, shift.high) == pytest.approx((-0.080, 0.490, 0.952))
    # Nine coins: none or one head on either side leaves 1 - 2 * 10 / 512; two pairs got worse.
    assert shift.attained_confidence == 1 - 20 / 512
    assert shift.p_value == 2 * (1 + 9 + 36) / 512


@given(VALUES, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_estimate_interval_and_p_value_are_those_of_counted_coins(values, confidence):
    shift = pool_shift(np.array(values), confidence)
    found = (shift.estimate, shift.low, shift.high, shift.attained_confidence, shift.p_value)
    assert found == pytest.approx(slow.pooled_shift(values, confidence))


@pytest.mark.parametrize("units", [8, 20, 60, 400, 3000])
def test_interval_and_p_value_are_scipys_for_a_median(units):
    values = np.random.default_rng(units).exponential(1.0, units) - 0.6
    tested = quantile_test(values, q=0.0, p=0.5)
    interval = tested.confidence_interval(0.95)
    shift = pool_shift(values)
    assert (shift.low, shift.high) == (interval.low, interval.high)
    assert shift.p_value == pytest.approx(tested.pvalue)


def test_five_units_attain_fifteen_sixteenths_at_most_and_fewer_less():
    attained = [pool_shift(np.arange(float(n))).attained_confidence for n in range(1, 7)]
    assert attained == [0.0, 0.5, 0.75, 0.875, 0.9375, 0.96875]


def test_units_that_did_not_change_count_against_a_change():
    assert pool_shift(np.array([1.0, 1, 1, 1, 1, 1, 0])).p_value == 2 * 8 / 128
    assert pool_shift(np.zeros(9)).p_value == 1.0


def test_many_equal_units_have_no_width():
    shift = pool_shift(np.full(3000, 0.25))
    assert (shift.low, shift.estimate, shift.high) == (0.25, 0.25, 0.25)


@given(VALUES, st.integers(-8, 8))
def test_order_does_not_matter_and_adding_to_all_adds_to_the_shift(values, added):
    shift = pool_shift(np.array(values))
    again = pool_shift(np.array(values[::-1]) + added)
    for name in ("estimate", "low", "high"):
        assert getattr(again, name) == pytest.approx(getattr(shift, name) + added)
    mirrored = pool_shift(-np.array(values))
    assert (mirrored.low, mirrored.high) == pytest.approx((-shift.high, -shift.low))


def test_no_unit_has_no_shift():
    with pytest.raises(ValueError, match="no unit"):
        pool_shift(np.zeros(0))


def test_the_noise_of_one_run_is_learnt_from_means_of_several():
    rng = np.random.default_rng(5)
    units, readings = 400, 3
    runs = rng.integers(1, 6, units * readings).astype(float)
    group = np.repeat(np.arange(units), readings)
    values = rng.normal(0, 1, units)[group] + rng.normal(0, 0.02 / np.sqrt(runs))
    noise = pool_run_noise(values, runs, group)
    assert noise.sd == pytest.approx(0.02, rel=0.05)
    assert noise.groups == units
    single, threes = (noise.of_one_pair(np.full(9, n), np.full(9, n)) for n in (1.0, 3.0))
    assert single == pytest.approx(1.96 * 0.02 * np.sqrt(2), rel=0.05)
    assert threes == pytest.approx(single / np.sqrt(3))


def test_the_noise_of_a_group_of_half_weight_counts_half():
    values, group = np.array([1.0, 3.0, 5.0, 5.0, 7.0, 7.0]), np.array([0, 0, 1, 1, 2, 2])
    weight = np.array([1.0, 1.0, 0.5, 0.5, 0.5, 0.5])
    once = pool_run_noise(values[:4], np.ones(4), group[:4])
    halves = pool_run_noise(values, np.ones(6), group, weight)
    assert halves.sd == once.sd == 1.0
    assert pool_run_noise(values, np.ones(6), group).sd == pytest.approx(np.sqrt(2 / 3))


@pytest.mark.parametrize("readings", [0, 1, 5])
def test_without_repeats_there_is_no_noise_to_learn(readings):
    assert pool_run_noise(np.ones(readings), np.ones(readings), np.arange(readings)) is None


@given(VALUES, st.integers(-40, 40).map(lambda n: n / 8))
def test_the_share_below_and_the_share_above_make_one(values, own):
    pool = np.array(values)
    assert share_below(pool, own) + share_below(-pool, -own) == pytest.approx(1.0)


RUNS = st.lists(st.integers(380, 420).map(lambda n: n / 10), min_size=3, max_size=7)


@given(RUNS, RUNS)
@example([38.0, 38.0, 38.1, 38.1], [38.1, 38.3, 38.4])  # p = 0.045
def test_own_runs_are_compared_as_scipy_compares_two_means(stock, tuned):
    compared = compare_runs(np.array(stock), np.array(tuned))
    assert compared.change == pytest.approx(np.mean(tuned) - np.mean(stock))
    if min(len(set(stock)), len(set(tuned))) > 1:
        pvalue = ttest_ind(tuned, stock).pvalue
        is_larger = abs(compared.change) > compared.noise
        assert is_larger == (pvalue < 0.04) or pvalue == pytest.approx(0.04)


def test_own_runs_without_spread_have_no_noise():
    compared = compare_runs(np.full(3, 41.0), np.full(4, 41.5))
    assert (compared.change, compared.noise) == (0.5, 0.0)
    assert compare_runs(np.full(3, 41.0), np.full(4, 41.0)).change == 0.0


@pytest.mark.parametrize("few", range(1, FEWEST_RUNS))
def test_fewer_than_three_own_runs_have_no_noise(few):
    for runs in ((few, 9), (9, few)):
        compared = compare_runs(np.zeros(runs[0]), np.ones(runs[1]))
        assert (compared.change, compared.noise) == (1.0, None)
