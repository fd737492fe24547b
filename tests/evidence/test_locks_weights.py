"""How much each report on a lock weighs: small groups, newcomers, related chips."""

from collections.abc import Iterable, Mapping
from itertools import pairwise
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.evidence.locks import LockReporters, LockShares, lock_shares
from kbapi.storage.locks import LockGroup
from tests.evidence.lock_makers import OF_GROUPS, a_lock_group
from tests.evidence.pool_makers import known_for_long

FRESH = range(1_000, 1_022)
"""Twenty-two accounts of a day."""


def known(*contributors: Iterable[int]) -> LockReporters:
    return known_for_long(frozenset(one for some in contributors for one in some))


def shares(groups: Iterable[LockGroup], reporters: LockReporters) -> LockShares:
    return lock_shares(groups, *OF_GROUPS, reporters)


def moved_by_fresh(established: int, newcomers: int = 0, **where: Any) -> float:
    """By how much the open share falls when fresh accounts report a lock."""
    honest = [a_lock_group("open", [*range(established), *range(500, 500 + newcomers)], **where)]
    lies = a_lock_group("firmware_locked", FRESH, **where)
    reporters = known(range(established))
    before, after = (shares(one, reporters).open.share for one in (honest, [*honest, lies]))
    return before - after


@pytest.mark.parametrize(
    ("established", "newcomers"),
    [(8, 0), (10, 0), (10, 20), (30, 0), (50, 0), (100, 0), (15, 15), (50, 50)],
)
def test_fresh_accounts_move_an_open_share_by_a_tenth_at_most(
    established: int, newcomers: int
) -> None:
    assert 0.01 < moved_by_fresh(established, newcomers) <= 0.10


def test_from_eight_established_contributors_on_a_tenth_holds() -> None:
    assert moved_by_fresh(8) <= 0.10 < moved_by_fresh(7)


def test_while_no_contributor_is_established_all_weigh_in_full() -> None:
    honest, lies = a_lock_group("open", range(30)), a_lock_group("firmware_locked", FRESH)
    everyone = [*range(30), *FRESH]
    found = shares([honest, lies], LockReporters(frozenset(everyone), frozenset()))
    assert (found.open.units, found.has_established) == (pytest.approx(52), False)
    assert found.open.share == pytest.approx(30 / 52, abs=0.01)
    assert shares([honest, lies], known(range(30))).has_established


def test_the_first_established_contributor_is_no_cliff() -> None:
    honest, lies = range(30), a_lock_group("firmware_locked", FRESH)
    found = [
        shares([a_lock_group("open", honest), lies], known(range(old))).open.share
        for old in range(31)
    ]
    steps = [after - before for before, after in pairwise(found)]
    assert max(steps) < 0.08


def test_with_five_others_a_contributor_is_established_and_with_four_not() -> None:
    five, six = range(5), range(6)
    assert not shares([a_lock_group("open", five)], known(five)).has_established
    assert shares([a_lock_group("open", six)], known(six)).has_established
    assert not shares([a_lock_group("open", six)], known([])).has_established


@pytest.mark.parametrize(("others", "weight"), [(26, 1), (27, 1), (57, 2), (87, 3), (120, 3)])
def test_a_contributor_weighs_one_unit_below_thirty_and_three_from_ninety_on(
    others: int, weight: int
) -> None:
    everyone = range(others + 1)
    groups = [
        a_lock_group("open", range(1, others + 1)),
        a_lock_group("chip_locked", [0, 0, 0, 0, 0]),
    ]
    found = shares(groups, known(everyone))
    assert found.open.units == pytest.approx(others + weight)
    assert found.units == others + 5


def test_a_part_limits_its_newcomers_as_the_whole_does() -> None:
    elsewhere = a_lock_group("open", range(100, 200), machine="quay-13")
    here = a_lock_group("open", range(20))
    lies = a_lock_group("firmware_locked", FRESH)
    reporters = known(range(20), range(100, 200))
    before, after = (
        {part.value: part.share_open for part in shares(groups, reporters).by_machine}
        for groups in ([elsewhere, here], [elsewhere, here, lies])
    )
    assert before["harbour-15"] - after["harbour-15"] <= 0.10
    assert before["quay-13"] == pytest.approx(after["quay-13"], abs=0.01)


RELATED = {"chip_key": "norvane-sable-5-4610mx"}


@pytest.mark.parametrize(
    ("contributors", "old", "level"),
    [
        ([1, 1, 2, 2, 3, 3, 4, 4, 5, 5], range(6), "series"),
        ([1, 1, 2, 2, 3, 3, 4, 4, 5], range(6), "none"),
        ([1, 1, 1, 2, 2, 2, 3, 3, 4, 4], range(6), "none"),
        ([1, 1, 2, 2, 3, 3, 4, 4, 5, 5], range(5), "none"),
        ([*range(1_000, 1_036)], [], "none"),
    ],
)
def test_a_related_chip_lends_ten_units_of_five_known_contributors_or_nothing(
    contributors: list[int], old: Iterable[int], level: str
) -> None:
    lent = [a_lock_group("chip_locked", contributors, **RELATED)]
    assert shares(lent, known(old)).level == level


def test_invented_related_chips_change_no_share() -> None:
    own = a_lock_group("open", range(30))
    invented = [
        a_lock_group("chip_locked", range(1_000 + 12 * n, 1_012 + 12 * n), chip_key=f"norvane-{n}")
        for n in range(3)
    ]
    assert shares([own, *invented], known(range(30))) == shares([own], known(range(30)))


GROUPED = st.lists(
    st.tuples(
        st.sampled_from(["open", "firmware_only", "chip_locked", "os_blocked"]),
        st.sampled_from(["harbour-15", "quay-13", ""]),
        st.sampled_from(["written_and_read_back", "owner_says"]),
        st.lists(st.integers(0, 40), min_size=1, max_size=12),
    ),
    max_size=8,
    unique_by=lambda group: group[:3],
)


@settings(max_examples=60, deadline=None)
@given(GROUPED, st.integers(0, 99), st.integers(0, 40))
def test_order_and_numbers_of_contributors_never_matter(
    drawn: list[tuple[str, str, str, list[int]]], seed: int, old: int
) -> None:
    rng = Random(seed)
    names = rng.sample(range(1_000), 41)

    def groups(number: Mapping[int, int] | list[int], *, is_mixed: bool) -> list[LockGroup]:
        made = []
        for status, machine, found_by, contributors in drawn:
            of = [number[one] for one in contributors]
            if is_mixed:
                rng.shuffle(of)
            made.append(a_lock_group(status, of, machine=machine, found_by=found_by))
        if is_mixed:
            rng.shuffle(made)
        return made

    plain = shares(groups(list(range(41)), is_mixed=False), known(range(old)))
    mixed = shares(groups(names, is_mixed=True), known(names[:old]))
    assert mixed.open.share == pytest.approx(plain.open.share)
    assert (mixed.open.low, mixed.open.high) == pytest.approx((plain.open.low, plain.open.high))
    assert (mixed.units, mixed.withheld_groups) == (plain.units, plain.withheld_groups)
    assert [one.units for one in mixed.statuses] == [one.units for one in plain.statuses]
    assert [(one.value, one.units) for one in mixed.by_machine] == [
        (one.value, one.units) for one in plain.by_machine
    ]
