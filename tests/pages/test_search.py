"""The search as a form, and the comparison with the pool: the same answers as programs get."""

import re
from typing import Any

import orjson
import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from kbapi.instance.instance import Instance
from kbapi.pages.search import Trials
from tests.makers import (
    CHIP,
    COUNT_CHIP,
    a_line_of_units,
    a_setting,
    a_submission,
    row_counts,
    send,
)
from tests.pages.browsing import form_with, press, problems_at, text_of

SEARCH = f"/chips/{CHIP}/search"
GRAPHICS_SEARCH = "/chips/osmer-kestrel-640-laptop/search"
COUNTS = "/chips/ketterly-drift-6-2350u"


@pytest.fixture
def pool(instance: Instance) -> Instance:
    for number in range(1, 13):
        setting = a_setting(
            stable_at=-80 - 2 * number, unstable_at=-90 - 2 * number, moved_with=["ring"]
        )
        send(instance, a_submission(setting, number=number))
    return instance


def tried(client: FlaskClient, page: TestResponse, **typed: str) -> TestResponse:
    return press(client, page, "add", **typed)


def asked_as_json(client: FlaskClient, *trials: dict[str, Any]) -> dict[str, Any]:
    rail = {"domain": "core", "control": "voltage_offset", "moved_with": ["ring"]}
    body = {"chip": CHIP, **rail, "trials": list(trials)} if trials else {"chip": CHIP}
    answer: dict[str, Any] = client.post("/v1/next-step", json=body).get_json()
    return answer


def a_trial(value: int, outcome: str, seconds: int, **more: Any) -> dict[str, Any]:
    settings = [
        {"domain": domain, "control": "voltage_offset", "value": value}
        for domain in ("core", "ring")
    ]
    return {"settings": settings, "outcome": outcome, "seconds": seconds, **more}


def shows(page: TestResponse, answer: dict[str, Any]) -> bool:
    """Whether the page has the texts of the answer."""
    text = text_of(page)
    texts = [answer["summary"], answer["recommended_in_use"]["text"], *answer["stop_rules"]]
    texts += [one["text"] for one in (*answer["plan"], *answer["cautions"])]
    return all(" ".join(one.split()) in text for one in texts)


def test_a_search_goes_on_as_the_api_proposes(client: FlaskClient, pool: Instance) -> None:
    # A search begins at the start of the chip, which is stored like any start.
    assert client.get(f"/v1/start?chip={CHIP}").status_code == 200
    before = row_counts(pool)
    page = client.get(SEARCH)
    first = asked_as_json(client)
    assert shows(page, first)
    form = form_with(page, "add")
    assert form.value("value") == str(first["next_step"]["value_to_enter"])
    assert form.value("minutes") == "20"
    value = first["next_step"]["value_to_enter"]
    page = tried(client, page, outcome="stable", load="all_core")
    run = a_trial(value, "stable", 1_200, load="all_core")
    second = asked_as_json(client, run)
    assert shows(page, second)
    form = form_with(page, "add")
    assert form.fields["trial"] == [f"{value}|stable|20|all_core||"]
    assert form.value("value") == str(second["next_step"]["value_to_enter"])
    assert (form.value("load"), form.value("outcome")) == ("all_core", "")
    failed = second["next_step"]["value_to_enter"]
    page = tried(
        client, page, outcome="failed", minutes="2.5", failure="wrong_result", checked="yes"
    )
    more = {"load": "all_core", "failure": "wrong_result", "checked_results": True}
    third = asked_as_json(client, run, a_trial(failed, "failed", 150, **more))
    assert shows(page, third)
    # Nothing of the search is stored.
    assert row_counts(pool) == before


