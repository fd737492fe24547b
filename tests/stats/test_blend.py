import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.siblings import Sibling, Siblings
from kbapi.stats.estimate.small_sample import contamination_of
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.blend import known_share
from kbapi.stats.start.pool import (
    contamination_share,
    fit_pool,
    informative,
    likelihood_trust,
    without_some,
)
from tests.stats import slow
from tests.stats.makers import a_pool, reports
from tests.stats.test_npmle import masses_of

ERRORS = np.array([0.05])


def a_fit(rows):
    return fit_pool(a_pool(rows), Siblings(), 5.0, VOLTAGE_OFFSET)


def a_pool_of(units: int):
    """Units spread over five settings, none failed at its first."""
    return [(10 + 2 * (u % 5), 12 + 2 * (u % 5), 1.0) for u in range(units)]


@pytest.mark.parametrize(
    ("units", "weight"), [(3, 0.0), (30, 0.0), (65, 0.5), (100, 1.0), (5_000, 1.0)]
)
def test_the_model_free_bound_comes_in_between_30_and_100_units(units, weight):
    assert a_fit(a_pool_of(units)).bound.model_free_weight == pytest.approx(weight)
    assert slow.blended_weight(units) == pytest.approx(weight)


def test_beside_siblings_the_model_free_bound_comes_in_later():
    siblings = Siblings(series=(Sibling(100.0, 3.0, 100.0),))
    for units, weight in [(60, 0.0), (130, 0.5), (200, 1.0)]:
        fit = fit_pool(a_pool(a_pool_of(units)), siblings, 5.0, VOLTAGE_OFFSET)
        assert fit.bound.model_free_weight == pytest.approx(weight)


@pytest.mark.parametrize("units", [5, 10, 25, 40, 64, 85, 100, 130, 400])
def test_the_start_is_the_blend_by_hand(units):
    rows = a_pool_of(units)
    fit = a_fit(rows)
    posterior = float(fit.bound.posterior.depth_at(0.9, ERRORS)[0])
    free = slow.model_free_start(rows, masses_of(fit_npmle(a_pool(rows))), 0.90)
    w = slow.blended_weight(units)
    by_hand = (1 - w) * posterior + w * free
    assert fit.bound.ends(0.90, ERRORS).shallow[0] == pytest.approx(by_hand, abs=1e-9)


SOME_SIBLINGS = Siblings(series=tuple(Sibling(mean, 3.0, 90.0) for mean in (60.0, 70.0, 80.0)))
GONE = [(16, 18, 1.0), (12, NEVER_FAILED, 0.5)]


@pytest.mark.parametrize("siblings", [Siblings(), SOME_SIBLINGS], ids=["alone", "beside siblings"])
def test_a_posterior_without_some_units_is_divided_by_their_likelihood(siblings):
    rows = a_pool_of(12)
    pool = fit_pool(a_pool(rows + GONE), siblings, 5.0, VOLTAGE_OFFSET)
    units, prior = pool.own_units, pool.prior
    trust, share = likelihood_trust(units, prior), contamination_share(units, prior)
    is_alone = siblings == Siblings()
    elsewhere = contamination_of(
        a_pool(rows + GONE), 5.0, VOLTAGE_OFFSET, share, is_of_forms=is_alone
    )
    left = pool.bound.posterior.without(a_pool(GONE), trust, elsewhere)
    by_hand = pool.bound.posterior.weight.copy()
    for stable, unstable, weight in GONE:
        inside = pool.bound.posterior.share_at([stable])[0]
        if unstable < NEVER_FAILED:
            inside = inside - pool.bound.posterior.share_at([unstable])[0]
        chance = (1.0 - share) * inside + elsewhere.chance(a_pool([(stable, unstable, 1.0)]))[0]
        by_hand /= np.maximum(chance, 1e-6 if is_alone else 1e-300) ** (trust * weight)
    assert left.weight == pytest.approx(by_hand / by_hand.sum(), abs=1e-9)


