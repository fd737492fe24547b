"""What of a pool is believed: each step of judging alone, and its laws."""

from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, update

from kbapi.evidence.outlier_check import (
    LONE_FAILURE_WEIGHT,
    UNCHECKED,
    OutlierReport,
    chance_of_failing_soon,
    check_outliers,
    counted_units,
    first_failures,
    standing_flags,
    untold_stops,
    weighed_intervals,
    weight_for_related,
    weight_under,
)
from kbapi.evidence.units import PoolUnits, load_pool_rows, units_of
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED, Grid
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.start import Guard, Start, pool_start
from kbapi.storage.tables import Contributor, SettingResult
from tests.evidence.makers import STANDING, UnitSeen, a_chip, add_units, an_outcome
from tests.evidence.pool_makers import UnitMade, a_unit, pool_of
from tests.evidence.test_pools import undone

FLOOR = 5.0


def honest(number: int = 40) -> list[UnitMade]:
    return [a_unit(80 + place % 31) for place in range(number)]


def judged(units: list[UnitMade]) -> OutlierReport:
    return check_outliers(pool_of(units), FLOOR)


def test_a_unit_far_deeper_than_the_others_is_excluded_and_none_for_being_weak() -> None:
    pool = [*honest(), a_unit(200), a_unit(0, 5), a_unit(1, 2)]
    outlier_report = judged(pool)
    assert outlier_report.outlier_deep.tolist() == [41]
    assert outlier_report.excluded_units == 1
    stands = counted_units(pool_of(pool), outlier_report, FLOOR)
    assert stands.units == 42
    assert int(stands.intervals.stable_steps.max()) < 200


def test_two_units_far_deeper_belong_to_the_pool() -> None:
    assert judged([*honest(), a_unit(200), a_unit(180, NEVER_FAILED)]).excluded_units == 0


def test_a_unit_confirmed_by_a_curator_is_never_excluded_and_has_full_weight() -> None:
    newcomer = a_unit(200, is_established=False)
    assert judged([*honest(), newcomer]).excluded_units == 1
    pool = pool_of([*honest(), replace(newcomer, is_vouched=True)])
    outlier_report = check_outliers(pool, FLOOR)
    assert (outlier_report.excluded_units, outlier_report.flagged_share) == (0, 0.0)
    stands = counted_units(pool, outlier_report, FLOOR).intervals
    assert stands.weight[stands.stable_steps == 200].tolist() == [1.0]


def newcomers_weight(established: int, newcomers: int) -> float:
    pool = pool_of(
        [
            *(a_unit(90) for _ in range(established)),
            *(a_unit(100, is_established=False) for _ in range(newcomers)),
        ]
    )
    outlier_report = check_outliers(pool, FLOOR)
    assert outlier_report.is_young == (established == 0)
    intervals = counted_units(pool, outlier_report, FLOOR).intervals
    weight = float(intervals.weight[intervals.stable_steps == 100].sum())
    assert outlier_report.is_mostly_new == (weight > established)
    return weight


def test_a_crowd_of_newcomers_that_outweighs_the_established_is_noted() -> None:
    """Four established keep 2^(-4 / 3) = 0.397 of others: 11 weigh more than four, ten less."""
    assert newcomers_weight(4, 10) < 4 < newcomers_weight(4, 11)


def test_beside_five_established_contributors_no_crowd_outweighs_them() -> None:
    """Beside five, ten newcomers count, each 2^(-5 / 3) = 0.315: more than ten weigh no more."""
    assert newcomers_weight(5, 9) == pytest.approx(9 / 2 ** (5 / 3))
    assert newcomers_weight(5, 10) == pytest.approx(newcomers_weight(5, 300), abs=1e-4)
    assert newcomers_weight(5, 300) < 5
    assert newcomers_weight(10, 300) == pytest.approx(1, abs=1e-3)


def test_a_larger_crowd_never_weighs_less() -> None:
    for established in (1, 2, 3, 6, 12, 30):
        weights = [newcomers_weight(established, newcomers) for newcomers in (5, 20, 50, 150)]
        assert np.all(np.diff(weights) >= -1e-3)


def test_newcomers_weigh_less_with_each_established_unit_down_to_a_tenth() -> None:
    assert newcomers_weight(0, 40) == 40
    assert newcomers_weight(1, 40) == pytest.approx(40 / 2 ** (1 / 3))
    assert newcomers_weight(3, 10) == pytest.approx(5)
    # Sixteen and two thirds are counted of forty.
    assert newcomers_weight(3, 40) == pytest.approx(50 / 3 / 2, abs=1e-4)
    # From here on a tenth of the established weight is more.
    assert newcomers_weight(18, 40) == pytest.approx(1.8)
    assert newcomers_weight(60, 500) == pytest.approx(6)


