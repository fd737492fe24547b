import numpy as np
import pytest
from hypothesis import given, settings

from kbapi.stats.estimate.small_sample import VaguePrior, fit_sev
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.pool import spread_first_failures
from tests.stats import slow
from tests.stats.makers import a_pool, reports


@settings(max_examples=60, deadline=None)
@given(reports(deepest=20, most=8, weights=(0.5, 1.0)))
def test_each_unit_is_spread_like_the_posterior(rows):
    pool = a_pool(rows)
    fit = fit_sev(pool, 5.0, VOLTAGE_OFFSET, VaguePrior())
    limit_posterior = list(
        zip(fit.mean.tolist(), np.exp(fit.log_sd).tolist(), fit.weight.tolist(), strict=True)
    )
    placed = spread_first_failures(pool, fit)
    plain: dict[tuple[int, int], float] = {}
    for left, right, weight in slow.spread_first_failures(rows, 5.0, limit_posterior):
        plain[left, right] = plain.get((left, right), 0.0) + weight
    ends = zip(placed.stable_steps.tolist(), placed.unstable_steps.tolist(), strict=True)
    found = dict(zip(ends, placed.weight.tolist(), strict=True))
    for interval in plain.keys() | found.keys():
        assert found.get(interval, 0.0) == pytest.approx(plain.get(interval, 0.0), abs=1e-6)
    assert placed.total_weight == pytest.approx(pool.total_weight, rel=1e-6)


def test_a_pool_that_has_no_first_failures_is_unchanged():
    pool = a_pool([(3, 4, 1.0), (5, NEVER_FAILED, 2.0)])
    fit = fit_sev(pool, 5.0, VOLTAGE_OFFSET, VaguePrior())
    assert spread_first_failures(pool, fit) is pool


@pytest.mark.parametrize("failed", [1, 3, 5_000, NEVER_FAILED - 1])
def test_a_first_failure_anywhere_keeps_its_whole_weight(failed):
    pool = a_pool([(0, failed, 2.0), (40, 41, 5.0)])
    fit = fit_sev(pool, 1.0, VOLTAGE_OFFSET, VaguePrior())
    placed = spread_first_failures(pool, fit)
    assert placed.total_weight == pytest.approx(7.0)
    assert placed.unstable_steps.max() <= max(fit.deepest(), 41)
