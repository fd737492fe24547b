"""Readings of accepted results: a row each, without what cannot be right, gone with the result."""

import json
from typing import Any

import pytest

from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import withdraw_own_result, withdraw_own_results
from kbapi.intake.rescreen import reread_chips, rescreen
from kbapi.storage.sql import change_rows, find_rows
from tests.intake.test_rescreen_grammar import PRINTED, RIGHT, misread
from tests.makers import a_setting, a_submission, rows_of, send

READING = {
    "state": "stock",
    "load": "vector_heavy",
    "runs": 3,
    "power_w": 60.0,
    "power_scope": "package",
    "temp_avg_c": 84,
    "performance": 41.2,
    "performance_unit": "jobs_per_h",
}


def with_readings(*readings: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return a_submission(a_setting(in_use=-70), readings=list(readings), **changes)


def column(instance: Instance, name: str) -> list[Any]:
    with instance.reading() as connection:
        sql = f"SELECT {name} FROM reading ORDER BY submission_id, ordinal"
        return list(connection.exec_driver_sql(sql).scalars())


def test_sent_numbers_are_stored_and_others_are_null(instance: Instance) -> None:
    send(instance, with_readings(READING, {"state": "tuned"}))
    assert column(instance, "performance") == [41.2, None]
    assert column(instance, "load") == ["vector_heavy", ""]
    assert column(instance, "runs") == [3, None]


def test_an_implausible_number_is_stored_as_null(instance: Instance) -> None:
    accepted = send(instance, with_readings({**READING, "temp_avg_c": 511, "clock_mhz": 3.2}))
    assert len(accepted.reading_ignored) == 2
    assert column(instance, "temp_avg_c") == [None]
    assert column(instance, "clock_mhz") == [None]
    assert column(instance, "power_w") == [60.0]


@pytest.mark.parametrize(
    ("in_force", "is_below_stock"),
    [
        (None, 1),
        ([{"domain": "core", "control": "voltage_offset", "value": -70}], 1),
        ([{"domain": "core", "control": "power_limit", "value": 45}], 0),
    ],
)
def test_a_power_limit_alone_is_not_a_tuned_reading(
    instance: Instance, in_force: list[dict[str, Any]] | None, is_below_stock: int
) -> None:
    tuned = {**READING, "state": "tuned"} | ({"settings": in_force} if in_force else {})
    send(instance, with_readings(READING, tuned))
    assert column(instance, "is_below_stock") == [0, is_below_stock]


def test_a_withdrawal_removes_the_readings(instance: Instance) -> None:
    first = send(instance, with_readings(READING, number=1))
    send(instance, with_readings(READING, number=2))
    withdraw_own_result(instance, first.id, first.receipt)
    assert len(column(instance, "id")) == 1
    withdraw_own_results(instance, "tidewater-member-000002")
    assert column(instance, "id") == []


def test_a_moved_chip_keeps_its_readings(instance: Instance) -> None:
    send(instance, with_readings(READING, chip=PRINTED))
    misread(instance)
    reread_chips(instance, is_applied=True)
    rows = rows_of(instance)
    assert [row[1] for row in rows["chip"]] == [RIGHT]
    assert column(instance, "chip_id") == [rows["chip"][0][0]]


def test_readings_of_a_result_that_current_rules_refuse_are_deleted(instance: Instance) -> None:
    send(instance, with_readings(READING))
    with instance.writing() as connection:
        ((stored,),) = find_rows(connection, "SELECT document FROM submission", ())
        document = json.loads(stored)
        document["settings"][0]["stable_at"] = 80
        older = "UPDATE submission SET rules_version = 1, document = ?"
        change_rows(connection, older, (json.dumps(document),))
    rescreen(instance)
    assert column(instance, "id") == []
