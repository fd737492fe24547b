"""By what reports on locks differ, since when, and where they contradict each other."""

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kbapi.evidence.lock_differences import (
    CHANGE_LEVEL,
    MOST_CONTRADICTIONS,
    find_lock_differences,
    latest_of_each_contributor,
)
from kbapi.evidence.locks import LockReporters
from kbapi.vocabulary import LOCKED_STATUSES, OPEN_STATUSES
from tests.evidence.lock_makers import a_tried_lock, tried
from tests.evidence.pool_makers import known_for_long

REPORT = st.fixed_dictionaries(
    {
        "contributor_id": st.integers(1, 30),
        "status": st.sampled_from((*OPEN_STATUSES, *LOCKED_STATUSES)),
        "measured_month": st.sampled_from(["2026-05", "2026-06"]),
        "firmware_month": st.sampled_from(["", "2025-09", "2026-01", "2026-04"]),
        "microcode": st.sampled_from(["", "0x2b", "0x2c"]),
        "machine": st.sampled_from(["harbour-15", "quay-13"]),
        "memory_integrity": st.sampled_from(["on", "off", "unknown"]),
        "unit_order": st.binary(max_size=1),
    }
)
EVERYONE = known_for_long(frozenset(range(10_000)))
"""All contributors, as established."""
REPORTS = st.lists(REPORT, max_size=60).map(
    lambda values: [a_tried_lock(0, **report) for report in values]
)


def by_month(*cells: tuple[str, int, int]) -> list:
    reports: list = []
    for month, opened, locked in cells:
        reports += tried(opened, locked, first=len(reports), firmware_month=month)
    return reports


@settings(max_examples=60, deadline=None)
@given(REPORTS, st.integers(0, 99))
def test_the_order_of_reports_never_matters(reports, seed):
    mixed = list(reports)
    Random(seed).shuffle(mixed)
    assert find_lock_differences(mixed, 0.6, EVERYONE) == find_lock_differences(
        reports, 0.6, EVERYONE
    )


@settings(max_examples=60, deadline=None)
@given(REPORTS)
def test_shown_lock_differences_have_at_least_five_units(reports):
    found = find_lock_differences(reports, 0.6, EVERYONE)
    assert found.units == len({report.contributor_id for report in reports})
    for split in found.splits:
        assert split.by in found.compared_by
        assert min(value.units for value in split.values) >= 5
        assert split.clearest in [value.value for value in split.values]
    if found.change is not None:
        assert min(found.change.before.units, found.change.after.units) >= 5
        assert found.change.earliest <= found.change.since <= found.change.latest
    for one in found.contradictions:
        assert one.open + one.locked >= 5
        assert min(one.open, one.locked) >= 1
        assert one.firmware_month or one.microcode


def test_only_the_latest_unit_of_a_contributor_is_compared():
    own = [
        a_tried_lock(1, "open", measured_month="2026-05", unit_order=b"a"),
        a_tried_lock(1, "chip_locked", measured_month="2026-06", unit_order=b"c"),
        a_tried_lock(1, "open", measured_month="2026-06", unit_order=b"d"),
    ]
    assert set(latest_of_each_contributor([*own, a_tried_lock(2)])) == {own[1], a_tried_lock(2)}


def test_a_flood_of_one_contributor_makes_no_change():
    reports = by_month(("2025-09", 8, 0), ("2026-03", 4, 0))
    flood = [
        a_tried_lock(99, "firmware_locked", firmware_month="2026-03", unit_order=bytes([n]))
        for n in range(100)
    ]
    found = find_lock_differences([*reports, *flood], 0.5, EVERYONE)
    assert found.units == 13
    assert found.change is not None
    assert not found.change.is_change
    assert found.splits == ()


def test_the_month_since_which_reports_say_locked_is_found():
    found = find_lock_differences(
        by_month(
            ("2025-06", 10, 1), ("2025-09", 12, 1), ("2025-11", 13, 1), ("2026-03", 5, 14),
            ("2026-05", 3, 16),
        ),
        0.6,
        EVERYONE,
    )  # fmt: skip
    change = found.change
    assert change is not None
    assert change.is_change
    assert (change.since, change.before.value) == ("2026-03", "2025-06 to 2025-11")
    assert (change.before.units, change.after.units) == (38, 38)
    assert change.before.share_open > 0.85 > 0.3 > change.after.share_open
    assert change.before.interval[0] > change.after.interval[1]
    assert change.p_value < CHANGE_LEVEL


def test_a_change_is_found_in_both_directions():
    locking = by_month(("2025-06", 20, 2), ("2026-03", 3, 19))
    opening = by_month(("2025-06", 2, 20), ("2026-03", 19, 3))
    one = find_lock_differences(locking, 0.5, EVERYONE).change
    other = find_lock_differences(opening, 0.5, EVERYONE).change
    assert one is not None
    assert other is not None
    assert one.p_value == pytest.approx(other.p_value)
    assert one.is_change
    assert other.is_change
    assert one.after.share_open == pytest.approx(other.before.share_open, abs=0.05)


