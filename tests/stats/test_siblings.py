import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.limit_prior import VaguePrior
from kbapi.stats.scale import COUNT_OFFSET, VOLTAGE_OFFSET
from kbapi.stats.siblings import Level, Sibling, Siblings, sibling_prior, summarise_sibling
from tests.stats import slow
from tests.stats.makers import a_pool


def some(*means, units=100.0):
    return tuple(Sibling(mean, 3.0, units) for mean in means)


@given(st.lists(st.floats(40, 200), min_size=1, max_size=9), st.floats(0, 50))
def test_the_prior_for_the_next_chip_is_the_one_by_hand(means, own_units):
    prior = sibling_prior(Siblings(some(*means)), own_units, VOLTAGE_OFFSET).prior
    centre, sd = slow.next_chip(means, 12.0)
    assert (prior.mean.centre, prior.mean.sd) == (pytest.approx(centre), pytest.approx(sd))
    assert prior.log_sd.sd == pytest.approx(slow.next_chip([3.0] * len(means), 0.2)[1])
    assert prior.vague_mass == (0.30 if len(means) < 3 or own_units == 0 else 0.10)


def test_the_series_goes_before_the_line_and_the_line_before_nothing():
    series, line = some(100.0, 110.0, 120.0), some(90.0, 95.0)
    nearest = sibling_prior(Siblings(series, line), 5.0, VOLTAGE_OFFSET)
    assert (nearest.level, nearest.siblings, nearest.borrowed_units) == (Level.SERIES, 3, 300.0)
    farther = sibling_prior(Siblings((), line), 5.0, VOLTAGE_OFFSET)
    assert (farther.level, farther.siblings, farther.borrowed_units) == (Level.LINE, 2, 200.0)
    nobody = sibling_prior(Siblings(), 5.0, VOLTAGE_OFFSET)
    assert (nobody.level, nobody.prior, nobody.borrowed_units) == (Level.NONE, VaguePrior(), 0.0)


def test_a_chip_with_hardly_any_units_is_no_sibling():
    few = Siblings(some(100.0, units=9.9), some(90.0))
    assert sibling_prior(few, 5.0, VOLTAGE_OFFSET).level is Level.LINE


def test_counts_expect_a_fifth_of_the_spread_among_chips():
    prior = sibling_prior(Siblings(some(20.0, 22.0, 24.0)), 5.0, COUNT_OFFSET).prior
    assert prior.mean.sd == pytest.approx(slow.next_chip([20.0, 22.0, 24.0], 2.4)[1])


def test_a_sibling_is_told_by_its_own_units_alone():
    sibling = summarise_sibling(a_pool([(20, 21, 40.0), (22, 23, 40.0)]), 5.0, VOLTAGE_OFFSET)
    assert sibling.mean == pytest.approx(107.5, abs=3)
    assert sibling.units == 80.0
