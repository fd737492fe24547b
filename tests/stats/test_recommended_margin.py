from fractions import Fraction

import numpy as np
import pytest

from kbapi.stats.intervals import Grid
from kbapi.stats.search.chances import (
    FALSE_FAILURE,
    LimitChances,
    Run,
    chances_of_unit,
    missed_failure,
)
from kbapi.stats.search.recommended_margin import (
    RecommendedMargin,
    recommended_margin,
    setting_in_use,
)


def margin_of(*bands):
    """The margin from (failed, stable) units in each band of 10, 20 and 30 mV."""
    failed = np.concatenate([np.repeat([True, False], band) for band in bands])
    place = np.repeat(np.arange(len(bands)), [sum(band) for band in bands])
    days = np.full(len(failed), 100)
    days[failed] = 40
    return recommended_margin(days, failed, np.ones(len(failed)), place, (10.0, 20.0, 30.0))


@pytest.mark.parametrize(
    ("bands", "margin", "source"),
    [
        (((0, 0), (0, 0), (0, 0)), 10.0, "default"),
        (((0, 58), (0, 0), (0, 0)), 10.0, "default"),
        (((0, 59), (0, 0), (0, 0)), 10.0, "learned"),
        (((0, 20), (0, 59), (0, 0)), 20.0, "learned"),
        (((12, 20), (0, 20), (0, 0)), 20.0, "default_failed"),
        (((12, 20), (12, 20), (0, 0)), 30.0, "default_failed"),
        (((12, 20), (12, 20), (12, 20)), 30.0, "default_failed"),
        # A few lucky machines of a narrow margin do not outweigh many of a wider one.
        (((0, 20), (20, 90), (0, 0)), 30.0, "default_failed"),
        (((0, 59), (20, 90), (0, 200)), 30.0, "learned"),
        # Many of a wider margin do not vouch for a narrow one.
        (((0, 5), (2, 300), (0, 0)), 20.0, "learned"),
    ],
)
def test_a_margin_is_learned_when_its_bound_reaches_the_wanted_share(bands, margin, source):
    found = margin_of(*bands)
    assert (found.margin, found.source) == (margin, source)


def test_the_chance_of_a_band_belongs_to_its_mean_margin_not_to_its_end():
    kept = np.concatenate([np.full(30, 4.0), np.full(30, 8.0), np.full(60, 16.0)])
    failed = (np.arange(120) < 60) & (np.arange(120) % 10 == 0)
    days = np.where(failed, 40, 100)
    place = np.repeat([0, 1], 60)
    of_ends, of_means = (
        recommended_margin(days, failed, np.ones(120), place, (10.0, 20.0), kept=one)
        for one in (None, kept)
    )
    assert [margin for margin, _ in of_ends.curve] == [10.0, 20.0]
    assert [margin for margin, _ in of_means.curve] == [6.0, 16.0]
    assert [chance for _, chance in of_means.curve] == [chance for _, chance in of_ends.curve]
    assert (of_means.margin, of_means.source) == (of_ends.margin, of_ends.source)
    # The same survival with less margin allows a deeper setting.
    unit = a_unit(100, 40)
    shallow, deep = (setting_in_use(unit, one, COUNTS).steps for one in (of_ends, of_means))
    assert deep > shallow


FINE, COUNTS = Grid(Fraction(125, 128)), Grid(Fraction(1))


def a_unit(stable, width, is_open=False):
    return LimitChances(stable, np.full(width, 1 / width), is_open)


@pytest.mark.parametrize(
    ("grid", "passed", "margin", "in_use", "reason"),
    [
        (FINE, 84, 10.0, 73, "usual_margin"),
        (COUNTS, 20, 2.0, 18, "usual_margin"),
        (COUNTS, 3, 2.0, 2, "half_of_proven"),
        (COUNTS, 1, 2.0, 0, "half_of_proven"),
        (FINE, 15, 10.0, 9, "half_of_proven"),
        (FINE, 0, 10.0, 0, "usual_margin"),
    ],
)
def test_with_too_few_follow_ups_the_usual_margin_is_kept_down_to_half_of_a_pass(
    grid, passed, margin, in_use, reason
):
    found = setting_in_use(a_unit(passed, 5), RecommendedMargin(margin, "default", None), grid)
    assert (found.steps, found.reason.value, found.survival) == (in_use, reason, None)


@pytest.mark.parametrize("curve", [(), ((10.0, 0.4), (30.0, 0.6))])
@pytest.mark.parametrize("passed", [35, 52, 133])
def test_what_follow_ups_of_the_chip_itself_rule_out_is_never_allowed_as_half_of_a_pass(
    passed, curve
):
    own = RecommendedMargin(30.0, "default_failed", None, curve, is_of_chip=True)
    found = setting_in_use(a_unit(passed, 5), own, FINE)
    assert FINE.below_stock(passed - found.steps) >= 30
    assert found.reason.value == ("survival" if curve else "wider_margin")


def test_half_of_a_pass_is_allowed_where_follow_ups_of_the_chip_rule_nothing_out():
    own = RecommendedMargin(10.0, "default", None, ((10.0, 0.9),), is_of_chip=True)
    found = setting_in_use(a_unit(15, 5), own, FINE)
    assert (found.steps, found.reason.value) == (9, "half_of_proven")


