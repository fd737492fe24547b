"""Evidence read from the results equals a slow reading of them, after every kind of change."""

from dataclasses import fields
from datetime import date
from typing import Any

import numpy as np
import orjson
import pytest
from sqlalchemy import Connection

from kbapi.evidence.outlier_check import check_outliers, weighed_intervals
from kbapi.evidence.units import (
    PoolRows,
    PoolUnits,
    Standing,
    load_pool_rows,
    load_standing,
    merge_results,
    month_text,
    standing_on,
    units_of,
)
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.my_submissions import withdraw_own_result, withdraw_own_results
from kbapi.intake.submit import accept_submission
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage.evidence import ConditionsRow, ResultRows, read_results
from kbapi.storage.keys import Voucher
from tests.curation.makers import a_curator, a_decision, decide, send_deep
from tests.evidence.makers import OutcomeRow, slowly_merged
from tests.makers import a_body, a_count_submission, a_setting, a_submission, send

Place = tuple[int, int, int]
"""Pool, unit and conditions."""

ESTABLISHED = Standing(date(2026, 12, 31), b"")


def change(instance: Instance, statement: str) -> None:
    with instance.writing() as connection:
        assert connection.exec_driver_sql(statement).rowcount == 1


def follow(instance: Instance, number: int, **fields: Any) -> None:
    document = a_count_submission(20, 22, number)
    document["settings"][0]["in_use"] = -18
    sent = send(instance, document)
    follow_up = {"domain": "core", "control": "count_offset", "days": 40, **fields}
    accept_follow_up(instance, sent.id, sent.receipt, a_body(follow_up), None)


def evidence_of(instance: Instance) -> dict[Place, tuple[int, int]]:
    """The interval of each unit under each of its conditions, as answers read it."""
    with instance.reading() as connection:
        pools = [row[0] for row in connection.exec_driver_sql("SELECT id FROM pool")]
        return {
            place: interval
            for pool_id in pools
            for place, interval in _of_pool(connection, pool_id).items()
        }


NONE = np.zeros(0, dtype=np.int64)


@pytest.mark.parametrize(("others", "is_established"), [(4, False), (5, True)])
def test_who_is_vouched_for_is_established_at_once_in_company_of_five(
    instance: Instance, others: int, is_established: bool
) -> None:
    body = a_body(a_submission(number=0))
    accept_submission(instance, body, None, Voucher(1, for_all=True))
    for number in range(others):
        send(instance, a_submission(number=1 + number))
    with instance.reading() as connection:
        for load in (load_in, load_of_day):
            rows = load_pool_rows(connection, 1, load(connection, instance))
            units = units_of(rows)
            assert units.established.tolist().count(True) == is_established


def load_in(connection: Connection, instance: Instance) -> Standing:
    return load_standing(connection, instance.today(), contributor_hash(instance.secret, None))


def load_of_day(_connection: Connection, instance: Instance) -> Standing:
    return standing_on(instance.today(), contributor_hash(instance.secret, None))


def _of_pool(connection: Connection, pool_id: int) -> dict[Place, tuple[int, int]]:
    results = read_results(connection, pool_id)
    found: dict[Place, tuple[int, int]] = {}
    for number in np.unique(results.conditions).tolist():
        under: ResultRows = results.some(np.flatnonzero(results.conditions == number))
        alike = (ConditionsRow(number, "", "quick", "", "", "", "", ""),)
        rows = PoolRows(under, merge_results(under), alike, NONE, NONE, NONE)
        units = units_of(rows)
        ends = zip(units.stable_steps.tolist(), units.unstable_steps.tolist(), strict=True)
        for unit, interval in zip(units.unit.tolist(), ends, strict=True):
            found[pool_id, unit, number] = interval
    return found


def slowly_read(instance: Instance) -> dict[Place, tuple[int, int] | None]:
    """The same from the tables in plain Python; follow-ups follow the decision on a setting."""
    columns = "pool_id, unit_id, conditions_id, stable_steps, unstable_steps, early_stop_steps"
    outcomes: dict[Place, list[OutcomeRow]] = {}
    with instance.reading() as connection:
        settings = connection.exec_driver_sql(
            f"SELECT submission_id, status, decision, {columns} FROM setting_result"
        ).all()
        follow_ups = connection.exec_driver_sql(
            f"SELECT submission_id, {columns} FROM follow_up WHERE status = 'counted'"
        ).all()
    rows = [tuple(row[3:]) for row in settings if row[1] == "counted"]
    for number, *row in follow_ups:
        about = [one[2] for one in settings if (one[0], one[3]) == (number, row[0])]
        if not all(decision in ("exclude", "invalidate") for decision in about):
            rows.append(tuple(row))
    for *place, stable, unstable, early_stop in rows:
        if stable is not None or unstable is not None:
            one = OutcomeRow(stable, unstable, early_stop, "2026-08")
            outcomes.setdefault((place[0], place[1], place[2]), []).append(one)
    return {place: slowly_merged(seen) for place, seen in outcomes.items()}


