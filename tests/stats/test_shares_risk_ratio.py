import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.locks.shares import estimate_risk_ratio

units = st.integers(0, 60)


def test_a_risk_ratio_is_walters_by_hand():
    found = estimate_risk_ratio(12, 12, 8, 72)
    ratio = (12.5 / 24.5) / (8.5 / 80.5)
    error = math.sqrt(1 / 12.5 - 1 / 24.5 + 1 / 8.5 - 1 / 80.5)
    assert found.ratio == pytest.approx(ratio)
    assert found.lower == pytest.approx(ratio * math.exp(-1.6448536 * error))
    assert (found.with_change.units, found.without_change.units) == (24, 80)


@given(units, units, units, units)
def test_the_bound_never_passes_the_ratio_and_shares_lie_in_their_intervals(a, b, c, d):
    found = estimate_risk_ratio(a, b, c, d)
    assert 0 < found.lower <= found.ratio + 1e-12
    for share in (found.with_change, found.without_change):
        assert 0 <= share.low <= share.share <= share.high <= 1


@given(units, units, units, units)
def test_one_more_failure_after_the_change_raises_the_bound(a, b, c, d):
    assert estimate_risk_ratio(a + 1, b, c, d).lower > estimate_risk_ratio(a, b + 1, c, d).lower


def test_the_bound_lies_below_the_true_ratio_as_often_as_its_confidence():
    rng = np.random.default_rng(1)
    below = []
    for _ in range(1000):
        with_it, without = rng.binomial(40, 0.3), rng.binomial(80, 0.1)
        below.append(estimate_risk_ratio(with_it, 40 - with_it, without, 80 - without).lower <= 3.0)
    assert np.mean(below) >= 0.93


def test_negative_weights_are_refused():
    with pytest.raises(ValueError, match="negative"):
        estimate_risk_ratio(-1, 1, 1, 1)
