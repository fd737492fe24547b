import numpy as np
import pytest

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.outlier_cutoffs import place_contributors
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, group_intervals


def placed(stable, unstable, who):
    stable, unstable, who = (np.array(column) for column in (stable, unstable, who))
    weight = np.ones(len(stable))
    fit = fit_npmle(group_intervals(stable, unstable, weight))
    pool = GroupedIntervals(stable, unstable, weight)
    return place_contributors(pool, who, fit)


def test_the_z_value_is_the_sum_of_mid_distribution_scores_by_hand():
    # Exact limits 1, 2, 3, 4: F is 0, 1/4, 1/2, 3/4, 1 at the ends.
    found = placed([1, 2, 3, 4], [2, 3, 4, 5], [7, 7, 9, 9])
    variance = (1 - (1 / 4) ** 2) / 12
    scores = np.array([1 / 8, 3 / 8, 5 / 8, 7 / 8]) - 1 / 2
    assert found.contributor.tolist() == [7, 9]
    assert found.units.tolist() == [2, 2]
    # Two units by themselves, against a distribution that is known from four.
    spread = np.sqrt(2 * variance + 2**2 * variance / 4)
    z = [scores[:2].sum() / spread, scores[2:].sum() / spread]
    assert found.z == pytest.approx(z)


def test_deep_and_shallow_are_mirror_images():
    rng = np.random.default_rng(3)
    limit = rng.integers(40, 80, 60)
    who = np.arange(60) % 6
    one = placed(limit, limit + 3, who)
    other = placed(120 - limit - 2, 120 - limit + 1, who)
    assert one.z == pytest.approx(-other.z, abs=1e-9)


def test_units_of_which_nothing_is_known_leave_a_contributor_in_the_middle():
    # The open interval holds all of the mass.
    found = placed([10, 12, 1], [11, 13, NEVER_FAILED], [1, 1, 2])
    assert found.z[1] == 0


def test_honest_contributors_hardly_ever_lie_beyond_four():
    rng = np.random.default_rng(4)
    worst = []
    for _ in range(200):
        limit = rng.normal(100, 20, 100).astype(int)
        step = rng.choice([5, 10, 25], 100)
        stable = limit // step * step
        who = rng.permutation(np.repeat(np.arange(20), 5))
        worst.append(np.abs(placed(stable, stable + step, who).z).max())
    assert np.mean(np.array(worst) > 4) <= 0.01
    assert np.median(worst) > 1.5


def test_a_contributor_of_more_units_than_the_pool_weighs_does_not_get_the_pools_error():
    # All who send without a token are one: many honest units that weigh three in the fit.
    rng = np.random.default_rng(5)
    far = []
    for _ in range(200):
        limit = rng.normal(110, 25, 1_100).astype(int)
        low, high = limit - rng.integers(0, 5, 1_100), limit + rng.integers(1, 10, 1_100)
        weight = np.where(np.arange(1_100) < 1_000, 3 / 1_000, 1.0)
        fit = fit_npmle(group_intervals(low, high, weight))
        many = GroupedIntervals(low[:1_000], high[:1_000], weight[:1_000])
        far.append(abs(place_contributors(many, np.zeros(1_000, dtype=np.int64), fit).z[0]))
    assert np.mean(np.array(far) > 4) <= 0.01
    assert np.median(far) > 0.3
