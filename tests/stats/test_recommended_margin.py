from fractions import Fraction

import numpy as np
import pytest

from kbapi.stats.intervals import Grid
from kbapi.stats.search.chances import LimitChances
from kbapi.stats.search.recommended_margin import (
    RecommendedMargin,
    recommended_margin,
    setting_in_use,
)
from kbapi.stats.time.survival import SurvivalShare


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
    ],
)
def test_a_margin_is_learned_when_its_bound_reaches_the_wanted_share(bands, margin, source):
    found = margin_of(*bands)
    assert (found.margin, found.source) == (margin, source)


FINE, COUNTS = Grid(Fraction(125, 128)), Grid(Fraction(1))


def a_unit(stable, width, is_open=False):
    return LimitChances(stable, np.full(width, 1 / width), is_open)


def shown(share, known):
    return SurvivalShare(90, share, 0.0, share, share, 0.9, share * known, known)


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


@pytest.mark.parametrize("passed", [35, 133])
def test_follow_ups_of_related_chips_never_ask_for_more_than_half_of_a_pass(passed):
    wide = RecommendedMargin(30.0, "default_failed", shown(0.6, 30.0))
    related = setting_in_use(a_unit(passed, 5), wide, FINE)
    assert FINE.enter(related.steps) * 2 >= FINE.below_stock(passed)
    own = RecommendedMargin(30.0, "default_failed", shown(0.6, 30.0), is_of_chip=True)
    assert setting_in_use(a_unit(passed, 5), own, FINE).steps < related.steps


@pytest.mark.parametrize("width", [5, 40])
@pytest.mark.parametrize("share", [0.96, 0.99, 1.0])
def test_the_setting_in_use_is_the_deepest_that_lasts_on_simulated_machines(width, share):
    unit, rng = a_unit(100, width), np.random.default_rng(3)
    margin = RecommendedMargin(10.0, "learned", shown(share, 200.0))
    found = setting_in_use(unit, margin, FINE)
    expected = (share * 200 + 1) / 202
    # The limit of a machine moves toward stock by an exponential distance in 90 days.
    moved_mv = rng.exponential(10.0 / -np.log(1 - expected), 400_000)
    limit = 100 + rng.integers(0, width, 400_000)
    lasts = [
        np.mean((limit - steps) * float(FINE.step) > moved_mv)
        for steps in (found.steps, found.steps + 1)
    ]
    assert found.survival == pytest.approx(lasts[0], abs=0.003)
    assert lasts[0] >= 0.947
    assert found.steps == 100 or lasts[1] < 0.953
    assert found.steps <= 100


def test_a_search_that_ended_far_short_of_the_limit_needs_less_margin():
    margin = RecommendedMargin(10.0, "learned", shown(0.97, 200.0))
    near, far = (setting_in_use(a_unit(90, width), margin, FINE).steps for width in (5, 60))
    assert near < far <= 90
