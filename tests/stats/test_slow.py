"""The slow second implementations are themselves held against the books."""

import math

import pytest

from tests.stats import slow
from tests.stats.makers import NPMLE_VECTORS, VECTORS, a_vector_pool


@pytest.mark.parametrize("name", NPMLE_VECTORS)
def test_the_long_em_climbs_to_the_published_likelihood(name):
    pool, cells = a_vector_pool(name, mirrored=False)
    reports = list(
        zip(
            pool.stable_steps.tolist(),
            pool.unstable_steps.tolist(),
            pool.weight.tolist(),
            strict=True,
        )
    )
    masses = slow.em_masses(reports, rounds=4000)
    assert slow.log_likelihood(reports, masses) == pytest.approx(
        VECTORS[name]["answer"]["loglik"], rel=2e-6
    )
    published = {(left, right): mass for left, right, mass in cells}
    for cell, mass in masses.items():
        assert mass == pytest.approx(published.get(cell, 0.0), abs=2e-3)


def test_the_binomial_bound_is_the_published_one():
    vector = VECTORS["clopper_pearson_lower_95"]
    for (stable, failed), bound in zip(vector["data"], vector["answer"], strict=True):
        assert slow.binomial_lower(stable, failed, 0.95) == pytest.approx(bound, abs=1e-12)
        assert slow.beta_lower(stable, failed, 0.95) == pytest.approx(bound, abs=1e-12)


def test_the_start_of_a_pool_that_all_passed_is_the_depth_that_all_passed():
    reports = [(7, 8, 1.0)] * 29
    assert slow.deepest_start(reports, {(7, 8): 1.0}, 0.90, 0.95) == 7
    assert slow.deepest_start(reports[:28], {(7, 8): 1.0}, 0.90, 0.95) == 0


BALL_BEARINGS = [17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.40, 51.84, 51.96, 54.12, 55.56]
BALL_BEARINGS += [67.80, 68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04]
BALL_BEARINGS += [173.40]


def test_the_extreme_value_likelihood_peaks_at_the_published_values():
    # Lieblein & Zelen (1956) as in Lawless (1982), section 4.1: Weibull shape 2.10, scale 81.9;
    # log lifetimes are smallest extreme value with location log 81.9 and spread 1 / 2.10.
    step = 1e-4
    logs = [int(math.log(life) / step) for life in BALL_BEARINGS]
    rows = [(steps, steps + 1, 1.0) for steps in logs]

    def height(scale_: float, shape: float) -> float:
        spread = 1 / shape
        mean, sd = math.log(scale_) - 0.5772156649 * spread, spread * math.pi / math.sqrt(6)
        return slow.sev_log_likelihood(rows, step, mean, sd)

    tried = {(s, k): height(s, k) for s in (80.9, 81.9, 82.9) for k in (2.0, 2.1, 2.2)}
    assert max(tried, key=tried.get) == (81.9, 2.1)


def test_the_median_slope_is_that_of_sen_by_hand():
    # Slopes of the six pairs: 1, 1, 3, 1, 4, 7; their median is 2.
    assert slow.theil_sen([(1, 1), (2, 2), (3, 3), (4, 10)])[0] == 2.0


def test_the_spread_among_chips_is_the_least_one_without_an_excess():
    # 144 for the next chip, a quarter of it for the centre of four.
    centre, sd = slow.next_chip([100, 104, 108, 112], [0.0] * 4, 12.0, 1e-6)
    assert (centre, sd**2) == (pytest.approx(106.0), pytest.approx(144.0 + 36.0, abs=0.01))
    # Half of the precision: the last mean has the weight of one of two.
    centre, _ = slow.next_chip([100, 100, 104], [0.0, 0.0, 12.0 * 3**0.5], 12.0, 1e-6)
    assert centre == pytest.approx(100 + 4 / 9)