def test_what_was_said_of_no_month_takes_no_part_in_a_change():
    reports = by_month(("2025-06", 20, 2), ("2026-03", 3, 19))
    more = tried(50, 50, first=1000)
    alone, beside = (
        find_lock_differences(reports, 0.5, EVERYONE),
        find_lock_differences([*reports, *more], 0.5, EVERYONE),
    )
    assert alone.change == beside.change
    assert beside.units == 144


def test_a_protection_by_which_locks_differ_is_named_alone():
    off = tried(18, 2, "os_blocked", memory_integrity="off", microcode="0x2b")
    on = tried(4, 16, "os_blocked", first=100, memory_integrity="on", microcode="0x2b")
    mixed = [
        a_tried_lock(report.contributor_id, report.status, memory_integrity=report.memory_integrity,
                     microcode="0x2b" if place % 2 else "0x2c")
        for place, report in enumerate([*off, *on])
    ]  # fmt: skip
    found = find_lock_differences(mixed, 0.5, EVERYONE)
    assert found.compared_by == ("microcode", "memory_integrity")
    (split,) = found.splits
    assert split.by == "memory_integrity"
    fisher = stats.fisher_exact([[18, 2], [4, 16]]).pvalue
    assert split.p_value == pytest.approx(2 * fisher)
    assert [value.value for value in split.values] == ["off", "on"]


def test_of_several_microcodes_the_one_that_differs_is_the_clearest():
    reports = [
        *tried(10, 0, microcode="0x2a"),
        *tried(9, 1, first=100, microcode="0x2b"),
        *tried(0, 10, first=200, microcode="0x2c"),
        *tried(0, 4, first=300, microcode="0x2d"),
    ]
    (split,) = find_lock_differences(reports, 0.5, EVERYONE).splits
    assert (split.by, split.clearest) == ("microcode", "0x2c")
    assert [value.value for value in split.values] == ["0x2a", "0x2b", "0x2c"]


def test_contradictions_among_equal_units_are_shown_the_most_even_first():
    alike = {"firmware_month": "2026-03", "microcode": "0x2b", "memory_integrity": "on"}
    reports = [
        *tried(4, 3, **alike),
        *tried(2, 1, first=50, **{**alike, "machine": "quay-13"}),
        *tried(9, 1, first=100, firmware_month="2025-09"),
        *tried(3, 1, first=200, firmware_month="2025-10"),
        *tried(9, 9, first=300),
    ]
    found = find_lock_differences(reports, 0.5, EVERYONE).contradictions
    assert [(one.open, one.locked, one.machines) for one in found] == [(6, 4, 2), (9, 1, 1)]
    assert found[0].protections == ("memory_integrity on",)
    assert (found[1].firmware_month, found[1].microcode) == ("2025-09", "")


def test_at_most_ten_contradictions_are_shown():
    reports: list = []
    for number in range(15):
        reports += tried(3, 3, first=len(reports), microcode=f"0x{number:x}")
    assert len(find_lock_differences(reports, 0.5, EVERYONE).contradictions) == MOST_CONTRADICTIONS


def test_with_too_few_nothing_is_compared():
    found = find_lock_differences(by_month(("2025-09", 4, 0), ("2026-03", 0, 4)), 0.5, EVERYONE)
    assert (found.compared_by, found.splits, found.change) == ((), (), None)
    assert find_lock_differences([], 0.5, EVERYONE).units == 0


BELONGING = (
    ("harbour-15", "2025-06", 19, 1),
    ("harbour-15", "2025-09", 19, 1),
    ("quay-13", "2026-01", 2, 18),
    ("quay-13", "2026-04", 2, 18),
)
"""Machine classes with shares and firmware months of their own, stable within each class."""


def of_machines(*cells: tuple[str, str, int, int]) -> list:
    reports: list = []
    for machine, month, opened, locked in cells:
        reports += tried(opened, locked, first=len(reports), machine=machine, firmware_month=month)
    return reports


def test_months_that_belong_to_machines_are_no_change_and_no_difference():
    found = find_lock_differences(of_machines(*BELONGING), 0.5, EVERYONE)
    # Within a class nothing differs; five machines of either class have one month alone.
    assert found.change is not None
    assert not found.change.is_change
    assert found.change.p_value > 0.5
    assert [split.by for split in found.splits] == ["machine"]
    assert "firmware_month" in found.compared_by


def test_the_same_reports_of_one_class_are_a_change():
    alike = [(BELONGING[0][0], *cell[1:]) for cell in BELONGING]
    found = find_lock_differences(of_machines(*alike), 0.5, EVERYONE)
    assert found.change is not None
    assert found.change.is_change
    assert found.change.since == "2026-01"
    assert "firmware_month" in [split.by for split in found.splits]


