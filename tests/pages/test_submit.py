"""The page that sends a result: problems at their fields, dry run, receipt, tokens, repeats."""

import base64
import json
import re
from io import BytesIO
from pathlib import Path
from typing import Any

import orjson
import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from kbapi.app import create_app
from kbapi.documents.sender import Sender
from kbapi.instance.instance import Instance
from kbapi.pages.forms import Form
from kbapi.pages.submit import ALL_FIELDS, draft_of, form_of_document
from kbapi.vocabulary import LOCK_STATUSES
from tests.makers import CHIP, COUNT_CHIP, GRAPHICS, a_submission, an_instance, row_counts, send
from tests.pages.browsing import form_with, forms_of, press, problems_at, text_of

NAME = "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz"
FAILED = {
    "chip": NAME,
    "status": "open",
    "stable_at": "-82",
    "unstable_at": "-88",
    "failure": "wrong_result",
    "minutes": "65",
    "loads": ["all_core", "vector_heavy"],
    "checked_results": "yes",
    "moved_with": ["ring"],
    "read_back": "-82.03",
    "in_use": "-74",
}


def file_of(page: TestResponse) -> dict[str, Any]:
    """The sender's file that the page offers to save."""
    (link,) = re.findall(r'download="sender.json" href="([^"]*)"', page.get_data(as_text=True))
    found: dict[str, Any] = json.loads(base64.b64decode(link.partition(",")[2]))
    return found


def sent(client: FlaskClient, **typed: Any) -> TestResponse:
    """The page after a check and the sending of it."""
    checked = press(client, client.get("/submit"), "check", **typed)
    assert checked.status_code == 200, problems_at(checked)
    return press(client, checked, "send")


def stored_documents(instance: Instance) -> list[dict[str, Any]]:
    with instance.reading() as connection:
        rows = connection.exec_driver_sql("SELECT document FROM submission ORDER BY id").all()
    return [orjson.loads(row[0]) for row in rows]


def test_the_form_makes_the_document_that_a_program_sends(
    client: FlaskClient, instance: Instance
) -> None:
    page = sent(
        client,
        **FAILED,
        machine="harbour-15",
        form="laptop",
        firmware="1.14",
        firmware_month="2026-03",
        cooling=["repasted"],
        found_by="written_and_read_back",
        stock_load="vector_heavy",
        stock_minutes="20",
        reading_load="vector_heavy",
        power_scope="package",
        performance_unit="jobs_per_h",
        reading_stock_runs="3",
        reading_stock_power_w="60.5",
        reading_tuned_performance="44.6",
        measured_in="2026-09",
    )
    assert page.status_code == 201
    rail = {"domain": "core", "control": "voltage_offset"}
    assert stored_documents(instance) == [
        {
            "chip": NAME,
            "platform": {
                "machine": "harbour-15",
                "form": "laptop",
                "firmware": "1.14",
                "firmware_month": "2026-03",
                "cooling": ["repasted"],
            },
            "settings": [
                {
                    **rail,
                    "stable_at": -82,
                    "unstable_at": -88,
                    "failure": "wrong_result",
                    "minutes": 65,
                    "loads": ["all_core", "vector_heavy"],
                    "checked_results": True,
                    "moved_with": ["ring"],
                    "read_back": -82.03,
                    "in_use": -74,
                    "effect": {"shown_by": "read_back"},
                }
            ],
            "locks": [{**rail, "status": "open", "found_by": "written_and_read_back"}],
            "stock_passed": [{"load": "vector_heavy", "minutes": 20}],
            "measured_in": "2026-09",
            "readings": [
                {
                    "state": "stock",
                    "runs": 3,
                    "power_w": 60.5,
                    "load": "vector_heavy",
                    "power_scope": "package",
                },
                {
                    "state": "tuned",
                    "performance": 44.6,
                    "load": "vector_heavy",
                    "performance_unit": "jobs_per_h",
                },
            ],
        }
    ]


