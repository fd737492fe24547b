import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.estimate.siblings import (
    Level,
    Reading,
    Sibling,
    Siblings,
    sibling_agreement,
    sibling_prior,
    summarise_sibling,
)
from kbapi.stats.estimate.small_sample import NO_POSTERIOR, Shape, VaguePrior, fit_sev
from kbapi.stats.scale import COUNT_OFFSET, VOLTAGE_OFFSET
from kbapi.stats.start.pool import fit_pool, likelihood_trust
from kbapi.stats.start.start import share_depth
from tests.stats import slow
from tests.stats.makers import a_pool


def some(*means, units=100.0):
    return tuple(Sibling(mean, 3.0, units) for mean in means)


def shaped(mean, normal, largest):
    """A sibling with the log evidence of two more shapes."""
    return Sibling(
        mean,
        3.0,
        100.0,
        (
            Reading(Shape.NORMAL, mean + 1, 2.9, normal),
            Reading(Shape.LARGEST_EXTREME, mean + 2, 2.8, largest),
        ),
    )


@given(st.lists(st.floats(40, 200), min_size=1, max_size=9))
def test_the_prior_for_the_next_chip_is_the_one_by_hand(means):
    (only,) = sibling_prior(Siblings(some(*means)), VOLTAGE_OFFSET).shapes
    centre, sd = slow.next_chip(means, 12.0, least_sd=15.6)
    assert (only.prior.mean.centre, only.prior.mean.sd) == (
        pytest.approx(centre),
        pytest.approx(sd),
    )
    assert only.prior.log_sd.sd == pytest.approx(slow.next_chip([3.0] * len(means), 0.2)[1])
    assert only.prior.vague_mass == pytest.approx(0.30 if len(means) < 3 else 0.04)
    assert only.chance == 1.0


def test_the_series_goes_before_the_line_and_the_line_before_nothing():
    series, line = some(100.0, 110.0, 120.0), some(90.0, 95.0)
    nearest = sibling_prior(Siblings(series, line), VOLTAGE_OFFSET)
    assert (nearest.level, nearest.siblings, nearest.borrowed_units) == (Level.SERIES, 3, 300.0)
    farther = sibling_prior(Siblings((), line), VOLTAGE_OFFSET)
    assert (farther.level, farther.siblings, farther.borrowed_units) == (Level.LINE, 2, 200.0)
    without_token = sibling_prior(Siblings(), VOLTAGE_OFFSET)
    assert (without_token.level, without_token.shapes, without_token.borrowed_units) == (
        Level.NONE,
        NO_POSTERIOR,
        0.0,
    )


def test_a_chip_with_hardly_any_units_is_no_sibling():
    few = Siblings(some(100.0, units=9.9), some(90.0))
    assert sibling_prior(few, VOLTAGE_OFFSET).level is Level.LINE


def test_counts_expect_a_fifth_of_the_spread_among_chips():
    (only,) = sibling_prior(Siblings(some(20.0, 22.0, 24.0)), COUNT_OFFSET).shapes
    assert only.prior.mean.sd == pytest.approx(slow.next_chip([20.0, 22.0, 24.0], 2.4, 3.12)[1])


def test_the_shapes_chances_are_the_product_over_the_siblings_by_hand():
    series = (shaped(100.0, 0.5, -1.0), shaped(110.0, 0.7, -0.5), shaped(120.0, -0.2, 0.5))
    priors = sibling_prior(Siblings(series), VOLTAGE_OFFSET).shapes
    likelihood = np.exp([0.0, 1.0, -1.0])
    chance = 0.96 * likelihood / likelihood.sum()
    assert [p.shape for p in priors] == list(Shape)
    assert [p.chance for p in priors] == pytest.approx([chance[0] + 0.04, *chance[1:]])
    assert priors[0].chance * priors[0].prior.vague_mass == pytest.approx(0.04)
    assert [p.prior.vague_mass for p in priors[1:]] == [0.0, 0.0]
    assert [p.prior.mean.centre for p in priors] == pytest.approx([110.0, 111.0, 112.0])


