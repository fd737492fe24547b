"""One's own results on a page; the contributor token is in the page alone."""

import json
import logging
from datetime import timedelta
from io import BytesIO
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from kbapi.instance.instance import Instance
from kbapi.intake import my_submissions
from tests.makers import CHIP, HandMovedClock, a_setting, a_submission, row_counts, send
from tests.pages.browsing import form_with, forms_of, press, problems_at, text_of

TOKEN = "tidewater-member-000001"


@pytest.fixture
def receipts(instance: Instance) -> dict[str, str]:
    """The receipts of two results of the first member, by their ids."""
    sent = [
        send(instance, a_submission(a_setting(in_use=-70, effect={"shown_by": "read_back"}))),
        send(instance, a_submission(a_setting(stable_at=-60), unit_token="u" * 20)),
    ]
    return {one.id: one.receipt for one in sent}


def file_with(receipts: dict[str, str]) -> str:
    saved = {
        one: {"receipt": receipt, "chip": CHIP, "day": "2026-09-15", "server": "http://localhost"}
        for one, receipt in receipts.items()
    }
    return json.dumps({"contributor_token": TOKEN, "receipts": saved})


def listed(client: FlaskClient, receipts: dict[str, str]) -> TestResponse:
    """The page with the results, by the sender's file."""
    form = form_with(client.get("/my-submissions"), "list")
    upload = (BytesIO(file_with(receipts).encode()), "sender.json")
    return client.post(
        "/my-submissions", data={**form.fields, "action": "list", "sender_file": upload}
    )


def first_of(client: FlaskClient, receipts: dict[str, str], button: str = "open") -> TestResponse:
    """The page behind this button of the first result; ids of one day have no order."""
    page = listed(client, receipts)
    first = next(iter(receipts))
    form = next(form for form in forms_of(page) if form.value("id") == first)
    return client.post(form.action, data={**form.fields, "action": button})


def test_results_are_those_of_the_api(
    client: FlaskClient, receipts: dict[str, str], clock: HandMovedClock
) -> None:
    clock.moment += timedelta(days=31)
    page = press(client, client.get("/my-submissions"), "list", contributor_token=TOKEN)
    mine = client.get("/v1/my-submissions", headers={"Kbapi-Contributor": TOKEN}).get_json()
    text = text_of(page)
    for one in mine["submissions"]:
        assert one["id"] in text
    assert "core, voltage_offset: -70" in text
    due = [one["text"] for result in mine["submissions"] for one in result["retests_due"]]
    assert len(due) == 1
    assert due[0] in text
    assert text_of(listed(client, receipts)) == text


def test_without_a_token_or_with_a_wrong_one_the_field_says_so(client: FlaskClient) -> None:
    page = client.get("/my-submissions")
    nothing = press(client, page, "list")
    assert (nothing.status_code, set(problems_at(nothing))) == (422, {"sender_file"})
    wrong = press(client, page, "list", contributor_token="short")
    assert set(problems_at(wrong)) == {"contributor_token"}
    unknown = press(client, page, "list", contributor_token="x" * 20)
    assert "No results belong to this token" in text_of(unknown)