def test_the_check_stores_nothing_and_says_what_would_count(
    client: FlaskClient, instance: Instance
) -> None:
    before = row_counts(instance)
    checked = press(client, client.get("/submit"), "check", **FAILED)
    assert row_counts(instance) == before
    text = text_of(checked)
    assert "It would be understood as Norvane Sable 7 4820MX" in text
    assert "This setting would count" in text
    unproven = press(
        client, client.get("/submit"), "check", chip=NAME, stable_at="-82", minutes="40"
    )
    assert "stored and not counted, because nothing shows that it took effect" in text_of(unproven)


def test_every_problem_is_at_its_field_and_what_was_typed_stays(client: FlaskClient) -> None:
    typed = {
        "chip": "Norvane Sable 7 4820MX",
        "machine": "mail me at ada@example.org",
        "firmware_month": "March",
        "stable_at": "80",
        "unstable_at": "-9,0",
        "stock_load": "all_core",
        "stock_minutes": "-1",
        "in_use": "\N{MINUS SIGN}90",
        "reading_tuned_power_w": "60",
        "reading_load": "",
        "reading_tuned_clock_mhz": "fast",
        "loads": ["all_core", "memory_heavy"],
        "contributor_token": "short",
    }
    page = press(client, client.get("/submit"), "check", **typed)
    assert page.status_code == 422
    problems = problems_at(page)
    assert set(problems) >= {
        "machine",
        "firmware_month",
        "stable_at",
        "unstable_at",
        "stock_minutes",
        "reading_tuned_clock_mhz",
        "contributor_token",
    }
    assert "Did you mean -80?" in problems["stable_at"]
    assert problems["unstable_at"].startswith("Write a number with a point")
    form = form_with(page, "check")
    assert "send" not in form.buttons
    for name, text in typed.items():
        assert form.fields.get(name, [""]) == ([text] if isinstance(text, str) else text)
    html = page.get_data(as_text=True)
    # Each field is invalid for a screen reader too, and the summary leads to it.
    for name in problems:
        assert re.search(
            rf'id="f-{name}"[^>]*aria-describedby="[^"]*p-{name}"[^>]*aria-invalid', html
        )
        assert f'<a href="#f-{name}">' in html


def test_nothing_typed_is_a_problem_of_the_form(client: FlaskClient) -> None:
    page = press(client, client.get("/submit"), "check")
    assert page.status_code == 422
    assert set(problems_at(page)) == {"chip", "stable_at"}


@pytest.mark.parametrize("runs", [5, True, "-60", {"0": 1}])
def test_runs_that_are_no_list_are_a_problem_and_no_error(client: FlaskClient, runs: Any) -> None:
    form = form_with(client.get("/submit"), "check")
    typed = {**form.fields, "base": json.dumps({"trials": runs}), "chip": CHIP, "stable_at": "-80"}
    assert client.post("/submit", data=typed).status_code == 200
    assert client.post("/submit", data={**typed, "action": "check"}).status_code == 422


def test_a_text_of_a_sender_is_escaped(client: FlaskClient) -> None:
    sharp = '"><script>alert(1)</script>'
    page = press(client, client.get("/submit"), "check", chip=sharp, machine=sharp, stable_at=sharp)
    assert "<script>alert" not in page.get_data(as_text=True)
    form = form_with(page, "check")
    assert (form.value("chip"), form.value("machine"), form.value("stable_at")) == (sharp,) * 3
    assert "<script>alert" not in client.get(f"/submit?chip={sharp}").get_data(as_text=True)


def test_a_locked_machine_is_a_result_by_itself(client: FlaskClient, instance: Instance) -> None:
    page = sent(client, chip=NAME, status="firmware_locked")
    assert page.status_code == 201
    (document,) = stored_documents(instance)
    assert "settings" not in document
    assert document["locks"][0]["status"] == "firmware_locked"
    assert set(LOCK_STATUSES) >= {"firmware_locked"}


