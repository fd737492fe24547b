from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.siblings import Level, Siblings
from kbapi.stats.intervals import Grid
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.stability import stability_curve
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
    assert np.all(np.diff(band.share) <= 1e-12)
    return band


@settings(max_examples=60, deadline=None)
@given(reports(weights=(1.0, 20.0)))
def test_the_own_band_is_clopper_pearson_at_both_ends_at_every_whole_depth(rows):
    # No first failures: their place would come from the posterior.
    rows = [row for row in rows if row[0] > 0] + [(3, 4, 10.0)]
    own = a_valid(a_curve(a_pool(rows)).own)
    masses = masses_of(fit_npmle(a_pool(rows)))
    for depth in range(len(own.share)):
        n, s = slow.known(rows, depth), slow.share(masses, depth)
        most = sum(m for (_, right), m in masses.items() if right > depth)
        assert own.share[depth] == pytest.approx(s, abs=1e-12)
        assert own.lower[depth] == pytest.approx(
            slow.beta_lower(n * s, n * (1 - s), 0.95), abs=1e-9
        )
        upper = 1 - slow.beta_lower(n * (1 - most), n * most, 0.95)
        assert own.upper[depth] == pytest.approx(upper, abs=1e-9)


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
