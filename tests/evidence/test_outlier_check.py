"""What of a pool is believed: each step of judging alone, and its laws."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, update

from kbapi.evidence.outlier_check import (
    UNCHECKED,
    OutlierReport,
    check_outliers,
    counted_for_related,
    counted_units,
    standing_flags,
)
from kbapi.evidence.units import PoolUnits, load_pool_rows, units_of
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.start.start import Guard
from kbapi.storage.tables import Contributor, SettingResult
from tests.evidence.makers import STANDING, UnitSeen, a_chip, add_units, an_outcome
from tests.evidence.pool_makers import UnitMade, a_unit, pool_of
from tests.evidence.test_pools import undone

FLOOR = 5.0


def honest(number: int = 40) -> list[UnitMade]:
    return [a_unit(80 + place % 31) for place in range(number)]


def judged(units: list[UnitMade]) -> OutlierReport:
    return check_outliers(pool_of(units), FLOOR)


def test_far_away_units_are_set_aside_and_say_on_which_side() -> None:
    pool = [*honest(), a_unit(200), a_unit(150, NEVER_FAILED), a_unit(0, 5)]
    outlier_report = judged(pool)
    assert outlier_report.outlier_deep.tolist() == [41, 42]
    assert outlier_report.outlier_shallow.tolist() == [43]
    assert outlier_report.excluded_units == 3
    stands = counted_units(pool_of(pool), outlier_report)
    assert stands.units == 40
    assert int(stands.intervals.stable_steps.max()) < 150


def test_a_unit_confirmed_by_a_curator_is_never_excluded_and_has_full_weight() -> None:
    newcomer = a_unit(200, is_established=False)
    assert judged([*honest(), newcomer]).excluded_units == 1
    pool = pool_of([*honest(), replace(newcomer, is_vouched=True)])
    outlier_report = check_outliers(pool, FLOOR)
    assert (outlier_report.excluded_units, outlier_report.flagged_share) == (0, 0.0)
    stands = counted_units(pool, outlier_report).intervals
    assert stands.weight[stands.stable_steps == 200].tolist() == [1.0]


def test_newcomers_hold_a_tenth_of_the_established_and_no_more() -> None:
    def newcomers_weight(established: int, newcomers: int) -> float:
        pool = pool_of(
            [
                *(a_unit(90) for _ in range(established)),
                *(a_unit(100, is_established=False) for _ in range(newcomers)),
            ]
        )
        outlier_report = check_outliers(pool, FLOOR)
        assert outlier_report.is_young == (established < 30)
        intervals = counted_units(pool, outlier_report).intervals
        return float(intervals.weight[intervals.stable_steps == 100].sum())

    assert newcomers_weight(29, 40) == 40
    assert newcomers_weight(30, 3) == 3
    assert newcomers_weight(30, 4) == pytest.approx(3)
    assert newcomers_weight(60, 500) == pytest.approx(6)


def test_once_a_pool_is_grown_its_newcomers_say_nothing_of_other_chips() -> None:
    def heard_by_others(established: int) -> tuple[float, float]:
        pool = pool_of(
            [
                *(a_unit(90) for _ in range(established)),
                *(a_unit(100, is_established=False) for _ in range(50)),
                a_unit(100, is_established=False, is_vouched=True),
            ]
        )
        intervals = counted_for_related(pool, check_outliers(pool, FLOOR))
        at_90 = intervals.stable_steps == 90
        return float(intervals.weight[at_90].sum()), float(intervals.weight[~at_90].sum())

    assert heard_by_others(28) == (28, 51)
    assert heard_by_others(29) == (29, 1)


def test_a_contributor_whose_units_lie_together_deep_weighs_nothing() -> None:
    pool = pool_of([*honest(), *(a_unit(112 + place % 3, contributor=9) for place in range(50))])
    outlier_report = check_outliers(pool, FLOOR)
    assert outlier_report.differing.tolist() == [9]
    assert outlier_report.excluded_units == 50
    assert counted_units(pool, outlier_report).units == 40
    # 3 of 43 units lie on the deep side.
    assert outlier_report.flagged_share == pytest.approx(3 / 43)
    assert Guard(outlier_report.flagged_share, drift_alarm=False).is_active


def test_a_contributor_like_the_pool_counts_however_many_units_it_has() -> None:
    pool = pool_of([*honest(), *(replace(one, contributor=9) for one in honest(50))])
    outlier_report = check_outliers(pool, FLOOR)
    assert (outlier_report.differing.tolist(), outlier_report.excluded_units) == ([], 0)
    assert counted_units(pool, outlier_report).intervals.total_weight == pytest.approx(43)


def test_three_units_of_one_contributor_are_too_few_to_tell() -> None:
    def unlike(units: int) -> list[int]:
        pool = [*honest(200), *(a_unit(114, contributor=9) for _ in range(units))]
        return judged(pool).differing.tolist()

    assert unlike(3) == []
    assert unlike(12) == [9]


def test_shallow_junk_is_no_reason_to_serve_a_stricter_share() -> None:
    outlier_report = judged([*honest(), *(a_unit(40, contributor=9) for _ in range(10))])
    assert outlier_report.excluded_units == 10
    assert outlier_report.flagged_share == 0.0


def test_a_contributor_that_differs_is_excluded_even_with_few_of_its_units() -> None:
    outlier_report = judged([*honest(), *(a_unit(114, contributor=9) for _ in range(50))])
    part = pool_of([*honest(5), a_unit(114, contributor=9), a_unit(114, contributor=9)])
    assert counted_units(part, outlier_report).units == 5


def test_a_pool_without_units_is_young_and_has_no_outliers() -> None:
    assert judged([]) is UNCHECKED
    uninformative = pool_of([a_unit(0, NEVER_FAILED)])
    assert check_outliers(uninformative, FLOOR) is UNCHECKED
    # It is counted as a unit, and says nothing of limits.
    stands = counted_units(uninformative, UNCHECKED)
    assert (stands.units, len(stands.intervals.weight), stands.latest_month) == (1, 0, "2026-08")


units_made = st.builds(
    a_unit,
    stable=st.integers(0, 60),
    unstable=st.integers(61, 70) | st.just(NEVER_FAILED),
    contributor=st.sampled_from([None, None, None, 7, 8]),
    is_established=st.booleans(),
    is_vouched=st.sampled_from([False, False, False, True]),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(units_made, min_size=1, max_size=60), st.randoms(use_true_random=False))
def test_what_numbers_units_have_never_matters_to_the_last_bit(
    pool: list[UnitMade], dice: object
) -> None:
    shuffled = list(pool)
    dice.shuffle(shuffled)
    one, other = judged(pool), judged(shuffled)
    assert (one.cutoffs, one.newcomer_factor, one.is_young) == (
        other.cutoffs,
        other.newcomer_factor,
        other.is_young,
    )
    assert one.flagged_share == other.flagged_share
    assert one.differing.tolist() == other.differing.tolist()
    here, there = (
        counted_units(pool_of(units), verdict).intervals
        for units, verdict in ((pool, one), (shuffled, other))
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