@pytest.mark.parametrize("siblings", [Siblings(), SOME_SIBLINGS], ids=["alone", "beside siblings"])
@pytest.mark.parametrize("units", [8, 25, 45, 80, 120])
@pytest.mark.parametrize("gone", [*GONE, (4, 5, 1.0), (30, 32, 1.0)])
def test_a_fit_without_some_units_is_near_the_fit_of_those_that_are_left(siblings, units, gone):
    rows = a_pool_of(units)
    whole, left = (
        fit_pool(a_pool(some), siblings, 5.0, VOLTAGE_OFFSET) for some in ([*rows, gone], rows)
    )
    near = without_some(whole, a_pool(rows), a_pool([gone]), 5.0, VOLTAGE_OFFSET)
    ends = [fit.bound.ends(0.90, ERRORS).shallow[0] for fit in (whole, left, near)]
    # In steps of 5 mV, also where the fit with the unit lies far away.
    assert abs(ends[2] - ends[1]) <= 0.8
    assert near.own_units == left.own_units


@pytest.mark.parametrize("units", [5, 64, 400])
def test_the_expected_share_is_the_blend_by_hand(units):
    rows = a_pool_of(units)
    bound = a_fit(rows).bound
    fit = fit_npmle(a_pool(rows))
    w = slow.blended_weight(units)
    for steps in (0, 9, 13, 16, 30):
        free = float(fit.share_at(np.array([steps]))[0] + fit.most_at(np.array([steps]))[0]) / 2
        modelled = float(bound.posterior.expected_share_at(steps)[0])
        assert bound.expected_share(steps) == pytest.approx((1 - w) * modelled + w * free)
    ends = bound.expected_share(13), bound.expected_share(14)
    assert ends[0] >= bound.expected_share(13.4) >= ends[1]


def test_the_expected_share_of_many_units_needs_no_posterior():
    fit = a_fit(a_pool_of(400))

    def computed():
        raise AssertionError("the posterior was computed")

    without = replace(fit.bound, posterior_of=computed)
    assert without.expected_share(13) == fit.bound.expected_share(13)


@settings(max_examples=100, deadline=None)
@given(reports(weights=(20.0, 50.0)), st.sampled_from([0.3, 0.5, 0.8, 0.9]))
def test_the_model_free_part_is_that_of_brute_force(rows, wanted):
    # No first failures: their place would come from the posterior.
    rows = [row for row in rows if row[0] > 0] + [(3, 4, 100.0)]
    free = slow.model_free_start(rows, masses_of(fit_npmle(a_pool(rows))), wanted)
    assert a_fit(rows).bound.ends(wanted, ERRORS).shallow[0] == free


def shared_settings(units: int, weak: float, rng: np.random.Generator):
    """A weak group at 55 mV, the others at 125 mV, all tried at the same settings 50 mV apart."""
    limit_mv = np.where(
        np.arange(units) < weak * units, rng.normal(55, 2, units), rng.normal(125, 10, units)
    )
    stable = np.floor(limit_mv / 50).astype(int) * 10
    return [(int(at), int(at) + 10, 1.0) for at in stable]


@pytest.mark.parametrize("weak", [0.15, 0.20, 0.30])
@pytest.mark.parametrize("units", [200, 1_000])
def test_no_start_lies_between_two_settings_where_too_many_units_failed(units, weak):
    rng = np.random.default_rng([units, round(100 * weak)])
    for _ in range(10):
        bound = a_fit(shared_settings(units, weak, rng)).bound
        assert bound.ends(0.90, ERRORS).shallow[0] == 10.0


# 10 of 200 units fail after step 9, the others after step 20, or somewhere from step 13 to 40.
@pytest.mark.parametrize(("straddling", "steps"), [(0, 20), (19, 20), (20, 12), (60, 12)])
def test_units_that_straddle_a_depth_lower_its_bound_from_a_number_on(straddling, steps):
    rows = [(9, 10, 1.0)] * 10 + [(20, 21, 1.0)] * (190 - straddling)
    rows += [(12, 40, 1.0)] * straddling
    assert a_fit(rows).bound.ends(0.90, ERRORS).shallow[0] == steps


