"""Shifts of pairs: against enumeration, the book, scipy, and by laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import wilcoxon

from kbapi.stats.gains.gains import (
    MOST_UNITS_EXACT,
    chance_at_most,
    nth_walsh_averages,
    pool_run_noise,
    pool_shift,
    share_below,
)
from tests.stats import slow
from tests.stats.makers import VECTORS

VALUES = st.lists(st.integers(-40, 40).map(lambda n: n / 8), min_size=1, max_size=11)
CHANCES = {units: slow.signed_rank_chances(units) for units in range(1, 12)}


def test_the_published_pairs_give_the_published_estimate_and_interval():
    vector = VECTORS["hollander_wolfe_depression"]
    shift = pool_shift(np.array(vector["data"]["x"]) - np.array(vector["data"]["y"]))
    assert shift.estimate == pytest.approx(vector["answer"]["hodges_lehmann"], abs=1e-12)
    assert (shift.low, shift.high) == pytest.approx(vector["answer"]["ci95"], abs=1e-12)
    # V is symmetric between 0 and 45: V or more is as likely as 45 - V or less.
    assert chance_at_most(9, 45 - vector["answer"]["V"]) == vector["answer"]["p_greater"]


@given(VALUES, st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_estimate_and_interval_are_those_of_all_averages_written_down(values, confidence):
    shift = pool_shift(np.array(values), confidence)
    found = (shift.estimate, shift.low, shift.high, shift.attained_confidence)
    assert found == pytest.approx(slow.pooled_shift(values, confidence, CHANCES[len(values)]))


@pytest.mark.parametrize("units", [5, 12, 50, 200])
def test_the_distribution_of_the_statistic_is_scipys(units):
    differences = np.arange(1, units + 1) * np.where(np.arange(units) % 3 == 0, -1.0, 1.0)
    tested = wilcoxon(differences, method="exact")
    assert 2 * chance_at_most(units, int(tested.statistic)) == pytest.approx(tested.pvalue)


def test_the_normal_distribution_takes_over_without_a_jump():
    exact, normal = pool_shift_of(MOST_UNITS_EXACT), pool_shift_of(MOST_UNITS_EXACT + 1)
    assert exact.attained_confidence == pytest.approx(0.95, abs=2e-4)
    assert normal.attained_confidence == pytest.approx(0.95, abs=2e-4)
    assert normal.high - normal.low == pytest.approx(exact.high - exact.low, rel=0.02)


def pool_shift_of(units):
    return pool_shift(np.linspace(-1.0, 3.0, units))


def test_five_units_attain_fifteen_sixteenths_at_most_and_fewer_less():
    attained = [pool_shift(np.arange(float(n))).attained_confidence for n in range(1, 7)]
    assert attained == [0.0, 0.5, 0.75, 0.875, 0.9375, 0.96875]


@pytest.mark.parametrize("units", [3, 100, 400, 1000])
@pytest.mark.parametrize("decimals", [1, 9])
def test_averages_are_found_without_writing_all_of_them_down(units, decimals):
    values = np.sort(np.random.default_rng(units).normal(0, 1, units).round(decimals))
    written = slow.walsh_averages(values.tolist())
    places = (1, 2, len(written) // 3 + 1, len(written) // 2 + 1, len(written))
    found = nth_walsh_averages(values, places)
    assert found == pytest.approx([written[place - 1] for place in places], abs=1e-14)


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