def test_newcomers_below_a_tenth_of_the_established_keep_their_weight() -> None:
    assert newcomers_weight(30, 3) == 3
    assert newcomers_weight(30, 4) == pytest.approx(3)


def test_newcomers_fade_for_other_chips_as_contributors_are_established() -> None:
    def heard_by_others(established: int) -> tuple[float, float]:
        pool = pool_of(
            [
                *(a_unit(90) for _ in range(established)),
                *(a_unit(100, is_established=False) for _ in range(50)),
                a_unit(110, is_established=False, is_vouched=established > 0),
            ]
        )
        weight = weight_for_related(pool, check_outliers(pool, FLOOR))
        return tuple(float(weight[pool.stable_steps == s].sum()) for s in (90, 100))

    assert heard_by_others(0) == (0, 50)
    # With the one that is vouched for they are three.
    assert heard_by_others(2) == (2, pytest.approx(50 / 3 / 2))
    assert heard_by_others(29) == (29, pytest.approx(50 / 2**10))
    assert heard_by_others(4000) == (4000, 0)


def weight_of(pool: list[UnitMade], contributor: int) -> float:
    units = pool_of(pool)
    weight = weight_under(units, check_outliers(units, FLOOR))
    return float(weight[units.contributor == contributor].sum())


def test_a_contributor_weighs_one_unit_below_thirty_and_three_from_ninety_on() -> None:
    def weight(others: int, own: int) -> float:
        return weight_of([*honest(others), *(replace(u, contributor=9) for u in honest(own))], 9)

    assert weight(20, 1) == 1
    assert weight(20, 3) == pytest.approx(1, abs=1e-5)
    assert weight(27, 3) == pytest.approx(1, abs=1e-5)
    assert weight(28, 3) == pytest.approx(31 / 30, abs=1e-5)
    assert weight(57, 60) == pytest.approx(2, abs=1e-4)
    assert weight(86, 60) == pytest.approx(89 / 30, abs=1e-4)
    assert weight(87, 60) == weight(300, 60) == pytest.approx(3, abs=1e-4)
    assert weight(300, 1) == 1


def test_newcomers_do_not_raise_what_a_contributor_may_weigh() -> None:
    fleet = [replace(unit, contributor=9) for unit in honest(3)]
    new = [replace(unit, is_established=False) for unit in honest(500)]
    # The 23 established units leave 2.3 to all the newcomers together.
    assert weight_of([*honest(20), *fleet, *new], 9) == pytest.approx(1, abs=1e-5)
    assert weight_of([*honest(30), *fleet, *new], 9) == pytest.approx(33 * 1.1 / 30, abs=1e-3)


def test_units_without_a_limit_take_no_weight_from_others_of_their_contributor() -> None:
    fleet = [a_unit(90, contributor=9), a_unit(0, NEVER_FAILED, contributor=9)]
    assert weight_of([*honest(20), *fleet], 9) == 1


def lone(*units: UnitMade) -> list[int]:
    """Places, from 0, of the units that fail alone, after forty honest ones."""
    return [unit - 41 for unit in judged([*honest(), *units]).lone_failures.tolist()]


def test_a_failure_of_the_first_setting_alone_counts_in_part() -> None:
    assert lone(a_unit(0, 50)) == [0]
    assert weight_of([*honest(), a_unit(0, 50, contributor=9)], 9) == LONE_FAILURE_WEIGHT
    assert lone(a_unit(1, 50)) == []


def test_another_contributor_within_three_spreads_confirms_a_failure() -> None:
    # Honest units fail from step 85 on; a spread is five steps.
    assert lone(a_unit(0, 70)) == []
    assert lone(a_unit(0, 69)) == [0]
    assert lone(a_unit(0, 50), a_unit(0, 35)) == []
    assert lone(a_unit(0, 50), a_unit(0, 34)) == [0, 1]
    assert lone(a_unit(0, 50), a_unit(20, 65)) == []
    assert lone(a_unit(0, 50), a_unit(20, 66)) == [0]
    assert lone(a_unit(0, 50), a_unit(60, NEVER_FAILED)) == [0]


