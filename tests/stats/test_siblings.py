import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.siblings import (
    Level,
    Reading,
    Sibling,
    Siblings,
    sibling_agreement,
    sibling_prior,
    summarise_sibling,
    vague_share,
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


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.floats(40, 200), st.floats(0, 20)), min_size=1, max_size=9))
def test_the_prior_for_the_next_chip_agrees_with_a_fine_sum(read):
    means, errors = [mean for mean, _ in read], [error for _, error in read]
    chips = tuple(Sibling(mean, 3.0, 100.0, mean_error=error) for mean, error in read)
    found = sibling_prior(Siblings(chips), VOLTAGE_OFFSET)
    bell = found.weak_tail
    centre, sd = slow.next_chip(means, errors, 13.0, 2.4)
    assert bell.mean.centre == pytest.approx(centre, abs=0.2)
    assert bell.mean.sd == pytest.approx(sd, rel=0.02)
    alike = [3.0] * len(means)
    assert bell.log_sd.sd == pytest.approx(
        slow.next_chip(alike, [0.0] * len(means), 0.14, 0.03)[1], rel=0.02
    )
    assert found.vague_share == (0.30 if len(means) < 3 else 0.04)
    assert [(p.shape, p.chance) for p in found.shapes[1:]] == [
        (Shape.SMALLEST_EXTREME, pytest.approx(1.0 - found.vague_share))
    ]


def test_the_spread_between_chips_is_learned_but_has_a_least_size():
    def spread(*means):
        return sibling_prior(Siblings(some(*means)), VOLTAGE_OFFSET).weak_tail.mean.sd

    assert spread(*[110.0] * 8) == pytest.approx(15.3, abs=0.1)
    assert (
        spread(*[110.0] * 4) < spread(90.0, 100.0, 120.0, 130.0) < spread(50.0, 90.0, 130.0, 170.0)
    )
    assert spread(*[50.0, 90.0, 130.0, 170.0] * 2) == pytest.approx(45.0, rel=0.2)


def test_a_sibling_that_is_known_badly_moves_the_centre_less():
    sure = Sibling(100.0, 3.0, 100.0, mean_error=1.0)

    def centre(error):
        chips = (sure, sure, sure, Sibling(140.0, 3.0, 5.0, mean_error=error))
        return sibling_prior(Siblings(chips), VOLTAGE_OFFSET).weak_tail.mean.centre

    assert centre(1.0) == pytest.approx(110.0, abs=0.1)
    assert centre(40.0) < 104.0


@given(st.permutations(range(5)))
def test_the_order_of_siblings_does_not_matter(order):
    chips = [
        Sibling(80.0 + 9 * place**2, 3.0 + place / 9, 20.0 + place, mean_error=float(place))
        for place in range(5)
    ]
    usual = sibling_prior(Siblings(tuple(chips)), VOLTAGE_OFFSET).weak_tail
    other = sibling_prior(Siblings(tuple(chips[place] for place in order)), VOLTAGE_OFFSET)
    assert other.weak_tail.mean.centre == pytest.approx(usual.mean.centre)
    assert other.weak_tail.mean.sd == pytest.approx(usual.mean.sd)


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


@pytest.mark.parametrize(
    "read",
    [
        [(90.0, 2.0), (110.0, 0.0), (130.0, 5.0)],
        [(60.0, 8.0), (140.0, 1.0), (100.0, 3.0), (95.0, 0.5)],
        [(110.0, 1.0)] * 8,
        [(40.0, 20.0), (200.0, 0.0), (45.0, 3.0), (170.0, 1.0), (90.0, 2.0), (120.0, 9.0)],
    ],
)
def test_the_prior_of_all_chips_agrees_with_a_fine_sum(read):
    means, errors = [mean for mean, _ in read], [error for _, error in read]
    lines = tuple(Sibling(mean, 3.0, 100.0, mean_error=error) for mean, error in read)
    found = sibling_prior(Siblings(all_chips=lines), VOLTAGE_OFFSET)
    centre, sd = slow.next_chip(means, errors, 13.0, 21.0)
    assert found.weak_tail.mean.centre == pytest.approx(centre, abs=0.5)
    assert found.weak_tail.mean.sd == pytest.approx(sd, rel=0.02)
    alike = [3.0] * len(means)
    of_log = slow.next_chip(alike, [0.0] * len(means), 0.14, 0.1)[1]
    assert found.weak_tail.log_sd.sd == pytest.approx(of_log, rel=0.02)
    assert (found.level, found.vague_share) == (Level.ALL_CHIPS, 0.04)
    backwards = sibling_prior(Siblings(all_chips=lines[::-1]), VOLTAGE_OFFSET)
    assert backwards.weak_tail.mean.centre == pytest.approx(found.weak_tail.mean.centre)


