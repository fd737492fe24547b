"""Names over HTTP: exact, ambiguous, none; and pages of chips."""

from typing import Any

import pytest
from flask.testing import FlaskClient

CHIP = "norvane-sable-7-4820mx"


def identify(client: FlaskClient, **parameters: Any) -> dict[str, Any]:
    response = client.get("/v1/identify", query_string=parameters)
    assert response.status_code == 200
    answer: dict[str, Any] = response.get_json()
    return answer


def a_result(chip: str) -> dict[str, Any]:
    return {
        "chip": chip,
        "settings": [
            {
                "domain": "core",
                "control": "voltage_offset",
                "stable_at": -80,
                "unstable_at": -85,
                "minutes": 15,
            }
        ],
    }


def test_a_printed_name_is_one_chip_in_its_series(client: FlaskClient) -> None:
    answer = identify(client, text="Norvane(R) Sable(TM) 5 4610MX @ 2.80GHz")
    assert answer["match"] == "exact"
    assert answer["chip"]["key"] == "norvane-sable-5-4610mx"
    assert answer["chip"]["series"] == "norvane-sable-48-mx"
    assert answer["candidates"] == []


def test_a_shared_name_gives_candidates_until_form_or_ids_decide(client: FlaskClient) -> None:
    unsure = identify(client, text="GeForce GTX 1060")
    assert unsure["match"] == "ambiguous"
    assert unsure["chip"] is None
    assert len(unsure["candidates"]) > 1
    by_form = identify(client, text="GeForce GTX 1060", form="laptop")
    assert by_form["chip"]["key"] == "nvidia-geforce-gtx-1060-laptop"
    by_ids = identify(client, text="GeForce GTX 1060", pci_id="10de:1c03")
    assert by_ids["chip"]["key"] == "nvidia-geforce-gtx-1060-6gb"


def test_a_contradiction_between_name_and_chip_ids_is_reported(client: FlaskClient) -> None:
    answer = identify(client, text="GeForce RTX 3060", pci_id="1002:73ff")
    assert answer["chip_conflict"]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "   ",
        "QEMU Virtual CPU version 2.5+",
        "To Be Filled By O.E.M.",
        "<script>alert(1)</script>",
        "'; DROP TABLE chip; --",
        "\u202efa\u202c\u0000\u0007",
        "🦊" * 50,
        "x" * 9_999,
    ],
)
def test_a_meaningless_text_names_no_chip_and_is_not_repeated(
    client: FlaskClient, text: str
) -> None:
    response = client.get("/v1/identify", query_string={"text": text})
    assert response.status_code == 200
    answer = response.get_json()
    assert (answer["match"], answer["chip"]) == ("none", None)
    assert answer["reason"]
    if text.strip():
        assert text not in response.get_data(as_text=True)


def test_a_longer_text_and_bad_numbers_are_refused(client: FlaskClient) -> None:
    response = client.get(
        "/v1/identify",
        query_string={"text": "x" * 10_001, "pci_id": "10de", "family": "six", "kind": "npu"},
    )
    assert response.status_code == 422
    pointers = {error["pointer"] for error in response.get_json()["errors"]}
    assert pointers == {"text", "pci_id", "family", "kind"}


def test_an_ambiguous_chip_in_a_question_is_refused_with_candidates(client: FlaskClient) -> None:
    response = client.get("/v1/start?chip=GeForce+GTX+1060")
    assert response.status_code == 422
    (problem,) = response.get_json()["errors"]
    assert problem["code"] == "chip_ambiguous"
    assert "nvidia-geforce-gtx-1060-laptop" in problem["candidates"]


