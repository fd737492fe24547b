import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.intervals import NEVER_FAILED, group_intervals
from kbapi.stats.time.two_groups import (
    compare_groups,
    compare_scored,
    holm_adjusted,
    log_rank_scores,
)
from tests.calibration.testers import STEP_MV
from tests.stats.makers import reports


def compared(rows, labels, permutations=999, seed=1):
    stable, unstable, weight = (np.array(column) for column in zip(*rows, strict=True))
    rng = np.random.default_rng(seed)
    return compare_groups(stable, unstable, weight, np.array(labels), rng, permutations)


def scores_of(rows):
    stable, unstable, weight = (np.array(column) for column in zip(*rows, strict=True))
    return log_rank_scores(stable, unstable, fit_npmle(group_intervals(stable, unstable, weight)))


def test_the_permutation_p_value_is_that_of_all_relabellings():
    rows = [(t, t + 2, 1.0) for t in (3, 5, 8, 9, 12, 14, 15, 20)]
    scores = scores_of(rows)
    observed = abs(scores[:3].sum())
    sums = [abs(sum(scores[list(chosen)])) for chosen in combinations(range(8), 3)]
    exact = np.mean([s >= observed - 1e-9 for s in sums])
    found = compared(rows, [0] * 3 + [1] * 5, permutations=4000)
    assert found.p_value == pytest.approx(exact, abs=0.02)


@settings(max_examples=50, deadline=None)
@given(reports(deepest=12, most=12))
def test_scores_weigh_out_to_nothing_over_all_units(rows):
    weight = np.array([w for *_, w in rows])
    assert float(weight @ scores_of(rows)) == pytest.approx(0.0, abs=1e-6)


def test_with_exact_limits_the_scores_are_those_of_savage():
    # Without ties, the i-th of n failures has 1 - sum 1 / (n - j); grouped scores come near it.
    n = 400
    savage = np.cumsum(1.0 / np.arange(n, 0, -1)) - 1.0
    found = scores_of([(t, t + 1, 1.0) for t in range(n)])
    assert found[:-1] == pytest.approx(savage[:-1], abs=0.35)
    assert np.corrcoef(found, savage)[0, 1] > 0.999


@settings(max_examples=30, deadline=None)
@given(reports(deepest=12, most=12), st.randoms(use_true_random=False))
def test_neither_the_order_of_units_nor_the_names_of_groups_matter(rows, random):
    labels = [place % 3 for place in range(len(rows))]
    pairs = list(zip(rows, labels, strict=True))
    random.shuffle(pairs)
    shuffled_rows, shuffled_labels = zip(*pairs, strict=True)
    one = compared(rows, labels, permutations=30)
    assert compared(shuffled_rows, shuffled_labels, permutations=30) == one
    renamed = compared(rows, [label + 5 for label in labels], permutations=30)
    assert renamed == one


@pytest.mark.parametrize(
    ("rows", "labels"),
    [
        ([(5, 6, 1.0)], [0]),
        ([(5, 6, 1.0)] * 4, [0, 0, 1, 1]),
        ([(0, NEVER_FAILED, 1.0)] * 3, [0, 1, 2]),
        ([(5, 6, 1.0), (9, NEVER_FAILED, 1e6)], [0, 0]),
    ],
)
def test_where_nothing_can_differ_the_p_value_is_one(rows, labels):
    found = compared(rows, labels, permutations=20)
    assert (found.p_value, found.statistic) == (1.0, pytest.approx(0.0))


def test_units_of_one_group_that_go_deeper_are_found_and_the_same_without_are_not():
    rng = np.random.default_rng(11)
    small = [_p_value(rng, shift_mv=0.0) for _ in range(120)]
    assert np.mean(np.array(small) <= 0.10) == pytest.approx(0.10, abs=0.09)
    assert np.mean([_p_value(rng, shift_mv=20.0) <= 0.05 for _ in range(30)]) >= 0.7


def _p_value(rng, shift_mv):
    limit = np.floor((rng.normal(110, 25, 60) + np.repeat([0.0, shift_mv], 30)) / STEP_MV)
    stable = (limit // 8 * 8).astype(int)
    found = compare_groups(
        stable, stable + 8, np.ones(60), np.repeat([0, 1], 30), np.random.default_rng(1), 99
    )
    return found.p_value


def test_permutations_and_the_chi_squared_distribution_agree_where_units_are_many():
    rng = np.random.default_rng(4)
    rows = [(int(t), int(t) + 4, 1.0) for t in rng.integers(5, 60, 300)]
    found = compared(rows, rng.integers(0, 3, 300).tolist(), permutations=1999)
    assert found.p_value == pytest.approx(found.p_asymptotic, abs=0.04)


def test_drawing_ends_early_only_where_the_p_value_exceeds_the_largest_wanted():
    ended_early = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        units = rng.normal(0.0, 1.0, 40) + np.repeat([0.0, 0.6], 20), np.ones(40)
        labels = np.repeat([0, 1], 20)
        whole, ended = (
            compare_scored(*units, labels, np.random.default_rng(1), 199, largest).p_value
            for largest in (1.0, 0.05)
        )
        assert (ended > 0.05) == (whole > 0.05)
        assert ended == whole if whole <= 0.05 else ended <= whole
        ended_early += ended < whole
    assert 10 <= ended_early < 40


def test_no_units_are_refused():
    nothing = np.zeros(0, np.int64)
    with pytest.raises(ValueError, match="no units"):
        compare_groups(nothing, nothing, np.zeros(0), nothing, np.random.default_rng(1))


@given(st.lists(st.floats(0, 1), max_size=8))
def test_adjusted_values_are_holms_by_hand(p_values):
    adjusted = holm_adjusted(p_values)
    ranked = sorted(range(len(p_values)), key=lambda place: p_values[place])
    least = 0.0
    for rank, place in enumerate(ranked):
        least = max(least, min(1.0, p_values[place] * (len(p_values) - rank)))
        assert math.isclose(adjusted[place], least, abs_tol=1e-9)
