"""Broken, hostile and mistaken bodies: a clear 4xx with pointers, never a 500, nothing stored."""

import json

import pytest
from flask import Flask
from flask.testing import FlaskClient

from tests.api.reading import row_counts

GOOD = {
    "chip": "norvane-sable-7-4820mx",
    "settings": [
        {"domain": "core", "control": "voltage_offset", "stable_at": -80, "unstable_at": -85}
    ],
}
GOOD_TEXT = json.dumps(GOOD)
JSON = {"Content-Type": "application/json"}


def with_setting(**changes: object) -> str:
    return json.dumps({**GOOD, "settings": [{**GOOD["settings"][0], **changes}]})


BAD = {
    "broken JSON": (GOOD_TEXT[:-1], 400, "json_unreadable", None),
    "no body": ("", 400, "json_unreadable", None),
    "wrong UTF-8": (b'{"chip": "\xff\xfe"}', 400, "json_unreadable", None),
    "600 deep": ("[" * 600 + "]" * 600, 400, "json_unreadable", None),
    "100,000 deep": ("[" * 100_000, 400, "json_unreadable", None),
    "a list": ("[]", 422, "document_refused", ""),
    "a number": ("7", 422, "document_refused", ""),
    "null": ("null", 422, "document_refused", ""),
    "a key twice": ('{"chip": "a", ' + GOOD_TEXT[1:], 422, "document_refused", "/chip"),
    "NaN": (
        GOOD_TEXT.replace("-80", "NaN"),
        422,
        "document_refused",
        "/settings/0/stable_at",
    ),
    "Infinity": (
        GOOD_TEXT.replace("-80", "-Infinity"),
        422,
        "document_refused",
        "/settings/0/stable_at",
    ),
    "1e400": (
        GOOD_TEXT.replace("-80", "-1e400"),
        422,
        "document_refused",
        "/settings/0/stable_at",
    ),
    "a whole number beyond 2^53": (
        GOOD_TEXT.replace("-80", "-11111111111111111111"),
        422,
        "document_refused",
        "/settings/0/stable_at",
    ),
    "a number of 5,000 digits": (
        GOOD_TEXT.replace("-80", "-" + "1" * 5000),
        422,
        "document_refused",
        "/settings/0/stable_at",
    ),
    "unknown field": (
        with_setting(stabel_at=-80),
        422,
        "document_refused",
        "/settings/0/stabel_at",
    ),
    "number in quotes": (
        with_setting(stable_at="-80"),
        422,
        "document_refused",
        "/settings/0/stable_at",
    ),
    "above stock": (with_setting(stable_at=80), 422, "document_refused", "/settings/0/stable_at"),
    "volts": (with_setting(stable_at=-0.08), 422, "document_refused", "/settings/0/stable_at"),
    "too deep": (
        with_setting(unstable_at=-301),
        422,
        "document_refused",
        "/settings/0/unstable_at",
    ),
    "exchanged": (
        with_setting(stable_at=-85, unstable_at=-80),
        422,
        "document_refused",
        "/settings/0/unstable_at",
    ),
    "nothing": (json.dumps({}), 422, "document_refused", "/settings"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_body_is_refused_with_its_pointer(app: Flask, client: FlaskClient, case: str) -> None:
    body, status, code, pointer = BAD[case]
    before = row_counts(app)
    response = client.post("/v1/submissions", data=body, headers=JSON)
    assert response.status_code == status
    assert response.mimetype == "application/problem+json"
    problem = response.get_json()
    assert problem["type"] == f"/problems/{code}"
    assert problem["request_id"] == response.headers["Kbapi-Request-Id"]
    if pointer is not None:
        assert pointer in [error["pointer"] for error in problem["errors"]]
    assert row_counts(app) == before


def test_an_unknown_field_gets_the_known_one(client: FlaskClient) -> None:
    response = client.post("/v1/submissions", data=with_setting(stabel_at=-80), headers=JSON)
    assert "did you mean 'stable_at'?" in response.get_json()["errors"][0]["detail"]


def test_a_wrong_sign_gets_the_right_one(client: FlaskClient) -> None:
    response = client.post("/v1/submissions", data=with_setting(stable_at=80), headers=JSON)
    assert "Did you mean -80?" in response.get_json()["errors"][0]["detail"]


def test_all_problems_of_a_document_come_at_once(client: FlaskClient) -> None:
    body = {
        "chip": 7,
        "unit_tokn": "x",
        "settings": [
            {"domain": "core", "control": "voltage_offset", "stable_at": 80},
            {"domain": "cor", "control": "voltage_offset", "stable_at": -80},
        ],
        "measured_in": "2026-13",
    }
    response = client.post("/v1/submissions", json=body)
    pointers = {error["pointer"] for error in response.get_json()["errors"]}
    assert pointers == {
        "/chip",
        "/unit_tokn",
        "/settings/0/stable_at",
        "/settings/1/domain",
        "/measured_in",
    }


def test_a_body_of_three_megabytes_is_too_large(app: Flask, client: FlaskClient) -> None:
    response = client.post("/v1/submissions", data=b" " * 3_000_000, headers=JSON)
    assert response.status_code == 413
    assert response.get_json()["type"] == "/problems/body_too_large"


@pytest.mark.parametrize(
    "content_type",
    [None, "text/plain", "application/x-www-form-urlencoded", "application/json; charset=latin-1"],
)
def test_another_content_type_is_refused(client: FlaskClient, content_type: str | None) -> None:
    headers = {} if content_type is None else {"Content-Type": content_type}
    response = client.post("/v1/submissions", data=GOOD_TEXT, headers=headers)
    assert response.status_code == 415
    assert response.get_json()["type"] == "/problems/media_type_not_supported"


@pytest.mark.parametrize("key", ["", '""', "a b", '"unclosed', "k" * 256, "schlüssel"])
def test_an_unusable_idempotency_key_is_refused(client: FlaskClient, key: str) -> None:
    headers = {**JSON, "Idempotency-Key": key.encode("utf-8").decode("latin-1")}
    response = client.post("/v1/submissions", data=GOOD_TEXT, headers=headers)
    assert response.status_code == 400
    assert response.get_json()["type"] == "/problems/idempotency_key_unreadable"


UNKNOWN = {f"unknown{number}": 1 for number in range(33)}


@pytest.mark.parametrize(
    "path", ["/v1/submissions", "/v1/submissions?dry_run=true", "/v1/next-step", "/v1/diagnose"]
)
def test_every_body_is_read_up_to_the_33rd_unknown_field(client: FlaskClient, path: str) -> None:
    body = {"chip": 7, **UNKNOWN, "settings": [{"domain": "cor"}]}
    errors = client.post(path, json=body).get_json()["errors"]
    assert [error["code"] for error in errors] == ["unknown_field"] * 32 + [
        "too_many_unknown_fields"
    ]
    assert errors[-1]["detail"].startswith("Reading stopped after 32 unknown fields.")


@pytest.mark.parametrize(
    "path", ["/v1/start", "/v1/chips", "/v1/identify", "/v1/chips/norvane-sable-7-4820mx"]
)
def test_every_query_is_read_up_to_the_33rd_unknown_parameter(
    client: FlaskClient, path: str
) -> None:
    answer = client.get(path, query_string={**UNKNOWN, "chip": "Sable"}).get_json()
    codes = [error["code"] for error in answer["errors"]]
    assert codes[:33] == ["unknown_field"] * 32 + ["too_many_unknown_fields"]
    assert "32 unknown parameters" in answer["errors"][32]["detail"]


def test_a_query_lists_64_problems(client: FlaskClient) -> None:
    repeated = "&".join(f"clock_mhz=1&domain=1&grade={n}&load=1&supply=1" for n in range(20))
    names = "&".join(f"unknown{n}=1&unknown{n}=2" for n in range(32))
    errors = client.get(f"/v1/start?{repeated}&{names}").get_json()["errors"]
    assert len(errors) <= 66
    assert errors[64]["code"] == "more_problems"
