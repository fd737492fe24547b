"""Exact tests of shares: against all tables there are, against another's Fisher, and by laws."""

from itertools import product
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kbapi.stats.locks.exact_shares import FEWEST_A_SIDE, compare_shares, find_change

GROUP = st.tuples(st.integers(0, 30), st.integers(0, 30)).filter(lambda ends: sum(ends) > 0)
"""Open and locked units of one group."""
GROUPS = st.lists(GROUP, min_size=2, max_size=8)


def arrays(groups):
    opened = np.array([opened for opened, _ in groups], dtype=np.int64)
    return opened, np.array([sum(group) for group in groups], dtype=np.int64)


def compared(groups):
    return compare_shares(*arrays(groups))


def changed(groups):
    return find_change(*arrays(groups))


def all_tables(opened, units):
    """Every way in which as many open units fall on the groups, with its chance."""
    for counts in product(*(range(size + 1) for size in units)):
        if sum(counts) == sum(opened):
            ways = np.prod([comb(size, k) for size, k in zip(units, counts, strict=True)])
            yield counts, float(ways) / comb(int(sum(units)), int(sum(opened)))


def fisher_against_others(place, opened, units):
    k, size = opened[place], units[place]
    rest, others = sum(opened) - k, sum(units) - size
    return stats.fisher_exact([[k, size - k], [rest, others - rest]]).pvalue


def least_fisher(opened, units):
    return min(fisher_against_others(place, opened, units) for place in range(len(units)))


def plain_ratio(opened, units, cut):
    def likelihood(k, n):
        return stats.binom.logpmf(k, n, k / n) if n else 0.0

    k, n, all_k, all_n = sum(opened[:cut]), sum(units[:cut]), sum(opened), sum(units)
    two = likelihood(k, n) + likelihood(all_k - k, all_n - n) - likelihood(all_k, all_n)
    ways = comb(n, k) * comb(all_n - n, all_k - k) / comb(all_n, all_k)
    return two - np.log(ways)


def largest_ratio(opened, units):
    cuts = [
        cut
        for cut in range(1, len(units))
        if min(sum(units[:cut]), sum(units[cut:])) >= FEWEST_A_SIDE
    ]
    return max(plain_ratio(opened, units, cut) for cut in cuts)


@settings(max_examples=200, deadline=None)
@given(GROUP, GROUP)
def test_two_groups_are_compared_by_fishers_test_as_another_library_has_it(one, other):
    assert compared([one, other]).p_value == pytest.approx(
        stats.fisher_exact([one, other]).pvalue, rel=1e-7, abs=1e-12
    )


def test_the_convicted_twins_of_fisher_are_as_published():
    # Fisher (1935) has the data; the two-sided p-value is in the manual of R's fisher.test.
    assert compared([(2, 15), (10, 3)]).p_value == pytest.approx(0.0005367, abs=5e-8)


@pytest.mark.parametrize(
    "groups",
    [
        [(3, 0), (1, 3), (2, 3)],
        [(0, 5), (4, 1), (2, 2)],
        [(4, 0), (0, 4), (2, 2), (1, 2)],
        [(1, 1), (1, 1), (1, 1)],
    ],
)
def test_the_chance_of_any_group_differing_is_that_of_all_tables(groups):
    opened, units = (column.tolist() for column in arrays(groups))
    least = least_fisher(opened, units)
    exact = sum(
        chance
        for counts, chance in all_tables(opened, units)
        if least_fisher(counts, units) <= least * (1 + 1e-9)
    )
    found = compared(groups)
    assert found.p_value == pytest.approx(exact, rel=1e-9)
    assert fisher_against_others(found.clearest, opened, units) == pytest.approx(least)


@pytest.mark.parametrize(
    "groups",
    [
        [(3, 0), (3, 1), (1, 3), (0, 3)],
        [(5, 1), (1, 4), (2, 2)],
        [(2, 1), (1, 2), (3, 1), (0, 2), (1, 1)],
        [(5, 5), (5, 5)],
    ],
)
def test_the_chance_of_a_change_is_that_of_all_tables(groups):
    opened, units = (column.tolist() for column in arrays(groups))
    largest = largest_ratio(opened, units)
    exact = sum(
        chance
        for counts, chance in all_tables(opened, units)
        if largest_ratio(counts, units) >= largest - 1e-9
    )
    found = changed(groups)
    assert found.log_ratio == pytest.approx(largest, abs=1e-9)
    assert plain_ratio(opened, units, found.since) == pytest.approx(largest, abs=1e-9)
    assert found.p_value == pytest.approx(exact, rel=1e-9)


