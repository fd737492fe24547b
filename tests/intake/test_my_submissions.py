"""By the contributor token alone: own results, settings in use, re-tests due, withdraw all."""

from datetime import timedelta
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.my_submissions import (
    RESULTS_A_PAGE,
    list_own_results,
    withdraw_own_result,
    withdraw_own_results,
)
from tests.intake.whole_document import a_whole_document
from tests.makers import (
    HandMovedClock,
    a_body,
    a_setting,
    a_submission,
    everything_stored,
    rows_of,
    send,
)

MINE = "tidewater-member-000001"


def mine(unit: int, **changes: Any) -> dict[str, Any]:
    document = a_submission(a_setting(in_use=-70), number=unit, contributor_token=MINE)
    return {**document, **changes}


def due(instance: Instance) -> list[str]:
    (result,) = list_own_results(instance, MINE).submissions
    return [reason.code for reason in result.retests_due]


def test_results_and_settings_in_use_are_listed(instance: Instance) -> None:
    ids = {send(instance, mine(unit)).id for unit in range(3)}
    send(instance, a_submission(number=9))
    found = list_own_results(instance, MINE)
    assert {result.id for result in found.submissions} == ids
    assert found.next_cursor is None
    assert found.submissions[0].in_use[0].in_use == -70
    assert found.submissions[0].screening.status == "counted"


def test_an_unknown_token_sees_nothing(instance: Instance) -> None:
    send(instance, mine(1))
    assert list_own_results(instance, "tidewater-member-000002").submissions == ()
    assert withdraw_own_results(instance, "tidewater-member-000002").withdrawn == 0
    assert len(rows_of(instance)["submission"]) == 1


def test_many_results_come_in_pages(instance: Instance) -> None:
    for unit in range(RESULTS_A_PAGE + 2):
        send(instance, mine(unit))
    first = list_own_results(instance, MINE)
    rest = list_own_results(instance, MINE, first.next_cursor)
    assert (len(first.submissions), len(rest.submissions), rest.next_cursor) == (
        RESULTS_A_PAGE,
        2,
        None,
    )
    assert (
        len({result.id for result in (*first.submissions, *rest.submissions)}) == RESULTS_A_PAGE + 2
    )


@pytest.mark.parametrize(
    ("days", "codes"),
    [
        (29, []),
        (30, ["after_30_days"]),
        (89, ["after_30_days"]),
        (90, ["after_90_days"]),
        (364, ["after_90_days"]),
        (365, ["after_365_days"]),
    ],
)
def test_retests_are_due_after_30_90_and_365_days(
    instance: Instance, clock: HandMovedClock, days: int, codes: list[str]
) -> None:
    send(instance, mine(1))
    clock.moment += timedelta(days=days)
    assert due(instance) == codes


@pytest.mark.parametrize(
    ("outcome", "days", "codes"),
    [
        ("still_stable", 30, []),
        ("still_stable", 29, ["after_30_days"]),
        ("machine_gone", None, []),
        ("failed_later", 3, []),
    ],
)
def test_a_follow_up_ends_a_due_retest(
    instance: Instance, clock: HandMovedClock, outcome: str, days: Any, codes: list[str]
) -> None:
    result = send(instance, mine(1))
    clock.moment += timedelta(days=31)
    body = {"domain": "core", "control": "voltage_offset", "outcome": outcome, "days": days}
    accept_follow_up(instance, result.id, result.receipt, a_body(body))
    assert due(instance) == codes


def ended(instance: Instance) -> list[str]:
    """Why settings in use ended, after a check that they are not in use as well."""
    (first,) = [
        result
        for result in list_own_results(instance, MINE).submissions
        if result.in_use or result.in_use_ended
    ]
    values = [one.in_use for one in (*first.in_use, *first.in_use_ended)]
    assert len(values) == len(set(values))
    if not first.in_use:
        assert first.retests_due == ()
    return [one.reason.code for one in first.in_use_ended]


@pytest.mark.parametrize(
    ("report", "codes"),
    [
        ({"outcome": "failed_later"}, ["failed_later"]),
        ({"outcome": "failed_later", "setting": -60}, ["failed_later"]),
        ({"outcome": "failed_later", "setting": -75}, []),
        ({"outcome": "still_stable", "days": 31}, []),
        ({"outcome": "given_up"}, ["given_up"]),
        ({"outcome": "machine_gone"}, ["machine_gone"]),
        ({"outcome": "fails_at_stock_too"}, ["fails_at_stock_too"]),
        ({"outcome": "locked_later"}, []),
    ],
)
def test_a_setting_in_use_ends_with_its_failure(
    instance: Instance, clock: HandMovedClock, report: dict[str, Any], codes: list[str]
) -> None:
    result = send(instance, mine(1))
    clock.moment += timedelta(days=31)
    body = a_body({"domain": "core", "control": "voltage_offset", **report})
    accept_follow_up(instance, result.id, result.receipt, body)
    assert ended(instance) == codes


def test_a_failure_of_one_setting_ends_no_other(instance: Instance, clock: HandMovedClock) -> None:
    both = [a_setting(in_use=-70), a_setting(domain="graphics", in_use=-50)]
    result = send(instance, mine(1, settings=both))
    clock.moment += timedelta(days=31)
    body = {"domain": "core", "control": "voltage_offset", "outcome": "failed_later"}
    accept_follow_up(instance, result.id, result.receipt, a_body(body))
    assert ended(instance) == ["failed_later"]
    assert due(instance) == ["after_30_days"]
    gone = {"domain": "core", "control": "voltage_offset", "outcome": "machine_gone"}
    accept_follow_up(instance, result.id, result.receipt, a_body(gone))
    assert ended(instance) == ["failed_later", "machine_gone"]


