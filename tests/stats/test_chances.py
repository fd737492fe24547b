"""The distribution of one more unit's limit: whole, between its two parents, true on average."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import COUNT_OFFSET, FIXED_CLOCK_VOLTAGE, VOLTAGE_OFFSET
from kbapi.stats.search.chances import (
    LONG_RUNS_MINUTES,
    LimitChances,
    Run,
    chances_of_unit,
    confirming_minutes,
    limit_chances,
    missed_failure,
    weak_limit_chances,
)
from kbapi.stats.start.pool import fit_pool
from tests.calibration.testers import STEP_MV, TRUTHS, a_tested_pool
from tests.stats.makers import a_pool, reports

DEEPEST = 163


def chances_of(pool, step=STEP_MV, deepest=DEEPEST):
    return limit_chances(fit_pool(pool, Siblings(), step, VOLTAGE_OFFSET), deepest)


@settings(max_examples=60, deadline=None)
@given(reports(deepest=30, most=20), st.integers(1, 60))
def test_the_chances_of_every_pool_are_a_distribution_without_holes(reports_of_pool, deepest):
    mass = chances_of(a_pool(reports_of_pool), step=5.0, deepest=deepest)
    assert mass.shape == (deepest + 1,)
    assert mass.sum() == pytest.approx(1.0)
    # A unit unlike the pool is never impossible.
    assert mass.min() >= 0.009 / (deepest + 1)


@pytest.mark.parametrize(
    ("never_failed", "deepest", "computed"), [(0, 60, 0), (9, 60, 1), (9, 20, 0)]
)
def test_many_units_need_the_posterior_only_beyond_their_deepest_failure(
    never_failed, deepest, computed
):
    rows = [(10 + u % 9, 12 + u % 9, 1.0) for u in range(400)]
    rows += [(25, NEVER_FAILED, 1.0)] * never_failed
    pool = fit_pool(a_pool(rows), Siblings(), 5.0, VOLTAGE_OFFSET)
    calls = []

    def posterior():
        calls.append(1)
        return pool.bound.posterior

    counted = replace(pool, bound=replace(pool.bound, posterior_of=posterior))
    limit_chances(counted, deepest)
    assert len(calls) == computed


def true_failing(truth, rng):
    """Chance that a unit fails at each step, by many draws."""
    steps = np.floor(np.maximum(truth.draw(rng, 20_000), 0) / STEP_MV)
    return np.mean(steps[:, None] < np.arange(DEEPEST + 1), axis=0)


@pytest.mark.parametrize("units", [3, 20, 65, 100, 1000])
@pytest.mark.parametrize("truth", TRUTHS, ids=lambda truth: truth.name)
def test_a_shallow_failure_is_hardly_less_likely_than_it_is(truth, units):
    rngs = [np.random.default_rng([seed, units]) for seed in range(7, 11)]
    masses = [chances_of(a_tested_pool(rng, truth, units)) for rng in rngs]
    failing = np.array([np.cumsum(mass) - mass for mass in masses])
    true = true_failing(truth, rngs[0])
    missing = (true - failing)[:, true <= 0.3].max(axis=1)
    # Three standard deviations of the empirical share 0.3, and 0.20 below 48 units.
    assert missing.max() < min(3.0 * np.sqrt(0.3 * 0.7 / units), 0.20)
    assert (true - failing.mean(axis=0))[true <= 0.3].max() < 0.10


@pytest.mark.parametrize(("units", "allowed"), [(100, 0.16), (1000, 0.08)])
@pytest.mark.parametrize("truth", TRUTHS, ids=lambda truth: truth.name)
def test_for_many_units_the_chances_follow_their_limits(truth, units, allowed):
    rng = np.random.default_rng([7, units])
    mass = chances_of(a_tested_pool(rng, truth, units))
    assert np.abs(np.cumsum(mass) - mass - true_failing(truth, rng)).max() < allowed


def test_the_chances_change_little_with_one_more_unit():
    rng = np.random.default_rng(11)
    for units in (29, 30, 64, 99, 100):
        before = chances_of(a_tested_pool(np.random.default_rng(5), TRUTHS[0], units))
        after = chances_of(a_tested_pool(np.random.default_rng(5), TRUTHS[0], units))
        assert np.array_equal(before, after)
        more = a_tested_pool(np.random.default_rng(5), TRUTHS[0], units)
        joined = a_pool(
            [
                *zip(more.stable_steps, more.unstable_steps, more.weight, strict=True),
                (int(rng.integers(70, 120)), NEVER_FAILED, 1.0),
            ]
        )
        assert np.abs(np.cumsum(chances_of(joined)) - np.cumsum(before)).max() < 0.05


def test_the_chances_are_conditioned_on_the_runs_of_the_same_machine():
    mass = chances_of(a_tested_pool(np.random.default_rng(3), TRUTHS[0], 50))
    unit = chances_of_unit(mass, 80, 100)
    assert unit.mass == pytest.approx(mass[80:100] / mass[80:100].sum())
    assert (unit.stable_steps, unit.unstable_steps, unit.is_open) == (80, 100, False)
    never = chances_of_unit(mass, 80, NEVER_FAILED)
    assert (never.unstable_steps, never.is_open) == (DEEPEST + 1, True)


def test_a_unit_that_passed_beyond_the_deepest_allowed_has_nothing_left_to_try():
    unit = chances_of_unit(np.full(11, 1 / 11), 14, NEVER_FAILED)
    assert (unit.unstable_steps, unit.is_open) == (15, True)
    assert unit.mass.tolist() == [1.0]


def test_a_failure_beyond_the_deepest_allowed_leaves_the_search_open():
    mass = np.full(11, 1 / 11)
    assert chances_of_unit(mass, 2, 20).is_open
    assert not chances_of_unit(mass, 2, 11).is_open


def test_invalid_steps_are_refused():
    with pytest.raises(ValueError, match="deeper"):
        chances_of_unit(np.full(4, 0.25), 3, 3)
    pool = fit_pool(a_pool([(3, 4, 5.0)]), Siblings(), 5.0, VOLTAGE_OFFSET)
    with pytest.raises(ValueError, match="allowed"):
        limit_chances(pool, 0)


def simulated_chances(mass, runs, rng, draws=400_000):
    """The share of units with each limit, among drawn units that show exactly these runs."""
    limit = rng.choice(len(mass), draws, p=mass)
    agrees = np.ones(draws, dtype=bool)
    for run in runs:
        is_stable = limit >= run.steps
        passes = np.where(is_stable, 0.95, missed_failure(run.minutes))
        agrees &= (rng.random(draws) < passes) == run.is_stable
    return np.bincount(limit[agrees], minlength=len(mass)) / agrees.sum()


@pytest.mark.parametrize(
    "runs",
    [
        [Run(3, 5.0, True)],
        [Run(3, 5.0, True), Run(5, 5.0, False)],
        [Run(2, 20.0, True), Run(3, 1.0, True), Run(6, 5.0, False), Run(5, 5.0, False)],
    ],
)
def test_the_chances_after_noisy_runs_are_those_of_simulated_units(runs):
    mass = np.array([0.05, 0.05, 0.1, 0.15, 0.2, 0.2, 0.15, 0.1])
    stable = max((one.steps for one in runs if one.is_stable), default=0)
    unstable = min((one.steps for one in runs if not one.is_stable), default=NEVER_FAILED)
    found = chances_of_unit(mass, stable, unstable, runs, failed_minutes=5.0)
    wanted = simulated_chances(mass, runs, np.random.default_rng(5))
    end = min(unstable, 8)
    assert found.false_pass == pytest.approx(wanted[:stable].sum(), abs=0.01)
    inside = wanted[stable:end].copy()
    inside[0] += wanted[:stable].sum()
    inside[-1] += wanted[end:].sum()
    assert found.mass == pytest.approx(inside, abs=0.01)


def test_a_longer_pass_leaves_less_doubt_and_passes_at_one_setting_add_up():
    even = np.full(50, 0.02)

    def doubt(*runs):
        return chances_of_unit(even, 20, NEVER_FAILED, runs).false_pass

    passes = [doubt(Run(20, minutes, True)) for minutes in (1, 5, 20, 60, 240)]
    assert passes == sorted(passes, reverse=True)
    assert doubt(*[Run(20, 5.0, True)] * 4) == pytest.approx(doubt(Run(20, 20.0, True)))
    assert missed_failure(5.0) == pytest.approx(0.3)


@pytest.mark.parametrize("false_pass", [0.0, 0.01, 0.06, 0.2, 0.6, 0.99])
@pytest.mark.parametrize("passed", [1.0, 20.0, 40.0, 100.0, 300.0])
def test_the_confirming_run_is_the_shortest_after_which_little_doubt_is_left(false_pass, passed):
    unit = LimitChances(9, np.ones(1), is_open=True, before=np.full(9, false_pass / 9))
    found = confirming_minutes(unit, passed)
    if (false_pass <= 0.05 and passed >= 30) or passed >= LONG_RUNS_MINUTES[-1]:
        assert found is None
        return

    def doubt_after(minutes):
        unstable = false_pass * missed_failure(passed + minutes) / missed_failure(passed)
        return unstable / (unstable + 1 - false_pass)

    enough = [minutes for minutes in LONG_RUNS_MINUTES if doubt_after(minutes) <= 0.05]
    assert found == min(enough, default=LONG_RUNS_MINUTES[-1])


@pytest.mark.parametrize("scale", [VOLTAGE_OFFSET, COUNT_OFFSET, FIXED_CLOCK_VOLTAGE])
def test_the_weak_chances_are_those_of_drawn_chips(scale):
    rng, step = np.random.default_rng(8), scale.least_spread
    mean = rng.uniform(scale.mean_low, scale.mean_high, 200_000)
    drawn = rng.normal(mean, np.sqrt(scale.sd_low * scale.sd_high))
    deepest = int(scale.mean_high / step)
    steps = np.clip(np.floor(drawn / step), 0, deepest).astype(int)
    wanted = np.cumsum(np.bincount(steps, minlength=deepest + 1)) / len(drawn)
    # No limit lies above stock: drawn limits that do are left out.
    above = np.mean(drawn < 0)
    wanted = (wanted - above) / (1 - above)
    found = np.cumsum(weak_limit_chances(scale, step, deepest))
    assert found == pytest.approx(wanted, abs=0.01)
