"""Laws of merging a unit's results, and its agreement with a slow reading of the same rule."""

from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.evidence.units import MergedRows, merge_results, month_text
from kbapi.stats.intervals import NEVER_FAILED
from tests.evidence.makers import (
    OutcomeRow,
    an_outcome,
    results_of,
    slowly_merged,
    slowly_proven,
    units_of_results,
)
from tests.evidence.strategies import outcomes

SEVERAL = st.lists(outcomes(), max_size=8)
Level = tuple[int, int, int]


def rows_of(merged: MergedRows) -> list[tuple[int, ...]]:
    columns = (getattr(merged, field.name).tolist() for field in fields(merged))
    return sorted(zip(*columns, strict=True))


def levels_of(seen: list[OutcomeRow]) -> list[Level]:
    """Each depth that passed short of the failure, with the failure and the least early stop."""
    merged = merge_results(results_of(seen))
    levels: dict[int, Level] = {}
    columns = (merged.stable_steps, merged.unstable_steps, merged.early_stop_steps)
    for depth, failed, early_stop in zip(*(one.tolist() for one in columns), strict=True):
        least = min(early_stop, levels.get(depth, (0, 0, early_stop))[2])
        levels[depth] = (depth, failed, least)
    if len(levels) > 1:
        levels.pop(0, None)
    return [levels[depth] for depth in sorted(levels)]


def interval_of(seen: list[OutcomeRow]) -> tuple[int, int] | None:
    """The stable and the unstable end of the unit."""
    units = units_of_results(results_of(seen))
    ends = zip(units.stable_steps.tolist(), units.unstable_steps.tolist(), strict=True)
    return next(ends, None)


def latest_month_of(seen: list[OutcomeRow]) -> list[int]:
    """The month of the unit, in months since year 0; empty without a unit."""
    return units_of_results(results_of(seen)).month.tolist()


@given(st.data())
def test_any_order_gives_the_same_rows(data: st.DataObject) -> None:
    seen = data.draw(SEVERAL)
    shuffled = data.draw(st.permutations(seen))
    one, other = (merge_results(results_of(rows)) for rows in (shuffled, seen))
    assert rows_of(one) == rows_of(other)
    assert one.stable_steps.tolist() == other.stable_steps.tolist()
    assert interval_of(shuffled) == interval_of(seen)


@given(SEVERAL)
def test_results_that_come_twice_change_nothing(seen: list[OutcomeRow]) -> None:
    twice = rows_of(merge_results(results_of(seen + seen)))
    assert set(twice) == set(rows_of(merge_results(results_of(seen))))
    assert interval_of(seen + seen) == interval_of(seen)


@given(SEVERAL, SEVERAL)
def test_any_grouping_gives_the_same_rows(some: list[OutcomeRow], more: list[OutcomeRow]) -> None:
    latest = max((seen.measured_month for seen in some), default="")
    merged_first = [
        OutcomeRow(depth, None if failed == NEVER_FAILED else failed, early_stop, latest)
        for depth, failed, early_stop in levels_of(some)
    ]
    # A failure at the first setting leaves a row at stock, which as a pass says nothing new.
    assert interval_of(merged_first + more) == interval_of(some + more)
    assert latest_month_of(merged_first + more) == latest_month_of(some + more)
    assert [level for level in levels_of(merged_first + more) if level[0]] == [
        level for level in levels_of(some + more) if level[0]
    ]


@given(SEVERAL)
def test_units_equal_a_slow_reading_of_the_same_results(seen: list[OutcomeRow]) -> None:
    assert interval_of(seen) == slowly_merged(seen)


@given(SEVERAL)
def test_every_row_lies_short_of_the_shallowest_failure(seen: list[OutcomeRow]) -> None:
    merged = merge_results(results_of(seen))
    failed = [outcome.unstable_steps for outcome in seen if outcome.unstable_steps is not None]
    assert set(merged.unstable_steps.tolist()) <= {min(failed, default=NEVER_FAILED)}
    assert (merged.stable_steps < merged.unstable_steps).all()


@pytest.mark.parametrize(
    ("seen", "rows", "interval"),
    [
        ([], [], None),
        ([an_outcome(80, 90)], [(80, 90, 0)], (80, 90)),
        ([an_outcome(None, 50)], [(0, 50, 0)], (0, 50)),
        ([an_outcome(80, early_stop=5)], [(80, NEVER_FAILED, 5)], (75, NEVER_FAILED)),
        ([an_outcome(80, 90), an_outcome(60, 70)], [(60, 70, 0)], (60, 70)),
        ([an_outcome(80, 90), an_outcome(85)], [(80, 90, 0), (85, 90, 0)], (85, 90)),
        ([an_outcome(80), an_outcome(None, 80)], [(0, 80, 0)], (0, 80)),
        ([an_outcome(80), an_outcome(None, 81)], [(80, 81, 0)], (80, 81)),
        (
            [an_outcome(80, early_stop=5), an_outcome(80, early_stop=0)],
            [(80, NEVER_FAILED, 0)],
            (80, NEVER_FAILED),
        ),
        ([an_outcome(0)], [(0, NEVER_FAILED, 0)], (0, NEVER_FAILED)),
        ([an_outcome(None)], [], None),
    ],
)
def test_worked_examples(
    seen: list[OutcomeRow], rows: list[Level], interval: tuple[int, int] | None
) -> None:
    assert levels_of(seen) == rows
    assert interval_of(seen) == interval