Result = tuple[int, int, int, int | None, int | None, int, str, bool, bool, bool]
"""Pool, unit, conditions, stable, unstable, early stop, month, confirmed, follow-up, unproven."""


def results_of(instance: Instance) -> list[Result]:
    """Every result of every pool, as answers read it."""
    found: list[Result] = []
    with instance.reading() as connection:
        for (pool_id,) in connection.exec_driver_sql("SELECT id FROM pool").all():
            read = read_results(connection, pool_id)
            columns = (
                read.unit.tolist(),
                read.conditions.tolist(),
                [None if one < 0 else one for one in read.stable_steps.tolist()],
                [None if one == NEVER_FAILED else one for one in read.unstable_steps.tolist()],
                read.early_stop_steps.tolist(),
                [month_text(one) for one in read.month.tolist()],
                read.confirmed_by_curator.tolist(),
                read.is_follow_up.tolist(),
                read.is_stock_unproven.tolist(),
            )
            found += [(pool_id, *row) for row in zip(*columns, strict=True)]
    return sorted(found, key=repr)


def _is_unproven(stable: int | None, codes: str) -> bool:
    return stable is None and "stock_unproven" in orjson.loads(codes)


def results_in_tables(instance: Instance) -> list[Result]:
    """The same from the tables in plain Python."""
    columns = (
        "pool_id, unit_id, conditions_id, stable_steps, unstable_steps, early_stop_steps, "
        "measured_month"
    )
    with instance.reading() as connection:
        settings = connection.exec_driver_sql(
            f"SELECT submission_id, status, decision, {columns}, reasons FROM setting_result"
        ).all()
        follow_ups = connection.exec_driver_sql(
            f"SELECT submission_id, {columns} FROM follow_up WHERE status = 'counted'"
        ).all()
    found = [
        (*row, decision == "include", False, decision != "include" and _is_unproven(row[3], codes))
        for _, status, decision, *row, codes in settings
        if status == "counted"
    ]
    for number, *row in follow_ups:
        about = [one[2] for one in settings if (one[0], one[3]) == (number, row[0])]
        if not all(decision in ("exclude", "invalidate") for decision in about):
            is_included = all(decision == "include" for decision in about)
            found.append((*row, is_included, True, False))
    kept = [row for row in found if row[3] is not None or row[4] is not None]
    return sorted(kept, key=repr)  # type: ignore[arg-type]  # rows of a driver carry no types


@pytest.fixture
def lively(instance: Instance) -> Instance:
    """An instance that has seen results, follow-ups, decisions and a withdrawal."""
    send(instance, a_submission(number=1))
    send(instance, a_submission(a_setting(stable_at=-70, unstable_at=-78), number=1))
    send(instance, a_submission(a_setting(minutes=2), number=2))
    follow(instance, 3, outcome="failed_later", setting=-19, failure="system_hang")
    follow(instance, 4, outcome="still_stable", effect={"shown_by": "less_power"})
    gone = send(instance, a_submission(number=5))
    withdraw_own_result(instance, gone.id, gone.receipt)
    curator = a_curator(instance)
    decide(instance, curator, a_decision(send_deep(instance, 6), "include", "depth_confirmed"))
    sound = send(instance, a_submission(number=7))
    decide(instance, curator, a_decision(sound, "exclude", "effect_doubted"))
    send(instance, an_unproven_failure(8))
    included = send(instance, an_unproven_failure(9))
    decide(instance, curator, a_decision(included, "include", "effect_confirmed"))
    return instance


def an_unproven_failure(number: int, **changes: Any) -> dict[str, Any]:
    """The first setting failed, and no test at stock passed."""
    setting = a_setting(stable_at=None, unstable_at=-40, in_use=None)
    return a_submission(setting, number=number, **{"stock_passed": []} | changes)


def units_in(instance: Instance) -> PoolUnits:
    with instance.reading() as connection:
        return units_of(load_pool_rows(connection, 1, load_in(connection, instance)))


def test_a_failure_of_unproven_stock_weighs_a_tenth_until_stock_passes(instance: Instance) -> None:
    first = send(instance, an_unproven_failure(1))
    assert [reason.code for reason in first.settings[0].reasons] == ["stock_unproven"]
    assert first.screening.status == "counted"
    assert units_in(instance).weight_ppm.tolist() == [100_000]
    proven = send(
        instance, an_unproven_failure(1, stock_passed=[{"load": "all_core", "minutes": 1}])
    )
    assert proven.settings[0].reasons == ()
    units = units_in(instance)
    assert (units.weight_ppm.tolist(), units.unstable_steps.tolist()) == ([1_000_000], [41])


