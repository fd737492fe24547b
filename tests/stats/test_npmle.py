from collections import Counter

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals
from tests.stats import slow
from tests.stats.makers import NPMLE_VECTORS, VECTORS, a_pool, a_vector_pool, reports


def masses_of(fit):
    ends = zip(fit.cell_left.tolist(), fit.cell_right.tolist(), strict=True)
    return dict(zip(ends, fit.masses.tolist(), strict=True))


@pytest.mark.parametrize("mirrored", [False, True], ids=["in place", "mirrored"])
@pytest.mark.parametrize("name", NPMLE_VECTORS)
def test_published_masses_are_met_to_1e_8_and_the_likelihood_to_1e_9(name, mirrored):
    pool, cells = a_vector_pool(name, mirrored=mirrored)
    fit = fit_npmle(pool)
    assert [(left, right) for left, right, _ in cells] == list(masses_of(fit))
    assert fit.masses == pytest.approx([mass for _, _, mass in cells], abs=1e-8)
    assert fit.log_likelihood == pytest.approx(VECTORS[name]["answer"]["loglik"], rel=1e-9)
    assert fit.converged


@pytest.mark.parametrize(
    ("name", "survival"),
    [
        ("freireich_6mp_exact", {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538}),
        ("cosmesis_rt", {4: 1.0, 5: 0.954, 7: 0.920, 8: 0.832, 12: 0.761, 25: 0.668, 34: 0.586}),
    ],
)
def test_printed_survival_steps_are_met_to_three_places(name, survival):
    vector = VECTORS[name]
    pool, _ = a_vector_pool(name, mirrored=False)
    ends = sorted({end for row in vector["data"] for end in row if end is not None})
    fit = fit_npmle(pool)
    for after, printed in survival.items():
        assert fit.share_at(ends.index(after)) == pytest.approx(printed, abs=6e-4)


def test_a_closed_reading_is_the_same_evidence_with_right_ends_one_step_deeper():
    vector = VECTORS["ten_row_fixture_closed"]
    rows = [(a, NEVER_FAILED if b is None else b + 1, 1.0) for a, b in vector["data"]]
    fit = fit_npmle(a_pool(rows))
    assert fit.masses == pytest.approx([m for _, _, m in vector["answer"]["cells"]], abs=1e-8)
    assert fit.log_likelihood == pytest.approx(vector["answer"]["loglik"], rel=1e-9)


def test_touching_intervals_share_the_mass_one_half_each():
    fit = fit_npmle(a_pool([(80, 85, 1.0), (85, 90, 1.0)]))
    assert masses_of(fit) == {(80, 85): 0.5, (85, 90): 0.5}


# Their weights add up to a rounded share of the whole that lies above one.
ROUNDED_UP = [(0, NEVER_FAILED, w) for w in (0.2, 0.2, 3.0, 1.0, 0.2, 1.0, 0.2, 0.2)]


@settings(max_examples=80, deadline=None)
@given(reports(weights=(0.2, 1.0, 3.0)))
@example(ROUNDED_UP)
def test_no_long_em_finds_a_better_likelihood(rows):
    fit = fit_npmle(a_pool(rows))
    assert fit.converged
    assert fit.masses.sum() == pytest.approx(1.0, abs=1e-12)
    assert set(masses_of(fit)) <= set(slow.innermost(rows))
    assert fit.log_likelihood == pytest.approx(slow.log_likelihood(rows, masses_of(fit)), rel=1e-12)
    climbed = slow.log_likelihood(rows, slow.em_masses(rows, rounds=300))
    assert fit.log_likelihood >= climbed - 1e-9 * abs(climbed)


@settings(max_examples=80, deadline=None)
@given(reports(weights=(0.2, 1.0, 3.0)))
def test_the_gap_is_what_is_left_to_gain_by_the_definition(rows):
    fit = fit_npmle(a_pool(rows))
    masses = masses_of(fit)
    pull = {
        cell: sum(
            weight / sum(m for (a, b), m in masses.items() if left <= a and b <= right)
            for left, right, weight in rows
            if left <= cell[0] and cell[1] <= right
        )
        for cell in slow.innermost(rows)
    }
    total = sum(weight for _, _, weight in rows)
    assert max(pull.values()) - total == pytest.approx(fit.optimality_gap, abs=1e-9 * total)