def test_the_latest_month_is_the_latest_of_all_even_of_a_beaten_pass() -> None:
    seen = [an_outcome(60, 70, month="2026-07"), an_outcome(80, month="2026-09")]
    assert [month_text(m) for m in units_of_results(results_of(seen)).month] == ["2026-09"]


def test_a_curator_confirms_the_pass_or_the_failure_that_still_counts() -> None:
    def confirmed(*seen: OutcomeRow) -> list[bool]:
        return units_of_results(results_of(seen)).confirmed_by_curator.tolist()

    beaten = OutcomeRow(80, None, 0, "2026-08", confirmed_by_curator=1)
    assert confirmed(beaten, an_outcome(None, 90)) == [True]
    assert confirmed(beaten, an_outcome(None, 80)) == [False]
    assert confirmed(an_outcome(80), OutcomeRow(None, 70, 0, "2026-08", 1)) == [True]
    assert confirmed(an_outcome(None, 60), OutcomeRow(None, 70, 0, "2026-08", 1)) == [False]


def flags_of(*seen: OutcomeRow) -> tuple[bool, bool, bool]:
    """Of the only unit: stop without a stated end, failed later, unproven stock."""
    units = units_of_results(results_of(seen))
    columns = (units.untold_stop, units.failed_later, units.stock_unproven)
    return tuple(bool(column[0]) for column in columns)  # type: ignore[return-value]


def test_the_deepest_pass_alone_says_whether_a_stop_has_a_stated_end() -> None:
    untold, planned = an_outcome(80, early_stop=5), an_outcome(80)
    assert flags_of(untold)[0]
    assert not flags_of(planned)[0]
    assert not flags_of(untold, planned)[0]
    assert flags_of(untold, an_outcome(79))[0]
    assert not flags_of(untold, an_outcome(81))[0]
    assert not flags_of(untold, an_outcome(None, 90))[0]
    # Nothing is left of a pass as shallow as the step that it counts shallower.
    assert not flags_of(an_outcome(5, early_stop=5))[0]
    assert flags_of(an_outcome(6, early_stop=5))[0]


def a_later_failure(depth: int) -> OutcomeRow:
    return replace(an_outcome(None, depth), is_follow_up=True)


def test_a_unit_failed_later_if_only_a_follow_up_failed_where_it_had_passed() -> None:
    assert flags_of(an_outcome(80, 90), a_later_failure(80))[1]
    assert flags_of(an_outcome(80, 90), a_later_failure(72))[1]
    # It failed beyond what had passed: both together are a usual interval.
    assert not flags_of(an_outcome(80, 90), a_later_failure(81))[1]
    assert not flags_of(an_outcome(None, 90), a_later_failure(72))[1]
    assert not flags_of(an_outcome(80, 90), an_outcome(None, 72))[1]
    assert not flags_of(an_outcome(80, 90), a_later_failure(72), an_outcome(None, 72))[1]
    assert flags_of(an_outcome(80, 90), a_later_failure(71), an_outcome(None, 72))[1]


FLAGGED = st.lists(
    st.builds(
        lambda outcome, later, unproven: replace(
            outcome,
            is_follow_up=later,
            is_stock_unproven=unproven and not later and outcome.stable_steps is None,
        ),
        outcomes(),
        st.booleans(),
        st.booleans(),
    ),
    min_size=1,
    max_size=6,
)


@given(FLAGGED, st.data())
def test_flags_equal_a_slow_reading_in_any_order(seen: list[OutcomeRow], data: object) -> None:
    left = slowly_proven(seen)
    if not left:
        return
    failed = min((o.unstable_steps or NEVER_FAILED for o in left), default=NEVER_FAILED)
    failing = [o for o in left if o.unstable_steps == failed]
    later = bool(failing) and all(o.is_follow_up for o in failing)
    later = later and any((o.stable_steps or 0) >= failed for o in left)
    ends = slowly_merged(seen)
    deepest = max((o.stable_steps or 0) for o in left)
    stops = [o.early_stop_steps for o in left if (o.stable_steps or 0) == deepest]
    untold = failed == NEVER_FAILED and min(stops) > 0 and ends is not None and ends[0] > 0
    unproven = all(o.is_stock_unproven for o in left)
    assert flags_of(*data.draw(st.permutations(seen))) == (untold, later, unproven)
    assert interval_of(seen) == ends


def test_a_first_failure_of_unproven_stock_bounds_only_a_unit_without_another_limit() -> None:
    unproven = replace(an_outcome(None, 40), is_stock_unproven=True)
    assert interval_of([unproven]) == (0, 40)
    assert units_of_results(results_of([unproven])).weight_ppm.tolist() == [100_000]
    for other, ends in (
        (an_outcome(80, 90), (80, 90)),
        (an_outcome(None, 50), (0, 50)),
        (an_outcome(30), (30, NEVER_FAILED)),
    ):
        units = units_of_results(results_of([unproven, other]))
        assert interval_of([unproven, other]) == interval_of([other, unproven]) == ends
        assert units.weight_ppm.tolist() == [1_000_000]
    assert interval_of([unproven, an_outcome(None)]) == (0, 40)
