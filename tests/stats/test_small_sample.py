import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.small_sample import (
    Bell,
    BellPrior,
    Shape,
    VaguePrior,
    fit_sev,
    fit_shape,
)
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import COUNT_OFFSET, FIXED_CLOCK_VOLTAGE, VOLTAGE_OFFSET
from kbapi.stats.start.blend import LimitPosterior
from tests.stats import slow
from tests.stats.makers import a_pool, reports

BELLS = BellPrior(Bell(110.0, 14.0), Bell(3.1, 0.25))


def posterior_of(fit):
    return LimitPosterior((fit,), np.ones(1))


def in_logs(prior, scale):
    def density(mean, log_sd):
        return float(prior.log_density(np.array([mean]), np.array([log_sd]), scale)[0])

    return density


@settings(max_examples=15, deadline=None)
@given(
    reports(deepest=30, most=8, weights=(0.5, 1.0)),
    st.sampled_from([VaguePrior(), BELLS]),
    st.sampled_from([0.0, 0.03, 0.3]),
)
def test_the_posterior_is_that_of_one_fine_grid_over_the_whole_box(rows, prior, contamination):
    fit = fit_shape(
        a_pool(rows),
        5.0,
        VOLTAGE_OFFSET,
        prior,
        Shape.SMALLEST_EXTREME,
        contamination=contamination,
    )
    density = in_logs(prior, VOLTAGE_OFFSET)
    limit_posterior = slow.sev_posterior(
        rows, 5.0, VOLTAGE_OFFSET, density, contamination=contamination
    )
    assert fit.weight.sum() == pytest.approx(1.0)
    assert fit.expected_mean() == pytest.approx(sum(m * p for m, _, p in limit_posterior), abs=0.6)
    plain = sum(math.log(sd) * p for _, sd, p in limit_posterior)
    assert fit.expected_log_sd() == pytest.approx(plain, abs=0.02)
    for share, level in [(0.9, 0.05), (0.9, 0.95), (0.5, 0.5)]:
        depth_mv = 5.0 * float(posterior_of(fit).depth_at(share, np.array([level]))[0])
        plain = slow.sev_depth_quantile(limit_posterior, share, level)
        assert depth_mv == pytest.approx(plain, abs=2.5)


def test_survival_is_the_formula_and_half_the_units_reach_the_median():
    fit = fit_sev(a_pool([(20, 21, 40.0)]), 5.0, VOLTAGE_OFFSET, VaguePrior())
    plain = slow.sev_survival(95.0, float(fit.mean[7]), math.exp(float(fit.log_sd[7])))
    assert fit.share_at([0, 19])[:, 7].tolist() == pytest.approx([1.0, plain])
    median = fit.depths_of(0.5)[7]
    spread = math.exp(float(fit.log_sd[7])) * math.sqrt(6) / math.pi
    location = float(fit.mean[7]) + 0.5772156649 * spread
    assert median * 5.0 == pytest.approx(location + spread * math.log(math.log(2)))


@pytest.mark.parametrize("scale", [VOLTAGE_OFFSET, COUNT_OFFSET, FIXED_CLOCK_VOLTAGE])
@pytest.mark.parametrize("prior", [VaguePrior(), BellPrior(Bell(30.0, 9.0), Bell(2.0, 0.3))])
def test_a_prior_holds_all_of_its_mass_in_the_box(scale, prior):
    mean, log_sd = np.meshgrid(
        np.linspace(scale.mean_low, scale.mean_high, 801),
        np.linspace(math.log(scale.sd_low), math.log(scale.sd_high), 401),
    )
    height = np.exp(prior.log_density(mean, log_sd, scale))
    area = (scale.mean_high - scale.mean_low) * math.log(scale.sd_high / scale.sd_low)
    assert height.mean() * area == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("units", [1e-6, 1.0, 1e3, 1e6])
@pytest.mark.parametrize(
    "interval", [(0, 1), (1, 2), (20, 400), (0, 100_000), (90_000, NEVER_FAILED), (7, NEVER_FAILED)]
)
def test_extreme_evidence_has_a_finite_posterior(interval, units):
    fit = fit_sev(a_pool([(*interval, units)]), 125 / 128, VOLTAGE_OFFSET, BELLS)
    assert fit.weight.sum() == pytest.approx(1.0)
    assert np.isfinite(posterior_of(fit).depth_at(0.9, np.array([0.02, 0.5, 0.98]))).all()


def test_many_units_narrow_the_posterior_to_the_likeliest_distribution():
    rng = np.random.default_rng(7)
    limits = np.floor(120 + 15 * np.log(rng.exponential(size=20_000))).astype(int)
    pool = a_pool([(int(limit), int(limit) + 1, 1.0) for limit in limits if limit > 0])
    fit = fit_sev(pool, 1.0, VOLTAGE_OFFSET, VaguePrior())
    # location 120 and spread 15 are mean 120 - 0.577 * 15 and sd 15 pi / sqrt(6).
    assert fit.expected_mean() == pytest.approx(111.34, abs=0.5)
    assert math.exp(fit.expected_log_sd()) == pytest.approx(19.24, abs=0.4)
