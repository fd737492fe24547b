"""Longevity and diagnose over HTTP: shares over months and causes, from follow-ups."""

from datetime import timedelta
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.advice.evidence_found import load_standing_in
from kbapi.evidence.longevity import load_recommended_margin
from kbapi.instance.instance import Instance
from tests.makers import HandMovedClock

CHIP = "norvane-sable-7-4820mx"
SIBLING = "norvane-sable-9-4840mx"
PROOF = {"shown_by": "less_power"}


def followed(
    client: FlaskClient,
    number: int,
    outcome: str = "still_stable",
    days: int | None = 100,
    in_use: float | None = -74,
    chip: str = CHIP,
    contributor: int | None = None,
    **fields: Any,
) -> None:
    """A unit that passed -80 and failed at -90, and what became of its setting."""
    setting = {
        "domain": "core",
        "control": "voltage_offset",
        "stable_at": -80,
        "unstable_at": -90,
        "in_use": in_use,
        "loads": ["all_core", "vector_heavy"],
        "minutes": 65,
        "checked_results": True,
        **fields.pop("of_setting", {}),
    }
    document = {
        "chip": chip,
        "unit_token": f"k3v9-demo-unit-{number:06}",
        "contributor_token": f"demo-contributor-{contributor or number:06}",
        "stock_passed": [{"load": "vector_heavy", "minutes": 20}],
        "settings": [setting],
        "measured_in": "2026-06",
    }
    sent = client.post("/v1/submissions", json=document).get_json()
    fields = {"effect": PROOF, **fields}
    answer = client.post(
        f"/v1/submissions/{sent['id']}/follow-ups",
        json={"domain": "core", "control": "voltage_offset", "outcome": outcome, "days": days}
        | {name: value for name, value in fields.items() if value is not None},
        headers={"Authorization": f"Bearer {sent['receipt']}"},
    )
    assert answer.status_code == 201, answer.get_json()


def longevity(client: FlaskClient, **asked: str) -> dict[str, Any]:
    response = client.get("/v1/longevity", query_string={"chip": CHIP, **asked})
    assert response.status_code == 200, response.get_json()
    answer: dict[str, Any] = response.get_json()
    return answer


def shares(fields: dict[str, Any]) -> dict[int, tuple[float, int]]:
    return {one["days"]: (one["share"], one["units"]) for one in fields["survival"]}


def test_without_follow_ups_there_are_no_numbers(client: FlaskClient) -> None:
    answer = longevity(client)
    assert (answer["level"], answer["units"], answer["survival"]) == ("none", 0, [])
    assert (
        answer["recommended_margin"]["margin"],
        answer["recommended_margin"]["margin_source"],
    ) == (10, "default")
    assert answer["drift"] is None
    assert answer["withheld_groups"] == 0
    assert "Follow up on your own" in answer["summary"]
    assert answer["cautions"][0]["code"] == "limits_shrink"


def test_shares_equal_a_kaplan_meier_estimate_computed_by_hand(client: FlaskClient) -> None:
    for number in range(10):
        outcome, days = ("failed_later", 20) if number < 2 else ("still_stable", 40)
        followed(client, number, outcome, 60 if number == 2 else days)
    for number in range(10, 16):
        followed(client, number, "failed_later" if number == 10 else "still_stable", 95)
    answer = longevity(client)
    assert (answer["level"], answer["units"], answer["failures"]) == ("chip", 16, 3)
    # 14 of 16 after the two; nothing fails between; at day 95 one of six falls.
    assert shares(answer) == {30: (0.875, 16), 90: (0.875, 8)}
    low, high = answer["survival"][0]["interval"]
    assert 0.5 < low < 0.875 < high < 1
    assert "88 % of settings were still stable after 90 days" in answer["summary"]
    (band,) = answer["by_margin"]
    assert (band["margin_above"], band["margin_up_to"], band["units"]) == (0, 10, 16)
    assert answer["withheld_groups"] == 2  # 365 days, in all and in the band


