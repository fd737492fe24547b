"""A filtered question: which results count, what it says of them, and when it says nothing."""

from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.api.test_submissions import CHIP, a_result

MACHINES = {"mains": -100, "battery": -70}


def fill(client: FlaskClient, supply: str, numbers: range, **platform: Any) -> None:
    depth = MACHINES[supply]
    for number in numbers:
        document = a_result(
            number, stable_at=depth - number % 5, unstable_at=depth - 6 - number % 5
        )
        document["platform"] = {"supply": supply, **platform}
        response = client.post("/v1/submissions", json=document)
        assert response.status_code == 201, response.get_json()


def start(client: FlaskClient, **asked: str) -> dict[str, Any]:
    response = client.get("/v1/start", query_string={"chip": CHIP, **asked})
    assert response.status_code == 200, response.get_json()
    answer: dict[str, Any] = response.get_json()
    return answer


@pytest.fixture
def filled(client: FlaskClient) -> FlaskClient:
    fill(client, "mains", range(40), machine="harbour-15", firmware="1.14")
    fill(client, "battery", range(100, 140), machine="quay-13", microcode="0x2b")
    return client


def test_each_part_has_its_own_answer_with_its_name(filled: FlaskClient) -> None:
    whole, mains, battery = (
        start(filled),
        start(filled, supply="mains"),
        start(filled, supply="battery"),
    )
    assert whole["filters"] == {}
    assert mains["filters"] == {"supply": "mains"}
    assert (whole["evidence"]["units"], mains["evidence"]["units"]) == (80, 40)
    assert mains["start"]["setting_mv"] < battery["start"]["setting_mv"] < 0
    # All battery machines may fail just beyond -74 mV: the mains half starts none of them there.
    assert whole["start"]["setting_mv"] > MACHINES["battery"] - 4


@pytest.mark.parametrize(
    ("asked", "units"),
    [
        ({"machine": "harbour-15"}, 40),
        ({"firmware": "1.14"}, 40),
        ({"microcode": "0x2b"}, 40),
        ({"load": "vector_heavy"}, 80),
        ({"load": "gpu_only"}, 0),
        ({"grade": "long"}, 80),
        ({"grade": "in_use_30_days"}, 0),
        ({"supply": "mains", "machine": "quay-13"}, 0),
    ],
)
def test_every_filter_selects(filled: FlaskClient, asked: dict[str, str], units: int) -> None:
    assert start(filled, **asked)["evidence"]["units"] == units


def test_fewer_than_five_units_are_shown_as_none(client: FlaskClient) -> None:
    fill(client, "mains", range(4), machine="quay-7")
    assert start(client, machine="quay-7")["evidence"]["units"] == 0
    fill(client, "mains", range(4, 5), machine="quay-7")
    assert start(client, machine="quay-7")["evidence"]["units"] == 5


def test_a_filtered_question_does_not_change_the_peers_of_all_results(filled: FlaskClient) -> None:
    start(filled)
    start(filled, supply="mains")
    document = a_result(900, stable_at=-85, unstable_at=-90)
    found = filled.post("/v1/submissions", json=document).get_json()["settings"][0]["peers"]
    assert found["known"] == 80


def test_unknown_values_in_filters_are_refused(client: FlaskClient) -> None:
    asked = {"chip": CHIP, "supply": "solar", "cooling": "ice", "grade": "best", "load": "none"}
    response = client.get("/v1/start", query_string=asked)
    assert response.status_code == 422
    pointers = {error["pointer"] for error in response.get_json()["errors"]}
    assert pointers == {"supply", "cooling", "grade", "load"}


def test_a_start_lists_the_filters_that_matter_for_any_question(filled: FlaskClient) -> None:
    whole, mains = start(filled), start(filled, supply="mains")
    assert whole["differing_filters"] == mains["differing_filters"]
    by_filter = {one["filter"]: one for one in whole["differing_filters"]}
    # Firmware and microcode were sent for one group only: there is no comparison.
    assert sorted(by_filter) == ["machine", "supply"]
    supply = by_filter["supply"]
    assert supply["p_value"] <= 0.05
    assert supply["values"] == [
        {"value": "battery", "units": 40, "direction": "shallower"},
        {"value": "mains", "units": 40, "direction": "deeper"},
    ]
    assert "with supply set to" in supply["text"]


def test_without_a_difference_no_filter_is_listed(client: FlaskClient) -> None:
    for number in range(60):
        document = a_result(number, stable_at=-80 - number % 7, unstable_at=-90 - number % 7)
        document["platform"] = {"supply": "battery" if number % 2 else "mains"}
        assert client.post("/v1/submissions", json=document).status_code == 201
    assert start(client)["differing_filters"] == []


def test_fewer_than_five_units_are_never_compared(client: FlaskClient) -> None:
    fill(client, "mains", range(30))
    fill(client, "battery", range(100, 104))
    assert start(client)["differing_filters"] == []