@pytest.mark.parametrize(
    ("changes", "left"),
    [
        ({}, 14),
        ({"load": "memory_heavy"}, 14),
        ({"setting": -20}, 16),
        # Beyond the pass it is a usual interval.
        ({"setting": -21}, 20),
        # Another firmware may run the chip at other voltages: nothing is kept of the old pass.
        ({"changed": ["firmware"]}, 0),
    ],
)
def test_a_later_failure_keeps_four_counts_of_the_earlier_pass(
    instance: Instance, changes: dict[str, Any], left: int
) -> None:
    follow(instance, 1, **{"outcome": "failed_later", "setting": -18} | changes)
    units = units_in(instance)
    ends = weighed_intervals(units, check_outliers(units, 1.0), 1.0)
    assert ends.stable_steps.tolist() == [left]
    assert ends.unstable_steps.tolist() == [-changes.get("setting", -18)]


def test_a_failure_of_unproven_stock_contradicts_no_pass_of_its_unit(instance: Instance) -> None:
    send(instance, an_unproven_failure(1))
    later = send(instance, a_submission(a_setting(stable_at=-80, unstable_at=-88), number=1))
    assert later.settings[0].reasons == ()
    units = units_in(instance)
    assert (units.stable_steps.tolist(), units.unstable_steps.tolist()) == ([82], [90])
    assert units.weight_ppm.tolist() == [1_000_000]


def test_each_result_is_read_as_the_tables_have_it(lively: Instance) -> None:
    results = results_of(lively)
    assert results == results_in_tables(lively)
    for flags in zip(*(row[-3:] for row in results), strict=True):
        assert set(flags) == {True, False}


@pytest.mark.parametrize(
    "change_of_a_row",
    [
        "UPDATE setting_result SET measured_month = '2027-01' WHERE id = 1",
        "UPDATE setting_result SET measured_month = '2019-01' WHERE id = 1",
        "UPDATE setting_result SET decision = 'include' WHERE id = 1",
        "UPDATE setting_result SET early_stop_steps = 4 WHERE id = 1",
    ],
)
def test_a_change_of_one_column_is_read(lively: Instance, change_of_a_row: str) -> None:
    before = results_of(lively)
    change(lively, change_of_a_row)
    after = results_of(lively)
    assert after == results_in_tables(lively)
    assert after != before


def test_evidence_agrees_with_results_however_it_came_about(lively: Instance) -> None:
    found = evidence_of(lively)
    assert found == slowly_read(lively)
    assert len(found) == 8


def test_an_empty_instance_has_no_evidence(instance: Instance) -> None:
    assert evidence_of(instance) == slowly_read(instance) == {}


@pytest.mark.parametrize(
    "changed",
    [
        "UPDATE setting_result SET status = 'excluded' WHERE id = 3 AND status = 'counted'",
        "UPDATE setting_result SET unstable_steps = unstable_steps + 1 WHERE id = 3",
        "UPDATE setting_result SET stable_steps = 1 WHERE id = 3",
        "DELETE FROM setting_result WHERE id = 3",
    ],
)
def test_evidence_follows_every_change_of_a_result(instance: Instance, changed: str) -> None:
    for number in range(1, 4):
        send(instance, a_submission(number=number))
    before = evidence_of(instance)
    assert len(before) == 3
    change(instance, changed)
    after = evidence_of(instance)
    assert after == slowly_read(instance)
    assert {place: after[place] for place in before if place[1] != 3} == {
        place: before[place] for place in before if place[1] != 3
    }
    assert after != before


def test_evidence_names_the_contributor_of_the_unit(instance: Instance) -> None:
    for number in (1, 2):
        send(instance, a_submission(number=number))
    change(instance, "UPDATE unit SET contributor_id = 2 WHERE id = 1")
    with instance.reading() as connection:
        results = read_results(connection, 1)
    assert dict(zip(results.unit.tolist(), results.contributor.tolist(), strict=True)) == {
        1: 2,
        2: 2,
    }


def test_rows_without_a_contributor_are_those_after_its_withdrawal(instance: Instance) -> None:
    """With six others a contributor is established, with five of them none is."""
    for number in range(7):
        sent = send(instance, a_submission(number=number))
        if number == 3:
            later = {"domain": "core", "control": "voltage_offset", "setting": -70}
            body = a_body({**later, "outcome": "failed_later", "days": 40})
            accept_follow_up(instance, sent.id, sent.receipt, body)
    for number in (3, 4):
        with instance.reading() as connection:
            rows = load_pool_rows(connection, 1, ESTABLISHED)
        without = rows.without(number + 1)
        withdraw_own_results(instance, f"tidewater-member-{number:06}")
        with instance.reading() as connection:
            after = load_pool_rows(connection, 1, ESTABLISHED)
        assert as_lists(without) == as_lists(after)
        assert len(after.established) == (6 if number == 3 else 0)


def as_lists(rows: PoolRows) -> Any:
    parts = [
        sorted(zip(*(getattr(part, one.name).tolist() for one in fields(part)), strict=True))
        for part in (rows.results, rows.merged)
    ]
    return parts, rows.conditions, rows.established.tolist()
