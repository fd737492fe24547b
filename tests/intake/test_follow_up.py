"""A later failure is a dated failure, a month in use counts, the rest is recorded."""

from datetime import timedelta
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.errors import DocumentRefused, IdempotencyKeyReused, ReceiptWrong, SubmissionGone
from kbapi.evidence.units import EVERYTHING, Filters
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import FollowUpResponse, accept_follow_up
from kbapi.intake.my_submissions import read_own_result, withdraw_own_result
from kbapi.intake.responses import Accepted
from kbapi.stats.intervals import NEVER_FAILED
from tests.evidence.makers import load_intervals
from tests.makers import (
    HandMovedClock,
    a_body,
    a_count_submission,
    a_setting,
    a_submission,
    rows_of,
    send,
)

COUNTED = {"shown_by": "less_power"}


def sent_counts(instance: Instance, number: int = 1, **platform: Any) -> Accepted:
    """A unit that holds 20 counts and fails at 22, in use at 18."""
    document = a_count_submission(20, 22, number)
    document["settings"][0]["in_use"] = -18
    return send(instance, {**document, "platform": platform})


def follow(
    instance: Instance, result: Accepted, outcome: str, key: str | None = None, **fields: Any
) -> FollowUpResponse:
    document = {"domain": "core", "control": "count_offset", "outcome": outcome, **fields}
    return accept_follow_up(instance, result.id, result.receipt, a_body(document), key)


def intervals(instance: Instance, filters: Filters = EVERYTHING) -> list[tuple[int, int]]:
    with instance.reading() as connection:
        groups = load_intervals(connection, 1, filters)
    return [(group.stable_steps, group.unstable_steps) for group in groups]


def test_a_later_failure_bounds_the_unit_and_contradicts_the_pass(instance: Instance) -> None:
    result = sent_counts(instance)
    assert intervals(instance) == [(20, 22)]
    response = follow(instance, result, "failed_later", setting=-19, days=12, failure="system_hang")
    assert response.status == "counted"
    assert "Step back toward stock" in response.thanks
    assert intervals(instance) == [(0, 19)]
    own = read_own_result(instance, result.id, result.receipt)
    assert [reason.code for reason in own.settings[0].reasons] == ["contradicted_by_failure"]
    assert own.settings[0].status == "counted"
    assert own.follow_ups[0].document["failure"] == "system_hang"


def test_a_failure_deeper_than_the_known_one_changes_no_interval(instance: Instance) -> None:
    follow(instance, sent_counts(instance), "failed_later", setting=-25)
    assert intervals(instance) == [(20, 22)]


def test_a_follow_up_is_about_the_setting_in_use_unless_another_is_named(
    instance: Instance,
) -> None:
    assert follow(instance, sent_counts(instance), "failed_later").setting == -18
    assert intervals(instance) == [(0, 18)]


@pytest.mark.parametrize(
    ("days", "effect", "status", "codes"),
    [
        (29, COUNTED, "recorded", ["too_early"]),
        (None, COUNTED, "recorded", ["too_early"]),
        (30, COUNTED, "counted", []),
        (30, None, "unverified", ["effect_not_shown_again"]),
        (30, {"shown_by": "failed_deeper"}, "unverified", ["effect_not_shown_again"]),
        (30, {"shown_by": "rail_voltage"}, "unverified", ["effect_not_shown_again"]),
        (30, {"shown_by": "rail_voltage", "rail_mv": 900}, "counted", []),
    ],
)
def test_thirty_days_with_new_proof_of_effect_count_as_in_use(
    instance: Instance, days: Any, effect: Any, status: str, codes: list[str]
) -> None:
    result = sent_counts(instance)
    response = follow(instance, result, "still_stable", days=days, effect=effect)
    assert (response.status, [reason.code for reason in response.reasons]) == (status, codes)
    in_use = intervals(instance, Filters(grade="in_use_30_days"))
    assert in_use == ([(18, NEVER_FAILED)] if status == "counted" else [])
    assert intervals(instance) == [(20, 22)]