def test_a_chip_outside_the_catalogue_is_provisional_and_answers_from_its_series(
    client: FlaskClient,
) -> None:
    sent = client.post("/v1/submissions", json=a_result("Norvane(R) Sable(TM) 7 5310MX @ 2.60GHz"))
    assert sent.status_code == 201
    assert sent.get_json()["chip"]["key"] == "norvane-sable-7-5310mx"
    described = client.get("/v1/chips/norvane-sable-7-5310mx").get_json()
    assert described["chip"]["provisional"] is True
    assert described["pools"] == [
        {"control": "voltage_offset", "domains": ["core"], "clock_band_mhz": None, "units": 1}
    ]
    sibling = client.get("/v1/start?chip=norvane-sable-5-5330mx").get_json()
    assert sibling["start"] is None
    assert sibling["related_chips"] == ["norvane-sable-7-5310mx"]


def test_a_withdrawn_result_removes_its_provisional_chip(client: FlaskClient) -> None:
    sent = client.post("/v1/submissions", json=a_result("norvane-sable-7-5310mx")).get_json()
    assert "norvane-sable-7-5310mx" in keys(client, search="norvane sable 53")
    bearer = {"Authorization": f"Bearer {sent['receipt']}"}
    assert client.delete(sent["links"]["self"], headers=bearer).status_code == 204
    assert "norvane-sable-7-5310mx" not in keys(client, search="norvane sable 53")


def keys(client: FlaskClient, **parameters: Any) -> list[str]:
    page = client.get("/v1/chips", query_string=parameters).get_json()
    return [chip["key"] for chip in page["chips"]]


def test_pages_follow_each_other_without_gap_or_repeat_while_chips_arrive(
    client: FlaskClient,
) -> None:
    whole = keys(client)
    seen, cursor = [], None
    for number in range(len(whole)):
        parameters = {"limit": 1, **({"cursor": cursor} if cursor else {})}
        page = client.get("/v1/chips", query_string=parameters).get_json()
        seen += [chip["key"] for chip in page["chips"]]
        cursor = page["next_cursor"]
        client.post("/v1/submissions", json=a_result(f"norvane-sable-7-{5510 + number * 10}mx"))
        if cursor is None:
            break
    assert [key for key in seen if key in whole] == [key for key in whole if key in seen]
    assert set(whole) <= set(seen) or cursor is not None


def test_a_misspelt_search_lists_the_chip_first(client: FlaskClient) -> None:
    assert CHIP in keys(client, search="sabel 7 4820mx", limit=5)
    assert keys(client, search="sable 4820")[0] == CHIP


def test_lists_are_filtered_and_too_large_a_page_is_refused(client: FlaskClient) -> None:
    graphics = keys(client, kind="gpu", limit=200) + keys(client, line="osmer-kestrel")
    assert {"osmer-kestrel-640-laptop", "nvidia-geforce-rtx-4070"} <= set(graphics)
    assert not any(key.startswith(("norvane-", "ketterly-", "intel-core-")) for key in graphics)
    series = keys(client, series="norvane-sable-48-mx")
    assert {CHIP, "norvane-sable-5-4610mx"} <= set(series)
    assert keys(client, kind="gpu", series="norvane-sable-48-mx") == []
    for wrong in ({"limit": 201}, {"limit": 0}, {"cursor": "nonsense"}, {"serch": "x"}):
        assert client.get("/v1/chips", query_string=wrong).status_code == 422


def test_a_chip_is_described_by_any_text_that_names_it(client: FlaskClient) -> None:
    detail = client.get("/v1/chips/Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz").get_json()
    assert detail["chip"]["key"] == CHIP
    assert detail["chip"]["provisional"] is False
    assert detail["domains"] == ["core", "graphics", "ring", "system_agent"]
    assert detail["controls"][0] == {
        "control": "voltage_offset",
        "domains": [],
        "step": 0.9765625,
        "is_reviewed": True,
    }
    assert "norvane-sable-5-4610mx" in detail["siblings"]
    assert CHIP not in detail["siblings"]
    missing = client.get("/v1/chips/qwertz")
    assert missing.status_code == 404
    assert missing.get_json()["type"] == "/problems/chip_unknown"
