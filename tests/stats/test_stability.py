from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.siblings import Level, Siblings
from kbapi.stats.intervals import Grid
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.stability import stability_curve
from tests.calibration._drawn import draw_pools, draw_world
from tests.stats import slow
from tests.stats.makers import a_pool, reports
from tests.stats.test_npmle import EXTREME, masses_of
from tests.stats.test_start import NO_UNITS, SERIES


def a_curve(pool, siblings=SERIES):
    return stability_curve(pool, siblings, Grid(Fraction(5)), VOLTAGE_OFFSET, 0.95)


def a_valid(band):
    assert band.share.shape == band.lower.shape == band.upper.shape
    assert np.all((band.lower >= 0) & (band.upper <= 1))
    assert np.all((band.lower <= band.share + 1e-12) & (band.share <= band.upper + 1e-12))
    for line in (band.lower, band.share, band.upper):
        assert np.all(np.diff(line) <= 1e-12)
    return band


@settings(max_examples=60, deadline=None)
@given(reports(weights=(1.0, 20.0)))
def test_the_own_band_is_the_safe_monotone_one_around_clopper_and_pearson(rows):
    # No first failures: their place would come from the posterior.
    rows = [row for row in rows if row[0] > 0] + [(3, 4, 10.0)]
    own = a_valid(a_curve(a_pool(rows)).own)
    masses = masses_of(fit_npmle(a_pool(rows)))
    single = []
    for depth in range(len(own.share)):
        n, s = slow.known(rows, depth), slow.share(masses, depth)
        most = sum(m for (_, right), m in masses.items() if right > depth)
        assert own.share[depth] == pytest.approx(s, abs=1e-12)
        lower = slow.beta_lower(n * s, n * (1 - s), 0.95)
        single.append((lower, 1 - slow.beta_lower(n * (1 - most), n * most, 0.95)))
    for depth in range(len(single)):
        shallowest = min(lower for lower, _ in single[: depth + 1])
        assert own.lower[depth] == pytest.approx(shallowest, abs=1e-9)
        assert own.upper[depth] == pytest.approx(max(u for _, u in single[depth:]), abs=1e-9)


def test_where_fewer_units_are_known_the_bounds_stay_on_the_safe_side():
    # 100 units straddle depths 11 to 19; below them 100 more are known again.
    own = a_valid(a_curve(a_pool([(10, 20, 100.0), (30, 31, 100.0), (5, 6, 3.0)])).own)
    assert own.lower[20] == own.lower[15] < slow.beta_lower(100, 103, 0.95)
    assert own.upper[1] == 1.0


def test_bands_never_rise_with_depth_in_drawn_pools():
    for seed in range(1, 25):
        drawn = draw_world(seed)
        (pool,) = draw_pools(np.random.default_rng(seed), drawn, 10 + 8 * seed, 1)
        rows = zip(pool.stable.tolist(), pool.unstable.tolist(), strict=True)
        curve = a_curve(a_pool([(*row, 1.0) for row in rows]))
        a_valid(curve.own)
        a_valid(curve.borrowed)


def test_own_and_borrowed_bands_are_separate():
    curve = a_curve(a_pool([(10, 11, 50.0), (14, 15, 50.0)]))
    alone = a_curve(a_pool([(10, 11, 50.0), (14, 15, 50.0)]), Siblings())
    assert curve.own.share.tolist() == alone.own.share.tolist()
    fewer = a_curve(a_pool([(3, 4, 1.0)]))
    assert curve.borrowed.share.tolist() == fewer.borrowed.share.tolist()
    assert (curve.own.units, curve.borrowed.units) == (100.0, 400.0)
    assert (curve.level, alone.level) == (Level.SERIES, Level.NONE)


def test_without_units_of_a_kind_its_band_is_empty():
    assert a_curve(NO_UNITS).own.share.shape == (0,)
    assert a_curve(NO_UNITS, Siblings()).borrowed.share.shape == (0,)


def test_the_borrowed_band_starts_at_certainty_and_ends_at_a_negligible_share():
    borrowed = a_valid(a_curve(NO_UNITS).borrowed)
    assert borrowed.share[0] == borrowed.lower[0] == pytest.approx(1.0)
    assert borrowed.share[-1] < 0.005
    # Half of the units of chips at 98..118 mV with sd 18 reach about 110 mV, 22 steps of 5.
    assert borrowed.share[22] == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize("name", EXTREME)
def test_extreme_evidence_has_valid_bands(name):
    curve = a_curve(a_pool(EXTREME[name]))
    a_valid(curve.own)
    a_valid(curve.borrowed)
    assert curve.converged


@pytest.mark.parametrize("wrong", [0.0, 1.0, float("nan")])
def test_a_confidence_outside_its_range_is_refused(wrong):
    with pytest.raises(ValueError, match="confidence"):
        stability_curve(NO_UNITS, SERIES, Grid(Fraction(5)), VOLTAGE_OFFSET, wrong)


def test_a_confidence_next_to_one_still_has_a_band():
    curve = stability_curve(NO_UNITS, SERIES, Grid(Fraction(5)), VOLTAGE_OFFSET, 1 - 1e-16)
    a_valid(curve.borrowed)
    assert curve.borrowed.upper[20] > 0.99
