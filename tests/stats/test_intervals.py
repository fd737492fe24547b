import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, group_intervals
from tests.stats.makers import a_pool, reports


def ends(*values):
    return np.array(values, dtype=np.int64)


@pytest.mark.parametrize(
    ("stable", "unstable", "weight", "why"),
    [
        (ends(1, 2), ends(3), np.ones(1), "one shape"),
        (ends([1]), ends([3]), np.ones((1, 1)), "one-dimensional"),
        (ends(-1), ends(3), np.ones(1), "never negative"),
        (ends(3), ends(3), np.ones(1), "deeper"),
        (ends(1), ends(3), np.zeros(1), "positive"),
        (ends(1), ends(3), np.full(1, np.inf), "finite"),
        (ends(1), ends(3), np.full(1, np.nan), "finite"),
    ],
)
def test_a_wrong_interval_is_refused_by_its_reason(stable, unstable, weight, why):
    with pytest.raises(ValueError, match=why):
        GroupedIntervals(stable, unstable, weight)


@given(reports(weights=(0.1, 0.3, 1.0)), st.randoms(use_true_random=False))
def test_grouped_sums_are_bit_identical_in_any_order(rows, random):
    shuffled = rows.copy()
    random.shuffle(shuffled)
    one, other = a_pool(rows), a_pool(shuffled)
    assert one.weight.tobytes() == other.weight.tobytes()
    assert one.total_weight == pytest.approx(sum(weight for _, _, weight in rows))
    pairs = list(zip(one.stable_steps.tolist(), one.unstable_steps.tolist(), strict=True))
    assert pairs == sorted({(left, right) for left, right, _ in rows})


def test_an_open_end_survives_grouping():
    grouped = group_intervals(ends(5, 5), ends(NEVER_FAILED, 6), np.ones(2))
    assert grouped.unstable_steps.tolist() == [6, NEVER_FAILED]