@pytest.mark.parametrize(
    ("chip", "rail"),
    [(COUNT_CHIP, ("core", "count_offset")), (GRAPHICS, ("gpu_core", "fixed_clock_voltage"))],
)
def test_without_a_choice_the_usual_domain_and_control_are_sent(
    client: FlaskClient, instance: Instance, chip: str, rail: tuple[str, str]
) -> None:
    more = {"clock_mhz": "1800", "stock_mv": "900"} if rail[0] == "gpu_core" else {}
    page = sent(client, chip=chip, stable_at="820" if more else "-15", unstable_at="", **more)
    assert page.status_code == 201
    setting = stored_documents(instance)[0]["settings"][0]
    assert (setting["domain"], setting["control"]) == rail


def test_a_name_of_several_chips_offers_them(client: FlaskClient, instance: Instance) -> None:
    page = press(
        client, client.get("/submit"), "check", chip="Norvane Sable 7 4280MX", stable_at="-80"
    )
    assert page.status_code == 422
    choices = re.findall(r'name="chip_choice" value="([^"]*)"', page.get_data(as_text=True))
    assert CHIP in choices
    chosen = press(client, page, "check", chip_choice=CHIP)
    assert chosen.status_code == 200
    assert form_with(chosen, "send").value("chip") == CHIP
    confirmed = press(client, page, "check", chip_confirmed="yes")
    assert confirmed.status_code == 200


def test_the_receipt_and_new_tokens_come_as_a_file(client: FlaskClient, instance: Instance) -> None:
    page = sent(client, **FAILED)
    file = file_of(page)
    assert Sender.model_validate_json(json.dumps(file)).model_dump() == file
    ((submission_id, saved),) = file["receipts"].items()
    assert (saved["chip"], saved["day"], saved["server"]) == (
        CHIP,
        "2026-09-15",
        "http://localhost",
    )
    receipt = {"Authorization": f"Bearer {saved['receipt']}"}
    assert client.get(f"/v1/submissions/{submission_id}", headers=receipt).status_code == 200
    mine = {"Kbapi-Contributor": file["contributor_token"]}
    listed = client.get("/v1/my-submissions", headers=mine).get_json()["submissions"]
    assert [one["id"] for one in listed] == [submission_id]
    text = text_of(page)
    assert saved["receipt"] in text
    assert file["contributor_token"] in text
    assert "a failed setting" in text.lower()
    assert "30, 90 and 365 days" in text
    assert page.headers["Cache-Control"] == "no-store"


def test_a_receipt_names_the_address_of_the_instance_and_not_the_host_that_was_sent(
    tmp_path: Path,
) -> None:
    instance = an_instance(tmp_path, address="https://club.example")
    client = create_app(instance).test_client()
    client.environ_base["HTTP_HOST"] = "other.example"
    ((_, saved),) = file_of(sent(client, **FAILED))["receipts"].items()
    assert saved["server"] == "https://club.example"
    instance.close()


def test_sending_twice_stores_once_and_gives_the_same_receipt(
    client: FlaskClient, instance: Instance
) -> None:
    checked = press(client, client.get("/submit"), "check", **FAILED)
    first, second = press(client, checked, "send"), press(client, checked, "send")
    assert (first.status_code, second.status_code) == (201, 201)
    assert file_of(first) == file_of(second)
    assert len(stored_documents(instance)) == 1


def test_a_change_after_the_check_is_checked_first(client: FlaskClient, instance: Instance) -> None:
    checked = press(client, client.get("/submit"), "check", **FAILED)
    changed = press(client, checked, "send", stable_at="-80")
    assert changed.status_code == 200
    assert "You changed something after the check." in text_of(changed)
    assert stored_documents(instance) == []
    wrong = press(client, checked, "send", stable_at="-90")
    assert (wrong.status_code, set(problems_at(wrong))) == (422, {"unstable_at"})
    assert press(client, changed, "send").status_code == 201
    assert stored_documents(instance)[0]["settings"][0]["stable_at"] == -80


