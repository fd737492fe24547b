import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.estimate.outlier_cutoffs import (
    NO_CUTOFFS,
    OutlierCutoffs,
    fit_outlier_cutoffs,
    weighted_median,
    weighted_qn,
)
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals

# Published data with the values that statistics programs give for them, without the factor for
# small samples: stack loss (Brownlee), one gross error, Rosner 1983. In hundredths where needed.
STACK_LOSS = [42, 37, 37, 28, 18, 18, 19, 20, 15, 14, 14, 13, 11, 12, 8, 7, 8, 8, 9, 15, 15]
ONE_GROSS = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]
ROSNER = [
    *(-25, 68, 94, 115, 120, 126, 126, 134, 138, 143, 149, 149, 155, 156, 158, 165, 169, 170),
    *(176, 177, 181, 191, 194, 196, 199, 206, 209, 210, 214, 215, 223, 224, 226, 235, 237, 240),
    *(247, 254, 262, 264, 290, 292, 292, 293, 321, 326, 330, 359, 368, 430, 464, 534, 542, 601),
]


def counted(values):
    distinct, units = np.unique(np.array(values), return_counts=True)
    return distinct, units.astype(float), units


@pytest.mark.parametrize(
    ("values", "qn", "median"),
    [(STACK_LOSS, 8.87656, 15), (ONE_GROSS, 4.43828, 6), (ROSNER, 95.42302, 209)],
)
def test_published_values_of_qn_and_median(values, qn, median):
    assert weighted_qn(*counted(values)) == pytest.approx(qn)
    distinct, weight, _ = counted(values)
    assert weighted_median(distinct, weight) == median


def slow_qn(units):
    """All pairs of (value, weight) units by distance, until a good quarter of their weight."""
    pairs = sorted(
        (abs(a - b), v * w) for place, (a, v) in enumerate(units) for b, w in units[place + 1 :]
    )
    half = len(units) // 2 + 1
    quarter = sum(weight for _, weight in pairs) * half * (half - 1) / 2 / len(pairs)
    reached = 0.0
    for distance, weight in pairs:
        reached += weight
        if reached >= quarter * (1 - 1e-12):
            return 2.21914 * distance
    raise AssertionError


weighed = st.lists(
    st.tuples(st.integers(0, 30), st.sampled_from([0.25, 0.5, 1.0])), min_size=2, max_size=25
)


@given(weighed)
def test_the_weighted_qn_is_that_of_all_pairs_written_out(units):
    values, place = np.unique([value for value, _ in units], return_inverse=True)
    # One group for each value and weight, as the units of a group weigh alike.
    keys = sorted(set(units))
    grouped = np.array([value for value, _ in keys])
    number = np.array([units.count(key) for key in keys])
    weight = np.array([w for _, w in keys]) * number
    assert weighted_qn(grouped, weight, number) == pytest.approx(slow_qn(units))
    assert len(values) == place.max() + 1


@given(weighed, st.integers(1, 50))
def test_moving_all_units_moves_the_cutoffs_and_doubling_their_weights_does_nothing(units, shift):
    stable = np.array([value + 1 for value, _ in units])
    weight = np.array([w for _, w in units])
    ones = np.ones(len(units), dtype=np.int64)

    def cutoffs(off, factor):
        pool = GroupedIntervals(stable + off, stable + off + 2, weight * factor)
        return fit_outlier_cutoffs(pool, ones, 2.0)

    here, there = cutoffs(0, 1.0), cutoffs(shift, 2.0)
    if here.deepest_steps is None:
        assert there.deepest_steps is None
    else:
        assert there.deepest_steps == here.deepest_steps + shift
    if here.shallowest_steps is None:
        assert there.shallowest_steps is None
    else:
        assert there.shallowest_steps == here.shallowest_steps + shift


def a_pool(*rows):
    stable, unstable, weight = (np.array(column) for column in zip(*rows, strict=True))
    return GroupedIntervals(stable, unstable, weight.astype(float))


HONEST = [(90 + d, 92 + d, 4.0) for d in (0, 4, 8, 12, 16)]
FOURS = np.array([4, 4, 4, 4, 4])


def test_nine_units_have_no_cutoffs_and_ten_have():
    pool = a_pool((90, 92, 5.0), (95, 97, 4.0))
    assert fit_outlier_cutoffs(pool, np.array([5, 4]), 2.0) == NO_CUTOFFS
    pool = a_pool((90, 92, 5.0), (95, 97, 5.0))
    assert fit_outlier_cutoffs(pool, np.array([5, 5]), 2.0) != NO_CUTOFFS


def test_units_never_failed_or_failed_at_first_do_not_centre_the_cutoffs():
    alone = fit_outlier_cutoffs(a_pool(*HONEST), FOURS, 2.0)
    beside = a_pool(*HONEST, (140, NEVER_FAILED, 1.0), (0, 60, 1.0))
    assert fit_outlier_cutoffs(beside, np.append(FOURS, [1, 1]), 2.0) == alone


def test_rounded_numbers_have_cutoffs_as_wide_as_the_floor():
    pool = a_pool((100, 101, 40.0))
    assert fit_outlier_cutoffs(pool, np.array([40]), 5.0) == OutlierCutoffs(123, 75)


def test_an_interval_is_checked_by_its_middle_and_an_open_one_by_its_pass():
    cutoffs = OutlierCutoffs(120, 80)
    pool = a_pool(
        (120, 121, 1.0),  # its only limit is 120
        (120, 122, 1.0),  # 120 or 121
        (10, NEVER_FAILED, 1.0),
        (121, NEVER_FAILED, 1.0),
        (0, 121, 1.0),
        (0, 81, 1.0),  # 80 at most
        (0, 80, 1.0),
        (79, 81, 1.0),
        (80, 81, 1.0),
    )
    assert np.flatnonzero(cutoffs.too_deep(pool)).tolist() == [1, 3]
    assert np.flatnonzero(cutoffs.too_shallow(pool)).tolist() == [6, 7]
    assert not NO_CUTOFFS.too_deep(pool).any()
    assert not NO_CUTOFFS.too_shallow(pool).any()


def test_many_weak_units_remove_the_shallow_cutoff_and_few_do_not():
    def cutoffs(weak):
        pool = a_pool(*HONEST, (10, 12, float(weak)))
        return fit_outlier_cutoffs(pool, np.append(FOURS, weak), 2.0)

    # 3 of 23 units are 13 %, 4 of 24 are 17 %.
    assert cutoffs(3).shallowest_steps is not None
    assert cutoffs(4).shallowest_steps is None
    assert cutoffs(4).deepest_steps is not None