def test_undo_takes_back_the_last_trial_and_fills_its_fields(
    client: FlaskClient, pool: Instance
) -> None:
    page = tried(client, client.get(SEARCH), value="-60", outcome="stable", minutes="20")
    again = tried(client, page, value="-70", outcome="failed", minutes="3", failure="system_hang")
    undone = press(client, again, "undo")
    form = form_with(undone, "add")
    assert form.fields["trial"] == form_with(page, "add").fields["trial"]
    typed = [form.value(name) for name in ("value", "outcome", "minutes", "failure")]
    assert typed == ["-70", "failed", "3", "system_hang"]
    assert shows(undone, asked_as_json(client, a_trial(-60, "stable", 1_200)))


def test_a_trial_with_problems_is_not_added_and_stays_typed(
    client: FlaskClient, pool: Instance
) -> None:
    page = tried(client, client.get(SEARCH), value="-60", outcome="stable", minutes="20")
    wrong: tuple[tuple[dict[str, str], str], ...] = (
        ({"value": "60", "outcome": "stable"}, "value"),
        ({"value": "deep", "outcome": "stable"}, "value"),
        ({"value": "", "outcome": "stable"}, "value"),
        ({"value": "-70", "outcome": ""}, "outcome"),
        ({"value": "-70", "outcome": "stable", "minutes": "long"}, "minutes"),
        ({"value": "-70", "outcome": "maybe"}, "outcome"),
    )
    for typed, name in wrong:
        answer = tried(client, page, **typed)
        assert (answer.status_code, set(problems_at(answer))) == (422, {name}), typed
        form = form_with(answer, "add")
        assert form.fields["trial"] == ["-60|stable|20|||"]
        assert typed["value"] == "" or form.value("value") == typed["value"]
        # What the trials so far lead to is still shown.
        assert "How did it end?" in text_of(answer)


def test_the_terms_are_those_of_the_api(client: FlaskClient, pool: Instance) -> None:
    page = press(client, client.get(SEARCH), "ask", max_risk="0.25", trial_minutes="40")
    body = {"chip": CHIP, "max_risk": 0.25, "trial_minutes": 40}
    assert shows(page, client.post("/v1/next-step", json=body).get_json())
    wrong = press(client, page, "ask", max_risk="0.9")
    assert set(problems_at(wrong)) == {"max_risk"}
    assert form_with(wrong, "ask").value("max_risk") == "0.9"


def test_a_fixed_clock_asks_for_clock_and_stock_voltage_first(client: FlaskClient) -> None:
    page = client.get(GRAPHICS_SEARCH)
    assert page.status_code == 200
    assert "Enter the clock, and your own stock voltage" in text_of(page)
    assert "add" not in form_with(page, "ask").buttons
    page = press(client, page, "ask", clock_mhz="1800", stock_mv="900")
    assert page.status_code == 200
    form = form_with(page, "add")
    assert 700 < float(form.value("value")) < 900
    again = press(client, page, "add", outcome="stable")
    assert form_with(again, "add").value("stock_mv") == "900"
    assert again.status_code == 200


def test_counts_are_never_shown_as_millivolts(client: FlaskClient, instance: Instance) -> None:
    a_line_of_units(instance, [14, 15, 16, 17, 18, 19, 20, 21])
    text = text_of(client.get(f"{COUNTS}/search"))
    assert re.search(r"-\d+ counts", text)
    assert " mV" not in text.partition("Add a trial")[0]


def test_a_search_goes_on_to_the_page_that_sends_it(client: FlaskClient, pool: Instance) -> None:
    page = tried(client, client.get(SEARCH), value="-60", outcome="stable", load="all_core")
    page = tried(client, page, value="-90", outcome="failed", minutes="1", failure="os_panic")
    begun = press(client, page, "begin")
    assert begun.status_code == 200
    form = form_with(begun, "check")
    assert (form.value("stable_at"), form.value("unstable_at")) == ("-60", "-90")
    assert (form.value("failure"), form.fields["moved_with"]) == ("os_panic", ["ring"])
    checked = press(client, begun, "check", read_back="-60")
    assert press(client, checked, "send").status_code == 201
    with pool.reading() as connection:
        rows = connection.exec_driver_sql("SELECT document FROM submission ORDER BY id").all()
    document = orjson.loads(rows[-1][0])
    assert [one["outcome"] for one in document["trials"]] == ["stable", "failed"]


