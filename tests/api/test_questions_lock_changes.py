"""Over HTTP: since when reports say locked, by what they differ, where they contradict."""

from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.api.test_questions_locks import CHIP, locks, report


def reported(client: FlaskClient, opened: int, locked: int, first: int, **fields: Any) -> None:
    for number in range(opened + locked):
        status = "open" if number < opened else "firmware_locked"
        report(client, first + number, status, **fields)


@pytest.fixture
def changed(client: FlaskClient) -> FlaskClient:
    """A client whose instance has forty units on either side of a firmware month."""
    reported(client, 18, 2, 0, firmware_month="2025-01", microcode="0x2a")
    reported(client, 18, 2, 100, firmware_month="2025-02", microcode="0x2a")
    reported(client, 7, 13, 200, firmware_month="2025-03", microcode="0x2b")
    reported(client, 8, 12, 300, firmware_month="2025-05", microcode="0x2b")
    return client


def test_the_start_of_locked_reports_has_both_shares(changed: FlaskClient) -> None:
    answer = locks(changed)
    (core,) = answer["locks"]
    change = core["differences"]["change"]
    assert change["is_change"]
    assert change["since"] == "2025-03"
    assert change["since_range"] == ["2025-03", "2025-03"]
    assert (change["before"]["units"], change["after"]["units"]) == (40, 40)
    assert change["before"]["share_open"] == pytest.approx(0.9, abs=0.03)
    assert change["after"]["share_open"] == pytest.approx(0.375, abs=0.03)
    low, high = change["after"]["interval"]
    assert 0.2 < low < change["after"]["share_open"] < high < 0.6
    after, before = (round(100 * change[side]["share_open"]) for side in ("after", "before"))
    assert change["text"].startswith(f"Open since firmware month 2025-03: {after} % (")
    assert f"; before it: {before} % (" in change["text"]
    assert "that the maker advises" in core["differences"]["text"]
    assert "locked on most machines since firmware month 2025-03" in answer["summary"]


def test_conditions_that_differ_have_each_share(changed: FlaskClient) -> None:
    (core,) = locks(changed)["locks"]
    differs = core["differences"]
    assert differs["units"] == 80
    assert differs["compared_by"] == ["firmware_month", "microcode"]
    assert {one["condition"] for one in differs["by_condition"]} == {"firmware_month", "microcode"}
    microcode = next(one for one in differs["by_condition"] if one["condition"] == "microcode")
    assert 0 < microcode["p_value"] < 0.001
    assert [(one["value"], one["units"]) for one in microcode["values"]] == [
        ("0x2a", 40),
        ("0x2b", 40),
    ]
    assert "microcode" in differs["text"]


def test_similar_units_that_contradict_each_other_are_counted_each_way(
    changed: FlaskClient,
) -> None:
    (core,) = locks(changed)["locks"]
    first = core["differences"]["contradictions"][0]
    assert (first["firmware_month"], first["microcode"]) == ("2025-05", "0x2b")
    assert (first["units_open"], first["units_locked"], first["machine_classes"]) == (8, 12, 1)
    assert "a firmware setting" in core["differences"]["text"]
    assert first["text"] == (
        "Firmware month 2025-05, microcode 0x2b: 8 of 20 machines open, 12 locked "
        "(one machine class)."
    )


def test_reports_by_hearsay_are_counted_and_not_compared(client: FlaskClient) -> None:
    reported(client, 20, 0, 0, firmware_month="2025-01", found_by="documented")
    reported(client, 0, 20, 100, firmware_month="2025-06", found_by="owner_says")
    (core,) = locks(client)["locks"]
    assert core["units"] == 20
    assert core["differences"]["units"] == 0
    assert not core["differences"]["change"]["is_change"]


def test_a_filter_selects_before_anything_is_compared(changed: FlaskClient) -> None:
    reported(changed, 30, 0, 400, firmware_month="2025-05", machine="quay-13")
    (core,) = locks(changed, machine="harbour-15")["locks"]
    assert core["differences"]["units"] == 80
    (there,) = locks(changed, machine="quay-13")["locks"]
    assert there["differences"]["compared_by"] == []
    assert not there["differences"]["change"]["is_change"]


def test_too_few_reports_are_stated_and_the_rest_is_given(client: FlaskClient) -> None:
    reported(client, 3, 1, 0, firmware_month="2025-01")
    (core,) = locks(client)["locks"]
    assert core["units"] == 4
    assert core["differences"]["by_condition"] == []
    assert "each of two needs five machines" in core["differences"]["text"]
    assert "cannot be compared yet" in core["differences"]["change"]["text"]
    assert core["differences"]["change"]["p_value"] is None


def test_reports_without_a_change_are_called_stable(client: FlaskClient) -> None:
    reported(client, 9, 1, 0, firmware_month="2025-01")
    reported(client, 9, 1, 100, firmware_month="2025-04")
    (core,) = locks(client)["locks"]
    assert core["differences"]["text"] == (
        "No difference beyond chance by firmware month. Some machines with equal conditions are "
        "open and others locked: a firmware setting or an unreported condition may explain it."
    )
    assert "No change beyond chance" in core["differences"]["change"]["text"]


def test_changes_are_compared_between_open_and_locked_machines(
    client: FlaskClient,
) -> None:
    reported(client, 6, 2, 0)
    reported(client, 3, 0, 100, changes=["firmware_setting"])
    (core,) = locks(client)["locks"]
    assert core["unchanged_units"] == 6
    assert core["changes"] == [{"value": "firmware_setting", "units": 3}]
    assert core["changes_text"] == (
        "Open machines: 6 without a change, 3 with firmware_setting (history, not advice)."
    )


def test_no_sentence_recommends_to_open_a_lock(changed: FlaskClient) -> None:
    answer = locks(changed)
    assert [caution["code"] for caution in answer["cautions"]][:2] == [
        "history_not_advice",
        "locked_for_security",
    ]
    text = str(answer["locks"]).lower()
    assert not any(word in text for word in ("downgrade", "disable", "switch off", "roll back"))


def test_one_more_report_is_in_the_next_answer_and_none_is_computed_twice(
    changed: FlaskClient,
) -> None:
    first = changed.get("/v1/locks", query_string={"chip": CHIP})
    again = changed.get(
        "/v1/locks", query_string={"chip": CHIP}, headers={"If-None-Match": first.headers["ETag"]}
    )
    assert again.status_code == 304
    report(changed, 999, "firmware_locked", firmware_month="2025-05", microcode="0x2b")
    assert locks(changed)["locks"][0]["differences"]["units"] == 81