@given(GROUPS, st.randoms(use_true_random=False))
def test_the_order_of_groups_that_have_none_never_matters(groups, random):
    mixed = list(groups)
    random.shuffle(mixed)
    assert compared(mixed).p_value == pytest.approx(compared(groups).p_value, rel=1e-6, abs=1e-12)


@given(GROUPS)
def test_open_and_locked_are_mirrors(groups):
    mirrored = [(locked, opened) for opened, locked in groups]
    one, other = compared(groups), compared(mirrored)
    assert one.p_value == pytest.approx(other.p_value, rel=1e-6, abs=1e-12)
    before, after = changed(groups), changed(mirrored)
    if before is not None:
        assert before.p_value == pytest.approx(after.p_value, rel=1e-6, abs=1e-12)
        assert before.log_ratio == pytest.approx(after.log_ratio, abs=1e-9)


@given(GROUPS)
def test_a_change_read_backwards_is_as_clear(groups):
    found, backwards = changed(groups), changed(groups[::-1])
    assert (found is None) == (backwards is None)
    if found is not None:
        assert found.p_value == pytest.approx(backwards.p_value, rel=1e-6, abs=1e-12)
        assert found.log_ratio == pytest.approx(backwards.log_ratio, abs=1e-9)


@given(GROUPS)
def test_groups_put_together_on_one_side_of_a_change_only_make_it_surer(groups):
    found = changed(groups)
    if found is None:
        return
    sides = groups[: found.since], groups[found.since :]
    two = [tuple(map(sum, zip(*side, strict=True))) for side in sides]
    together = changed(two)
    assert together.log_ratio == pytest.approx(found.log_ratio, abs=1e-9)
    assert together.p_value <= found.p_value + 1e-9
    assert (together.units_before, together.units_since) == (
        found.units_before,
        found.units_since,
    )


@given(GROUPS)
def test_the_change_found_is_at_an_allowed_place(groups):
    found = changed(groups)
    if found is None:
        total = sum(map(sum, groups))
        sizes = np.cumsum([sum(group) for group in groups])
        assert all(min(size, total - size) < FEWEST_A_SIDE for size in sizes)
        return
    assert 1 <= found.earliest <= found.since <= found.latest < len(groups)
    assert min(found.units_before, found.units_since) >= FEWEST_A_SIDE
    assert 0 < found.p_value <= 1
    assert found.log_ratio >= -1e-9


def test_equal_shares_differ_nowhere():
    assert compared([(0, 9), (0, 9)]).p_value == 1
    assert changed([(9, 0), (9, 0)]).p_value == 1
    assert compared([(3, 4)]).p_value == 1


def test_thousands_of_units_do_not_lose_the_small_chances():
    found = changed([(450, 50)] * 8 + [(200, 300)] * 8)
    assert found.since == 8
    assert 0 <= found.p_value < 1e-200
    assert compared([(450, 50)] * 8 + [(100, 400)]).p_value < 1e-100


@pytest.mark.parametrize("groups", [[], [(0, 0)], [(-1, 3)], [(4, -1)]])
def test_invalid_counts_are_refused(groups):
    with pytest.raises(ValueError, match="unit"):
        compared(groups)
    with pytest.raises(ValueError, match="unit"):
        changed(groups)


def all_tables_of(opened, units):
    """Every way in which as many open units of each class fall on its groups, with its chance."""
    for rows in product(*(all_tables(*pair) for pair in zip(opened, units, strict=True))):
        yield np.array([counts for counts, _ in rows]), float(np.prod([p for _, p in rows]))


def least_p_value_of_a_place(counts, opened, units, places):
    """Of the places, the least two-sided chance of as few or as many before them."""
    found = []
    for place in places:
        chances: dict[int, float] = {}
        for table, chance in all_tables_of(opened, units):
            before = int(table[:, :place].sum())
            chances[before] = chances.get(before, 0.0) + chance
        own = chances[int(counts[:, :place].sum())]
        found.append(sum(one for one in chances.values() if one <= own * (1 + 1e-9)))
    return min(found)