def test_the_token_is_in_no_address_header_cookie_log_or_file(
    client: FlaskClient,
    instance: Instance,
    receipts: dict[str, str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    pages = [listed(client, receipts), first_of(client, receipts)]
    pages.append(press(client, pages[1], "edit"))
    pages.append(press(client, pages[2], "check"))
    pages.append(press(client, pages[1], "ask_withdraw"))
    pages.append(press(client, pages[0], "ask_withdraw_all"))
    secrets = (TOKEN, *receipts.values())
    for page in pages:
        assert page.status_code == 200
        assert page.headers["Cache-Control"] == "no-store"
        for form in forms_of(page):
            assert form.method == "post"
            assert not any(secret in form.action for secret in secrets)
        html = page.get_data(as_text=True)
        links = [part.partition('"')[0] for part in html.split('href="')[1:]]
        assert [link for link in links if any(secret in link for secret in secrets)] == []
        # It goes from page to page in hidden fields.
        assert TOKEN in html
        assert not any(secret in str(page.headers) for secret in secrets)
        assert "Set-Cookie" not in page.headers
    lines = [f"{record.getMessage()} {vars(record)}" for record in caplog.records]
    assert any("my-submissions" in line for line in lines)
    assert [line for line in lines if any(secret in line for secret in secrets)] == []
    kept = b"".join(
        path.read_bytes() for path in instance.settings.home.rglob("*") if path.is_file()
    )
    assert [secret for secret in secrets if secret.encode() in kept] == []


def test_the_token_is_not_taken_from_the_address(
    client: FlaskClient, receipts: dict[str, str]
) -> None:
    page = client.get(f"/my-submissions?contributor_token={TOKEN}&action=list")
    assert not any(one in page.get_data(as_text=True) for one in receipts)
    token = forms_of(page)[0].value("form_token")
    answer = client.post(
        f"/my-submissions?contributor_token={TOKEN}", data={"form_token": token, "action": "list"}
    )
    assert answer.status_code == 422


def test_a_follow_up_is_stored_and_shown(client: FlaskClient, receipts: dict[str, str]) -> None:
    opened = first_of(client, receipts)
    page = press(
        client, opened, "follow_up", of="0", outcome="still_stable", days="31", read_back="yes"
    )
    assert page.status_code == 200
    assert "Your follow-up is stored" in text_of(page)
    first, receipt = next(iter(receipts.items()))
    bearer = {"Authorization": f"Bearer {receipt}"}
    (followed,) = client.get(f"/v1/submissions/{first}", headers=bearer).get_json()["follow_ups"]
    assert followed["document"] == {
        "domain": "core",
        "control": "voltage_offset",
        "outcome": "still_stable",
        "days": 31,
        "effect": {"shown_by": "read_back"},
    }
    assert f"{followed['month']}: still_stable (counted)" in text_of(page)


def test_a_failure_later_is_thanked_for_and_ends_the_setting(
    client: FlaskClient, receipts: dict[str, str]
) -> None:
    opened = first_of(client, receipts)
    typed = {"outcome": "failed_later", "failure": "system_hang", "load": "all_core"}
    page = press(client, opened, "follow_up", **typed, days="9", changed=["firmware"])
    assert "hank" in text_of(page)
    again = text_of(press(client, page, "list"))
    assert "No longer in use" in again


def test_problems_of_a_follow_up_are_at_their_fields(
    client: FlaskClient, receipts: dict[str, str]
) -> None:
    opened = first_of(client, receipts)
    for typed, names in (
        ({"outcome": "", "days": "many"}, {"days"}),
        ({"outcome": "", "days": "-3"}, {"outcome", "days"}),
        ({"outcome": "still_stable", "setting": "20"}, {"setting"}),
    ):
        page = press(client, opened, "follow_up", **typed)
        assert (page.status_code, set(problems_at(page))) == (422, names)
        form = form_with(page, "follow_up")
        assert {name: form.value(name) for name in typed} == typed


def test_sending_a_follow_up_twice_stores_it_once(
    client: FlaskClient, instance: Instance, receipts: dict[str, str]
) -> None:
    opened = first_of(client, receipts)
    typed = {"outcome": "failed_later", "failure": "system_hang"}
    for _ in range(2):
        assert press(client, opened, "follow_up", **typed).status_code == 200
    assert row_counts(instance)["follow_up"] == 1


def test_a_correction_replaces_the_result_and_keeps_what_the_form_does_not_show(
    client: FlaskClient, instance: Instance, receipts: dict[str, str]
) -> None:
    edited = press(client, first_of(client, receipts), "edit")
    form = form_with(edited, "check")
    assert (form.value("stable_at"), form.value("in_use")) == ("-80", "-70")
    wrong = press(client, edited, "check", stable_at="-95")
    assert set(problems_at(wrong)) == {"unstable_at"}
    checked = press(client, edited, "check", stable_at="-85", minutes="")
    assert "This setting would count" in text_of(checked)
    page = press(client, checked, "send")
    assert "Your result is corrected" in text_of(page)
    first, receipt = next(iter(receipts.items()))
    bearer = {"Authorization": f"Bearer {receipt}"}
    document = client.get(f"/v1/submissions/{first}", headers=bearer).get_json()["document"]
    expected = a_submission(
        a_setting(in_use=-70, effect={"shown_by": "read_back"}, stable_at=-85, minutes=...)
    )
    assert document == {name: expected[name] for name in expected if "token" not in name}
    # The result stays with its sender.
    assert row_counts(instance)["contributor"] == 1


def test_a_withdrawal_asks_once_more(
    client: FlaskClient, instance: Instance, receipts: dict[str, str]
) -> None:
    asked = first_of(client, receipts, "ask_withdraw")
    assert "Withdraw this result?" in text_of(asked)
    assert row_counts(instance)["submission"] == 2
    assert press(client, asked, "open").status_code == 200
    page = press(client, asked, "withdraw")
    assert "The result was deleted" in text_of(page)
    assert row_counts(instance)["submission"] == 1
    twice = press(client, asked, "withdraw")
    assert twice.status_code == 410
    left = text_of(press(client, page, "list"))
    first, second = receipts
    assert (first in left, second in left) == (False, True)


def test_all_results_are_withdrawn_after_one_more_question(
    client: FlaskClient, instance: Instance, receipts: dict[str, str]
) -> None:
    page = press(client, client.get("/my-submissions"), "list", contributor_token=TOKEN)
    asked = press(client, page, "ask_withdraw_all")
    assert "Withdraw all your results?" in text_of(asked)
    assert row_counts(instance)["submission"] == 2
    done = press(client, asked, "withdraw_all")
    assert "Results withdrawn: 2." in text_of(done)
    assert "submission" not in row_counts(instance)


def test_one_result_needs_its_receipt(
    client: FlaskClient, receipts: dict[str, str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    page = press(client, client.get("/my-submissions"), "list", contributor_token=TOKEN)
    refused = press(client, page, "open")
    assert (refused.status_code, set(problems_at(refused))) == (403, {"receipt"})
    wrong = press(client, refused, "open", receipt="kbr_" + "A" * 32)
    assert wrong.status_code == 403
    assert vars(caplog.records[-1])["problem"] == "receipt_wrong"
    receipt = receipts[form_with(refused, "open").value("id")]
    right = press(client, refused, "open", receipt=receipt)
    assert right.status_code == 200
    assert "Follow up" in text_of(right)


def test_more_results_than_a_page_has_are_reached(
    client: FlaskClient, instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = {send(instance, a_submission(unit_token=f"{'u' * 20}{n}")).id for n in range(3)}
    monkeypatch.setattr(my_submissions, "RESULTS_A_PAGE", 2)
    page = press(client, client.get("/my-submissions"), "list", contributor_token=TOKEN)
    shown = {one for one in sent if one in text_of(page)}
    assert len(shown) == 2
    more = next(form for form in forms_of(page) if "cursor" in form.fields)
    rest = text_of(client.post(more.action, data={**more.fields, "action": "list"}))
    assert {one for one in sent if one in rest} == sent - shown
    wrong: dict[str, Any] = {**more.fields, "action": "list", "cursor": "'; DROP"}
    assert client.post(more.action, data=wrong).status_code == 200
