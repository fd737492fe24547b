import numpy as np
import pytest

from kbapi.stats.estimate.small_sample import (
    Bell,
    BellPrior,
    Shape,
    ShapePrior,
    VaguePrior,
    deviations_at,
    fit_shape,
    survival,
)
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.blend import fit_posterior
from tests.stats import slow
from tests.stats.makers import a_pool

ROWS = [(10, 12, 3.0), (14, 15, 2.0), (18, 1 << 30, 4.0), (0, 11, 1.0)]
PRIOR = BellPrior(Bell(90.0, 15.0), Bell(3.0, 0.3))


@pytest.mark.parametrize("shape", Shape)
def test_each_share_is_the_formula(shape):
    depths = np.array([1.0, 60.0, 100.0, 140.0, 1e5])
    found = survival(shape, (depths - 100.0) / 25.0)
    plain = [slow.survival(shape, depth, 100.0, 25.0) for depth in depths]
    assert found.tolist() == pytest.approx(plain, abs=1e-14)


@pytest.mark.parametrize("shape", Shape)
@pytest.mark.parametrize("share", [0.001, 0.1, 0.5, 0.9, 0.999])
def test_the_depth_of_a_share_has_that_share(shape, share):
    assert survival(shape, np.array([deviations_at(shape, share)]))[0] == pytest.approx(share)


@pytest.mark.parametrize("shape", Shape)
def test_mean_and_standard_deviation_are_those_of_the_shape(shape):
    shares = (np.arange(100_000) + 0.5) / 100_000
    drawn = np.array([deviations_at(shape, share) for share in shares[::20]])
    assert drawn.mean() == pytest.approx(0.0, abs=2e-3)
    assert drawn.std() == pytest.approx(1.0, abs=1e-2)


@pytest.mark.parametrize("shape", Shape)
def test_half_the_power_of_the_likelihood_is_half_the_units(shape):
    halved = a_pool([(left, right, weight / 2) for left, right, weight in ROWS])
    trusted = fit_shape(a_pool(ROWS), 5.0, VOLTAGE_OFFSET, PRIOR, shape, trust=0.5)
    plain = fit_shape(halved, 5.0, VOLTAGE_OFFSET, PRIOR, shape)
    assert trusted.weight == pytest.approx(plain.weight, abs=1e-12)
    assert trusted.log_evidence == pytest.approx(plain.log_evidence)


@pytest.mark.parametrize("shape", Shape)
def test_the_evidence_is_the_integral_over_the_whole_box(shape):
    fit = fit_shape(a_pool(ROWS), 5.0, VOLTAGE_OFFSET, PRIOR, shape)
    means = np.linspace(20, 220, 201)[:-1] + 0.5
    log_sds = np.log(5) + (np.arange(60) + 0.5) / 60 * np.log(70 / 5)
    total = 0.0
    for mean in means:
        for log_sd in log_sds:
            inside = [
                slow.survival(shape, 5.0 * left, mean, np.exp(log_sd))
                - (
                    0.0
                    if right == 1 << 30
                    else slow.survival(shape, 5.0 * right, mean, np.exp(log_sd))
                )
                for left, right, _ in ROWS
            ]
            height = sum(
                w * np.log(max(p, 1e-300)) for (*_, w), p in zip(ROWS, inside, strict=True)
            )
            point = PRIOR.log_density(np.array([mean]), np.array([log_sd]), VOLTAGE_OFFSET)[0]
            total += np.exp(height + point)
    area = 1.0 * np.log(70 / 5) / 60
    assert fit.log_evidence == pytest.approx(np.log(total * area), abs=0.02)


def test_shapes_are_averaged_by_their_posterior_probabilities():
    priors = [
        ShapePrior(shape, chance, VaguePrior())
        for shape, chance in zip(Shape, (0.5, 0.3, 0.2), strict=True)
    ]
    limit_posterior = fit_posterior(a_pool(ROWS), 5.0, VOLTAGE_OFFSET, priors, 1.0)
    odds = [
        p.chance * np.exp(part.log_evidence)
        for p, part in zip(priors, limit_posterior.parts, strict=True)
    ]
    assert limit_posterior.chances.tolist() == pytest.approx([odd / sum(odds) for odd in odds])
    assert limit_posterior.weight.sum() == pytest.approx(1.0)
    assert limit_posterior.share_at([5, 9]).shape == (2, len(limit_posterior.weight))
    level = np.array([0.3])
    depth = limit_posterior.depth_at(0.9, level)
    below = sum(
        chance * part.weight[part.depths_of(0.9) <= depth[0]].sum()
        for part, chance in zip(limit_posterior.parts, limit_posterior.chances, strict=True)
    )
    assert below == pytest.approx(0.3, abs=0.03)