def test_the_picture_has_the_trials_in_its_address(client: FlaskClient, pool: Instance) -> None:
    page = tried(client, client.get(SEARCH), value="-60", outcome="stable")
    page = tried(client, page, value="-90", outcome="failed")
    (source,) = re.findall(r'<img src="([^"]*)"', page.get_data(as_text=True))
    assert source.startswith(f"/chips/{CHIP}/pictures/search.svg?")
    assert source.endswith("trials=-60%2C-90f")
    assert Trials(()).as_parameter == ""


def test_a_text_in_a_trial_is_escaped_and_keeps_its_place(client: FlaskClient) -> None:
    token = form_with(client.get(SEARCH), "add").value("form_token")
    data = {"form_token": token, "trial": ['-60|stable|"><b>|x|y|z|more'], "rail": '"><i>'}
    html = client.post(SEARCH, data=data).get_data(as_text=True)
    assert "<b>" not in html
    assert "<i>" not in html


def test_own_numbers_are_compared_as_by_the_api(client: FlaskClient, pool: Instance) -> None:
    page = client.get("/compare")
    form = form_with(page, "")
    assert form.method == "get"
    runs = {
        "own_performance_stock": "41.2,41,41.5",
        "own_performance_tuned": "44.6,44.9,44.3",
        "own_power_stock_w": "60,59.8,60.3",
        "own_power_tuned_w": "52.1,52,52.4",
    }
    shown = client.get("/compare", query_string={"chip": CHIP, **runs, "load": "", "own": ""})
    answer = client.get("/v1/gains", query_string={"chip": CHIP, **runs}).get_json()
    text = text_of(shown)
    assert len(answer["own_changes"]) == 3
    for change in answer["own_changes"]:
        assert change["text"] in text
    assert answer["reason"]["text"] in text
    (link,) = re.findall(r'href="(/v1/gains\?[^"]*)"', shown.get_data(as_text=True))
    assert client.get(link.replace("&amp;", "&")).get_json() == answer


def test_an_own_setting_is_found_on_the_curve(client: FlaskClient, pool: Instance) -> None:
    shown = client.get(f"/chips/{CHIP}/compare?own=-90")
    curve = client.get(f"/v1/stability?chip={CHIP}").get_json()["own_curve"]
    nearest = min(range(len(curve["setting"])), key=lambda place: abs(curve["setting"][place] + 90))
    share = round(100 * curve["share"][nearest])
    assert f"{share} % of machines are stable at {curve['setting'][nearest]:g} mV" in text_of(shown)
    assert f"/chips/{CHIP}/pictures/stability.svg?own=-90" in shown.get_data(as_text=True)
    deep = client.get(f"/chips/{CHIP}/compare?own=-290")
    assert "deeper than any that the results show" in text_of(deep)


def test_problems_of_a_comparison_are_at_their_fields(client: FlaskClient) -> None:
    asked = {"chip": "bogus thing", "own_power_stock_w": "60,sixty", "own": "deep", "load": "hot"}
    page = client.get("/compare", query_string=asked)
    assert page.status_code == 422
    assert set(problems_at(page)) == {
        "chip",
        "own_power_stock_w",
        "own_power_tuned_w",
        "own",
        "load",
    }
    form = form_with(page, "")
    assert {name: form.value(name) for name in ("chip", "own_power_stock_w", "own")} == {
        name: asked[name] for name in ("chip", "own_power_stock_w", "own")
    }


def test_a_comparison_without_results_says_so(client: FlaskClient) -> None:
    text = text_of(client.get(f"{COUNTS}/compare?own=-10"))
    assert COUNT_CHIP in text
    assert "No results show" in text
