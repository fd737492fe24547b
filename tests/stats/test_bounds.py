import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.bounds import (
    DeepestStart,
    NoStart,
    deepest_start,
    sccp_bound,
    sccp_lower_bound,
)
from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.intervals import NEVER_FAILED, known_weight_at
from tests.stats import slow
from tests.stats.makers import VECTORS, a_pool, reports
from tests.stats.test_npmle import EXTREME, every_interval_below, masses_of


def a_band(rows, confidence=0.95):
    pool = a_pool(rows)
    return sccp_lower_bound(pool, fit_npmle(pool), confidence)


def lower_at(band, depth):
    return band.lower[np.searchsorted(band.depths, depth, side="right") - 1]


def exact(limits):
    """Units whose limit is known to the step."""
    return [(int(limit), int(limit) + 1, 1.0) for limit in limits]


def test_the_bound_is_the_published_clopper_pearson_bound():
    vector = VECTORS["clopper_pearson_lower_95"]
    stable, failed = np.array(vector["data"], dtype=float).T
    bound = sccp_bound(stable / (stable + failed), stable + failed, 0.95)
    assert bound == pytest.approx(vector["answer"], abs=1e-13)


@pytest.mark.parametrize("pair", VECTORS["order_statistic_tolerance_n"]["answer"])
def test_published_sample_sizes_are_the_first_that_allow_the_r_th_smallest_limit(pair):
    stable_share, confidence = map(float, pair.split("/"))
    for failed, n in enumerate(VECTORS["order_statistic_tolerance_n"]["answer"][pair]):
        # The r-th smallest limit is the start as soon as r - 1 failures before it are forgiven.
        limits = np.arange(10, 10 + n)
        start = deepest_start(a_band(exact(limits), confidence), stable_share)
        assert isinstance(start, DeepestStart)
        assert start.steps == limits[failed]
        one_less = deepest_start(a_band(exact(limits[:-1]), confidence), stable_share)
        assert getattr(one_less, "steps", 0) < limits[failed]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 15), min_size=1, max_size=60))
def test_exact_data_give_clopper_pearson(limits):
    band = a_band(exact(limits))
    for depth in range(18):
        stable = sum(limit >= depth for limit in limits)
        by_hand = slow.binomial_lower(stable, len(limits) - stable, 0.95)
        assert lower_at(band, depth) == pytest.approx(by_hand, abs=1e-10)


@settings(max_examples=80, deadline=None)
@given(
    reports(weights=(0.3, 1.0, 20.0)),
    st.sampled_from([0.5, 0.8, 0.9]),
    st.sampled_from([0.8, 0.95]),
)
def test_the_start_is_that_of_brute_force_over_every_whole_depth(rows, stable_share, confidence):
    pool = a_pool(rows)
    fit = fit_npmle(pool)
    start = deepest_start(sccp_lower_bound(pool, fit, confidence), stable_share)
    by_hand = slow.deepest_start(rows, masses_of(fit), stable_share, confidence)
    assert getattr(start, "steps", 0) == by_hand


@settings(max_examples=80, deadline=None)
@given(reports(weights=(0.3, 1.0, 20.0)))
def test_the_band_is_that_of_brute_force_at_every_whole_depth(rows):
    pool = a_pool(rows)
    fit = fit_npmle(pool)
    band = sccp_lower_bound(pool, fit, 0.95)
    for depth in range(16):
        s, n = slow.share(masses_of(fit), depth), slow.known(rows, depth)
        assert known_weight_at(pool, depth) == pytest.approx(n, rel=1e-12)
        assert lower_at(band, depth) == pytest.approx(
            slow.beta_lower(n * s, n * (1 - s), 0.95), abs=1e-9
        )


@settings(deadline=None)
@given(reports(weights=(1.0, 30.0)), st.integers(1, 40))
def test_shifting_all_reports_shifts_the_answer(rows, shift):
    moved = [
        (left + shift, right if right == NEVER_FAILED else right + shift, weight)
        for left, right, weight in rows
    ]
    start, shifted = deepest_start(a_band(rows), 0.5), deepest_start(a_band(moved), 0.5)
    if isinstance(start, DeepestStart):
        assert shifted.steps == start.steps + shift
    elif isinstance(shifted, DeepestStart):
        # At stock nothing can have failed: a start of no step at all is the one that shifts in.
        assert shifted.steps == shift
    assert a_band(moved).lower[1:] == pytest.approx(a_band(rows).lower[1:], abs=1e-12)


