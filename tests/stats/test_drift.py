"""Drift: found where it was planted, by the clearest difference, and the same for every order."""

import itertools
import math

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
from kbapi.stats.time.two_groups import shift_scores


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
    fit = fit_npmle(group_intervals(reports.stable_steps, reports.unstable_steps, np.ones(90)))
    scores = shift_scores(reports.stable_steps, reports.unstable_steps, fit)

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


def slow_log_concave(density):
    """Slopes of the log density, neighbours averaged as long as one rises after another."""
    steps = sorted(density)
    seen = [max(density[step], 1e-12) for step in steps]
    blocks = [[math.log(b) - math.log(a), math.sqrt(a * b), 1] for a, b in itertools.pairwise(seen)]
    place = 0
    while place < len(blocks) - 1:
        (slope, weight, size), (after, heft, more) = blocks[place], blocks[place + 1]
        if slope >= after - 1e-15:
            place += 1
            continue
        mean = (slope * weight + after * heft) / (weight + heft)
        blocks[place : place + 2] = [[mean, weight + heft, size + more]]
        place = max(place - 1, 0)
    logs = [0.0]
    for slope, _, size in blocks:
        logs += [logs[-1] + slope * k for k in range(1, size + 1)]
    whole = sum(math.exp(value) for value in logs)
    return {step: math.exp(value) / whole for step, value in zip(steps, logs, strict=True)}


def slow_scores(stable, unstable, fit, width, reach):
    """The scores as their definition reads, a unit and a step at a time."""
    ends = [
        left + int(2 * width) + 1 if right == NEVER_FAILED else right
        for left, right in zip(fit.cell_left, fit.cell_right, strict=True)
    ]
    kernel = {k: np.exp(-0.5 * (k / width) ** 2) for k in range(-reach, reach + 1)}
    whole = sum(kernel.values())
    density = dict.fromkeys(range(-reach, max(ends) + reach + 1), 0.0)
    for left, end, mass in zip(fit.cell_left, ends, fit.masses, strict=True):
        for step in range(left, end):
            for k, part in kernel.items():
                density[step + k] += mass / (end - left) * part / whole
    density = slow_log_concave(density)
    found = []
    for low, high in zip(stable, unstable, strict=True):
        inside = [f for d, f in density.items() if (low == 0 or d >= low) and d < high]
        rising = 0.0 if low == 0 else density[int(low)]
        falling = 0.0 if high == NEVER_FAILED else density.get(int(high), 0.0)
        found.append((rising - falling) / sum(inside))
    return np.array(found)


def test_scores_are_those_of_their_definition():
    rng = np.random.default_rng(10)
    limit = rng.normal(60, 12, 40).astype(int)
    stable, unstable = limit // 6 * 6, limit // 6 * 6 + 6
    stable[:4], unstable[4:8] = 0, NEVER_FAILED
    fit = fit_npmle(group_intervals(stable, unstable, np.ones(40)))
    mean = float(fit.masses @ fit.cell_left)
    width = 0.5 * float(np.sqrt(fit.masses @ (fit.cell_left - mean) ** 2))
    slow = slow_scores(stable, unstable, fit, width, int(4 * width) + 1)
    held = np.clip(slow - slow.mean(), -2.5 * slow.std(), 2.5 * slow.std())
    found = shift_scores(stable, unstable, fit)
    assert found == pytest.approx(held - held.mean(), abs=1e-6)


def test_scores_move_with_the_reports_and_rise_with_depth():
    rng = np.random.default_rng(11)
    stable = rng.normal(150, 20, 60).astype(int)
    scores = [
        shift_scores(
            stable + by,
            stable + by + 4,
            fit_npmle(group_intervals(stable + by, stable + by + 4, np.ones(60))),
        )
        for by in (0, 30)
    ]
    assert scores[1] == pytest.approx(scores[0], abs=1e-9)
    assert np.corrcoef(stable, scores[0])[0, 1] > 0.9
    assert abs(float(scores[0].sum())) < 1e-9