@pytest.mark.parametrize(
    ("unit", "failed_at", "month", "codes"),
    [
        (1, -70, "2026-09", ["failed_in_later_result"]),
        (1, -60, "2026-09", ["failed_in_later_result"]),
        (1, -71, "2026-09", []),
        (1, -60, "2026-07", []),
        (2, -60, "2026-09", []),
    ],
)
def test_a_later_failure_of_the_same_machine_ends_a_setting_in_use(
    instance: Instance, unit: int, failed_at: int, month: str, codes: list[str]
) -> None:
    send(instance, mine(1))
    later = a_setting(stable_at=-50, unstable_at=failed_at)
    send(instance, mine(unit, settings=[later], measured_in=month))
    assert ended(instance) == codes


def test_an_earlier_failure_does_not_end_a_later_setting_in_use(
    instance: Instance, clock: HandMovedClock
) -> None:
    first = send(instance, mine(1))
    body = {"domain": "core", "control": "voltage_offset", "outcome": "failed_later"}
    accept_follow_up(instance, first.id, first.receipt, a_body({**body, "setting": -55}))
    clock.moment += timedelta(days=1)
    send(instance, mine(1, settings=[a_setting(stable_at=-70, unstable_at=-75, in_use=-60)]))
    second = list_own_results(instance, MINE).submissions[1]
    assert [one.in_use for one in second.in_use] == [-60]
    assert second.in_use_ended == ()


def platform(**changes: Any) -> dict[str, Any]:
    return {"machine": "harbour-15", "firmware": "1.14", "driver": "31.0.15", **changes}


@pytest.mark.parametrize(
    ("others", "month", "codes"),
    [
        (platform(firmware="1.15"), "2026-09", ["firmware_changed"]),
        (platform(firmware="1.15"), "2026-08", []),
        (platform(firmware="1.15", machine="harbour-17"), "2026-09", []),
        (platform(driver="32.0"), "2026-09", ["driver_changed"]),
        (platform(), "2026-09", []),
    ],
)
def test_later_reports_of_others_make_a_retest_due(
    instance: Instance, others: dict[str, Any], month: str, codes: list[str]
) -> None:
    send(instance, mine(1, platform=platform(), measured_in="2026-08"))
    send(instance, a_submission(number=2, platform=others, measured_in=month))
    assert due(instance) == codes


def test_withdrawing_all_results_leaves_those_of_others(instance: Instance) -> None:
    send(instance, a_submission(number=7))
    before = rows_of(instance)
    for unit in range(3):
        send(instance, mine(unit, platform=platform(firmware=f"1.{unit}")), f"key-{unit}")
    lone = mine(4, chip="Norvane(R) Sable(TM) 7 4800K @ 3.90GHz")
    send(instance, lone)
    assert withdraw_own_results(instance, MINE).withdrawn == 4
    after = rows_of(instance)
    del before["line"], after["line"]
    assert after == before
    assert withdraw_own_results(instance, MINE).withdrawn == 0


def everything_in(instance: Instance) -> bytes:
    if instance.settings.database:
        return everything_stored(instance)
    files = instance.settings.home.glob("kbapi.sqlite3*")
    return b"".join(path.read_bytes() for path in files)


@pytest.mark.parametrize("all_at_once", [False, True])
def test_no_byte_of_withdrawn_results_is_left_in_the_file(
    instance: Instance, all_at_once: bool
) -> None:
    # Enough of them that pages split and merge; each leaves its number in text and in firmware.
    others = [send(instance, a_submission(number=100 + number)) for number in range(30)]
    kept = a_whole_document(
        contributor_token="tidewater-member-000777", platform=platform(firmware="KEPT-0")
    )
    send(instance, kept)
    gone = []
    for number in range(60):
        found = platform(machine=f"withdrawn class {number}", firmware=f"WITHDRAWN-{number}")
        gone.append(
            send(instance, mine(number, platform=found, client="withdrawn-script/1"), f"{number}")
        )
    assert b"WITHDRAWN-" in everything_in(instance)
    if all_at_once:
        withdraw_own_results(instance, MINE)
    else:
        for result in gone:
            withdraw_own_result(instance, result.id, result.receipt)
    left = everything_in(instance)
    assert b"KEPT-0" in left
    assert b"WITHDRAWN-" not in left
    assert b"withdrawn class" not in left
    assert b"withdrawn-script" not in left
    for result in gone:
        assert result.id.encode() not in left
    assert all(result.id.encode() in left for result in others)


def test_over_http_the_contributor_token_has_its_own_header(client: FlaskClient) -> None:
    client.post("/v1/submissions", json=mine(1))
    header = {"Kbapi-Contributor": MINE}
    assert len(client.get("/v1/my-submissions", headers=header).get_json()["submissions"]) == 1
    for wrong in ({}, {"Kbapi-Contributor": "short"}):
        answer = client.get("/v1/my-submissions", headers=wrong)
        assert (answer.status_code, answer.get_json()["type"]) == (
            401,
            "/problems/contributor_missing",
        )
        assert client.delete("/v1/my-submissions", headers=wrong).status_code == 401
    answer = client.get("/v1/my-submissions?cursor=x", headers=header)
    assert answer.status_code == 422
    faults = [(fault["pointer"], fault["code"]) for fault in answer.get_json()["errors"]]
    assert faults == [("cursor", "invalid")]
    assert client.delete("/v1/my-submissions", headers=header).get_json()["withdrawn"] == 1