@pytest.mark.parametrize(
    ("outcome", "code", "said"),
    [
        ("locked_later", "lock_recorded", "same update"),
        ("fails_at_stock_too", "fails_at_stock", "Stop tuning"),
        ("given_up", "outcome_recorded", "would look stable"),
        ("machine_gone", "outcome_recorded", "would look stable"),
    ],
)
def test_other_outcomes_are_recorded_and_need_no_setting(
    instance: Instance, outcome: str, code: str, said: str
) -> None:
    response = follow(instance, sent_counts(instance), outcome)
    assert (response.status, response.reasons[0].code) == ("recorded", code)
    assert said in response.thanks
    without_use = send(instance, a_count_submission(20, 22, 2))
    again = follow(instance, without_use, outcome)
    assert (again.status, again.setting) == ("recorded", None)
    assert intervals(instance) == [(20, 22)]


def test_a_follow_up_cannot_pass_deeper_than_the_result(instance: Instance) -> None:
    proof = {"days": 100, "effect": COUNTED}
    result = sent_counts(instance)
    at_the_pass = follow(instance, result, "still_stable", setting=-20, **proof)
    assert at_the_pass.status == "counted"
    for deeper in (-21, -60):
        response = follow(instance, result, "still_stable", setting=deeper, **proof)
        assert (response.status, response.reasons[0].code) == ("recorded", "deeper_than_passed")
    assert intervals(instance, Filters(grade="in_use_30_days")) == [(20, NEVER_FAILED)]


def test_a_later_failure_at_stock_is_a_fault_and_not_a_limit(instance: Instance) -> None:
    result = sent_counts(instance)
    at_stock = follow(instance, result, "failed_later", setting=0)
    assert (at_stock.status, at_stock.reasons[0].code) == ("recorded", "fails_at_stock")
    assert intervals(instance) == [(20, 22)]
    follow(instance, result, "failed_later", setting=-1)
    assert intervals(instance) == [(0, 1)]


def test_follow_ups_of_an_excluded_setting_do_not_count(instance: Instance) -> None:
    deep = a_setting(stable_at=-190, unstable_at=-200, in_use=-180)
    result = send(instance, a_submission(deep))
    document = {"domain": "core", "control": "voltage_offset", "outcome": "failed_later"}
    response = accept_follow_up(instance, result.id, result.receipt, a_body(document))
    assert (response.status, response.reasons[0].code) == ("recorded", "followed_setting_excluded")


def test_a_failure_after_a_firmware_change_has_its_own_firmware_era(instance: Instance) -> None:
    result = sent_counts(instance, firmware="1.14", microcode="0x2b")
    follow(instance, result, "failed_later", changed=["firmware"])
    assert intervals(instance) == [(0, 18)]
    assert intervals(instance, Filters(firmware="1.14")) == [(20, 22)]


def test_a_driver_change_starts_no_firmware_era(instance: Instance) -> None:
    result = sent_counts(instance, firmware="1.14")
    follow(instance, result, "failed_later", setting=-21, changed=["driver"])
    assert intervals(instance) == [(20, 21)]


def test_a_repeated_still_stable_replaces_the_last_one_of_the_month(
    instance: Instance, clock: HandMovedClock
) -> None:
    result = sent_counts(instance)
    first = follow(instance, result, "still_stable", days=30, effect=COUNTED)
    second = follow(instance, result, "still_stable", days=31, effect=COUNTED)
    assert (first.replaced, second.replaced) == (False, True)
    other = follow(instance, result, "still_stable", days=31, setting=-20, effect=COUNTED)
    assert other.replaced is False
    follow(instance, sent_counts(instance, 2), "still_stable", days=31, effect=COUNTED)
    assert len(rows_of(instance)["follow_up"]) == 3
    clock.moment += timedelta(days=30)
    assert follow(instance, result, "still_stable", days=61, effect=COUNTED).replaced is False