@pytest.mark.parametrize("width", [5, 60])
@pytest.mark.parametrize(
    ("bands", "margin"),
    [
        (((0, 21), (0, 0), (0, 0)), 10.0),
        (((1, 21), (0, 0), (0, 0)), 10.0),
        (((12, 20), (0, 40), (0, 0)), 20.0),
    ],
)
def test_a_margin_that_is_not_learned_is_kept_from_the_deepest_pass(bands, margin, width):
    without = setting_in_use(
        a_unit(82, width, is_open=True), RecommendedMargin(margin, "default", None), FINE
    )
    found = setting_in_use(a_unit(82, width, is_open=True), margin_of(*bands), FINE)
    assert found.steps <= without.steps


def test_a_margin_that_is_not_learned_is_explained_by_what_follow_ups_show():
    reasons = [
        setting_in_use(a_unit(82, 60), margin_of(*bands), FINE).reason.value
        for bands in (
            ((0, 21), (0, 0), (0, 0)),
            ((12, 20), (0, 40), (0, 0)),
            ((0, 70), (0, 0), (0, 0)),
        )
    ]
    assert reasons == ["usual_margin", "wider_margin", "survival"]


def test_a_lucky_narrow_margin_does_not_outweigh_many_machines_of_a_wider_one():
    found = setting_in_use(a_unit(100, 1), margin_of((0, 22), (31, 471), (0, 0)), FINE)
    assert FINE.below_stock(100 - found.steps) >= 20


@pytest.mark.parametrize(
    ("narrow", "share"),
    [((0, 21), 0.05 ** (1 / 21)), ((0, 58), 0.05 ** (1 / 58)), ((1, 58), 59 / 61)],
)
def test_below_a_learned_margin_few_machines_count_by_their_lower_bound(narrow, share):
    found = margin_of(narrow, (0, 0), (0, 300))
    assert (found.margin, found.source) == (30.0, "learned")
    assert found.curve[0] == (10.0, pytest.approx(share))


@pytest.mark.parametrize("minutes", [1.0, 20.0, 240.0])
def test_a_pass_that_may_be_false_is_part_of_the_survival(minutes):
    rng, curve = np.random.default_rng(4), ((10.0, 0.99),)
    limits = np.clip(np.rint(rng.normal(120, 15, 400_000)), 0, 250).astype(int)
    mass = np.bincount(limits, minlength=251) / len(limits)
    unit = chances_of_unit(mass, 120, 1 << 30, [Run(120, minutes, is_stable=True)])
    found = setting_in_use(unit, RecommendedMargin(10.0, "learned", None, curve), COUNTS)
    # Machines of which one run passed, and whose limit then moves toward stock.
    passes = np.where(limits >= 120, 1.0 - FALSE_FAILURE, missed_failure(minutes))
    passed = limits[rng.random(len(limits)) < passes]
    moved = rng.exponential(-10.0 / np.log(0.01), len(passed))
    stays = [np.mean(passed - steps >= moved) for steps in (found.steps, found.steps + 1)]
    assert found.survival == pytest.approx(stays[0], abs=0.004)
    assert stays[0] >= 0.946
    assert stays[1] < 0.954


@pytest.mark.parametrize("passed", [35, 133])
def test_follow_ups_of_related_chips_never_ask_for_more_than_half_of_a_pass(passed):
    curve = ((10.0, 0.4), (30.0, 0.6))
    wide = RecommendedMargin(30.0, "default_failed", None, curve)
    related = setting_in_use(a_unit(passed, 5), wide, FINE)
    assert FINE.enter(related.steps) * 2 >= FINE.below_stock(passed)
    own = RecommendedMargin(30.0, "default_failed", None, curve, is_of_chip=True)
    assert setting_in_use(a_unit(passed, 5), own, FINE).steps < related.steps


@pytest.mark.parametrize("width", [5, 40])
@pytest.mark.parametrize(
    "curve", [((10.0, 0.96),), ((10.0, 0.99),), ((10.0, 0.8), (20.0, 0.97), (30.0, 0.95))]
)
def test_the_setting_in_use_is_the_deepest_that_stays_stable_on_simulated_machines(width, curve):
    unit, rng = a_unit(100, width), np.random.default_rng(3)
    found = setting_in_use(unit, RecommendedMargin(10.0, "learned", None, curve), FINE)
    # The limit of a machine moves toward stock in 90 days, by a distance of which the curve gives
    # the chances: drawn by bisection of the curve itself.
    chance = rng.random(200_000)
    failing = np.minimum.accumulate([1.0, *(1.0 - share for _, share in curve)])
    margins = np.array([0.0, *(margin for margin, _ in curve)])
    moved_mv = np.interp(-np.log(chance), -np.log(failing), margins)
    rate = -np.log(failing[-1]) / margins[-1]
    moved_mv += np.maximum(-np.log(chance) + np.log(failing[-1]), 0.0) / rate
    limit = 100 + rng.integers(0, width, 200_000)
    stays = [
        np.mean((limit - steps) * float(FINE.step) >= moved_mv)
        for steps in (found.steps, found.steps + 1)
    ]
    assert found.survival == pytest.approx(stays[0], abs=0.004)
    assert stays[0] >= 0.946
    assert found.steps == 100 or stays[1] < 0.954
    assert found.steps <= 100


def test_a_search_that_ended_far_short_of_the_limit_needs_less_margin():
    margin = RecommendedMargin(10.0, "learned", None, ((10.0, 0.97),))
    near, far = (setting_in_use(a_unit(90, width), margin, FINE).steps for width in (5, 60))
    assert near < far <= 90


def test_a_margin_has_a_curve_from_twenty_machines_on():
    assert margin_of((0, 19), (0, 0), (0, 0)).curve == ()
    found = margin_of((1, 19), (0, 40), (0, 5)).curve
    assert found == ((10.0, pytest.approx(20 / 22)), (20.0, pytest.approx(41 / 42)))
