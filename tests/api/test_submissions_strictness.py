"""Misspelt parameters, doubled slashes, encodings and filters: refused, not guessed."""

import ast
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.api.reading import row_counts
from tests.api.test_questions_locks import locks, report
from tests.api.test_submissions import CHIP, a_result, bearer, submit

PACKAGE = Path(__file__).parents[2] / "kbapi"


def test_a_dry_run_stores_nothing_and_a_misspelt_one_is_refused(
    app: Any, client: FlaskClient
) -> None:
    before = row_counts(app)
    tried = client.post("/v1/submissions?dry_run=true", json=a_result(1))
    assert tried.status_code == 200
    assert tried.get_json()["screening"]["status"] == "counted"
    for query in ("dry_rum=true", "dry_run=yes", "foo=1"):
        response = client.post(f"/v1/submissions?{query}", json=a_result(1))
        assert response.status_code == 422, query
    assert row_counts(app) == before


def test_endpoints_without_parameters_refuse_them(client: FlaskClient) -> None:
    sent = submit(client, 1)
    path, headers = sent["links"]["self"], bearer(sent["receipt"])
    mine = {"Kbapi-Contributor": "demo-contributor-000001"}
    for response in (
        client.get(f"{path}?x=1", headers=headers),
        client.delete(f"{path}?dry_run=true", headers=headers),
        client.post(f"{path}/follow-ups?dry_run=true", headers=headers, json={}),
        client.delete("/v1/my-submissions?x=1", headers=mine),
    ):
        assert response.status_code == 422
        assert response.get_json()["type"] == "/problems/query_invalid"
    assert client.get(path, headers=headers).status_code == 200


def test_doubled_slashes_do_not_redirect_to_the_given_host(client: FlaskClient) -> None:
    response = client.get("//v1//start?chip=x", headers={"Host": "evil.example"})
    assert response.status_code == 404
    assert "Location" not in response.headers
    assert response.mimetype == "application/problem+json"


@pytest.mark.parametrize("path", ["//v1/chips", "///v1/chips", "//metrics", "//health/live", "//"])
def test_doubled_slashes_in_front_do_not_reach_an_endpoint(client: FlaskClient, path: str) -> None:
    response = client.get("/", environ_overrides={"PATH_INFO": path})
    assert response.status_code == 404
    assert response.get_json()["type"] == "/problems/not_found"
    assert "RateLimit" in response.headers, "it counts like any other request"


def test_an_encoded_body_is_refused(client: FlaskClient) -> None:
    response = client.post(
        "/v1/submissions", json=a_result(1), headers={"Content-Encoding": "gzip"}
    )
    assert response.status_code == 415


def test_a_clock_is_refused_with_a_control_that_has_none(client: FlaskClient) -> None:
    asked = f"/v1/start?chip={CHIP}&clock_mhz=1800"
    assert client.get(f"{asked}&control=voltage_offset").status_code == 422
    assert client.get(asked).get_json()["control"] == "fixed_clock_voltage"


def test_the_link_to_the_start_names_the_senders_own_pool(client: FlaskClient) -> None:
    for number in range(5):
        submit(client, number)
    alone = submit(client, 9, moved_with=[])
    assert client.get(alone["links"]["start"][0]).get_json()["moved_with"] == []
    together = submit(client, 10)
    assert client.get(together["links"]["start"][0]).get_json()["moved_with"] == ["ring"]


def test_a_filter_that_leaves_fewer_than_five_units_shows_nothing(client: FlaskClient) -> None:
    for number in range(4):
        report(client, number, "firmware_locked", machine="quay-7")
    assert locks(client, machine="quay-7")["locks"] == []
    report(client, 4, "firmware_locked", machine="quay-7")
    assert locks(client, machine="quay-7")["locks"][0]["status"] == "firmware_locked"


def test_a_locked_platform_is_stated_before_the_number_also_for_a_domain_that_moves_along(
    client: FlaskClient,
) -> None:
    for number in range(40):
        submit(client, number, stable_at=-70 - number % 20, unstable_at=-76 - number % 20)
        report(client, 1_000 + number, "chip_locked")
    for domain in ("core", "ring"):
        answer = client.get(f"/v1/start?chip={CHIP}&domain={domain}").get_json()
        assert answer["locks"]["status"] == "chip_locked"
        assert "the chip refuses it" in answer["locks"]["text"]
        lead = answer["summary"].index("Probably locked")
        assert lead < answer["summary"].index("Enter ")


def test_two_reports_that_agree_are_not_called_mixed(client: FlaskClient) -> None:
    for number in range(2):
        report(client, number, "firmware_locked", found_by="owner_says")
    (core,) = locks(client)["locks"]
    assert core["status"] == "firmware_locked"
    assert [one["status"] for one in core["statuses"]] == ["firmware_locked"]
    low, high = core["interval"]
    assert low < core["share_open"] < high
    assert high > 0.3


def test_no_absolute_voltage_is_made_up_outside_the_reported_clocks(client: FlaskClient) -> None:
    for number in range(40):
        document = a_result(number)
        clock_mhz = 1_500 + 100 * (number % 4)
        stock_mv = 700 + clock_mhz // 10
        document["chip"] = "osmer-kestrel-640-laptop"
        document["settings"] = [
            {
                "domain": "gpu_core",
                "control": "fixed_clock_voltage",
                "clock_mhz": clock_mhz,
                "stock_mv": stock_mv,
                "stable_at": stock_mv - 80,
                "unstable_at": stock_mv - 90,
                "minutes": 65,
                "checked_results": True,
            }
        ]
        assert client.post("/v1/submissions", json=document).status_code == 201
    asked = "/v1/start?chip=osmer-kestrel-640-laptop&clock_mhz="
    between = client.get(f"{asked}1650").get_json()["start"]["at_clock"]
    assert between["stock_mv"] == pytest.approx(865, abs=1)
    for outside in (200, 1_000, 5_000):
        start = client.get(f"{asked}{outside}").get_json()["start"]
        assert start["setting_mv"] < 0
        assert start["at_clock"] is None


def codes_in_the_source() -> set[str]:
    """Every code that a Problem is made with, read from the source."""
    codes = set()
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            is_problem = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Problem"
            if is_problem and len(node.args) > 1 and isinstance(node.args[1], ast.Constant):
                codes.add(node.args[1].value)
    return codes


def test_every_code_of_a_fault_has_a_page(client: FlaskClient) -> None:
    codes = codes_in_the_source()
    assert {"more_problems", "repeated_key", "invalid"} <= codes
    codes |= {
        "chip_ambiguous",
        "chip_unreadable",
        "personal_data_found",
        "unknown_field",
        "required",
    }
    codes |= {"not_finite", "too_large", "too_long", "unreadable_text"}
    missing = [code for code in sorted(codes) if client.get(f"/problems/{code}").status_code != 200]
    assert missing == []


@pytest.mark.parametrize("share", ["٠.٩", "0.9_0", " 0.9", "0.9\n", "+0.9", "nan", ""])
def test_only_plain_decimal_numbers_are_read_in_a_query(client: FlaskClient, share: str) -> None:
    asked = {"chip": CHIP, "stable_share": share}
    assert client.get("/v1/start", query_string=asked).status_code == 422
    assert client.get("/v1/chips", query_string={"limit": share}).status_code == 422
    assert client.get(f"/v1/start?chip={CHIP}&stable_share=0.9").status_code == 200
