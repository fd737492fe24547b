import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.stats.start.pool import fit_stock_line
from tests.stats import slow

CLOCKS, VOLTAGES = st.sampled_from([1500.0, 1550.0, 1600.0, 1800.0]), st.integers(600, 900)


@given(st.lists(st.tuples(CLOCKS, VOLTAGES), min_size=1, max_size=15))
def test_the_line_is_the_median_of_all_pairs_by_hand(points):
    clock, stock = np.array(points, dtype=float).T
    slope, level = slow.theil_sen([(x, float(y)) for x, y in points])
    line = fit_stock_line(clock, stock)
    assert line.slope_mv_per_mhz == pytest.approx(slope)
    assert line.at(1700.0).stock_mv == pytest.approx(level + slope * 1700.0)


def test_a_quarter_of_wild_voltages_does_not_move_a_straight_line():
    clock = np.linspace(1500, 2000, 41)
    stock = 700 + 0.2 * (clock - 1500)
    stock[::4] = 1400
    assert fit_stock_line(clock, stock).at(1750.0).stock_mv == pytest.approx(750.0, abs=8)


@pytest.mark.parametrize(
    ("clock", "distance"), [(1600.0, 0.0), (1630.0, 30.0), (1720.0, 80.0), (2000.0, 200.0)]
)
def test_the_answer_says_how_far_the_nearest_data_are(clock, distance):
    line = fit_stock_line(np.array([1500.0, 1600.0, 1800.0]), np.array([700.0, 720.0, 760.0]))
    assert line.at(clock).distance_mhz == distance


def test_many_reports_in_any_order_give_one_line_at_once():
    rng = np.random.default_rng(3)
    clock = rng.uniform(1500, 1600, 100_000)
    stock = 700 + 0.2 * (clock - 1500) + rng.normal(0, 10, len(clock))
    line = fit_stock_line(clock, stock)
    order = rng.permutation(len(clock))
    assert fit_stock_line(clock[order], stock[order]).at(1550.0) == line.at(1550.0)
    assert line.at(1550.0).stock_mv == pytest.approx(710.0, abs=1.0)


def test_no_report_or_one_half_of_one_is_refused():
    for clock, stock in [(np.zeros(0), np.zeros(0)), (np.ones(2), np.ones(1))]:
        with pytest.raises(ValueError, match="stock line"):
            fit_stock_line(clock, stock)