def test_the_same_contributor_confirms_nothing_and_a_pass_anywhere_does() -> None:
    fakes = [a_unit(0, depth, contributor=9) for depth in (10, 12, 14)]
    assert lone(*fakes) == [0, 1, 2]
    assert lone(*fakes, a_unit(90, contributor=9)) == []
    assert lone(*fakes, a_unit(0, NEVER_FAILED, contributor=9)) == [0, 1, 2]
    assert lone(*fakes, a_unit(0, 25, contributor=8)) == []
    assert lone(*fakes, a_unit(0, 26, contributor=8)) == [0]


def test_a_failure_that_a_curator_confirmed_counts_in_full() -> None:
    assert lone(a_unit(0, 50, is_vouched=True)) == []


def test_what_lone_failures_lose_is_flagged() -> None:
    outlier_report = judged([*honest(), a_unit(0, 50)])
    assert outlier_report.excluded_units == 0
    assert outlier_report.flagged_share == pytest.approx((1 - LONE_FAILURE_WEIGHT) / 41)


def test_three_fake_failures_of_a_new_token_do_not_silence_twenty_units() -> None:
    fakes = [a_unit(0, depth, contributor=9, is_established=False) for depth in (2, 5, 10)]
    for is_established in (True, False):
        club = [replace(unit, is_established=is_established) for unit in honest(20)]
        units = pool_of([*club, *fakes])
        report = check_outliers(units, FLOOR)
        fit = pool_start(
            counted_units(units, report, FLOOR).intervals,
            Siblings(),
            Grid(Fraction(1)),
            VOLTAGE_OFFSET,
            0.90,
            0.95,
            Guard(report.flagged_share, drift_alarm=False),
        )
        assert isinstance(fit.answer, Start)


def test_a_contributor_whose_units_lie_together_deep_weighs_nothing() -> None:
    pool = pool_of([*honest(), *(a_unit(112 + place % 3, contributor=9) for place in range(50))])
    outlier_report = check_outliers(pool, FLOOR)
    assert outlier_report.differing.tolist() == [9]
    assert outlier_report.excluded_units == 50
    assert counted_units(pool, outlier_report, FLOOR).units == 40
    # One contributor weighs a thirtieth of the 43 units that there are with three of each.
    assert outlier_report.flagged_share == pytest.approx((43 / 30) / (40 + 43 / 30), rel=1e-4)


def test_a_contributor_like_the_pool_counts_however_many_units_it_has() -> None:
    pool = pool_of([*honest(), *(replace(one, contributor=9) for one in honest(50))])
    outlier_report = check_outliers(pool, FLOOR)
    assert (outlier_report.differing.tolist(), outlier_report.excluded_units) == ([], 0)
    assert counted_units(pool, outlier_report, FLOOR).intervals.total_weight == pytest.approx(
        40 + 43 / 30
    )


def test_three_units_of_one_contributor_are_too_few_to_tell() -> None:
    def unlike(units: int) -> list[int]:
        pool = [*honest(200), *(a_unit(114, contributor=9) for _ in range(units))]
        return judged(pool).differing.tolist()

    assert unlike(3) == []
    assert unlike(12) == [9]


def test_a_contributor_whose_units_lie_together_shallow_counts() -> None:
    pool = [*honest(), *(a_unit(40, contributor=9) for _ in range(10))]
    outlier_report = judged(pool)
    assert (outlier_report.excluded_units, outlier_report.flagged_share) == (0, 0.0)
    assert weight_of(pool, 9) == pytest.approx(43 / 30, abs=1e-4)


def test_a_contributor_that_differs_is_excluded_even_with_few_of_its_units() -> None:
    outlier_report = judged([*honest(), *(a_unit(114, contributor=9) for _ in range(50))])
    part = pool_of([*honest(5), a_unit(114, contributor=9), a_unit(114, contributor=9)])
    assert counted_units(part, outlier_report, FLOOR).units == 5


def test_a_pool_without_units_is_young_and_has_no_outliers() -> None:
    assert judged([]) is UNCHECKED
    uninformative = pool_of([a_unit(0, NEVER_FAILED)])
    assert check_outliers(uninformative, FLOOR) is UNCHECKED
    # It is counted as a unit, and says nothing of limits.
    stands = counted_units(uninformative, UNCHECKED, FLOOR)
    assert (stands.units, len(stands.intervals.weight), stands.latest_month) == (1, 0, "2026-08")


def rows_of(units: PoolUnits, **wanted: bool) -> list[tuple[int, int, float]]:
    found = weighed_intervals(units, check_outliers(units, FLOOR), FLOOR, **wanted)
    columns = (found.stable_steps, found.unstable_steps, found.weight.round(9))
    return list(zip(*(one.tolist() for one in columns), strict=True))


