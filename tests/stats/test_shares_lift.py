import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.locks.shares import lift_of

units = st.integers(0, 60)


def test_a_lift_is_walters_by_hand():
    found = lift_of(12, 12, 8, 72)
    ratio = (12.5 / 24.5) / (8.5 / 80.5)
    error = math.sqrt(1 / 12.5 - 1 / 24.5 + 1 / 8.5 - 1 / 80.5)
    assert found.ratio == pytest.approx(ratio)
    assert found.at_least == pytest.approx(ratio * math.exp(-1.6448536 * error))
    assert (found.with_it.units, found.without.units) == (24, 80)


@given(units, units, units, units)
def test_the_bound_never_passes_the_ratio_and_shares_lie_in_their_intervals(a, b, c, d):
    found = lift_of(a, b, c, d)
    assert 0 < found.at_least <= found.ratio + 1e-12
    for share in (found.with_it, found.without):
        assert 0 <= share.low <= share.share <= share.high <= 1


@given(units, units, units, units)
def test_one_more_failure_after_the_change_raises_the_bound(a, b, c, d):
    assert lift_of(a + 1, b, c, d).at_least > lift_of(a, b + 1, c, d).at_least


def test_the_bound_lies_below_the_true_ratio_as_often_as_it_says():
    rng = np.random.default_rng(1)
    below = []
    for _ in range(1000):
        with_it, without = rng.binomial(40, 0.3), rng.binomial(80, 0.1)
        below.append(lift_of(with_it, 40 - with_it, without, 80 - without).at_least <= 3.0)
    assert np.mean(below) >= 0.93


def test_negative_weights_are_refused():
    with pytest.raises(ValueError, match="negative"):
        lift_of(-1, 1, 1, 1)