@pytest.mark.parametrize("outcome", ["locked_later", "machine_gone", "given_up"])
def test_an_end_for_another_reason_is_censored_and_not_a_failure(
    client: FlaskClient, outcome: str
) -> None:
    for number in range(6):
        followed(client, number, "failed_later" if number == 0 else "still_stable", 50)
    for number in range(6, 10):
        followed(client, number, outcome, 40)
    assert shares(longevity(client)) == {30: (1.0, 10)}
    for number in range(10, 15):
        followed(client, number, "still_stable", 95)
    assert shares(longevity(client))[90] == (round(10 / 11, 4), 6)


def test_giving_up_with_a_failure_is_a_failure(client: FlaskClient) -> None:
    for number in range(8):
        followed(client, number, "given_up", 20, failure="system_hang" if number < 4 else None)
    assert longevity(client)["failures"] == 4


def test_an_update_may_lock_the_control_unless_an_effect_is_shown_again(
    client: FlaskClient,
) -> None:
    for number in range(12):
        followed(client, number, effect=None, changed=["firmware"] if number < 6 else ["season"])
    assert longevity(client)["units"] == 6
    for number in range(12, 15):
        followed(client, number, changed=["firmware"])
    assert longevity(client)["units"] == 9


def test_an_unverified_setting_and_one_beyond_its_limit_show_nothing(client: FlaskClient) -> None:
    for number in range(5):
        followed(client, number, of_setting={"unstable_at": None})
        followed(client, number + 10, "failed_later", setting=-85)
    assert longevity(client)["level"] == "none"


