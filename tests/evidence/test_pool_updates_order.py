"""Laws of the merge, and its agreement with a slow reading of the same rule."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.evidence.pool_updates import merge_outcomes
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage.evidence import EvidenceLevel, OutcomeRow
from tests.evidence.makers import an_outcome, slowly_merged
from tests.evidence.strategies import outcomes

SEVERAL = st.lists(outcomes(), max_size=8)


def as_one_interval(levels: tuple[EvidenceLevel, ...]) -> tuple[int, int] | None:
    """What a pool reads off a unit's rows."""
    if not levels:
        return None
    deepest = levels[-1]
    if deepest.unstable_steps < NEVER_FAILED:
        return deepest.stable_steps, deepest.unstable_steps
    return max(0, deepest.stable_steps - deepest.early_stop_steps), NEVER_FAILED


@given(st.data())
def test_any_order_gives_the_same_rows(data: st.DataObject) -> None:
    seen = data.draw(SEVERAL)
    shuffled = data.draw(st.permutations(seen))
    assert merge_outcomes(shuffled) == merge_outcomes(seen)


@given(SEVERAL)
def test_saying_it_twice_says_nothing_new(seen: list[OutcomeRow]) -> None:
    assert merge_outcomes(seen + seen) == merge_outcomes(seen)


@given(SEVERAL, SEVERAL)
def test_any_grouping_gives_the_same_rows(some: list[OutcomeRow], more: list[OutcomeRow]) -> None:
    merged_first = [
        an_outcome(
            level.stable_steps,
            None if level.unstable_steps == NEVER_FAILED else level.unstable_steps,
            level.early_stop_steps,
            level.latest_month,
        )
        for level in merge_outcomes(some)
    ]
    at_once, in_turn = merge_outcomes(some + more), merge_outcomes(merged_first + more)
    # A failure at the first setting leaves a row at stock, which as a pass says nothing new.
    assert as_one_interval(in_turn) == as_one_interval(at_once)
    assert [level for level in in_turn if level.stable_steps] == [
        level for level in at_once if level.stable_steps
    ]


@given(SEVERAL)
def test_it_says_what_the_slow_reading_says(seen: list[OutcomeRow]) -> None:
    assert as_one_interval(merge_outcomes(seen)) == slowly_merged(seen)


@given(SEVERAL)
def test_every_row_lies_short_of_the_shallowest_failure(seen: list[OutcomeRow]) -> None:
    levels = merge_outcomes(seen)
    failed = [outcome.unstable_steps for outcome in seen if outcome.unstable_steps is not None]
    assert {level.unstable_steps for level in levels} <= {min(failed, default=NEVER_FAILED)}
    assert all(level.stable_steps < level.unstable_steps for level in levels)
    assert [level.stable_steps for level in levels] == sorted(
        {level.stable_steps for level in levels}
    )


@pytest.mark.parametrize(
    ("seen", "rows"),
    [
        ([], []),
        ([an_outcome(80, 90)], [(80, 90, 0)]),
        ([an_outcome(None, 50)], [(0, 50, 0)]),
        ([an_outcome(80, early_stop=5)], [(80, NEVER_FAILED, 5)]),
        ([an_outcome(80, 90), an_outcome(60, 70)], [(60, 70, 0)]),
        ([an_outcome(80, 90), an_outcome(85)], [(80, 90, 0), (85, 90, 0)]),
        ([an_outcome(80), an_outcome(None, 80)], [(0, 80, 0)]),
        ([an_outcome(80), an_outcome(None, 81)], [(80, 81, 0)]),
        ([an_outcome(80, early_stop=5), an_outcome(80, early_stop=0)], [(80, NEVER_FAILED, 0)]),
        ([an_outcome(0)], [(0, NEVER_FAILED, 0)]),
    ],
)
def test_worked_examples(seen: list[OutcomeRow], rows: list[tuple[int, int, int]]) -> None:
    assert [
        (level.stable_steps, level.unstable_steps, level.early_stop_steps)
        for level in merge_outcomes(seen)
    ] == rows


def test_the_latest_month_is_the_latest_of_all_even_of_a_beaten_pass() -> None:
    levels = merge_outcomes([an_outcome(60, 70, month="2026-07"), an_outcome(80, month="2026-09")])
    assert [level.latest_month for level in levels] == ["2026-09"]