@pytest.mark.parametrize("share", [0.95, 0.9, 0.75, 0.5, 0.25])
def test_exact_limits_have_the_bound_of_clopper_and_pearson(share):
    rows = [(limit, limit + 1, 1.0) for limit in range(1, 201)]
    shallow = a_fit(rows).bound.ends(share, ERRORS).shallow[0]
    lower = [slow.beta_lower(201 - d, d - 1, 0.95) for d in range(1, 201)]
    assert shallow == max(d for d, bound in enumerate(lower, start=1) if bound >= share)


@settings(max_examples=60, deadline=None)
@given(reports(weights=(1.0, 30.0, 90.0)), st.sampled_from([0.9, 0.75, 0.5, 0.25, 0.1]))
def test_smaller_errors_widen_both_ends_around_the_middle(rows, share):
    errors = 0.05 * 0.5 ** np.arange(6)
    ends = a_fit([*rows, (3, 4, 1.0)]).bound.ends(share, errors)
    assert np.all(np.diff(ends.shallow) <= 1e-9)
    assert np.all(np.diff(ends.deep) >= -1e-9)
    assert np.all(np.isfinite(ends.shallow) & np.isfinite(ends.deep))


def test_the_deep_end_is_the_exact_binomial_one_on_exact_data():
    # 400 limits at 1..400: the upper bound of the share must reach 0.5.
    rows = [(limit, limit + 1, 1.0) for limit in range(1, 401)]
    deep = fit_pool(a_pool(rows), Siblings(), 0.25, VOLTAGE_OFFSET).bound.ends(0.5, ERRORS).deep[0]
    upper = [1 - slow.beta_lower(d - 1, 401 - d, 0.95) for d in range(1, 401)]
    assert deep == max(d for d, bound in enumerate(upper, start=1) if bound >= 0.5)


def test_where_too_few_failed_the_posterior_bounds_the_deep_end_beyond_all_that_was_seen():
    rows = [(12, NEVER_FAILED, 1.0)] * 150 + [(10, 11, 1.0)] * 2
    bound = a_fit(rows).bound
    posterior = float(bound.posterior.depth_at(0.5, 1 - ERRORS)[0])
    assert bound.ends(0.5, ERRORS).deep[0] == pytest.approx(max(posterior, 13.0))


@settings(deadline=None)
@given(reports(weights=(0.3, 1.0)))
def test_the_two_envelopes_hold_every_place_of_the_mass_between_them(rows):
    pool = a_pool(rows)
    fit = fit_npmle(pool)
    runs = known_share(pool, pool, fit)
    assert np.all(runs.least <= runs.most)
    for depth, most in zip(runs.depths.tolist(), runs.most.tolist(), strict=True):
        late = sum(m for (_, right), m in masses_of(fit).items() if right > depth)
        assert most == pytest.approx(late, abs=1e-12)


@settings(deadline=None)
@given(reports(weights=(0.3, 1.0)))
def test_a_unit_straddles_the_depths_between_its_last_pass_and_its_failure(rows):
    pool = a_pool(rows)
    runs = known_share(pool, pool, fit_npmle(pool))
    for depth, weight in zip(runs.depths.tolist(), runs.straddling_weight.tolist(), strict=True):
        straddling = sum(w for left, right, w in rows if left < depth < right < NEVER_FAILED)
        assert weight == pytest.approx(straddling, abs=1e-9)
        assert weight > 0 or straddling == 0


def test_units_of_which_nothing_is_known_are_left_out():
    pool = a_pool([(0, NEVER_FAILED, 50.0), (5, 6, 2.0), (0, 3, 1.0)])
    assert informative(pool).total_weight == 3.0
    assert a_fit([(0, NEVER_FAILED, 50.0)]).own_units == 0.0
    assert math.isclose(a_fit([(0, NEVER_FAILED, 50.0), (5, 6, 2.0)]).own_units, 2.0)