def test_all_chips_are_asked_last_and_need_three_lines():
    lines = some(90.0, 110.0, 130.0)
    for nearer in (Siblings(lines[:1], (), lines), Siblings((), lines[:1], lines)):
        assert sibling_prior(nearer, VOLTAGE_OFFSET).siblings == 1
    assert sibling_prior(Siblings(all_chips=lines), VOLTAGE_OFFSET).level is Level.ALL_CHIPS
    alone = sibling_prior(Siblings(all_chips=lines[:2]), VOLTAGE_OFFSET)
    assert alone == sibling_prior(Siblings(), VOLTAGE_OFFSET)


def test_lines_are_expected_to_differ_more_than_chips_of_a_line():
    chips = some(105.0, 110.0, 110.0, 115.0)
    of_line, of_all = (
        sibling_prior(one, VOLTAGE_OFFSET).weak_tail
        for one in (Siblings(line=chips), Siblings(all_chips=chips))
    )
    assert of_all.mean.centre == pytest.approx(of_line.mean.centre, abs=0.1)
    assert of_all.mean.sd > 1.3 * of_line.mean.sd
    assert of_all.log_sd.sd > of_line.log_sd.sd


def test_counts_expect_a_fifth_of_the_spread_among_chips():
    found = sibling_prior(Siblings(some(20.0, 22.0, 24.0)), COUNT_OFFSET)
    expected = slow.next_chip([20.0, 22.0, 24.0], [0.0] * 3, 2.6, 0.48)[1]
    assert found.weak_tail.mean.sd == pytest.approx(expected, rel=0.02)


def test_the_shapes_chances_are_the_product_over_the_siblings_by_hand():
    series = (shaped(100.0, 0.5, -1.0), shaped(110.0, 0.7, -0.5), shaped(120.0, -0.2, 0.5))
    vague, *priors = sibling_prior(Siblings(series), VOLTAGE_OFFSET).shapes
    likelihood = np.exp([0.0, 1.0, -1.0])
    assert [p.shape for p in priors] == list(Shape)
    assert [p.chance for p in priors] == pytest.approx(0.96 * likelihood / likelihood.sum())
    assert (vague.chance, vague.prior) == (0.04, VaguePrior())
    assert [p.prior.mean.centre for p in priors] == pytest.approx([110.0, 111.0, 112.0])


def test_an_unlikely_shape_is_left_out_but_the_vague_part_stays():
    series = tuple(shaped(mean, -40.0, 60.0) for mean in (100.0, 110.0, 120.0))
    found = sibling_prior(Siblings(series), VOLTAGE_OFFSET)
    vague, other = found.shapes
    assert (vague.chance, vague.prior) == (0.04, VaguePrior())
    assert (other.shape, other.chance) == (Shape.LARGEST_EXTREME, pytest.approx(0.96))
    assert found.weak_tail.mean.centre == pytest.approx(110.0)


def test_a_shape_that_one_sibling_lacks_has_no_prior():
    series = (*some(100.0, 110.0), shaped(105.0, 50.0, 50.0))
    assert [p.shape for p in sibling_prior(Siblings(series), VOLTAGE_OFFSET).shapes[1:]] == [
        Shape.SMALLEST_EXTREME
    ]


def alone_at(*steps, weight=1.0):
    pool = a_pool([(step, step + 1, weight) for step in steps])
    return fit_sev(pool, 5.0, VOLTAGE_OFFSET, VaguePrior())


def test_the_vague_part_grows_where_own_units_contradict_the_siblings():
    prior = sibling_prior(Siblings(some(110.0, 114.0, 118.0)), VOLTAGE_OFFSET)
    shares = [
        vague_share(prior, alone_at(at, at + 2, at + 4), 3.0, VOLTAGE_OFFSET)
        for at in (20, 14, 9, 4)
    ]
    assert shares == sorted(shares)
    assert shares[0] == 0.06
    assert shares[-1] > 0.9


def test_the_vague_part_is_weighed_by_the_marginal_likelihoods():
    prior = sibling_prior(Siblings(some(110.0, 114.0, 118.0)), VOLTAGE_OFFSET)
    pool = a_pool([(8, 9, 1.0), (10, 11, 1.0)])
    alone = fit_sev(pool, 5.0, VOLTAGE_OFFSET, VaguePrior())
    informed = fit_sev(pool, 5.0, VOLTAGE_OFFSET, prior.weak_tail)
    odds = 0.04 / 0.96 * np.exp(alone.log_evidence - informed.log_evidence)
    assert vague_share(prior, alone, 2.0, VOLTAGE_OFFSET) == pytest.approx(
        odds / (1.0 + odds), rel=0.1
    )


@pytest.mark.parametrize(("units", "least"), [(0.0, 0.04), (1.5, 0.05), (3.0, 0.06), (80.0, 0.06)])
def test_the_vague_part_keeps_a_least_share_beside_own_units(units, least):
    prior = sibling_prior(Siblings(some(110.0, 114.0, 118.0)), VOLTAGE_OFFSET)
    assert vague_share(prior, alone_at(22, 23), units, VOLTAGE_OFFSET) == pytest.approx(least)


def test_without_siblings_all_is_vague():
    prior = sibling_prior(Siblings(), VOLTAGE_OFFSET)
    assert vague_share(prior, alone_at(20), 1.0, VOLTAGE_OFFSET) == 1.0


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
