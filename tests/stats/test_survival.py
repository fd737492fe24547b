import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.time.survival import fit_survival
from tests.stats.makers import VECTORS

# Kalbfleisch & Prentice and Klein & Moeschberger print these, errors by Greenwood's formula.
PUBLISHED_ERRORS = {
    6: 0.0764,
    7: 0.0869,
    10: 0.0963,
    13: 0.1068,
    16: 0.1141,
    22: 0.1282,
    23: 0.1346,
}


def six_mp() -> tuple[np.ndarray, np.ndarray]:
    """Times in remission, and whether it ended; the vector writes an exact 6 as (5.999999, 6]."""
    rows = VECTORS["freireich_6mp_exact"]["data"]
    failed = np.array([right is not None for _, right in rows])
    days = np.array([left if right is None else right for left, right in rows], dtype=np.int64)
    return days, failed


def slow_curve(days, failed, weight, day):
    """Kaplan-Meier and Greenwood's sum as their definitions are printed."""
    share, greenwood = 1.0, 0.0
    for event in sorted({d for d, f in zip(days, failed, strict=True) if f and d <= day}):
        at_risk = sum(w for d, w in zip(days, weight, strict=True) if d >= event)
        fell = sum(w for d, f, w in zip(days, failed, weight, strict=True) if f and d == event)
        share *= 1 - fell / at_risk
        if at_risk - fell > 1e-9:
            greenwood += fell / (at_risk * (at_risk - fell))
    return share, greenwood


def test_the_published_remissions_have_their_published_shares_and_errors():
    curve = fit_survival(*six_mp(), np.ones(21))
    for week, share in VECTORS["freireich_6mp_exact"]["published"]["KM"].items():
        found = curve.after(int(week), 0.95)
        assert found.share == pytest.approx(share, abs=5e-4)
        assert found.error == pytest.approx(PUBLISHED_ERRORS[int(week)], abs=6e-5)
    assert curve.days.tolist() == [6, 7, 10, 13, 16, 22, 23]


def test_the_likeliest_masses_of_the_vector_are_the_steps_of_the_curve():
    curve = fit_survival(*six_mp(), np.ones(21))
    masses = [mass for *_, mass in VECTORS["freireich_6mp_exact"]["answer"]["cells"]]
    assert -np.diff(curve.share) == pytest.approx(masses[:-1], abs=1e-9)
    assert curve.share[-1] == pytest.approx(masses[-1], abs=1e-9)


def test_the_interval_is_the_log_log_one_by_hand():
    found = fit_survival(*six_mp(), np.ones(21)).after(10, 0.95)
    spread = 1.959964 * (found.error / found.share) / -math.log(found.share)
    assert found.low == pytest.approx(found.share ** math.exp(spread), abs=1e-6)
    assert found.high == pytest.approx(found.share ** math.exp(-spread), abs=1e-6)


followed = st.lists(
    st.tuples(st.integers(0, 9), st.booleans(), st.sampled_from([0.5, 1.0])), min_size=1, max_size=9
)


@given(followed, st.integers(0, 10))
def test_the_curve_is_that_of_the_definitions(rows, day):
    days, failed, weight = (np.array(column) for column in zip(*rows, strict=True))
    found = fit_survival(days, failed, weight).after(day, 0.9)
    share, greenwood = slow_curve(days, failed, weight, day)
    assert found.share == pytest.approx(share, abs=1e-9)
    assert found.error == pytest.approx(share * math.sqrt(greenwood), abs=1e-9)
    assert 0.0 <= found.low <= found.share + 1e-9
    assert found.share - 1e-9 <= found.high <= 1.0
    had_failed = failed & (days <= day)
    assert found.known == pytest.approx(weight[had_failed | (days >= day)].sum())
    assert found.followed == pytest.approx(weight[~had_failed & (days >= day)].sum())


@given(followed, st.randoms(use_true_random=False), st.integers(0, 10))
def test_neither_order_nor_splitting_a_weight_matters(rows, random, day):
    def share_after(some):
        days, failed, weight = (np.array(column) for column in zip(*some, strict=True))
        return fit_survival(days, failed, weight).after(day, 0.9)

    shuffled = random.sample(rows, len(rows))
    assert share_after(shuffled) == share_after(rows)
    halves = [(day, failed, weight / 2) for day, failed, weight in rows for _ in range(2)]
    assert share_after(halves).low == pytest.approx(share_after(rows).low, abs=1e-9)


def test_where_nothing_failed_the_lower_end_is_the_exact_binomial_one():
    found = fit_survival(np.full(30, 100), np.zeros(30, bool), np.ones(30)).after(90, 0.90)
    assert (found.share, found.high) == (1.0, 1.0)
    assert found.low == pytest.approx(0.05 ** (1 / 30))
    none_followed = fit_survival(np.full(30, 80), np.zeros(30, bool), np.ones(30)).after(90, 0.90)
    assert (none_followed.low, none_followed.high, none_followed.known) == (0.0, 1.0, 0.0)


@pytest.mark.parametrize(
    ("days", "weight", "confidence"), [([-1], [1.0], 0.9), ([1], [0.0], 0.9), ([1], [1.0], 1.0)]
)
def test_invalid_arguments_are_refused(days, weight, confidence):
    with pytest.raises(ValueError, match=r"negative|confidence"):
        fit_survival(np.array(days), np.array([True]), np.array(weight)).after(1, confidence)
