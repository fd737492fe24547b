"""Power limits over HTTP: pooled curves, and the smallest limit that keeps a share."""

from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from tests.api.measured import a_measured, a_reading, ask, post
from tests.intake.evidence_text import instances_of_one_secret
from tests.makers import WithoutControls, a_submission

CAPS_W = (30.0, 36.0, 42.0, 48.0, 54.0)


def curve(number: int, tuned_gain: float | None = None, **more: Any) -> dict[str, Any]:
    """A unit whose performance is the root of its power, and times the gain where it is tuned."""
    wobble = 1 + (number % 5 - 2) / 200
    stock_w = 58.0 + number % 5

    def at(state: str, cap_w: float | None, gain: float) -> dict[str, Any]:
        power_w = stock_w if cap_w is None else cap_w
        shown = 40 * gain * (power_w / stock_w) ** 0.5 * (wobble if cap_w else 1)
        cap = {} if cap_w is None else {"power_cap_w": cap_w}
        heat = 22 + 62 * power_w / stock_w
        return a_reading(state, power_w=power_w, performance=shown, temp_avg_c=heat, **cap)

    readings = [at("stock", cap_w, 1.0) for cap_w in (None, *CAPS_W)]
    if tuned_gain is not None:
        readings += [at("tuned", cap_w, tuned_gain) for cap_w in (None, *CAPS_W)]
    return a_measured(number, *readings, **more)


def power(client: FlaskClient, **asked: Any) -> dict[str, Any]:
    return ask(client, "/v1/power", **asked)


def test_without_readings_the_answer_states_it_and_has_no_numbers(client: FlaskClient) -> None:
    answer = power(client)
    assert answer["reason"]["code"] == "no_curves"
    assert answer["stock"] is None
    assert answer["tuned"] is None
    assert answer["cautions"][0]["code"] == "limits_only_lower"


def test_a_chip_without_power_limit_is_named_with_what_it_has(
    client: FlaskClient, instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    without = WithoutControls(instance.catalogue, "power_limit")
    monkeypatch.setattr(Instance, "catalogue", property(lambda _: without))
    assert power(client)["reason"] == {
        "code": "not_on_this_chip",
        "text": "Norvane Sable 7 4820MX has no power_limit. It has: voltage_offset, load_line.",
    }


def test_fewer_than_five_units_give_no_curve(client: FlaskClient) -> None:
    for number in range(4):
        post(client, curve(number, 1.05))
    answer = power(client)
    assert answer["reason"]["code"] == "too_few_units"
    assert answer["units"] is None


def test_the_smallest_limit_keeps_the_wanted_share(client: FlaskClient) -> None:
    for number in range(20):
        post(client, curve(number, 1.06))
    answer = power(client, keep_share=0.9)
    assert (answer["load"], answer["power_scope"], answer["units"]) == ("all_core", "package", 20)
    assert answer["stock_power_w"]["value"] == 60
    stock, tuned = answer["stock"]["smallest_limit"], answer["tuned"]["smallest_limit"]
    assert stock["power_share"]["value"] == pytest.approx(0.81, abs=0.01)
    assert stock["limit_w"]["value"] == pytest.approx(48.6, abs=0.6)
    low, high = stock["limit_w"]["interval"]
    assert low <= stock["limit_w"]["value"] <= high <= 62
    assert tuned["power_share"]["value"] == pytest.approx(0.81 / 1.06**2, abs=0.01)
    assert "keeps 90 % of stock performance" in answer["summary"]
    deeper = power(client, keep_share=0.8)["stock"]["smallest_limit"]
    assert deeper["limit_w"]["value"] < low


def test_curves_rise_and_flatten_and_end_at_stock(client: FlaskClient) -> None:
    for number in range(12):
        post(client, curve(number, 1.1))
    answer = power(client)
    for name in ("stock", "tuned"):
        points = answer[name]["points"]
        shares = [knot["power_share"] for knot in points]
        heights = [knot["performance_share"] for knot in points]
        assert shares == sorted(shares)
        assert heights == sorted(heights)
        assert shares[-1] <= 1
        for knot in points:
            assert knot["interval"][0] <= knot["performance_share"] <= knot["interval"][1]


def test_the_gain_at_a_limit_is_tuned_over_stock_under_it(client: FlaskClient) -> None:
    for number in range(10):
        post(client, curve(number, 1.06))
    at = power(client, limit_w=42)["at_limit"]
    assert at["power_share"] == 0.7
    assert at["stock_performance"]["value"] == pytest.approx(0.7**0.5, abs=0.01)
    assert at["gain"]["value"] == pytest.approx(1.06, abs=0.005)
    assert "more than chance" in at["text"]


def test_nothing_is_shown_above_stock_or_below_the_measurements(client: FlaskClient) -> None:
    for number in range(12):
        post(client, curve(number, 1.06))
    above = power(client, limit_w=75)["at_limit"]
    assert above["gain"] is None
    assert above["stock_performance"] is None
    assert "Limits above stock get no answer." in above["text"]
    below = power(client, limit_w=12)["at_limit"]
    assert below["gain"] is None
    assert "as low as 12" in below["text"]
    best = power(client)["stock"]["best_efficiency"]
    assert best["is_lowest_measured"]
    assert best["limit_w"] == pytest.approx(30, abs=1)


def test_locked_machines_give_the_stock_curve_and_unverified_settings_no_tuned_one(
    client: FlaskClient,
) -> None:
    lock = {"domain": "core", "control": "voltage_offset", "status": "chip_locked"}
    for number in range(6):
        document = curve(number)
        found = a_submission(number=number, locks=[lock], readings=document["readings"])
        post(client, {name: part for name, part in found.items() if name != "settings"})
    answer = power(client)
    assert answer["stock"]["units"] == 6
    assert answer["tuned"] is None


def test_many_results_of_one_contributor_weigh_three_units(client: FlaskClient) -> None:
    for number in range(6):
        post(client, curve(number))
    for number in range(10, 20):
        post(client, curve(number, contributor_token="one-collector-000001"))
    answer = power(client)
    assert (answer["units"], answer["units_not_used"]) == (9, 7)


@pytest.mark.parametrize("keep_share", ["0.49", "1", "0.955", "all"])
def test_a_share_that_cannot_be_kept_is_refused(client: FlaskClient, keep_share: str) -> None:
    response = client.get(f"/v1/power?chip=norvane-sable-7-4820mx&keep_share={keep_share}")
    assert response.status_code == 422
    assert response.get_json()["errors"][0]["pointer"] == "keep_share"


@pytest.mark.parametrize("name", ["load", "limit_w"])
def test_an_empty_value_is_refused(client: FlaskClient, name: str) -> None:
    response = client.get("/v1/power", query_string={"chip": "norvane-sable-7-4820mx", name: ""})
    assert response.status_code == 422
    assert [one["pointer"] for one in response.get_json()["errors"]] == [name]


def test_the_order_of_arrival_never_matters(tmp_path: Path) -> None:
    documents = [curve(number, 1.05) for number in range(8)]
    documents += [curve(number, contributor_token=...) for number in range(20, 25)]
    bodies = []
    for instance, sent in zip(
        instances_of_one_secret(tmp_path, "one", "other"),
        (documents, documents[::-1]),
        strict=True,
    ):
        client = create_app(instance).test_client()
        for document in sent:
            post(client, document)
        bodies.append(client.get("/v1/power?chip=norvane-sable-7-4820mx&limit_w=45").data)
        instance.close()
    assert bodies[0] == bodies[1]