def test_an_unlikely_shape_is_left_out_but_the_vague_mass_stays():
    series = tuple(shaped(mean, -40.0, 60.0) for mean in (100.0, 110.0, 120.0))
    first, other = sibling_prior(Siblings(series), VOLTAGE_OFFSET).shapes
    assert other.shape is Shape.LARGEST_EXTREME
    assert other.chance == pytest.approx(0.96)
    assert (first.chance, first.prior.vague_mass) == (pytest.approx(0.04), pytest.approx(1.0))


def test_a_shape_that_one_sibling_lacks_has_no_prior():
    series = (*some(100.0, 110.0), shaped(105.0, 50.0, 50.0))
    assert [p.shape for p in sibling_prior(Siblings(series), VOLTAGE_OFFSET).shapes] == [
        Shape.SMALLEST_EXTREME
    ]


def test_the_summary_of_a_sibling_uses_only_its_own_units():
    sibling = summarise_sibling(a_pool([(20, 21, 40.0), (22, 23, 40.0)]), 5.0, VOLTAGE_OFFSET)
    assert sibling.mean == pytest.approx(107.5, abs=3)
    assert sibling.units == 80.0
    assert [reading.shape for reading in sibling.readings()] == list(Shape)


@pytest.mark.parametrize(
    ("shape", "limit"),
    [
        (Shape.SMALLEST_EXTREME, lambda e: 120 + 15 * np.log(e)),
        (Shape.LARGEST_EXTREME, lambda e: 90 - 15 * np.log(e)),
    ],
)
def test_the_units_of_a_sibling_determine_its_shape(shape, limit):
    steps = np.floor(limit(np.random.default_rng(3).exponential(size=400))).astype(int)
    pool = a_pool([(int(t), int(t) + 1, 1.0) for t in steps if t > 0])
    readings = summarise_sibling(pool, 1.0, VOLTAGE_OFFSET).readings()
    assert max(readings, key=lambda reading: reading.log_evidence).shape is shape


def test_own_units_far_from_the_siblings_agree_less_and_none_at_all_agree():
    siblings = Siblings(some(100.0, 110.0, 120.0))
    prior = sibling_prior(siblings, VOLTAGE_OFFSET)
    fits = [
        fit_sev(a_pool([(t, t + 1, 10.0), (t + 2, t + 3, 10.0)]), 5.0, VOLTAGE_OFFSET, VaguePrior())
        for t in (21, 17, 13, 9)
    ]
    agreement = [sibling_agreement(prior, fit) for fit in fits]
    assert agreement == sorted(agreement, reverse=True)
    assert agreement[0] > 0.8
    assert agreement[-1] < 0.01
    without_token = a_pool([(0, 1 << 30, 1.0)])
    assert fit_pool(without_token, siblings, 5.0, VOLTAGE_OFFSET).agreement == 1.0
    assert fit_pool(a_pool([(9, 10, 9.0)]), Siblings(), 5.0, VOLTAGE_OFFSET).agreement == 1.0


@pytest.mark.parametrize("units", [0.0, 1e-6, 5.0, 60.0, 140.0, 1e6])
def test_the_power_of_the_likelihood_is_the_one_by_hand(units):
    alone = sibling_prior(Siblings(), VOLTAGE_OFFSET)
    beside = sibling_prior(Siblings(some(100.0)), VOLTAGE_OFFSET)
    assert likelihood_trust(units, alone) == pytest.approx(slow.trust(units, siblings=False))
    assert likelihood_trust(units, beside) == pytest.approx(slow.trust(units, siblings=True))


def test_a_few_shallow_reports_do_not_change_a_shape_that_siblings_determine():
    deep = tuple(shaped(110.0, 5.0, 40.0) for _ in range(4))
    limits = [(16 + place % 12, 17 + place % 12, 1.0) for place in range(80)]
    stray = [(3 + place, 4 + place, 1.0) for place in range(3)]

    def depth(rows):
        bound = fit_pool(a_pool(rows), Siblings(deep), 5.0, VOLTAGE_OFFSET).bound
        return share_depth(bound, 0.9, 0.95).steps

    assert abs(depth([*limits, *stray]) - depth(limits)) <= 1
