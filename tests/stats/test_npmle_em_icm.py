import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.estimate.npmle import em_icm, monotone_means
from kbapi.stats.intervals import turnbull_cells
from tests.stats.makers import VECTORS, a_pool, a_vector_pool, reports


@pytest.mark.parametrize("name", ["isotonic_pituitary", "isotonic_nine"])
def test_monotone_means_are_the_published_ones(name):
    vector = VECTORS[name]
    data = vector["data"]
    values, weight = (
        (data, np.ones(len(data)))
        if isinstance(data, list)
        else (data["means"], np.array(data["weights"], dtype=float))
    )
    means = monotone_means(np.array(values, dtype=float), weight)
    assert means == pytest.approx(vector["answer"], abs=1e-6)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(-9, 9), st.integers(1, 5)), min_size=1, max_size=25))
def test_monotone_means_are_those_of_one_violator_pooled_at_a_time(pairs):
    values, weight = np.array(pairs, dtype=float).T
    blocks: list[list[float]] = []
    for value, heft in zip(values, weight, strict=True):
        blocks.append([value, heft, 1])
        while len(blocks) > 1 and blocks[-2][0] >= blocks[-1][0]:
            (v1, w1, n1), (v2, w2, n2) = blocks[-2:]
            blocks[-2:] = [[(v1 * w1 + v2 * w2) / (w1 + w2), w1 + w2, n1 + n2]]
    plain = [value for value, _, size in blocks for _ in range(size)]
    assert monotone_means(values, weight) == pytest.approx(plain, abs=1e-12)


@settings(max_examples=100, deadline=None)
@given(reports(weights=(0.2, 1.0, 3.0)))
def test_the_likelihood_never_falls_from_step_to_step(rows):
    cells = turnbull_cells(a_pool(rows))
    mass = np.full(cells.cells, 1.0 / cells.cells)
    reached = cells.log_likelihood(cells.interval_mass(mass))
    for _ in range(5):
        mass = em_icm(cells, mass, 1)
        climbed = cells.log_likelihood(cells.interval_mass(mass))
        assert climbed >= reached - 1e-12 * abs(reached)
        reached = climbed


def test_eight_steps_come_within_a_thousandth_of_the_maximum():
    pool, _ = a_vector_pool("grid_simulated_400", mirrored=False)
    cells = turnbull_cells(pool)
    mass = em_icm(cells, np.full(cells.cells, 1.0 / cells.cells), 8)
    best = VECTORS["grid_simulated_400"]["answer"]["loglik"]
    assert best - 1e-3 * abs(best) < cells.log_likelihood(cells.interval_mass(mass)) < best
