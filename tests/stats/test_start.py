from collections import Counter
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.siblings import Level, Sibling, Siblings
from kbapi.stats.intervals import NEVER_FAILED, Grid, GroupedIntervals
from kbapi.stats.scale import COUNT_OFFSET, FIXED_CLOCK_VOLTAGE, VOLTAGE_OFFSET
from kbapi.stats.start.pool import fit_pool
from kbapi.stats.start.start import (
    FEW_OWN_UNITS,
    NO_GUARD,
    Guard,
    NoStart,
    NoStartReason,
    Start,
    StartMethod,
    chance_stable,
    pool_start,
    start_of,
    suggested_start,
    units_needed,
)
from tests.stats import slow
from tests.stats.makers import a_pool, reports
from tests.stats.test_npmle import EXTREME, every_interval_below

NO_UNITS = GroupedIntervals(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
SERIES = Siblings(series=tuple(Sibling(mean, 2.9, 100.0) for mean in (98.0, 105.0, 109.0, 118.0)))


def a_start(pool, siblings=SERIES, share=0.90, confidence=0.95, guard=NO_GUARD, step=5):
    if not isinstance(pool, GroupedIntervals):
        pool = a_pool(pool)
    grid = Grid(Fraction(step))
    return pool_start(pool, siblings, grid, VOLTAGE_OFFSET, share, confidence, guard)


def steps_of(fit):
    return fit.answer.steps if isinstance(fit.answer, Start) else 0


def published(fit):
    """All that an answer takes from a fit."""
    counted = fit.own_units, fit.borrowed_units, fit.sibling_agreement, fit.optimality_gap
    return fit.answer, fit.percentiles, fit.level, fit.method, fit.stable_share_used, *counted


pools = reports(deepest=30, most=15, weights=(0.5, 1.0, 6.0, 20.0))
some_siblings = st.sampled_from([Siblings(), SERIES])


@settings(max_examples=100, deadline=None)
@given(pools, some_siblings)
def test_without_a_guard_the_shallow_end_of_the_90_percent_percentile_is_the_start(rows, siblings):
    fit = a_start(rows, siblings)
    if fit.percentiles:
        assert fit.percentiles[0].share == 0.90
        # From more than 10 units on, a reserve for false results makes the start stricter.
        is_same = fit.percentiles[0].shallow == steps_of(fit)
        assert is_same or (fit.own_units > 10.0 and fit.percentiles[0].shallow > steps_of(fit))


@settings(max_examples=60, deadline=None)
@given(pools, some_siblings, st.sampled_from([0.5, 0.9, 0.95, 0.99]))
def test_a_search_begins_at_the_start_that_an_answer_names(rows, siblings, share):
    pool = fit_pool(a_pool(rows), siblings, 5.0, VOLTAGE_OFFSET)
    asked = pool, Grid(Fraction(5)), share, 0.95, NO_GUARD
    answer, found = start_of(*asked).answer, suggested_start(*asked)
    assert found == (answer if isinstance(answer, Start) else replace(answer, lower=None))


@settings(max_examples=100, deadline=None)
@given(pools, some_siblings)
def test_percentiles_lie_in_their_intervals_and_go_deeper_with_smaller_shares(rows, siblings):
    depths = a_start(rows, siblings).percentiles
    for depth in depths:
        assert 0 <= depth.shallow <= depth.steps <= depth.deep
        assert 0.90 <= depth.confidence + 1e-12 < 1.0 + 1e-12
    for one, next_ in pairwise(depths):
        assert one.shallow <= next_.shallow
        assert one.steps <= next_.steps
        assert one.deep <= next_.deep


@settings(max_examples=60, deadline=None)
@given(pools, some_siblings, st.randoms(use_true_random=False))
def test_order_and_grouping_of_reports_do_not_matter(rows, siblings, random):
    shuffled = rows.copy()
    random.shuffle(shuffled)
    assert published(a_start(shuffled, siblings)) == published(a_start(rows, siblings))
    twice = [(left, right, 1.0) for left, right, _ in rows] * 2
    merged = [(left, right, float(n)) for (left, right, _), n in Counter(twice).items()]
    assert published(a_start(twice, siblings)) == published(a_start(merged, siblings))


@settings(max_examples=60, deadline=None)
@given(pools, some_siblings)
def test_a_larger_share_or_confidence_never_gives_a_deeper_start(rows, siblings):
    usual = steps_of(a_start(rows, siblings))
    assert steps_of(a_start(rows, siblings, confidence=0.99)) <= usual
    assert steps_of(a_start(rows, siblings, share=0.95)) <= usual
    assert steps_of(a_start(rows, siblings, guard=Guard(0.0, drift_alarm=True))) <= usual


@settings(max_examples=60, deadline=None)
@given(pools)
def test_counts_are_mv_with_every_constant_divided_by_five(rows):
    pool, counts = a_pool(rows), Siblings()
    in_mv = pool_start(pool, counts, Grid(Fraction(5)), VOLTAGE_OFFSET, 0.9, 0.95, NO_GUARD)
    in_counts = pool_start(pool, counts, Grid(Fraction(1)), COUNT_OFFSET, 0.9, 0.95, NO_GUARD)
    assert steps_of(in_counts) == pytest.approx(steps_of(in_mv), abs=1)
    assert in_counts.level == in_mv.level
    assert in_counts.optimality_gap == pytest.approx(in_mv.optimality_gap, abs=1e-9)


@pytest.mark.parametrize("units", [5, 64, 400])
def test_the_chance_of_counts_is_that_of_mv_with_constants_divided_by_five(units):
    rows = [(10 + 2 * (u % 5), 12 + 2 * (u % 5), 1.0) for u in range(units)]
    in_mv = fit_pool(a_pool(rows), Siblings(), 5.0, VOLTAGE_OFFSET)
    in_counts = fit_pool(a_pool(rows), Siblings(), 1.0, COUNT_OFFSET)
    chances = []
    for steps in range(30):
        one = chance_stable(in_mv, steps, Grid(Fraction(5)), VOLTAGE_OFFSET)
        two = chance_stable(in_counts, steps, Grid(Fraction(1)), COUNT_OFFSET)
        assert one == pytest.approx(two, abs=1e-6)
        chances.append(one)
    assert chances[0] == pytest.approx(1.0)
    assert chances == sorted(chances, reverse=True)
    assert chances[-1] < 0.05


def test_the_chance_at_a_start_is_that_of_its_fit_and_larger_than_the_share_that_is_sure():
    fit = a_start([(14, 15, 10.0), (18, 20, 190.0)], Siblings())
    chance = chance_stable(fit.pool, steps_of(fit), Grid(Fraction(5)), VOLTAGE_OFFSET)
    assert 0.9 < chance < 1.0


def test_a_guard_uses_a_stricter_share_and_reports_it():
    rows = [(10 + u % 9, 12 + u % 9, 1.0) for u in range(10)]
    free = a_start(rows)
    assert (free.stable_share, free.stable_share_used) == (0.90, 0.90)
    for guard in (Guard(0.02, drift_alarm=False), Guard(0.0, drift_alarm=True)):
        guarded = a_start(rows, guard=guard)
        assert (guarded.stable_share, guarded.stable_share_used) == (0.90, pytest.approx(0.91))
        assert guarded.percentiles == free.percentiles


@pytest.mark.parametrize(
    ("flagged", "drift", "used"),
    [
        (0.0, False, 0.9),
        (0.001, False, 0.9005),
        (0.0199, False, 0.90995),
        (0.02, False, 0.91),
        (0.9, False, 0.91),
        (0.0, True, 0.91),
        (0.02, True, 0.919),
    ],
)
def test_what_is_flagged_raises_the_share_by_five_per_cent_each_up_to_a_tenth(flagged, drift, used):
    assert Guard(flagged, drift).stable_share_used(0.9, 10.0) == pytest.approx(used)


@pytest.mark.parametrize(
    ("units", "used"),
    [(0, 0.9), (10, 0.9), (11, 0.9005), (29, 0.9095), (30, 0.91), (31, 0.91)],
)
def test_a_reserve_for_false_results_grows_with_the_pool(units, used):
    assert NO_GUARD.stable_share_used(0.9, units) == pytest.approx(used)
    rows = [(10 + u % 9, 12 + u % 9, 1.0) for u in range(units)]
    assert a_start(rows or NO_UNITS).stable_share_used == pytest.approx(used)


def test_no_units_give_no_start_and_no_percentiles():
    fit = a_start(NO_UNITS, Siblings())
    assert fit.answer == NoStart(NoStartReason.TOO_FEW_UNITS)
    assert (fit.level, fit.method, fit.percentiles) == (Level.NONE, StartMethod.NONE, ())
    assert (fit.own_units, fit.borrowed_units, fit.optimality_gap) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize("units", [1, 2])
def test_one_or_two_units_without_siblings_are_too_few(units):
    fit = a_start([(20, 21, 1.0)] * units, Siblings())
    assert fit.answer == NoStart(NoStartReason.TOO_FEW_UNITS)
    assert fit.own_units == units


def test_siblings_alone_give_a_start_that_is_wholly_borrowed():
    fit = a_start(NO_UNITS)
    assert isinstance(fit.answer, Start)
    assert (fit.level, fit.own_units, fit.borrowed_units) == (Level.SERIES, 0.0, 400.0)
    assert fit.method is StartMethod.SMALL_SAMPLE


@pytest.mark.parametrize(
    ("units", "method", "level", "borrowed"),
    [
        (20, StartMethod.SMALL_SAMPLE, Level.SERIES, 400.0),
        (60, StartMethod.SMALL_SAMPLE, Level.SERIES, 400.0),
        (100, StartMethod.BLEND, Level.SERIES, 400.0),
        (200, StartMethod.MODEL_FREE, Level.CHIP, 0.0),
    ],
)
def test_an_answer_contains_its_method_level_and_borrowed_units(units, method, level, borrowed):
    fit = a_start([(20, 21, 1.0)] * units)
    assert (fit.method, fit.level, fit.borrowed_units) == (method, level, borrowed)
    assert fit.own_units == units
    assert fit.converged
    assert a_start([(20, 21, 1.0)] * units, Siblings()).level is Level.CHIP


def test_weak_chips_have_no_setting_below_stock_and_the_reason_is_reported():
    fit = a_start([(0, 2, 1.0)] * 200 + [(0, 1, 1.0)] * 200, Siblings(), step=125 / 128)
    assert fit.answer == NoStart(NoStartReason.FAILS_NEAR_STOCK)
    assert fit.percentiles[0].shallow == 0


def test_where_a_tenth_fails_near_stock_the_start_for_a_lower_share_is_given():
    fit = a_start([(0, 1, 1.0)] * 24 + [(20, 21, 1.0)] * 176, Siblings())
    assert fit.answer.reason is NoStartReason.FAILS_NEAR_STOCK
    lower = fit.answer.lower
    assert (lower.stable_share, lower.steps) == (0.75, 20)
    same = a_start([(0, 1, 1.0)] * 24 + [(20, 21, 1.0)] * 176, Siblings(), share=0.75)
    assert same.answer == lower


def exactly_needed(share, confidence):
    """The number of stable units from which Clopper and Pearson's bound reaches the share."""
    units = 1
    while slow.binomial_lower(units, 0, confidence) < share:
        units += 1
    return units


@pytest.mark.parametrize(("share", "confidence"), [(0.99, 0.95), (0.99, 0.8), (0.97, 0.99)])
def test_without_failures_a_share_is_in_reach_of_the_exact_number_of_units(share, confidence):
    needed = exactly_needed(NO_GUARD.stable_share_used(share, 1_000), confidence)
    fit = a_start([(20, 21, needed - 1.0)], Siblings(), share=share, confidence=confidence)
    assert fit.answer.reason is NoStartReason.SHARE_OUT_OF_REACH
    assert (fit.answer.units_needed, fit.answer.units_behind) == (needed, needed - 1)
    assert (fit.answer.lower.stable_share, fit.answer.lower.steps) == (0.95, 20)
    fit = a_start([(20, 21, float(needed))], Siblings(), share=share, confidence=confidence)
    assert (fit.answer.steps, fit.answer.stable_share) == (20, share)


def test_below_as_many_units_the_part_of_them_grows_from_a_tenth_to_all():
    assert [units_needed(share, 0.95) for share in (0.5, 0.75, 0.9)] == [3.0, 3.0, 3.0]
    for share in (0.92, 0.95, 0.97, 0.99, 0.995):
        part = min(0.01 / (1 - share), 1.0)
        needed = units_needed(share, 0.95)
        # A start for the share needs the error to be at most one in twenty.
        assert share ** (needed / part) == pytest.approx(0.05)


@pytest.mark.parametrize(("units", "code"), [(13, "share_out_of_reach"), (40, None)])
def test_fewer_units_than_a_share_takes_give_the_start_for_a_lower_one(units, code):
    rows = [(20 + u % 3, 22 + u % 3, 1.0) for u in range(units)]
    fit = a_start(rows, Siblings(), share=0.95)
    assert (None if isinstance(fit.answer, Start) else fit.answer.reason.value) == code
    if code:
        assert fit.answer.units_needed == ceil(units_needed(0.955, 0.95)) == 15
        assert fit.answer.lower == a_start(rows, Siblings()).answer
        assert fit.answer.lower.stable_share == 0.90


def test_units_behind_are_whole_and_fewer_than_are_needed():
    def counts(units, siblings=None):
        fit = a_start([(20, 21, units)], siblings or Siblings(), share=0.95)
        return fit.answer.units_needed, fit.answer.units_behind

    needed = units_needed(0.955, 0.95)
    assert counts(needed - 0.01) == (ceil(needed), floor(needed - 0.01))
    assert counts(12.0 - 1e-12)[1] == 12
    # Those of other lines are borrowed, and show nothing of rare failures of this one.
    others = Siblings(all_chips=SERIES.series)
    assert counts(4.0, others) == (ceil(needed), 4)
    few = Siblings(series=tuple(replace(one, units=4.0) for one in SERIES.series[:2]))
    assert counts(4.0, few) == (ceil(needed), 12)


def test_units_of_siblings_count_for_a_large_share_until_their_weight_is_gone():
    assert isinstance(a_start([(20, 21, 10.0)], share=0.99).answer, Start)
    few = Siblings(series=SERIES.series[:2])
    assert a_start([(20, 21, 10.0)], few, share=0.99).answer.units_needed == 332
    others = Siblings(all_chips=SERIES.series)
    assert a_start(NO_UNITS, others, share=0.95).answer.lower.stable_share == 0.90
    outgrown = a_start([(20, 21, 250.0)], share=0.99).answer
    assert outgrown.reason is NoStartReason.SHARE_OUT_OF_REACH


def test_the_attained_confidence_is_the_last_that_keeps_the_start():
    rows = [(5 + u % 60, 6 + u % 60, 1.0) for u in range(150)]
    fit = a_start(rows)
    attained = fit.answer.interval.shallow_confidence
    assert 0.95 <= attained < 0.999
    assert steps_of(a_start(rows, confidence=attained)) == steps_of(fit)
    stricter = 1 - (1 - attained) * 0.9
    assert steps_of(a_start(rows, confidence=stricter)) < steps_of(fit)


def test_the_start_moves_by_small_steps_as_units_come_in():
    rng = np.random.default_rng(5)
    first, limit = rng.integers(50, 81, 140), rng.normal(110, 25, 140)
    depth = [
        (int(max(f - 5, 0)) if t < f else int(t), int(f) if t < f else int(t) + 5)
        for f, t in zip(first, limit, strict=True)
    ]
    rows = [
        (0 if t < f else left, right, 1.0)
        for (left, right), f, t in zip(depth, first, limit, strict=True)
    ]
    starts = [steps_of(a_start(rows[:n], step=1)) for n in range(20, 141)]
    assert np.abs(np.diff(starts)).max() <= 12


SCALES = {
    "offset": (Grid(Fraction(125, 128)), VOLTAGE_OFFSET),
    "counts": (Grid(Fraction(1)), COUNT_OFFSET),
    "fixed clock": (Grid(Fraction(25, 4)), FIXED_CLOCK_VOLTAGE),
}


@pytest.mark.parametrize("scale", SCALES)
@pytest.mark.parametrize("name", EXTREME)
def test_extreme_evidence_has_a_finite_valid_answer(name, scale):
    fit = pool_start(a_pool(EXTREME[name]), SERIES, *SCALES[scale], 0.90, 0.95, NO_GUARD)
    assert fit.converged
    assert fit.percentiles[0].shallow >= steps_of(fit)
    assert all(depth.shallow <= depth.steps <= depth.deep for depth in fit.percentiles)


def test_a_hundred_thousand_distinct_intervals_are_answered():
    fit = a_start(every_interval_below(450), step=1)
    assert fit.converged


DEEP = 200.0, 202.0, 205.0, 207.0
NEVER_FAILED_UNITS = [(20, NEVER_FAILED, 40.0)]


def never_failing_sibling(mean, deepest_tried):
    return Sibling(mean, 2.9, 100.0, deepest_tried=deepest_tried)


@pytest.mark.parametrize("rows", [NO_UNITS, NEVER_FAILED_UNITS])
@pytest.mark.parametrize("level", ["series", "line"])
def test_a_start_is_no_deeper_than_the_deepest_setting_tried_by_the_chip_or_its_siblings(
    rows, level
):
    free = Siblings(**{level: tuple(never_failing_sibling(m, 400.0) for m in DEEP)})
    held = Siblings(**{level: tuple(never_failing_sibling(m, 117.0) for m in DEEP)})
    deeper, reached = a_start(rows, free), a_start(rows, held)
    assert steps_of(deeper) > 23
    assert steps_of(reached) == 23  # 115 mV: 117 lies between two steps of 5 mV
    assert all(depth.shallow <= depth.steps <= 23 for depth in reached.percentiles)


def test_settings_tried_by_own_units_count_where_siblings_tried_less():
    held = Siblings(tuple(never_failing_sibling(m, 50.0) for m in (98.0, 105.0)))
    assert steps_of(a_start(NEVER_FAILED_UNITS, held)) > 10


def test_the_same_evidence_gives_the_same_answer_to_the_last_bit():
    rows = [(10 + u % 9, 12 + u % 9, 0.1 + u % 7) for u in range(60)]
    assert repr(published(a_start(rows))) == repr(published(a_start(rows)))


@pytest.mark.parametrize("wrong", [0.0, 1.0, -1.0, float("nan")])
def test_a_share_or_confidence_outside_its_range_is_refused(wrong):
    with pytest.raises(ValueError, match="between 0 and 1"):
        a_start([(5, 9, 1.0)], share=wrong)
    with pytest.raises(ValueError, match="between 0 and 1"):
        a_start([(5, 9, 1.0)], confidence=wrong)


@pytest.mark.parametrize("share", [0.01, 0.5, 0.99])
@pytest.mark.parametrize("confidence", [0.8, 0.99])
@pytest.mark.parametrize("units", [3, 50, 5_000])
def test_every_allowed_share_and_confidence_is_answered(share, confidence, units):
    rows = [(10 + u % 9, NEVER_FAILED if u % 4 == 0 else 12 + u % 9, 1.0) for u in range(units)]
    fit = a_start(rows, share=share, confidence=confidence)
    assert isinstance(fit.answer, Start | NoStart)
    assert fit.percentiles


def test_an_answer_contains_how_well_own_units_agree_with_the_siblings():
    agreeing = a_start([(21, 22, 10.0)]).sibling_agreement
    weaker = a_start([(9, 10, 10.0)]).sibling_agreement
    assert 0.0 <= weaker < 0.05 < 0.5 < agreeing <= 1.0
    assert a_start(NO_UNITS).sibling_agreement == 1.0
    assert a_start([(9, 10, 10.0)], Siblings()).sibling_agreement == 1.0


@pytest.mark.parametrize("units", [3, 10, 40, 99])
@pytest.mark.parametrize("deepest", [5, 20, 32])
def test_no_percentile_is_deeper_than_the_deepest_setting_tried(units, deepest):
    # For units that never failed the shapes extend beyond all of them.
    fit = a_start([(deepest, NEVER_FAILED, float(units))], Siblings())
    assert 0 < steps_of(fit) <= deepest
    assert all(depth.shallow <= depth.steps <= deepest for depth in fit.percentiles)
    failed_at = a_start([(deepest, deepest + 2, float(units))], Siblings())
    assert all(depth.steps <= deepest + 2 for depth in failed_at.percentiles)


def test_siblings_have_tried_what_the_chips_own_units_have_not():
    assert steps_of(a_start([(4, NEVER_FAILED, 5.0)])) > 4


LINES = tuple(Sibling(mean, 2.0, 60.0, deepest_tried=mean + 20) for mean in (60, 70, 85, 100))


@pytest.mark.parametrize("limit", [195, 155, 80, 40])
def test_one_more_own_unit_moves_a_start_beside_other_lines_by_little(limit):
    """Other lines fade out: the tenth unit does not decide that they do not count."""
    starts = []
    for units in range(5, 13):
        rows = [(limit + 7 * n % 9 - 4, limit + 7 * n % 9 + 1, 1.0) for n in range(units)]
        siblings = Siblings(all_chips=LINES) if units < FEW_OWN_UNITS else Siblings()
        starts.append(steps_of(a_start(rows, siblings, step=1)))
    assert max(abs(one - other) for one, other in pairwise(starts)) <= 20
    at_ten = FEW_OWN_UNITS - 5
    assert abs(starts[int(at_ten)] - starts[int(at_ten) - 1]) <= 5