@settings(deadline=None)
@given(reports(weights=(0.1, 0.3, 1.0)), st.randoms(use_true_random=False))
def test_the_order_of_reports_does_not_matter_to_the_last_byte(rows, random):
    shuffled = rows.copy()
    random.shuffle(shuffled)
    assert fit_bytes(shuffled) == fit_bytes(rows)


@settings(deadline=None)
@given(reports())
def test_weight_two_is_the_report_twice(rows):
    merged = [(left, right, float(n)) for (left, right, _), n in Counter(rows).items()]
    assert fit_bytes(merged) == fit_bytes(rows)


def fit_bytes(rows):
    fit = fit_npmle(a_pool(rows))
    return [
        fit.cell_left.tobytes(),
        fit.cell_right.tobytes(),
        fit.masses.tobytes(),
        fit.optimality_gap,
    ]


def test_the_share_is_one_at_stock_falls_and_is_zero_beyond_the_last_cell():
    fit = fit_npmle(a_vector_pool("grid_simulated_400", mirrored=False)[0])
    share = fit.share_at(np.arange(0, 400))
    assert share[0] == 1.0
    assert np.all(np.diff(share) <= 0)
    assert share[-1] == 0.0


def test_a_result_cannot_be_written_to():
    fit = fit_npmle(a_pool([(80, 85, 1.0), (85, 90, 1.0)]))
    with pytest.raises(ValueError, match="read-only"):
        fit.masses[0] = 1.0


def test_empty_evidence_is_refused():
    empty = np.array([], dtype=np.int64)
    with pytest.raises(ValueError, match="no evidence"):
        fit_npmle(GroupedIntervals(empty, empty, np.array([])))


RNG = np.random.default_rng(20260901)
EXTREME = {
    "one unit": [(3, 9, 1.0)],
    "one unit that never failed": [(3, NEVER_FAILED, 1.0)],
    "one interval a million times": [(3, 9, 1e6)],
    "all failed at the first setting": [(0, int(u), 1.0) for u in RNG.integers(1, 80, 50)],
    "none failed": [(int(s), NEVER_FAILED, 1.0) for s in RNG.integers(0, 80, 50)],
    "a grid of one step": [(0, 1, 3.0), (0, NEVER_FAILED, 2.0), (1, NEVER_FAILED, 4.0)],
    "touching intervals": [(s, s + 1, 1.0 + s % 3) for s in range(2000)],
    "weights from 1e-6 to 1e6": [
        (int(s), int(s + w), 10.0 ** float(e))
        for s, w, e in zip(
            RNG.integers(0, 60, 400), RNG.integers(1, 30, 400), RNG.uniform(-6, 6, 400), strict=True
        )
    ],
    "overlapping links of a chain": [(s, s + 2, 1.0 + s % 7) for s in range(500)],
    "exact limits and open ends": [(s, s + 1, 1.0) for s in range(300)]
    + [(s, NEVER_FAILED, 1.0) for s in range(300)],
}


@pytest.mark.parametrize("name", EXTREME)
def test_extreme_evidence_is_fitted_to_the_certificate(name):
    fit = fit_npmle(a_pool(EXTREME[name]))
    assert fit.converged
    assert np.all(np.isfinite(fit.masses))
    assert np.all(fit.masses > 0)
    assert fit.masses.sum() == pytest.approx(1.0, abs=1e-12)
    assert np.isfinite(fit.log_likelihood)


def every_interval_below(deepest: int) -> GroupedIntervals:
    stable, unstable = np.triu_indices(deepest, k=1)
    return GroupedIntervals(stable, unstable, RNG.uniform(0.1, 3.0, len(stable)))


def test_a_hundred_thousand_distinct_intervals_on_a_grid_are_fitted():
    pool = every_interval_below(450)
    assert len(pool.weight) > 100_000
    assert fit_npmle(pool).converged


@pytest.mark.parametrize("widest", [1_000, 100_000])
def test_a_hundred_thousand_intervals_that_share_no_end_are_fitted(widest):
    stable = np.sort(RNG.choice(10_000_000, 100_000, replace=False))
    unstable = stable + RNG.integers(1, widest, 100_000)
    fit = fit_npmle(GroupedIntervals(stable, unstable, np.ones(100_000)))
    assert fit.optimality_gap < 1e-3