def test_a_second_result_with_the_file_is_of_the_same_sender(
    client: FlaskClient, instance: Instance
) -> None:
    first = file_of(sent(client, **FAILED, machine="harbour-15"))
    page = client.get("/submit")
    form = form_with(page, "check")
    data: dict[str, Any] = {**form.fields, **FAILED, "action": "check", "machine": "harbour-15"}
    upload = (BytesIO(json.dumps(first).encode()), "sender.json")
    checked = client.post("/submit", data={**data, "in_use": "-70", "sender_file": upload})
    second = file_of(press(client, checked, "send"))
    assert second["contributor_token"] == first["contributor_token"]
    assert second["units"] == first["units"]
    assert set(second["receipts"]) > set(first["receipts"])
    with instance.reading() as connection:
        counts = [
            connection.exec_driver_sql(f"SELECT COUNT(*) FROM {name}").scalar()
            for name in ("submission", "unit", "contributor")
        ]
    assert counts == [2, 1, 1]


def test_a_wrong_file_and_two_machines_with_one_chip_are_problems(client: FlaskClient) -> None:
    page = client.get("/submit")
    form = form_with(page, "check")

    def with_file(text: str) -> TestResponse:
        upload = (BytesIO(text.encode()), "sender.json")
        data = {**form.fields, **FAILED, "action": "check", "sender_file": upload}
        return client.post("/submit", data=data)

    assert set(problems_at(with_file("{}"))) == set()
    assert set(problems_at(with_file('{"version": 2}'))) == {"sender_file"}
    units = [
        {"chip": CHIP, "machine": name, "unit_token": "u" * 20 + name}
        for name in ("harbour-15", "harbour-17")
    ]
    answer = with_file(json.dumps({"contributor_token": "c" * 20, "units": units}))
    assert "harbour-15, harbour-17" in problems_at(answer)["machine"]
    # The file is in the page, so it need not be chosen again.
    named = press(client, answer, "check", machine="harbour-17")
    assert named.status_code == 200
    assert file_of(press(client, named, "send"))["units"] == units


def test_what_others_hold_at_the_setting_is_said(client: FlaskClient, instance: Instance) -> None:
    for number in range(1, 9):
        send(instance, a_submission(number=number))
    client.get(f"/v1/start?chip={CHIP}")
    page = sent(client, chip=NAME, stable_at="-60", read_back="-60", minutes="40")
    answer = text_of(page)
    assert re.search(
        r"Of \d+ machines whose outcome is known at this setting, \d+ are stable", answer
    )


def test_a_document_goes_into_the_form_and_out_again(instance: Instance) -> None:
    document = a_submission(
        locks=[{"domain": "core", "control": "voltage_offset", "status": "open"}],
        platform={"machine": "harbour-15", "cooling": ["stock", "pad"]},
        trials=[{"outcome": "stable"}],
    )
    with create_app(instance).test_request_context():
        draft = draft_of(form_of_document(document), document)
    assert draft.document == document
    assert draft.form.problems == {}


def test_every_field_has_a_place_and_a_label() -> None:
    form = Form.of(ALL_FIELDS, {})
    assert len(form.fields) == len(ALL_FIELDS)
    assert [one.name for one in ALL_FIELDS if not one.label] == []


def test_the_page_shows_every_field_once(client: FlaskClient) -> None:
    (form,) = forms_of(client.get("/submit"))
    hidden = {"form_token"}
    unasked = {"chip_confirmed"}
    assert form.asked - hidden == {one.name for one in ALL_FIELDS} - unasked


def test_a_browser_may_restore_all_fields_but_tokens(client: FlaskClient) -> None:
    html = client.get("/submit").get_data(as_text=True)
    assert re.findall(r'name="(\w+)"[^>]*autocomplete="off"', html) == ["contributor_token"]
