"""Drift: found where it was planted, by the clearest difference, and the same for every order."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.intervals import NEVER_FAILED, group_intervals
from kbapi.stats.time.drift import (
    FEWEST_A_SIDE,
    FEWEST_UNITS,
    NO_DRIFT,
    UNKNOWN,
    DatedLimits,
    find_drift,
)
from kbapi.stats.time.two_groups import ScoredUnits, depth_scores, score_units, split_units


def dated(limit, month, machine=None, firmware=None, microcode=None):
    """Units whose limits are known to 5 steps."""
    limit, nothing = np.asarray(limit), np.zeros(len(limit), int)
    unknown = nothing + UNKNOWN
    return DatedLimits(
        limit // 5 * 5,
        limit // 5 * 5 + 5,
        np.asarray(month),
        nothing if machine is None else machine,
        unknown if firmware is None else firmware,
        unknown if microcode is None else microcode,
    )


def a_year(rng, before=80, since=80, shift=-25.0, spread=15.0):
    """Limits of a year in order, the last ones shifted; and their months, from 0 to 11."""
    moved = np.repeat([0.0, shift], [before, since])
    limit = (rng.normal(110, spread, before + since) + moved).astype(int)
    month = np.concatenate([rng.integers(0, 6, before), rng.integers(6, 12, since)])
    return limit, month


def test_a_planted_shift_is_found_with_its_month_and_its_size():
    limit, month = a_year(np.random.default_rng(1))
    found = find_drift(dated(limit, month))
    assert (found.is_drift, found.kind, found.since) == (True, "month", 6)
    assert found.shift_steps == pytest.approx(-25, abs=5)
    assert abs(found.shift_steps + 25) < 3 * found.error_steps
    assert (found.units_before, found.units_since) == (80, 80)


def test_two_groups_far_apart_are_a_drift_as_well():
    limit = np.concatenate([90 + np.arange(40) % 9, 60 + np.arange(40) % 9])
    found = find_drift(dated(limit, np.repeat([0, 1], 40)))
    assert found.is_drift
    assert found.shift_steps == pytest.approx(-30, abs=3)


def test_a_shift_the_other_way_is_as_large_the_other_way():
    limit, month = a_year(np.random.default_rng(1))
    found, mirrored = find_drift(dated(limit, month)), find_drift(dated(220 - limit, month))
    assert mirrored.is_drift
    assert mirrored.shift_steps == pytest.approx(-found.shift_steps, rel=0.1)


def test_a_shallower_shift_needs_a_third_of_the_evidence_of_a_deeper_one():
    limit, month = a_year(np.random.default_rng(12), shift=-6.0)
    found, mirrored = find_drift(dated(limit, month)), find_drift(dated(220 - limit, month))
    assert 0 < found.p_value < mirrored.p_value < 1
    # The mirrored intervals are cut at other steps, so that the scores differ a little.
    assert mirrored.p_value / found.p_value == pytest.approx(3.0, rel=0.5)


def test_a_version_that_only_some_have_is_named_rather_than_a_month():
    rng = np.random.default_rng(2)
    month = rng.integers(0, 12, 200)
    firmware = ((month >= 5) & (rng.random(200) < 0.5)).astype(int)
    limit = (rng.normal(110, 15, 200) - 25 * firmware).astype(int)
    found = find_drift(dated(limit, month, firmware=firmware + 3))
    assert (found.is_drift, found.kind, found.version, found.since) == (True, "firmware", 4, 5)
    found = find_drift(dated(limit, month, microcode=firmware + 3))
    assert (found.kind, found.version) == ("microcode", 4)


def test_an_update_under_two_names_is_one_change():
    limit, month = a_year(np.random.default_rng(3), shift=-8.0)
    version = (month >= 6).astype(int)
    once = find_drift(dated(limit, month, firmware=version))
    assert find_drift(dated(limit, month, firmware=version, microcode=version)) == once


def test_another_mix_of_machines_is_no_drift():
    rng = np.random.default_rng(4)
    month = rng.integers(0, 12, 400)
    machine = (rng.random(400) < np.where(month < 6, 0.2, 0.8)).astype(int)
    limit = (rng.normal(110, 15, 400) - 40 * machine).astype(int)
    assert find_drift(dated(limit, month)).is_drift
    assert not find_drift(dated(limit, month, machine=machine)).is_drift
    # Each class of machines has a firmware of its own name: nothing to compare it with.
    assert not find_drift(dated(limit, month, machine=machine, firmware=machine)).is_drift


def test_a_change_more_than_a_year_ago_is_no_drift():
    limit, month = a_year(np.random.default_rng(5), before=40, since=120)
    assert find_drift(dated(limit, month)).is_drift
    later = np.random.default_rng(6).normal(85, 15, 60).astype(int)
    old = dated(np.append(limit, later), np.append(month, np.repeat([22, 23], 30)))
    assert not find_drift(old).is_drift


@pytest.mark.parametrize(
    ("limit", "month"),
    [
        (np.arange(FEWEST_UNITS - 1), np.arange(FEWEST_UNITS - 1) // 20),
        (np.arange(60), np.zeros(60, int)),
        (np.arange(60), (np.arange(60) < FEWEST_A_SIDE - 1).astype(int)),
        (np.full(60, 80), np.arange(60) // 30),
    ],
)
def test_too_few_or_equal_reports_are_no_drift(limit, month):
    assert find_drift(dated(limit, month)) == NO_DRIFT


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32), st.randoms(use_true_random=False))
def test_reordered_rows_and_renumbered_labels_give_the_same_drift(seed, random):
    rng = np.random.default_rng(seed)
    limit, month = a_year(rng, shift=-12.0)
    machine, firmware = rng.integers(0, 3, 160), (month >= 8).astype(int)
    order = np.array(random.sample(range(160), 160))
    one = find_drift(dated(limit, month, machine, firmware))
    other = find_drift(
        dated(
            limit[order],
            month[order] + 7,
            machine[order] * 5,
            firmware[order],
        )
    )
    assert other.p_value == one.p_value
    assert (other.shift_steps, other.kind) == (one.shift_steps, one.kind)
    assert other.since == one.since + 7


def test_the_p_value_is_that_of_relabelling_within_machines():
    rng = np.random.default_rng(8)
    limit, version = rng.normal(110, 25, 90).astype(int), np.repeat([0, 1], 45)
    machine = rng.integers(0, 3, 90)
    reports = dated(limit, version, machine=machine, firmware=version)
    scores = depth_scores(reports.stable_steps, reports.unstable_steps, machine)

    def difference(labels):
        return sum(
            scores[(machine == one) & (labels == 1)].sum()
            - scores[machine == one].mean() * np.sum((machine == one) & (labels == 1))
            for one in range(3)
        )

    drawn = []
    for _ in range(4000):
        labels = version.copy()
        for one in range(3):
            labels[machine == one] = rng.permutation(labels[machine == one])
        drawn.append(abs(difference(labels)))
    by_permutation = np.mean(np.array(drawn) >= abs(difference(version)))
    # One split under the names of a month and of a firmware: two families of one test each. Half
    # of the chance of both directions, divided by the quarter or three quarters of one direction.
    spent = 0.75 if difference(version) < 0 else 0.25
    expected = 2 * 0.5 * by_permutation / spent
    assert find_drift(reports).p_value == pytest.approx(expected, abs=0.05)


def test_the_clearest_of_many_months_is_as_frequent_as_its_p_value():
    rng = np.random.default_rng(9)
    chances = []
    for _ in range(400):
        limit, month = rng.normal(110, 25, 120).astype(int), rng.integers(0, 12, 120)
        chances.append(find_drift(dated(np.maximum(limit, 5), month)).p_value)
    for level in (0.05, 0.2, 0.5):
        error = np.sqrt(level * (1 - level) / 400)
        assert np.mean(np.array(chances) <= level) == pytest.approx(level, abs=3 * error)


def slow_scores(stable, unstable):
    """The scores of one machine as their definition reads, a unit and a cell at a time."""
    fit = fit_npmle(group_intervals(stable, unstable, np.ones(len(stable))))
    cells = list(zip(fit.cell_left, fit.cell_right, fit.masses, strict=True))
    return np.array(
        [
            sum(mass for _, right, mass in cells if right <= low)
            - sum(mass for left, _, mass in cells if left >= high)
            for low, high in zip(stable, unstable, strict=True)
        ]
    )


def a_searched_pool(rng, units, first, step, planned=0.3, mean=60.0):
    """Limits as people find them who begin at `first`, take equal steps, and stop as planned."""
    limit = np.maximum(rng.normal(mean, 14, units), 0)
    begins = rng.uniform(*first, units)
    ends = np.where(rng.random(units) < planned, np.maximum(begins, 70.0), 400.0)
    passed = np.maximum(np.floor((np.minimum(limit, ends) - begins) / step), -1)
    stable = np.where(passed >= 0, begins + passed * step, 0)
    unstable = begins + (passed + 1) * step
    unstable = np.where((unstable > ends) & (passed >= 0), NEVER_FAILED, unstable.astype(int))
    return stable.astype(int), np.maximum(unstable, stable.astype(int) + 1).astype(int)


def test_scores_are_those_of_their_definition():
    stable, unstable = a_searched_pool(np.random.default_rng(10), 60, (30, 60), 6)
    assert (stable == 0).any()
    assert (unstable == NEVER_FAILED).any()
    found = depth_scores(stable, unstable, np.zeros(60, int))
    assert found == pytest.approx(slow_scores(stable, unstable), abs=1e-6)
    assert abs(float(found.mean())) < 1e-6


def test_machines_are_scored_each_by_their_own_limits():
    rng = np.random.default_rng(11)
    one, other = (a_searched_pool(rng, 150, (30, 60), 6, mean=mean) for mean in (60.0, 90.0))
    stable, unstable = (np.append(*ends) for ends in zip(one, other, strict=True))
    machine = np.repeat([0, 1], 150)
    found = depth_scores(stable, unstable, machine)
    for place, ends in enumerate((one, other)):
        # Twenty steps come near the likeliest masses, the more so where there are many units.
        assert found[machine == place] == pytest.approx(slow_scores(*ends), abs=0.05)


@pytest.mark.parametrize("change", [((50, 80), 4), ((20, 40), 20), ((30, 60), 25)])
def test_other_first_settings_and_steps_move_no_mean(change):
    rng = np.random.default_rng(12)
    differences = []
    for _ in range(40):
        before = a_searched_pool(rng, 120, (30, 60), 6)
        since = a_searched_pool(rng, 120, *change)
        stable, unstable = (np.append(*ends) for ends in zip(before, since, strict=True))
        scores = depth_scores(stable, unstable, np.zeros(240, int))
        differences.append(scores[120:].mean() - scores[:120].mean())
    error = np.std(differences) / np.sqrt(40)
    assert abs(np.mean(differences)) < 3 * error
    assert error < 0.02


@pytest.mark.parametrize("kind", ["planned", "near the limit"])
def test_more_stops_before_a_failure_are_no_drift(kind):
    """One reading of those that never failed is wrong about either kind of stop, not both."""
    rng = np.random.default_rng(13)
    recent, machine = np.repeat([False, True], 200), np.zeros(400, int)
    found = []
    for _ in range(20):
        limit = rng.normal(90, 12, 400).astype(int)
        stable, unstable = limit // 5 * 5, limit // 5 * 5 + 5
        stops = recent & (rng.random(400) < 0.6)
        if kind == "planned":
            stops &= limit >= 85
            stable = np.where(stops, 85, stable)
        units = score_units(
            stable, np.where(stops, NEVER_FAILED, unstable), machine, in_both_readings=True
        )
        whole = split_units(replace(units, failed=np.ones(400, bool)), recent).z
        alone = units.only(units.failed)
        part = split_units(replace(alone, value=alone.among_failed), recent[units.failed]).z
        found.append((whole, part, split_units(units, recent).z))
    whole, part, both = np.mean(found, axis=0)
    right, wrong = (whole, part) if kind == "planned" else (part, whole)
    assert abs(wrong) > 3
    assert max(abs(right), abs(both)) < 0.7


def test_the_smaller_difference_of_two_readings_counts():
    value, machine = np.array([-1.0, -1, 1, 1, 0, 0]), np.zeros(6, int)
    recent, failed = np.array([0, 0, 1, 1, 0, 1], bool), np.array([1, 1, 1, 1, 0, 0], bool)
    units = ScoredUnits(value, machine, failed, value)
    whole = split_units(replace(units, failed=np.ones(6, bool)), recent)
    assert split_units(units, recent).z == pytest.approx(min(whole.z, np.sqrt(3)))
    against = ScoredUnits(value, machine, failed, -value)
    assert (split_units(against, recent).z, split_units(against, recent).difference) == (0.0, 0.0)


@pytest.mark.parametrize(("pairs", "is_found"), [(0.15, False), (0.17, True)])
def test_a_difference_too_small_to_matter_is_no_drift_in_any_pool(pairs, is_found):
    units = 4000
    deep = np.concatenate(
        [np.arange(units) < units * (0.5 - pairs / 2), np.arange(units) < units * (0.5 + pairs / 2)]
    )
    recent = np.repeat([0, 1], units)
    found = find_drift(dated(np.where(deep, 85, 80), recent))
    # Of two depths alone, the difference of mean scores is that of their shares.
    assert found.is_drift == is_found