def slowly_failing_soon(units: list[UnitMade], at: int, soon: int) -> float:
    """The life table in plain Python, each unit with weight one."""
    reached = failed = stopped = 0.0
    for one in units:
        is_failure = one.unstable_steps < NEVER_FAILED
        depth = one.stable_steps
        if is_failure:
            depth = (one.stable_steps + one.unstable_steps - 1) / 2
        reached += depth >= at
        failed += is_failure and at <= depth < at + soon
        stopped += not is_failure and at <= depth < at + soon
    return failed / (reached - stopped / 2)


def test_the_chance_of_failing_soon_equals_a_slow_life_table() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        made = [
            a_unit(int(stable), NEVER_FAILED if rng.random() < 0.4 else int(stable + width))
            for stable, width in zip(rng.integers(0, 60, 30), rng.integers(1, 30, 30), strict=True)
        ]
        units, soon = pool_of(made), int(rng.integers(1, 20))
        ends = units.stable_steps, units.unstable_steps, np.ones(30)
        found = chance_of_failing_soon(*ends, soon)
        slow = [slowly_failing_soon(made, one.stable_steps, soon) for one in made]
        assert found == pytest.approx(slow, abs=1e-12)


def test_a_part_of_a_stop_without_a_stated_end_has_failed_by_how_many_fail_soon() -> None:
    # Fifteen steps beyond 60 end at 75: one of twenty units that reach 60 fails before.
    others = [a_unit(72, 77), *(a_unit(100, 101) for _ in range(18))]
    stop = a_unit(60, NEVER_FAILED, is_untold=True)
    chance = 1 / 19.5
    part = chance / (chance + 0.05)
    assert rows_of(pool_of([*others, stop])) == [
        (60, 75, pytest.approx(part)),
        (60, NEVER_FAILED, pytest.approx(1 - part)),
        (72, 77, 1.0),
        (100, 101, 18.0),
    ]
    # A failure whose middle lies one step further is not soon.
    assert (60, NEVER_FAILED, 1.0) in rows_of(pool_of([a_unit(73, 78), *others[1:], stop]))
    planned = replace(stop, is_untold=False)
    assert (60, NEVER_FAILED, 1.0) in rows_of(pool_of([*others, planned]))


def test_all_of_a_stop_without_a_stated_end_fails_at_the_tipping_point() -> None:
    pool = pool_of([*honest(), a_unit(60, NEVER_FAILED, is_untold=True)])
    ends = [row for row in rows_of(pool, if_untold_failed=True) if row[0] == 60]
    assert ends == [(60, 75, 1.0)]


def test_a_unit_that_failed_later_had_its_limit_little_before() -> None:
    later = a_unit(0, 72, has_failed_later=True)
    assert rows_of(pool_of([*honest(), later]))[0] == (52, 72, 1.0)
    assert rows_of(pool_of([*honest(), replace(later, unstable_steps=15)]))[0] == (0, 15, 1.0)
    # Another pass that still counts and is deeper than that stays.
    deeper = replace(later, stable_steps=60)
    assert rows_of(pool_of([*honest(), deeper]))[0] == (60, 72, 1.0)


def test_a_unit_that_failed_later_is_no_failure_of_a_first_setting() -> None:
    later = a_unit(0, 50, has_failed_later=True)
    assert lone(later) == []
    units = pool_of([*honest(), later, a_unit(0, 70)])
    report = check_outliers(units, FLOOR)
    assert counted_units(units, report, FLOOR).failures == 42
    assert first_failures(units, report).nonzero()[0].tolist() == [41]


def test_a_failure_of_unproven_stock_confirms_no_other_and_loses_weight_once() -> None:
    unproven = a_unit(0, 50, is_stock_unproven=True)
    assert lone(unproven) == []
    assert lone(a_unit(0, 50), unproven) == [0]
    assert lone(a_unit(0, 50), replace(unproven, is_stock_unproven=False)) == []


def test_stops_without_a_stated_end_are_counted_as_units_and_reported_whole() -> None:
    units = pool_of([*honest(), a_unit(60, NEVER_FAILED, is_untold=True), a_unit(60, NEVER_FAILED)])
    report = check_outliers(units, FLOOR)
    counted = counted_units(units, report, FLOOR)
    assert (counted.units, counted.failures) == (42, 40)
    assert untold_stops(units, report).nonzero()[0].tolist() == [40]
    at_60 = counted.reported.stable_steps == 60
    assert counted.reported.weight[at_60].tolist() == [2.0]
    assert counted.intervals.total_weight == pytest.approx(42)


