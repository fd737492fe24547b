"""The slow second implementations are themselves held against the books."""

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