def test_margins_are_shown_in_bands_and_small_ones_are_withheld(client: FlaskClient) -> None:
    for number in range(24):
        margin = (0, 10, 20, 45)[number // 6]
        followed(client, number, in_use=-80 + margin)
    for number in range(24, 28):
        followed(client, number, in_use=-55)
    answer = longevity(client)
    fields = [
        (band["margin_above"], band["margin_up_to"], band["units"]) for band in answer["by_margin"]
    ]
    # Without this, the band of four follows from all units less the other bands.
    assert fields == [(0, 10, 6), (10, 20, 6), (30, None, 6)]
    assert answer["units"] == 28
    # 365 days in all and in each of the three bands, and two bands.
    assert answer["withheld_groups"] == 6


def test_a_day_with_few_units_of_one_band_cannot_be_computed_from_the_others(
    client: FlaskClient,
) -> None:
    for number in range(30):
        margin = (0, 10, 20)[number // 10]
        short = margin == 0 and number > 3
        followed(client, number, days=35 if short else 95, in_use=-80 + margin)
    answer = longevity(client)
    assert shares(answer)[90][1] == 24
    days = [[one["days"] for one in band["survival"]] for band in answer["by_margin"]]
    assert days == [[30], [30], [30, 90]]


def test_a_chip_with_few_follow_ups_uses_its_series(client: FlaskClient) -> None:
    for number in range(4):
        followed(client, number)
    assert longevity(client)["level"] == "none"
    for number in range(4, 9):
        followed(client, number, chip=SIBLING)
    answer = longevity(client)
    assert (answer["level"], answer["units"]) == ("series", 9)
    assert "machines of its series" in answer["summary"]
    followed(client, 9)
    assert (longevity(client)["level"], longevity(client)["units"]) == ("chip", 5)


def test_a_margin_is_learnt_from_sixty_units_in_use(
    client: FlaskClient, instance: Instance
) -> None:
    for number in range(60):
        followed(client, number, in_use=-62)
    recommended = longevity(client)["recommended_margin"]
    assert (recommended["margin"], recommended["margin_source"]) == (20, "learned")
    assert recommended["survival"]["share"] == 1
    assert recommended["survival"]["units"] == 60
    assert "20 mV" in recommended["text"]
    chip = instance.catalogue.chips[CHIP].chip
    with instance.reading() as connection:
        standing = load_standing_in(connection, instance)
        asked = (connection, chip, "core", "voltage_offset", instance.catalogue, standing)
        learnt = load_recommended_margin(*asked)
    assert (learnt.margin, learnt.source) == (20, "learned")


def test_a_flood_of_one_contributor_weighs_one_unit_beside_few_others(client: FlaskClient) -> None:
    for number in range(20):
        followed(client, number, "failed_later", 10, contributor=900)
    for number in range(20, 29):
        followed(client, number)
    assert shares(longevity(client))[30] == (0.9, 29)


def test_later_follow_ups_outdate_a_stored_answer(client: FlaskClient) -> None:
    for number in range(5):
        followed(client, number)
    first = client.get("/v1/longevity", query_string={"chip": CHIP})
    again = client.get(
        "/v1/longevity",
        query_string={"chip": CHIP},
        headers={"If-None-Match": first.headers["ETag"]},
    )
    assert again.status_code == 304
    followed(client, 5, "failed_later", 10)
    assert longevity(client)["failures"] == 1


def test_impossible_questions_are_refused_by_name(client: FlaskClient) -> None:
    response = client.get("/v1/longevity?chip=&domain=cor&confidence=0.9&control=load_line")
    assert response.status_code == 422
    pointers = {error["pointer"] for error in response.get_json()["errors"]}
    assert pointers == {"chip", "domain", "confidence", "control"}


def diagnosed(client: FlaskClient, **fields: Any) -> dict[str, Any]:
    body = {"chip": CHIP, "domain": "core", "control": "voltage_offset", **fields}
    response = client.post("/v1/diagnose", json=body)
    assert response.status_code == 200, response.get_json()
    answer: dict[str, Any] = response.get_json()
    return answer


def a_planted_update(client: FlaskClient) -> None:
    """Of 20 units with a firmware update 14 fail; of 30 without, 3."""
    for number in range(50):
        updated = number < 20
        failed = number < 14 or 20 <= number < 23
        changed = ["firmware"] if updated else []
        if number % 3 == 0:
            changed = [*changed, "season"]
        followed(client, number, "failed_later" if failed else "still_stable", 60, changed=changed)


def test_the_update_with_the_most_failures_is_first_with_both_counts(
    client: FlaskClient,
) -> None:
    a_planted_update(client)
    answer = diagnosed(client, setting=-74, days=50, changed=["season", "firmware", "driver"])
    fields = [one["change"] for one in answer["after_changes"]]
    assert fields == ["firmware", "season"]
    assert answer["withheld_changes"] == 1
    first = answer["after_changes"][0]
    assert (first["units_with_change"]["failed"], first["units_with_change"]["stable"]) == (14, 6)
    assert (first["units_without_change"]["failed"], first["units_without_change"]["stable"]) == (
        3,
        27,
    )
    assert first["risk_ratio_lower"] > 2
    counts = "14 of 20 machines failed after a firmware update, 3 of 30 without: at least "
    assert answer["summary"].startswith(counts)
    assert answer["survival"]["days"] == 50
    assert [one["code"] for one in answer["check_first"]] == ["fails_at_stock", "setting_in_effect"]
    assert {one["code"] for one in answer["other_causes"]} == {"season", "cooling", "age", "load"}


def test_without_own_changes_all_are_listed(client: FlaskClient) -> None:
    a_planted_update(client)
    answer = diagnosed(client)
    assert [one["change"] for one in answer["after_changes"]] == ["firmware", "season"]
    assert not any(one["is_yours"] for one in answer["after_changes"])
    assert answer["withheld_changes"] == 4
    assert diagnosed(client, changed=["season"])["summary"].startswith("No change stands out")


def test_only_changes_between_the_last_good_and_the_first_bad_day_are_compared(
    client: FlaskClient,
) -> None:
    a_planted_update(client)
    dates = [{"change": "firmware", "day": 41}, {"change": "season", "day": 12}]
    asked = {"days": 50, "last_stable_day": 30, "change_days": dates}
    answer = diagnosed(client, **asked)
    assert [one["change"] for one in answer["after_changes"]] == ["firmware"]
    assert answer["changes_outside"] == ["season"]
    codes = [one["code"] for one in answer["next_actions"]]
    assert "find_days_of_changes" not in codes
    # A change that is named in both ways has its day.
    again = diagnosed(client, **asked, changed=["season"])
    assert again["changes_outside"] == ["season"]
    also = diagnosed(client, **asked, changed=["driver"])
    assert also["withheld_changes"] == 1
    assert "find_days_of_changes" in [one["code"] for one in also["next_actions"]]


def test_own_changes_on_other_days_are_no_cause(client: FlaskClient) -> None:
    a_planted_update(client)
    dates = [{"change": "firmware", "day": day} for day in (-5, 12)]
    answer = diagnosed(client, days=50, last_stable_day=30, change_days=dates)
    assert answer["after_changes"] == []
    assert answer["changes_outside"] == ["firmware"]
    text = "None of your changes lies between the last good day and the failure."
    assert answer["summary"].startswith(text)


def test_days_that_cannot_be_are_refused_by_name(client: FlaskClient) -> None:
    body = {"chip": CHIP, "domain": "core", "control": "voltage_offset", "days": 20}
    wrong = {"last_stable_day": 30}
    assert pointers(client, body | wrong) == {"/last_stable_day"}
    wrong = {"change_days": [{"change": "weather", "day": 1.5}, {"change": "os"}]}
    assert pointers(client, body | wrong) == {
        "/change_days/0/change",
        "/change_days/0/day",
        "/change_days/1/day",
    }


def pointers(client: FlaskClient, body: dict[str, Any]) -> set[str]:
    response = client.post("/v1/diagnose", json=body)
    assert response.status_code == 422
    return {error["pointer"] for error in response.get_json()["errors"]}


def test_follow_ups_with_days_name_a_cause_that_is_not_by_memory(client: FlaskClient) -> None:
    for number in range(40):
        is_updated = number % 2 == 0
        outcome = "failed_later" if is_updated and number < 30 else "still_stable"
        dated = [{"change": "firmware", "day": 50}] if is_updated else []
        followed(client, number, outcome, 60, change_days=dated, last_stable_day=20)
    answer = diagnosed(client)
    (first,) = answer["after_changes"]
    assert (first["change"], first["is_by_memory"]) == ("firmware", False)
    assert first["units_with_change"]["failed"] == 15
    assert "people remember more changes" not in answer["summary"]
    followed(client, 50, changed=["firmware"])
    by_memory = diagnosed(client)
    assert by_memory["after_changes"][0]["is_by_memory"]
    assert "people remember more changes after a failure" in by_memory["summary"]


@pytest.mark.parametrize(
    ("setting", "by", "to"), [(-74, 10, -64), (-4, 10, 0), (0, 10, 0), (None, 10, None)]
)
def test_the_next_setting_is_toward_stock_and_never_above(
    client: FlaskClient, setting: float | None, by: float, to: float | None
) -> None:
    answer = diagnosed(client, setting=setting)
    assert (answer["step_back"]["step"], answer["step_back"]["setting"]) == (by, to)
    assert (answer["level"], answer["after_changes"]) == ("none", [])


def test_a_fixed_voltage_gets_no_absolute_number(client: FlaskClient) -> None:
    answer = diagnosed(
        client,
        chip="Osmer Kestrel 640 Laptop Graphics",
        domain="gpu_core",
        control="fixed_clock_voltage",
        setting=830,
    )
    assert answer["step_back"]["setting"] is None
    assert "never above it" in answer["step_back"]["text"]


@pytest.mark.parametrize(
    ("fields", "in_effect"),
    [
        ({}, "unknown"),
        ({"read_back": -73.24}, "yes"),
        ({"read_back": 0}, "no"),
        ({"effect": {"shown_by": "less_power"}}, "yes"),
        ({"effect": {"shown_by": "failed_deeper"}}, "unknown"),
        ({"effect": {"shown_by": "rail_voltage"}}, "unknown"),
        ({"effect": {"shown_by": "rail_voltage", "rail_mv": 900}}, "yes"),
    ],
)
def test_the_proof_shows_whether_the_setting_takes_effect(
    client: FlaskClient, fields: dict[str, Any], in_effect: str
) -> None:
    answer = diagnosed(client, setting=-74, **fields)
    question = answer["check_first"][1]
    assert question["your_answer"] == in_effect
    assert question["then"] not in (question["question"], "")
    assert (answer["step_back"] is None) == (in_effect == "no")
    assert answer["summary"].startswith("The setting is not in effect") == (in_effect == "no")


def test_a_failure_at_stock_ends_the_diagnosis(client: FlaskClient) -> None:
    a_planted_update(client)
    answer = diagnosed(client, setting=-74, changed=["firmware"], fails_at_stock="yes")
    assert answer["summary"].startswith("Stop: it fails at stock.")
    assert answer["step_back"] is None
    assert [one["code"] for one in answer["next_actions"]] == [
        "save_work_and_check_files",
        "return_to_stock",
        "ask_qualified_people",
    ]
    assert answer["cautions"][0]["code"] == "stop_and_ask_qualified_people"


def test_each_way_to_fail_has_its_explanation(client: FlaskClient) -> None:
    assert "idle and resume" in diagnosed(client, failure="resume_failure")["failure_meaning"]
    assert diagnosed(client, failure="system_hang")["failure_meaning"] is None


def test_every_problem_of_a_diagnosis_comes_at_once(client: FlaskClient) -> None:
    body = {"chip": "nothing", "domain": "cor", "control": "voltage_offset", "setings": -1}
    response = client.post("/v1/diagnose", json=body)
    assert response.status_code == 422
    pointers = {error["pointer"] for error in response.get_json()["errors"]}
    assert pointers == {"/chip", "/domain", "/setings"}


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        ({"setting": 5}, "above_stock"),
        ({"setting": -301}, "beyond_hard_bound"),
        ({"setting": -0.08}, "looks_like_volts"),
        ({"control": "count_offset", "setting": -7.5}, "count_not_whole"),
        ({"control": "fixed_clock_voltage", "setting": 399}, "outside_fixed_clock_range"),
        ({"failure": "someone@tidewater.example"}, "personal_data_found"),
    ],
)
def test_impossible_values_are_refused_and_personal_data_is_not_repeated(
    client: FlaskClient, fields: dict[str, Any], code: str
) -> None:
    body = {"chip": CHIP, "domain": "core", "control": "voltage_offset", **fields}
    response = client.post("/v1/diagnose", json=body)
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["code"] == code
    assert b"tidewater.example" not in response.data


