import numpy as np
import pytest
from hypothesis import given, settings

from kbapi.stats.intervals import turnbull_cells
from tests.stats import slow
from tests.stats.makers import a_pool, reports


@settings(deadline=None)
@given(reports())
def test_cells_are_the_innermost_intervals_by_definition(rows):
    cells = turnbull_cells(a_pool(rows))
    ends = list(zip(cells.cell_left.tolist(), cells.cell_right.tolist(), strict=True))
    assert ends == slow.innermost(rows)


@settings(deadline=None)
@given(reports(weights=(0.2, 1.0, 3.0)))
def test_gradient_and_curvature_are_the_sums_of_their_definitions(rows):
    pool = a_pool(rows)
    cells = turnbull_cells(pool)
    mass = np.linspace(1.0, 2.0, cells.cells)
    member = np.array(
        [
            [
                left <= a and b <= right
                for a, b in zip(cells.cell_left, cells.cell_right, strict=True)
            ]
            for left, right in zip(pool.stable_steps, pool.unstable_steps, strict=True)
        ],
        dtype=float,
    )
    inside = member @ mass
    assert cells.interval_mass(mass) == pytest.approx(inside)
    assert cells.gradient(inside) == pytest.approx(member.T @ (pool.weight / inside))
    curvature = member.T @ np.diag(pool.weight / inside**2) @ member
    assert cells.curvature(inside) == pytest.approx(curvature, abs=1e-12)


def test_a_tiny_mass_keeps_its_digits_between_large_ones():
    cells = turnbull_cells(a_pool([(0, 1, 1.0), (1, 2, 1.0), (2, 3, 1.0)]))
    assert cells.interval_mass(np.array([0.5, 1e-20, 0.5])).tolist() == [0.5, 1e-20, 0.5]