CLASSES = [
    ([[4, 1, 0], [3, 0, 1]], [[4, 3, 3], [4, 2, 4]]),
    ([[0, 1, 4], [1, 0, 0]], [[3, 3, 5], [3, 3, 0]]),
    ([[3, 0], [0, 3], [4, 0]], [[4, 3], [2, 5], [5, 2]]),
]


@pytest.mark.parametrize(("opened", "units"), CLASSES)
def test_within_classes_the_chance_of_one_place_is_that_of_all_tables(opened, units):
    opened, units = (np.array([[sum(r[:1]), sum(r[1:])] for r in one]) for one in (opened, units))
    exact = least_p_value_of_a_place(opened, opened, units, [1])
    assert find_change(opened, units).p_value == pytest.approx(exact, rel=1e-9)
    assert compare_shares(opened, units).p_value == pytest.approx(exact, rel=1e-9)


@pytest.mark.parametrize(("opened", "units"), CLASSES[:2])
def test_within_classes_the_chance_of_any_place_is_near_that_of_all_tables(opened, units):
    opened, units = np.array(opened), np.array(units)
    places = [1, 2]
    least = least_p_value_of_a_place(opened, opened, units, places)
    exact = sum(
        chance
        for table, chance in all_tables_of(opened, units)
        if least_p_value_of_a_place(table, opened, units, places) <= least * (1 + 1e-9)
    )
    found = find_change(opened, units).p_value
    assert least <= found <= 2 * least
    assert found == pytest.approx(exact, rel=0.25)


@settings(max_examples=40, deadline=None)
@given(GROUPS)
def test_a_class_that_shows_nothing_changes_no_chance(groups):
    opened, units = arrays(groups)
    beside = np.array([opened, units]), np.array([units, units])
    one, other = compare_shares(opened, units), compare_shares(*beside)
    # Of several classes the chances of the groups are added up, which two groups do not need.
    many = len(groups) if len(groups) > 2 else 1
    assert other.p_value >= one.p_value * (1 - 1e-6)
    assert other.p_value <= many * one.p_value * (1 + 1e-6) + 1e-12


@given(GROUPS)
def test_the_order_of_classes_never_matters(groups):
    opened, units = arrays(groups)
    two = np.array([opened, opened[::-1]]), np.array([units, units[::-1]])
    one, other = find_change(*two), find_change(two[0][::-1], two[1][::-1])
    assert (one is None) == (other is None)
    if one is not None:
        assert one.p_value == pytest.approx(other.p_value, rel=1e-6, abs=1e-12)
        assert (one.since, one.units_before) == (other.since, other.units_before)
    assert compare_shares(*two).p_value == pytest.approx(
        compare_shares(two[0][::-1], two[1][::-1]).p_value, rel=1e-6, abs=1e-12
    )


def test_groups_that_belong_to_classes_are_no_change_and_no_difference():
    opened, units = np.array([[38, 2], [0, 1]]), np.array([[40, 2], [2, 40]])
    assert changed([(38, 4), (3, 39)]).p_value < 1e-10
    assert find_change(opened, units).p_value > 0.5
    assert compare_shares(opened, units).p_value > 0.5
    apart = find_change(np.array([[38, 0], [0, 1]]), np.array([[40, 0], [0, 40]]))
    assert apart is None


def test_a_change_within_every_class_is_found_at_its_place():
    before, since = [9, 9, 9], [3, 4, 3]
    opened = np.array([before + since, [0, *before[1:], *since[:2], 0]])
    units = np.array([[10] * 6, [0, 10, 10, 10, 10, 0]])
    found = find_change(opened, units)
    assert (found.since, found.units_before, found.units_since) == (3, 50, 50)
    assert found.p_value < 1e-6
    assert found.p_value < find_change(opened[1, 1:5], units[1, 1:5]).p_value


def test_a_place_needs_five_units_of_compared_classes_on_either_side():
    opened, units = np.array([[4, 0], [9, 0]]), np.array([[5, 5], [9, 0]])
    assert find_change(opened, units).units_before == 5
    assert find_change(np.array([[4, 0], [9, 0]]), np.array([[4, 5], [9, 0]])) is None


def test_hundreds_of_units_on_one_side_do_not_overflow():
    opened, units = np.array([[295, 5], [290, 0]]), np.array([[590, 10], [590, 10]])
    found = find_change(opened, units)
    assert 0.01 < found.p_value < 0.5
    assert compare_shares(opened, units).p_value == pytest.approx(found.p_value, rel=1e-9)
