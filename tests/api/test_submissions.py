"""The two roads over HTTP, in one process."""

from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from tests.api.reading import row_counts

CHIP = "norvane-sable-7-4820mx"


def a_result(number: int, **setting: Any) -> dict[str, Any]:
    return {
        "chip": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        "unit_token": f"k3v9-demo-unit-{number:06}",
        "contributor_token": f"demo-contributor-{number:06}",
        "stock_passed": [{"load": "vector_heavy", "minutes": 20}],
        "settings": [
            {
                "domain": "core",
                "control": "voltage_offset",
                "stable_at": -80,
                "unstable_at": -85,
                "loads": ["all_core", "vector_heavy"],
                "minutes": 65,
                "moved_with": ["ring"],
                **setting,
            }
        ],
        "measured_in": "2026-09",
    }


def submit(client: FlaskClient, number: int, **setting: Any) -> dict[str, Any]:
    response = client.post("/v1/submissions", json=a_result(number, **setting))
    assert response.status_code == 201
    answer: dict[str, Any] = response.get_json()
    return answer


def bearer(receipt: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {receipt}"}


def test_the_answer_to_a_counted_result_shows_how_it_was_understood(client: FlaskClient) -> None:
    answer = submit(client, 1)
    assert answer["chip"]["key"] == CHIP
    assert answer["screening"] == {"status": "counted", "reasons": []}
    assert answer["settings"][0]["moved_with"] == ["ring"]
    assert answer["settings"][0]["grade"] == "long"
    assert answer["settings"][0]["peers"] is None
    assert answer["receipt"].startswith("kbr_")
    assert answer["links"]["self"] == f"/v1/submissions/{answer['id']}"
    assert client.get(answer["links"]["start"][0]).status_code == 200


def test_an_unverified_setting_has_a_reason_and_a_way_to_count(client: FlaskClient) -> None:
    answer = submit(client, 1, unstable_at=None)
    assert answer["screening"]["status"] == "unverified"
    assert answer["screening"]["reasons"][0]["code"] == "effect_unproven"
    assert "Send the read-back" in answer["screening"]["reasons"][0]["text"]


def test_two_units_are_too_few_for_a_number(client: FlaskClient) -> None:
    for number in range(2):
        submit(client, number)
    answer = client.get(f"/v1/start?chip={CHIP}").get_json()
    assert answer["start"] is None
    assert answer["percentiles"] is None
    assert answer["reason"]["code"] == "too_few_units"
    assert answer["summary"] == (
        "All senders are new here: false results cannot be recognised yet. "
        "No start yet: there are too few results."
    )
    assert answer["reason"]["text"].startswith(
        "2 machines of this chip, and no related chip has enough results. A start takes three; "
        "1 more is needed."
    )


def test_a_start_gives_its_meaning_and_its_evidence(client: FlaskClient) -> None:
    for number in range(120):
        submit(client, number)
    answer = client.get(f"/v1/start?chip={CHIP}").get_json()
    assert answer["start"]["setting_mv"] == -80.08
    assert answer["start"]["grid_steps"] == 82
    assert answer["start"]["value_to_enter"] == -80
    assert (answer["start"]["stable_share"], answer["start"]["stable_share_used"]) == (0.9, 0.91)
    assert answer["start"]["level"] == "chip"
    assert answer["start"]["attained_confidence"] >= 0.95
    assert answer["moved_with"] == ["ring"]
    assert answer["meaning"]["loads"] == ["all_core", "vector_heavy"]
    assert answer["meaning"]["grade"] == "long"
    assert answer["evidence"]["units"] == answer["evidence"]["failures"] == 120
    assert answer["evidence"]["borrowed_units"] == 0
    assert answer["evidence"]["sibling_agreement"] is None
    assert answer["cautions"]


def test_percentiles_are_shown_on_request_and_agree_with_the_start(
    client: FlaskClient,
) -> None:
    for number in range(40):
        submit(client, number, stable_at=-70 - number, unstable_at=-75 - number)
    plain = client.get(f"/v1/start?chip={CHIP}").get_json()
    detailed = client.get(f"/v1/start?chip={CHIP}&detail=percentiles").get_json()
    assert plain["percentiles"] is None
    assert [p["share"] for p in detailed["percentiles"]] == [0.9, 0.75, 0.5, 0.25, 0.1]
    deep, shallow = detailed["percentiles"][0]["interval"]
    assert deep <= shallow
    # The start is for 91 % of machines, the interval for 90 %: it ends a little deeper.
    assert -3 < shallow - detailed["start"]["setting_mv"] <= 0


def test_a_chip_without_results_uses_its_series_and_states_it(client: FlaskClient) -> None:
    for number in range(60):
        submit(client, number, stable_at=-70 - number % 20, unstable_at=-75 - number % 20)
    answer = client.get("/v1/start?chip=norvane-sable-5-4610mx").get_json()
    assert answer["chip"]["series"] == "norvane-sable-48-mx"
    assert answer["start"]["level"] == "series"
    assert answer["start"]["setting_mv"] < 0
    assert answer["evidence"]["units"] == 0
    assert answer["evidence"]["borrowed_units"] == 60
    assert 0 <= answer["evidence"]["sibling_agreement"] <= 1
    assert "related chips" in answer["summary"]


def test_stability_shows_own_and_borrowed_apart(client: FlaskClient) -> None:
    for number in range(60):
        submit(client, number, stable_at=-70 - number % 20, unstable_at=-75 - number % 20)
    own = client.get(f"/v1/stability?chip={CHIP}").get_json()
    assert own["borrowed_curve"] is None
    assert own["own_curve"]["units"] == 60
    assert own["own_curve"]["share"][0] == 1
    assert own["own_curve"]["share"] == sorted(own["own_curve"]["share"], reverse=True)
    triples = zip(
        own["own_curve"]["lower"], own["own_curve"]["share"], own["own_curve"]["upper"], strict=True
    )
    assert all(lower <= share <= upper for lower, share, upper in triples)
    related = client.get("/v1/stability?chip=norvane-sable-5-4610mx").get_json()
    assert related["own_curve"] is None
    assert related["borrowed_curve"]["units"] == 60
    assert related["level"] == "series"


def test_a_fixed_clock_start_is_below_own_stock_and_an_absolute_voltage(
    client: FlaskClient,
) -> None:
    for number in range(40):
        document = a_result(number)
        stock_mv = 900 + number % 5
        document["chip"] = "osmer-kestrel-640-laptop"
        document["settings"] = [
            {
                "domain": "gpu_core",
                "control": "fixed_clock_voltage",
                "clock_mhz": 1800,
                "stock_mv": stock_mv,
                "stable_at": stock_mv - 80,
                "unstable_at": stock_mv - 90,
                "loads": ["gpu_only"],
                "minutes": 65,
                "checked_results": True,
            }
        ]
        assert client.post("/v1/submissions", json=document).status_code == 201
    answer = client.get("/v1/start?chip=osmer-kestrel-640-laptop&clock_mhz=1850").get_json()
    assert answer["control"] == "fixed_clock_voltage"
    assert answer["clock_band_mhz"] == 1800
    at_clock = answer["start"]["at_clock"]
    assert at_clock["clock_mhz"] == 1850
    assert at_clock["distance_mhz"] == 50
    assert at_clock["setting_mv"] == at_clock["stock_mv"] + answer["start"]["setting_mv"]
    assert 900 <= at_clock["stock_mv"] <= 904


def test_peers_are_in_the_answer_to_a_result_after_the_first_fit(client: FlaskClient) -> None:
    for number in range(4):
        submit(client, number)
    submit(client, 4, stable_at=-60, unstable_at=-70)
    client.get(f"/v1/start?chip={CHIP}")
    answer = submit(client, 5, stable_at=-79.1)
    assert answer["settings"][0]["peers"] == {"known": 5, "stable": 4}


def test_a_chip_without_results_gets_a_null_start_with_cautions(client: FlaskClient) -> None:
    answer = client.get("/v1/start?chip=ketterly-drift-6-2350u").get_json()
    assert answer["start"] is None
    assert answer["reason"]["code"] == "no_results"
    assert answer["cautions"]


def test_the_answer_has_an_etag_and_is_not_sent_twice(client: FlaskClient) -> None:
    submit(client, 1)
    first = client.get(f"/v1/start?chip={CHIP}")
    etag = first.headers["ETag"]
    for sent in (etag, f"W/{etag}", f'"other", {etag}', "*"):
        again = client.get(f"/v1/start?chip={CHIP}", headers={"If-None-Match": sent})
        assert again.status_code == 304
        assert again.data == b""
        assert again.headers["ETag"] == etag
    submit(client, 2)
    fresh = client.get(f"/v1/start?chip={CHIP}", headers={"If-None-Match": etag})
    assert fresh.status_code == 200
    assert fresh.headers["ETag"] != etag


def test_one_idempotency_key_is_one_result_and_one_answer(app: Flask, client: FlaskClient) -> None:
    headers = {"Idempotency-Key": '"8e03978e-40d5-43e8"'}
    first = client.post("/v1/submissions", json=a_result(1), headers=headers)
    bare = {"Idempotency-Key": "8e03978e-40d5-43e8"}
    again = client.post("/v1/submissions", json=a_result(1), headers=bare)
    assert (again.status_code, again.data) == (first.status_code, first.data)
    assert row_counts(app)["submission"] == 1
    other = client.post("/v1/submissions", json=a_result(1, stable_at=-79), headers=headers)
    assert other.status_code == 422
    assert other.get_json()["type"] == "/problems/idempotency_key_reused"


def test_a_refused_document_does_not_use_up_its_key(client: FlaskClient) -> None:
    headers = {"Idempotency-Key": "k1"}
    refused = client.post("/v1/submissions", json=a_result(1, stable_at=80), headers=headers)
    assert refused.status_code == 422
    corrected = client.post("/v1/submissions", json=a_result(1), headers=headers)
    assert corrected.status_code == 201


def test_a_repeat_without_a_key_gets_the_first_result(app: Flask, client: FlaskClient) -> None:
    first, again = submit(client, 1), submit(client, 1)
    assert again["id"] == again["duplicate_of"] == first["id"]
    assert again["receipt"] == first["receipt"]
    assert row_counts(app)["submission"] == 1


def test_the_receipt_reads_the_result_back_without_tokens(client: FlaskClient) -> None:
    sent = submit(client, 1)
    response = client.get(sent["links"]["self"], headers=bearer(sent["receipt"]))
    own = response.get_json()
    assert own["document"]["settings"][0]["stable_at"] == -80
    assert "token" not in response.get_data(as_text=True)
    assert sent["receipt"] not in response.get_data(as_text=True)
    assert response.headers["Cache-Control"] == "no-store"


def test_without_the_right_receipt_nothing_is_read_or_removed(
    app: Flask, client: FlaskClient
) -> None:
    mine, other = submit(client, 1), submit(client, 2)
    path = mine["links"]["self"]
    for act in (client.get, client.delete):
        assert act(path).status_code == 401
        assert act(path).headers["WWW-Authenticate"].startswith("Bearer")
        assert act(path, headers={"Authorization": "Basic a2I6eA=="}).status_code == 401
        assert act(path, headers=bearer(other["receipt"])).status_code == 403
    unknown = "/v1/submissions/019ee77a-1c00-717e-99cd-4621f207f09e"
    assert client.get(unknown, headers=bearer(mine["receipt"])).status_code == 403
    assert row_counts(app)["submission"] == 2


def test_a_withdrawn_result_is_deleted(app: Flask, client: FlaskClient) -> None:
    before = row_counts(app)
    sent = submit(client, 1)
    client.get(f"/v1/start?chip={CHIP}")
    assert client.delete(sent["links"]["self"], headers=bearer(sent["receipt"])).status_code == 204
    assert row_counts(app) == before
    again = client.delete(sent["links"]["self"], headers=bearer(sent["receipt"]))
    assert again.status_code == 410
    assert client.get(f"/v1/start?chip={CHIP}").get_json()["reason"]["code"] == "no_results"


def test_unknown_parameters_are_refused_with_a_suggestion(client: FlaskClient) -> None:
    response = client.get(f"/v1/start?chp={CHIP}&stable_share=1.5&confidence=0.5&chip=a&chip=b")
    assert response.status_code == 422
    found = {error["pointer"]: error["detail"] for error in response.get_json()["errors"]}
    assert set(found) == {"chp", "stable_share", "confidence", "chip"}
    assert "did you mean 'chip'?" in found["chp"]


@pytest.mark.parametrize("path", ["/v1/start", "/v1/chips", "/v1", "/v1/my-submissions"])
def test_an_answer_repeats_the_name_of_a_parameter_only_if_it_looks_like_one(
    client: FlaskClient, path: str
) -> None:
    own = {"Kbapi-Contributor": "demo-contributor-000001"}
    for name in ("marit@tidewater.example", "192.0.2.7", "MARITS-PC-4", "x" * 33, "<b>"):
        response = client.get(path, query_string={name: ["1", "2"]}, headers=own)
        assert response.status_code == 422
        assert name.lower() not in response.get_data(as_text=True).lower()
    shown = client.get(path, query_string={"chp": "1"}, headers=own).get_json()["errors"]
    assert "chp" in {error["pointer"] for error in shown}