def test_reports_without_a_machine_class_take_no_part_in_a_change_or_a_difference():
    unstated = [("", *cell[1:]) for cell in BELONGING]
    found = find_lock_differences(of_machines(*unstated), 0.5, EVERYONE)
    assert (found.change, found.compared_by, found.splits) == (None, (), ())
    assert found.units == 80
    stated = of_machines(*[("harbour-15", *cell[1:]) for cell in BELONGING])
    more = [one._replace(contributor_id=1_000 + one.contributor_id, machine="") for one in stated]
    alone, beside = (
        find_lock_differences(one, 0.5, EVERYONE) for one in (stated, [*stated, *more])
    )
    assert (alone.change, alone.splits) == (beside.change, beside.splits)


def test_a_change_in_several_classes_counts_together():
    half = [("2025-06", 6, 0), ("2026-01", 1, 5)]
    cells = [(machine, *cell) for machine in ("harbour-15", "quay-13") for cell in half]
    both = find_lock_differences(of_machines(*cells), 0.5, EVERYONE).change
    one = find_lock_differences(of_machines(*cells[:2]), 0.5, EVERYONE).change
    assert both is not None
    assert one is not None
    assert both.p_value < CHANGE_LEVEL < one.p_value
    assert (both.before.units, both.after.units) == (12, 12)


def test_a_class_with_a_single_month_is_no_comparison():
    locked = ("quay-13", "2026-01", 0, 40)
    found = find_lock_differences(
        of_machines(("harbour-15", "2025-06", 9, 1), ("harbour-15", "2026-01", 9, 1), locked),
        0.5,
        EVERYONE,
    ).change
    assert found is not None
    assert not found.is_change
    assert (found.before.units, found.after.units) == (10, 10)


@pytest.mark.parametrize(("since", "is_compared"), [(5, True), (4, False)])
def test_a_month_needs_five_units_of_a_class_that_has_both_sides(since, is_compared):
    cells = [
        ("harbour-15", "2025-06", 9, 1),
        ("harbour-15", "2026-01", since, 0),
        ("quay-13", "2026-01", 30, 0),
    ]
    found = find_lock_differences(of_machines(*cells), 0.5, EVERYONE)
    assert (found.change is not None) == is_compared


def test_shares_by_value_are_those_of_equal_machine_classes():
    # In both classes 0x2b is open less often; most of its machines are of the open class.
    reports = [
        *tried(8, 0, machine="harbour-15", microcode="0x2a"),
        *tried(30, 10, first=100, machine="harbour-15", microcode="0x2b"),
        *tried(20, 20, first=200, machine="quay-13", microcode="0x2a"),
        *tried(0, 8, first=300, machine="quay-13", microcode="0x2b"),
    ]
    (split,) = (
        one for one in find_lock_differences(reports, 0.6, EVERYONE).splits if one.by == "microcode"
    )
    older, newer = split.values
    assert (older.units, newer.units) == (48, 48)
    assert older.share_open > newer.share_open + 0.2


def fresh(month: str) -> list:
    return tried(0, 22, first=1_000, firmware_month=month)


@pytest.mark.parametrize("established", [12, 30, 100])
def test_fresh_accounts_make_no_change_beside_established_contributors(established):
    months = by_month(
        ("2025-06", established // 2, 0), ("2026-01", established - established // 2, 0)
    )
    old = known_for_long(frozenset(range(established)))
    honest, flooded = (
        find_lock_differences(one, 0.98, old) for one in (months, [*months, *fresh("2026-01")])
    )
    assert flooded.change is not None
    assert not flooded.change.is_change
    assert flooded.splits == honest.splits == ()
    assert flooded.units <= honest.units + 1


@pytest.mark.parametrize(("established", "counted"), [(5, 6), (6, 5), (9, 2), (13, 1), (14, 0)])
def test_newcomers_beside_established_contributors_count_less_the_more_these_are(
    established, counted
):
    reports = [*tried(established, 0), *fresh("2026-01")]
    old = known_for_long(frozenset(range(established)))
    assert find_lock_differences(reports, 0.98, old).units == established + counted


def test_in_a_young_instance_all_contributors_are_compared():
    reports = [*by_month(("2025-06", 30, 0)), *fresh("2026-01")]
    everyone = frozenset(report.contributor_id for report in reports)
    found = find_lock_differences(reports, 0.5, LockReporters(everyone, frozenset()))
    assert found.units == 52
    assert found.change is not None
    assert found.change.is_change


@settings(max_examples=60, deadline=None)
@given(REPORTS, st.integers(0, 99), st.integers(0, 30))
def test_numbers_of_contributors_and_duplicates_never_matter(reports, seed, old):
    rng = Random(seed)
    names = rng.sample(range(1_000), 31)
    named = [one._replace(contributor_id=names[one.contributor_id]) for one in reports]
    plain = find_lock_differences(reports, 0.6, known_for_long(frozenset(range(old))))
    again = known_for_long(frozenset(names[:old]))
    assert find_lock_differences(named, 0.6, again) == plain
    assert find_lock_differences([*named, *named[:7]], 0.6, again) == plain
