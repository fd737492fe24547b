from math import ceil

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.estimate.outlier_cutoffs import fit_deep_cutoff, too_deep, weighted_quantiles
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals

# Published data: stack loss (Brownlee), one gross error, Rosner 1983.
STACK_LOSS = [42, 37, 37, 28, 18, 18, 19, 20, 15, 14, 14, 13, 11, 12, 8, 7, 8, 8, 9, 15, 15]
ONE_GROSS = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]
ROSNER = [
    *(-25, 68, 94, 115, 120, 126, 126, 134, 138, 143, 149, 149, 155, 156, 158, 165, 169, 170),
    *(176, 177, 181, 191, 194, 196, 199, 206, 209, 210, 214, 215, 223, 224, 226, 235, 237, 240),
    *(247, 254, 262, 264, 290, 292, 292, 293, 321, 326, 330, 359, 368, 430, 464, 534, 542, 601),
]
TAILS = (0.10, 0.50, 0.90)


@pytest.mark.parametrize("values", [STACK_LOSS, ONE_GROSS, ROSNER])
def test_weighted_quantiles_are_those_of_the_sorted_values(values):
    distinct, units = np.unique(np.array(values), return_counts=True)
    ordered = sorted(values)
    expected = [ordered[ceil(share * len(values)) - 1] for share in TAILS]
    assert weighted_quantiles(distinct, units.astype(float), TAILS) == expected


weighed = st.lists(
    st.tuples(st.integers(0, 30), st.sampled_from([0.25, 0.5, 1.0])), min_size=2, max_size=25
)


@given(weighed, st.integers(1, 50))
def test_moving_all_units_moves_the_cutoff(units, shift):
    stable = np.array([value + 1 for value, _ in units])
    weight = np.array([w for _, w in units])

    def cutoff(off):
        pool = GroupedIntervals(stable + off, stable + off + 2, weight)
        return fit_deep_cutoff(pool, len(units), 2.0)

    here, there = cutoff(0), cutoff(shift)
    assert there == (None if here is None else here + shift)


def a_pool(*rows):
    stable, unstable, weight = (np.array(column) for column in zip(*rows, strict=True))
    return GroupedIntervals(stable, unstable, weight.astype(float))


HONEST = [(90 + d, 92 + d, 4.0) for d in (0, 4, 8, 12, 16)]


def test_nine_units_have_no_cutoff_and_ten_have():
    pool = a_pool((90, 92, 5.0), (95, 97, 4.0))
    assert fit_deep_cutoff(pool, 9, 2.0) is None
    assert fit_deep_cutoff(pool, 10, 2.0) is not None


def test_units_never_failed_or_failed_at_first_do_not_centre_the_cutoff():
    alone = fit_deep_cutoff(a_pool(*HONEST), 20, 2.0)
    beside = a_pool(*HONEST, (140, NEVER_FAILED, 1.0), (0, 60, 1.0))
    assert fit_deep_cutoff(beside, 20, 2.0) == alone


def test_rounded_numbers_have_a_cutoff_as_wide_as_the_floor():
    assert fit_deep_cutoff(a_pool((100, 101, 40.0)), 40, 5.0) == 140


def test_a_dense_cluster_near_the_median_hardly_narrows_the_cutoff():
    depths = 20 + np.arange(81)
    wide = GroupedIntervals(depths, depths + 1, np.ones(81))
    dense = GroupedIntervals(
        np.append(depths, 60), np.append(depths + 1, 62), np.append(np.ones(81), 20.0)
    )
    clean, clustered = (fit_deep_cutoff(pool, 81, 5.0) for pool in (wide, dense))
    # Without the middle 20 % the pool is an eighth narrower.
    assert 0.85 < (clustered - 60) / (clean - 60) < 1.0


def test_an_interval_is_checked_by_its_middle_and_an_open_one_by_its_pass():
    pool = a_pool(
        (120, 121, 1.0),  # its only limit is 120
        (120, 122, 1.0),  # 120 or 121
        (10, NEVER_FAILED, 1.0),
        (121, NEVER_FAILED, 1.0),
        (0, 300, 1.0),
    )
    assert np.flatnonzero(too_deep(pool, 120)).tolist() == [1, 3]
    assert not too_deep(pool, None).any()


def test_one_unit_or_one_per_cent_beyond_the_cutoff_is_excluded_and_more_remove_it():
    def cutoff(honest, deep):
        rows = [(stable, unstable, weight * honest / 20) for stable, unstable, weight in HONEST]
        return fit_deep_cutoff(a_pool(*rows, (160, 162, deep)), 21, 2.0)

    assert cutoff(20, 1.0) is not None
    assert cutoff(20, 1.01) is None
    assert cutoff(198, 2.0) is not None
    assert cutoff(198, 2.05) is None