@pytest.mark.parametrize("body", [[], "text", 5, {"setting": "-74"}])
def test_a_body_of_another_shape_is_a_clear_problem(client: FlaskClient, body: Any) -> None:
    response = client.post("/v1/diagnose", json=body)
    assert response.status_code == 422
    assert response.get_json()["errors"]


def test_a_drift_of_the_chips_reports_is_shown_with_its_size(
    client: FlaskClient, clock: HandMovedClock
) -> None:
    for number in range(50):
        old = number < 25
        stable = (-95 if old else -65) + number % 7
        setting = {
            "domain": "core",
            "control": "voltage_offset",
            "stable_at": stable,
            "unstable_at": stable - 5,
            "loads": ["all_core", "vector_heavy"],
            "minutes": 65,
        }
        document = {
            "chip": CHIP,
            "unit_token": f"k3v9-demo-unit-{number:06}",
            "contributor_token": f"demo-contributor-{number:06}",
            "platform": {"machine": "harbour-15"},
            "stock_passed": [{"load": "vector_heavy", "minutes": 20}],
            "settings": [setting],
            "measured_in": f"2026-0{1 + number % 3}" if old else f"2026-0{6 + number % 3}",
        }
        assert client.post("/v1/submissions", json=document).status_code == 201
    # New contributors alone show a change of the mix at most.
    drift = longevity(client)["drift"]
    assert (drift["is_drift"], drift["is_mix_changed"], drift["since"]) == (False, True, None)
    assert drift["text"] == (
        "Recent results differ from earlier ones. The mix of machines may have changed."
    )
    assert diagnosed(client)["drift"] == drift
    clock.moment += timedelta(days=31)
    drift = longevity(client)["drift"]
    assert (drift["is_drift"], drift["is_mix_changed"]) == (True, False)
    assert (drift["kind"], drift["since"]) == ("month", "2026-06")
    assert drift["shift"] == pytest.approx(-30, abs=4)
    assert (drift["units_before"], drift["units_since"]) == (25, 25)
    assert drift["text"] == (
        f"Limits since 2026-06 are about {-drift['shift']:.0f} mV shallower than before."
    )
    assert diagnosed(client)["drift"] == drift
    assert longevity(client, control="count_offset")["drift"] is None
