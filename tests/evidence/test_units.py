"""Where a unit counts once and cannot be weighed, a contributor is heard with three units."""

from random import Random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from kbapi.evidence.comparisons import few_of_each, few_of_each_by_content

# Contributor, month, what puts units in order.
Unit = tuple[int, int, int]
UNITS = st.lists(
    st.tuples(st.integers(1, 3), st.integers(0, 2), st.integers(0, 99)),
    max_size=14,
    unique_by=lambda unit: unit[2],
)


def heard_of(units: list[Unit]) -> list[Unit]:
    contributor, month, order = np.array(units, dtype=np.int64).reshape(-1, 3).T
    return [units[place] for place in few_of_each(contributor, month, (order,))]


@given(UNITS)
def test_the_latest_three_of_each_contributor_are_chosen_in_their_order(units: list[Unit]) -> None:
    by_hand: list[Unit] = []
    for who in {unit[0] for unit in units}:
        own = sorted((unit for unit in units if unit[0] == who), key=lambda u: (-u[1], u[2]))
        by_hand += own[:3]
    assert heard_of(units) == sorted(by_hand, key=lambda unit: unit[2])


@given(UNITS, st.integers(0, 99))
def test_the_order_of_arrival_never_matters(units: list[Unit], seed: int) -> None:
    mixed = list(units)
    Random(seed).shuffle(mixed)
    assert heard_of(mixed) == heard_of(units)


def heard_by_content(units: list[Unit]) -> list[Unit]:
    contributor, month, depth = np.array(units, dtype=np.int64).reshape(-1, 3).T
    return [units[place] for place in few_of_each_by_content(contributor, month, [depth])]


@given(UNITS, st.integers(0, 99))
def test_by_content_the_latest_three_are_chosen_in_any_order_of_arrival(
    units: list[Unit], seed: int
) -> None:
    heard = heard_by_content(units)
    for who in {unit[0] for unit in units}:
        months = sorted((unit[1] for unit in units if unit[0] == who), reverse=True)
        assert sorted((unit[1] for unit in heard if unit[0] == who), reverse=True) == months[:3]
    mixed = list(units)
    Random(seed).shuffle(mixed)
    assert sorted(heard_by_content(mixed)) == sorted(heard)


def test_by_content_shallow_units_are_chosen_as_often_as_deep_ones() -> None:
    starts = range(0, 4000, 10)
    heard = [
        depth - start
        for start in starts
        for _, _, depth in heard_by_content([(1, 1, start + k) for k in range(10)])
    ]
    # Three of ten drawn at random: the mean is 4.5, its error 0.07.
    assert abs(np.mean(heard) - 4.5) < 0.3
