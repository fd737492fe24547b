"""What of a pool is believed: each step of judging alone, and its laws."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, update

from kbapi.evidence.judge import (
    UNJUDGED,
    believed,
    judge_pool,
    standing_flags,
    standing_in_a_part,
)
from kbapi.stats.guard import Guard
from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.tables import Contributor, EvidenceRow
from kbapi.storage.unit_rows import UnitGroup, load_unit_groups
from tests.evidence.makers import STANDING, UnitSeen, a_chip, add_units, an_outcome
from tests.evidence.test_a_pool_reads_as_its_units_say import undone

FLOOR = 5.0


def a_group(stable: int, unstable: int | None = None, **changes: object) -> UnitGroup:
    group = UnitGroup(
        stable_steps=stable,
        unstable_steps=stable + 5 if unstable is None else unstable,
        contributor_id=0,
        is_established=True,
        is_vouched=False,
        weight_ppm=1_000_000,
        units=1,
        latest_month="2026-08",
    )
    return replace(group, **changes)


def honest(number: int = 40) -> list[UnitGroup]:
    return [a_group(80 + place % 31) for place in range(number)]


def test_far_away_units_are_set_aside_and_say_on_which_side() -> None:
    pool = [*honest(), a_group(200), a_group(150, NEVER_FAILED), a_group(0, 5)]
    judgement = judge_pool(pool, FLOOR)
    assert [(one.stable_steps, one.unstable_steps, one.code) for one in judgement.outlying] == [
        (150, NEVER_FAILED, "far_too_deep"),
        (200, 205, "far_too_deep"),
        (0, 5, "far_too_shallow"),
    ]
    assert judgement.units_set_aside == 3
    stands = believed(pool, judgement)
    assert stands.units == 40
    assert int(stands.intervals.stable_steps.max()) < 200


def test_a_unit_that_somebody_vouches_for_is_never_set_aside_and_weighs_in_full() -> None:
    newcomer = a_group(200, is_established=False)
    assert judge_pool([*honest(), newcomer], FLOOR).units_set_aside == 1
    vouched = replace(newcomer, is_vouched=True)
    judgement = judge_pool([*honest(), vouched], FLOOR)
    assert (judgement.units_set_aside, judgement.outlying, judgement.flagged_share) == (0, (), 0.0)
    stands = believed([*honest(), vouched], judgement).intervals
    assert stands.weight[stands.stable_steps == 200].tolist() == [1.0]


def test_newcomers_hold_a_tenth_of_the_established_and_no_more() -> None:
    def newcomers_weight(established: int, newcomers: int) -> float:
        pool = [
            *(a_group(90) for _ in range(established)),
            *(a_group(100, is_established=False) for _ in range(newcomers)),
        ]
        judgement = judge_pool(pool, FLOOR)
        assert judgement.is_young == (established < 30)
        intervals = believed(pool, judgement).intervals
        return float(intervals.weight[intervals.stable_steps == 100].sum())

    assert newcomers_weight(29, 40) == 40
    assert newcomers_weight(30, 3) == 3
    assert newcomers_weight(30, 4) == pytest.approx(3)
    assert newcomers_weight(60, 500) == pytest.approx(6)


def test_a_contributor_whose_units_lie_together_deep_weighs_nothing() -> None:
    flood = [a_group(112 + place % 3, contributor_id=9, weight_ppm=60_000) for place in range(50)]
    judgement = judge_pool([*honest(), *flood], FLOOR)
    assert judgement.unlike == (9,)
    assert judgement.units_set_aside == 50
    assert believed([*honest(), *flood], judgement).units == 40
    # 3 of 43 units lie on the deep side.
    assert judgement.flagged_share == pytest.approx(3 / 43)
    assert Guard(judgement.flagged_share, drift_alarm=False).stands


def test_a_contributor_like_the_pool_counts_however_many_units_it_has() -> None:
    fleet = [replace(one, contributor_id=9, weight_ppm=60_000) for one in honest(50)]
    judgement = judge_pool([*honest(), *fleet], FLOOR)
    assert (judgement.unlike, judgement.units_set_aside) == ((), 0)
    assert believed([*honest(), *fleet], judgement).intervals.total_weight == pytest.approx(43)


def test_shallow_junk_is_no_reason_to_serve_a_stricter_share() -> None:
    flood = [a_group(40, contributor_id=9, weight_ppm=300_000) for _ in range(10)]
    judgement = judge_pool([*honest(), *flood], FLOOR)
    assert judgement.units_set_aside == 10
    assert judgement.flagged_share == 0.0


def test_a_verdict_on_a_contributor_holds_for_few_of_its_units() -> None:
    flood = [a_group(114, contributor_id=9, weight_ppm=60_000) for _ in range(50)]
    judgement = judge_pool([*honest(), *flood], FLOOR)
    part = standing_in_a_part(STANDING, judgement)
    # A filter that leaves two of them still tells whose they are.
    assert part.units_told_apart == 1
    assert part.others_needed == 0
    two = [a_group(114, contributor_id=9) for _ in range(2)]
    assert believed([*honest(5), *two], judgement).units == 5


def test_a_pool_without_units_is_young_and_has_no_verdicts() -> None:
    assert judge_pool([], FLOOR) == UNJUDGED
    silent = [a_group(0, NEVER_FAILED)]
    assert judge_pool(silent, FLOOR) == UNJUDGED
    # It is counted as a unit, and says nothing of limits.
    stands = believed(silent, UNJUDGED)
    assert (stands.units, len(stands.intervals.weight), stands.latest_month) == (1, 0, "2026-08")


groups = st.builds(
    a_group,
    stable=st.integers(0, 60),
    unstable=st.integers(61, 70) | st.just(NEVER_FAILED),
    contributor_id=st.sampled_from([0, 0, 0, 7, 8]),
    is_established=st.booleans(),
    is_vouched=st.sampled_from([False, False, False, True]),
    weight_ppm=st.sampled_from([1_000_000, 750_000, 333_333]),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(groups, min_size=1, max_size=60), st.randoms(use_true_random=False))
def test_the_order_of_units_never_matters_to_the_last_bit(
    pool: list[UnitGroup], dice: object
) -> None:
    shuffled = list(pool)
    dice.shuffle(shuffled)
    one, other = judge_pool(pool, FLOOR), judge_pool(shuffled, FLOOR)
    assert one == other
    here, there = believed(pool, one).intervals, believed(shuffled, other).intervals
    assert here.weight.tobytes() == there.weight.tobytes()
    assert here.stable_steps.tolist() == there.stable_steps.tolist()


@settings(max_examples=60, deadline=None)
@given(st.lists(groups, min_size=1, max_size=60))
def test_what_is_set_aside_and_what_stands_are_all_there_is(pool: list[UnitGroup]) -> None:
    judgement = judge_pool(pool, FLOOR)
    says = [group for group in pool if group.stable_steps or group.unstable_steps < NEVER_FAILED]
    stand = standing_flags(says, judgement)
    assert int(stand.sum()) + judgement.units_set_aside == len(says)
    assert all(ok for group, ok in zip(says, stand.tolist(), strict=True) if group.is_vouched)
    assert 0 <= judgement.flagged_share < 1
    assert 0 < judgement.newcomer_factor <= 1


def with_contributors(engine: Engine, number: int, first_seen: date) -> list[UnitGroup]:
    with undone(engine) as connection:
        seen = [
            UnitSeen(person, ((0, an_outcome(80 + person, 90 + person)),))
            for person in range(number)
        ]
        pool_id = add_units(connection, a_chip(connection), seen)
        assert pool_id is not None
        connection.execute(update(Contributor).values(first_seen_day=first_seen))
        return load_unit_groups(connection, pool_id, STANDING)


def test_who_is_established_has_been_here_for_thirty_days_in_company_of_five(
    engine: Engine,
) -> None:
    day = STANDING.established_by
    assert all(group.is_established for group in with_contributors(engine, 6, day))
    assert not any(group.is_established for group in with_contributors(engine, 5, day))
    late = day + timedelta(days=1)
    assert not any(group.is_established for group in with_contributors(engine, 6, late))


def test_all_who_send_without_a_token_are_never_established(engine: Engine) -> None:
    with undone(engine) as connection:
        seen = [UnitSeen(person, ((0, an_outcome(80, 90)),)) for person in range(8)]
        pool_id = add_units(connection, a_chip(connection), seen)
        assert pool_id is not None
        connection.execute(update(Contributor).values(first_seen_day=date(2025, 1, 1)))
        first = connection.exec_driver_sql("SELECT MIN(id) FROM contributor").scalar_one()
        connection.execute(
            update(Contributor).where(Contributor.id == first).values(token_hash=STANDING.nobody)
        )
        found = load_unit_groups(connection, pool_id, STANDING)
    assert sorted((group.is_established, group.units) for group in found) == [(False, 1), (True, 7)]


def test_contributors_of_four_units_are_told_apart_and_vouched_rows_too(engine: Engine) -> None:
    with undone(engine) as connection:
        seen = [UnitSeen(1, ((0, an_outcome(80, 90)),))] * 4
        seen += [UnitSeen(2, ((0, an_outcome(80, 90)),))] * 3
        pool_id = add_units(connection, a_chip(connection), seen)
        assert pool_id is not None
        found = load_unit_groups(connection, pool_id, STANDING)
        assert sorted((group.contributor_id > 0, group.units) for group in found) == [
            (False, 3),
            (True, 4),
        ]
        one = connection.exec_driver_sql("SELECT MAX(unit_id) FROM evidence_row").scalar_one()
        connection.execute(update(EvidenceRow).where(EvidenceRow.unit_id == one).values(vouched=1))
        found = load_unit_groups(connection, pool_id, STANDING)
    assert sorted((group.is_vouched, group.units) for group in found) == [
        (False, 2),
        (False, 4),
        (True, 1),
    ]