units_made = st.builds(
    a_unit,
    stable=st.integers(0, 60),
    unstable=st.integers(61, 70) | st.just(NEVER_FAILED),
    contributor=st.sampled_from([None, None, None, 7, 8]),
    is_established=st.booleans(),
    is_vouched=st.sampled_from([False, False, False, True]),
    is_untold=st.booleans(),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(units_made, min_size=1, max_size=60), st.randoms(use_true_random=False))
def test_what_numbers_units_have_never_matters_to_the_last_bit(
    pool: list[UnitMade], dice: object
) -> None:
    shuffled = list(pool)
    dice.shuffle(shuffled)
    one, other = judged(pool), judged(shuffled)
    assert (one.deepest_steps, one.newcomer_factor, one.established_weight) == (
        other.deepest_steps,
        other.newcomer_factor,
        other.established_weight,
    )
    assert len(one.lone_failures) == len(other.lone_failures)
    assert one.flagged_share == other.flagged_share
    assert one.differing.tolist() == other.differing.tolist()
    here, there = (
        counted_units(pool_of(units), checked, FLOOR).intervals
        for units, checked in ((pool, one), (shuffled, other))
    )
    assert here.weight.tobytes() == there.weight.tobytes()
    assert here.stable_steps.tolist() == there.stable_steps.tolist()


@settings(max_examples=60, deadline=None)
@given(st.lists(units_made, min_size=1, max_size=60))
def test_what_is_set_aside_and_what_stands_are_all_there_is(made: list[UnitMade]) -> None:
    pool = pool_of(made)
    outlier_report = check_outliers(pool, FLOOR)
    stand = standing_flags(pool, outlier_report)
    assert int(stand.sum()) + outlier_report.excluded_units == int(pool.informative.sum())
    assert stand[pool.confirmed_by_curator & pool.informative].all()
    assert 0 <= outlier_report.flagged_share < 1
    assert 0 < outlier_report.newcomer_factor <= 1


def with_contributors(engine: Engine, number: int, first_seen: date) -> PoolUnits:
    with undone(engine) as connection:
        seen = [
            UnitSeen(person, ((0, an_outcome(80 + person, 90 + person)),))
            for person in range(number)
        ]
        pool_id = add_units(connection, a_chip(connection), seen)
        assert pool_id is not None
        connection.execute(update(Contributor).values(first_seen_day=first_seen))
        return units_of(load_pool_rows(connection, pool_id, STANDING))


def test_who_is_established_has_been_here_for_thirty_days_in_company_of_five(
    engine: Engine,
) -> None:
    day = STANDING.established_by
    assert with_contributors(engine, 6, day).established.all()
    assert not with_contributors(engine, 5, day).established.any()
    late = day + timedelta(days=1)
    assert not with_contributors(engine, 6, late).established.any()


def test_all_who_send_without_a_token_are_never_established(engine: Engine) -> None:
    with undone(engine) as connection:
        seen = [UnitSeen(person, ((0, an_outcome(80, 90)),)) for person in range(8)]
        pool_id = add_units(connection, a_chip(connection), seen)
        assert pool_id is not None
        connection.execute(update(Contributor).values(first_seen_day=date(2025, 1, 1)))
        first = connection.exec_driver_sql("SELECT MIN(id) FROM contributor").scalar_one()
        connection.execute(
            update(Contributor)
            .where(Contributor.id == first)
            .values(token_hash=STANDING.without_token)
        )
        found = units_of(load_pool_rows(connection, pool_id, STANDING))
    assert found.established.tolist().count(False) == 1
    assert not found.established[found.contributor == first].any()


def test_one_row_confirmed_by_a_curator_confirms_its_unit(engine: Engine) -> None:
    with undone(engine) as connection:
        seen = [
            UnitSeen(1, ((0, an_outcome(80, 90)), (1, an_outcome(60, 90)))),
            UnitSeen(2, ((0, an_outcome(80, 90)),)),
        ]
        pool_id = add_units(connection, a_chip(connection), seen)
        assert pool_id is not None
        assert not units_of(
            load_pool_rows(connection, pool_id, STANDING)
        ).confirmed_by_curator.any()
        first = connection.exec_driver_sql("SELECT MIN(unit_id) FROM setting_result").scalar_one()
        row = (SettingResult.unit_id == first) & (SettingResult.stable_steps == 60)
        connection.execute(update(SettingResult).where(row).values(decision="include"))
        found = units_of(load_pool_rows(connection, pool_id, STANDING))
    assert found.confirmed_by_curator.tolist() == found.established.tolist() == [True, False]
