"""A chip with very many units of its own has the same answers without its siblings."""

from fractions import Fraction

import numpy as np
import pytest

from kbapi.stats.estimate.siblings import Siblings, summarise_sibling
from kbapi.stats.intervals import Grid, GroupedIntervals, group_intervals
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.pool import has_outgrown_siblings
from kbapi.stats.start.start import NO_GUARD, pool_start

GRID = Grid(Fraction(125, 128))


def a_pool(seed: int, units: int, mean: float) -> GroupedIntervals:
    """Units that failed within five steps of their limit."""
    limit = np.random.default_rng(seed).normal(mean, 20, units).clip(10).astype(int)
    return group_intervals(limit, limit + 5, np.ones(units))


@pytest.mark.parametrize("stable_share", [0.75, 0.9, 0.99])
@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_a_start_is_the_same(stable_share: float, confidence: float) -> None:
    own = a_pool(1, 1_000, 100)
    assert has_outgrown_siblings(own)
    far = [a_pool(seed, 60, mean) for seed, mean in ((2, 60), (3, 70), (4, 150))]
    siblings = Siblings(
        tuple(summarise_sibling(one, float(GRID.step), VOLTAGE_OFFSET) for one in far)
    )
    asked = (GRID, VOLTAGE_OFFSET, stable_share, confidence, NO_GUARD)
    beside, alone = pool_start(own, siblings, *asked), pool_start(own, Siblings(), *asked)
    assert alone.answer == beside.answer
    assert alone.percentiles == beside.percentiles
    assert (alone.level, alone.method, alone.borrowed_units) == (
        beside.level,
        beside.method,
        beside.borrowed_units,
    )


def test_fewer_have_not_outgrown_them() -> None:
    assert not has_outgrown_siblings(a_pool(1, 999, 100))