def test_a_failure_is_never_replaced(instance: Instance) -> None:
    result = sent_counts(instance)
    follow(instance, result, "failed_later")
    follow(instance, result, "still_stable", days=31, effect=COUNTED)
    follow(instance, result, "failed_later")
    assert len(rows_of(instance)["follow_up"]) == 3


def refused(instance: Instance, result: Accepted, **fields: Any) -> list[tuple[str, str]]:
    with pytest.raises(DocumentRefused) as caught:
        follow(instance, result, **{"outcome": "failed_later", **fields})
    return [(problem.pointer, problem.code) for problem in caught.value.problems]


def test_impossible_values_are_refused_with_their_pointer(instance: Instance) -> None:
    result = sent_counts(instance)
    assert refused(instance, result, domain="ring") == [("/domain", "setting_not_reported")]
    assert refused(instance, result, control="voltage_offset") == [
        ("/domain", "setting_not_reported")
    ]
    assert refused(instance, result, setting=18) == [("/setting", "above_stock")]
    assert refused(instance, result, setting=-1.5) == [("/setting", "count_not_whole")]
    assert refused(instance, result, setting=-61) == [("/setting", "beyond_hard_bound")]
    assert refused(instance, result, days=1.5) == [("/days", "invalid")]
    assert refused(instance, result, outcome="fine") == [("/outcome", "invalid")]
    assert ("", "personal_data_found") in refused(instance, result, **{"anna@mail.example": 1})
    untold = send(instance, a_count_submission(20, 22, 3))
    assert refused(instance, untold) == [("/setting", "setting_missing")]
    assert not rows_of(instance)["follow_up"]


def test_only_the_receipt_allows_a_follow_up(instance: Instance) -> None:
    result = sent_counts(instance)
    body = a_body({"domain": "core", "control": "count_offset", "outcome": "given_up"})
    with pytest.raises(ReceiptWrong):
        accept_follow_up(instance, result.id, sent_counts(instance, 2).receipt, body)
    withdraw_own_result(instance, result.id, result.receipt)
    with pytest.raises(SubmissionGone):
        accept_follow_up(instance, result.id, result.receipt, body)


def test_a_key_makes_a_repeat_get_the_first_answer(instance: Instance) -> None:
    result = sent_counts(instance)
    first = follow(instance, result, "failed_later", key="a")
    assert follow(instance, result, "failed_later", key="a") == first
    assert len(rows_of(instance)["follow_up"]) == 1
    with pytest.raises(IdempotencyKeyReused):
        follow(instance, result, "given_up", key="a")


def test_withdrawing_a_result_removes_its_follow_ups_and_their_evidence(
    instance: Instance,
) -> None:
    result = sent_counts(instance, firmware="1.14")
    follow(instance, result, "failed_later", changed=["firmware"], key="b")
    follow(instance, result, "still_stable", days=40, effect=COUNTED)
    withdraw_own_result(instance, result.id, result.receipt)
    assert not any(rows_of(instance).values())


def test_over_http_a_follow_up_is_created_and_refused_like_a_result(client: FlaskClient) -> None:
    document = a_count_submission(20, 22, 1)
    document["settings"][0]["in_use"] = -18
    sent = client.post("/v1/submissions", json=document).get_json()
    place = f"/v1/submissions/{sent['id']}/follow-ups"
    bearer = {"Authorization": f"Bearer {sent['receipt']}"}
    body = {"domain": "core", "control": "count_offset", "outcome": "failed_later"}
    assert client.post(place, json=body, headers=bearer).status_code == 201
    assert client.post(place, json=body).status_code == 401
    assert client.post(place, json={}, headers=bearer).status_code == 422
    assert client.post(place, data="x", headers=bearer).status_code == 415