@settings(max_examples=150, deadline=None)
@given(reports(weights=(0.3, 1.0, 5.0)), st.integers(0, 12))
def test_one_more_unit_known_stable_at_a_depth_never_lowers_the_bound_there(rows, depth):
    unit = (depth, NEVER_FAILED, 1.0)
    assert lower_at(a_band([*rows, unit]), depth) >= lower_at(a_band(rows), depth) - 1e-9


@settings(max_examples=150, deadline=None)
@given(reports(weights=(0.3, 1.0, 5.0)), st.integers(0, 12), st.integers(0, 6), st.integers(1, 6))
def test_a_unit_that_failed_deeper_never_lowers_the_bound_where_every_status_is_known(
    rows, depth, deeper, width
):
    rows = [row for row in rows if row[0] >= depth or row[1] <= depth] or [(depth, depth + 1, 1.0)]
    unit = (depth + deeper, depth + deeper + width, 1.0)
    assert lower_at(a_band([*rows, unit]), depth) >= lower_at(a_band(rows), depth) - 1e-9


def test_a_failure_deeper_may_lower_the_likeliest_share_at_a_depth_that_others_straddle():
    # The limit of the law, by likelihood itself: [8, 9) explains [6, 10), so less mass is needed
    # at [6, 7), and [0, 7) falls back on [1, 6). The long EM gives the same.
    rows = [(0, 7, 5.0), (1, 6, 5.0), (6, 12, 0.3), (8, 12, 5.0), (6, 10, 5.0), (0, 10, 1.0)]
    rows += [(10, NEVER_FAILED, 10.0), (11, NEVER_FAILED, 5.0)]
    with_one_more = [*rows, (8, 9, 1.0)]
    for evidence, share in [(rows, 0.7803), (with_one_more, 0.7584)]:
        assert fit_npmle(a_pool(evidence)).share_at(6) == pytest.approx(share, abs=1e-4)
        assert slow.share(slow.em_masses(evidence, rounds=5000), 6) == pytest.approx(
            share, abs=1e-4
        )


@settings(deadline=None)
@given(st.lists(st.integers(0, 60), min_size=30, max_size=80), st.integers(2, 6))
def test_on_exact_data_a_finer_grid_moves_the_answer_by_less_than_a_coarse_step(limits, coarse):
    fine = deepest_start(a_band(exact(limits)), 0.8)
    rough = deepest_start(a_band(exact(np.array(limits) // coarse)), 0.8)
    assert abs(getattr(fine, "steps", 0) - coarse * getattr(rough, "steps", 0)) < coarse


def test_below_29_units_there_is_no_start_at_90_percent_with_confidence_95_percent():
    never_failed = [(50, NEVER_FAILED, 1.0)]
    answer = deepest_start(a_band(never_failed * 28), 0.90)
    assert isinstance(answer, NoStart)
    assert answer.lower == pytest.approx(0.05 ** (1 / 28))
    assert answer.known_weight == 28
    assert deepest_start(a_band(never_failed * 29), 0.90).steps == 50


def test_a_depth_without_known_units_has_bound_zero():
    # Between 5 and 9 the one unit's status is unknown, and only there.
    pool = a_pool([(5, 9, 1.0)])
    assert known_weight_at(pool, [5, 6, 8, 9]).tolist() == [1.0, 0.0, 0.0, 1.0]
    assert sccp_bound(np.array([1.0, 0.5]), np.zeros(2), 0.95).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("name", EXTREME)
def test_extreme_evidence_has_a_finite_band_and_a_valid_answer(name):
    band = a_band(EXTREME[name])
    assert np.all((band.lower >= 0) & (band.lower <= band.share) & (band.share <= 1))
    start = deepest_start(band, 0.90)
    by_hand = slow.deepest_start(
        EXTREME[name], masses_of(fit_npmle(a_pool(EXTREME[name]))), 0.90, 0.95
    )
    assert getattr(start, "steps", 0) == by_hand


def test_a_hundred_thousand_distinct_intervals_have_a_band():
    pool = every_interval_below(450)
    band = sccp_lower_bound(pool, fit_npmle(pool), 0.95)
    assert np.all(np.isfinite(band.lower))
    assert isinstance(deepest_start(band, 0.90), DeepestStart)


@pytest.mark.parametrize("wrong", [0.0, 1.0, float("nan")])
def test_a_share_or_confidence_outside_its_range_is_refused(wrong):
    with pytest.raises(ValueError, match="confidence"):
        a_band([(5, 9, 1.0)], wrong)
    with pytest.raises(ValueError, match="share"):
        deepest_start(a_band([(5, 9, 1.0)]), wrong)
