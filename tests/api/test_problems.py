"""One place gives every error its status, and every problem has a page."""

import inspect
import json
import logging

import pytest
from flask import Flask
from flask.testing import FlaskClient

from kbapi import errors
from kbapi.api.problems import STATUS_OF
from kbapi.documents.refusal_rules import REFUSALS
from kbapi.errors import KbapiError
from kbapi.intake.screening import SCREENING_RULES

ERRORS = [
    kind
    for _, kind in inspect.getmembers(errors, inspect.isclass)
    if issubclass(kind, KbapiError) and kind is not KbapiError
]


def test_every_error_class_has_a_status_and_its_own_code() -> None:
    assert set(STATUS_OF) == set(ERRORS)
    assert len({kind.code for kind in ERRORS}) == len(ERRORS)
    assert all(400 <= status < 600 for status in STATUS_OF.values())


@pytest.mark.parametrize("kind", ERRORS, ids=lambda kind: kind.code)
def test_the_type_of_every_problem_resolves(client: FlaskClient, kind: type[KbapiError]) -> None:
    page = client.get(f"/problems/{kind.code}")
    assert page.status_code == 200
    assert kind.code in page.get_data(as_text=True)


@pytest.mark.parametrize("rule", [*REFUSALS, *SCREENING_RULES], ids=lambda rule: rule.code)
def test_every_rule_has_a_page_with_its_sentence(client: FlaskClient, rule: object) -> None:
    assert client.get(f"/problems/{rule.code}").status_code == 200
    assert rule.code in client.get("/problems").get_data(as_text=True)


@pytest.mark.parametrize("wanted", ["bytes=0-9", "bytes=9999999-", "bytes=5-2", "lines=1-2"])
@pytest.mark.parametrize("path", ["/static/kbapi.css", "/docs", "/v1/chips"])
def test_a_range_request_gets_the_whole_answer(client: FlaskClient, path: str, wanted: str) -> None:
    with client.get(path) as whole, client.get(path, headers={"Range": wanted}) as response:
        assert response.status_code == 200
        assert response.data == whole.data


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nothing", 404),
        ("GET", "/problems/nothing", 404),
        ("GET", "/v1/submissions/7", 404),
        ("PUT", "/v1/start", 405),
        ("GET", "/v1/submissions/batch", 405),
        ("GET", "/static/../app.py", 404),
    ],
)
def test_a_refusal_of_the_framework_is_a_problem_document(
    client: FlaskClient, method: str, path: str, status: int
) -> None:
    response = client.open(path, method=method)
    assert response.status_code == status
    assert response.mimetype == "application/problem+json"
    assert (status == 405) == ("Allow" in response.headers)
    assert client.get(response.get_json()["type"]).status_code == 200


def test_an_unknown_error_has_a_fixed_text_and_logs_no_message(
    app: Flask, client: FlaskClient, caplog: pytest.LogCaptureFixture
) -> None:
    @app.get("/fails")
    def fails() -> str:
        raise RuntimeError("the token is demo-contributor-0004")

    with caplog.at_level(logging.INFO, logger="kbapi"):
        response = client.get("/fails")
    assert response.status_code == 500
    assert "demo-contributor" not in response.get_data(as_text=True)
    assert "demo-contributor" not in caplog.text
    assert any(getattr(record, "error", "") == "RuntimeError" for record in caplog.records)


def test_log_lines_contain_no_addresses_tokens_or_queries(
    client: FlaskClient, caplog: pytest.LogCaptureFixture
) -> None:
    from kbapi.logs import JsonLines

    with caplog.at_level(logging.INFO, logger="kbapi"):
        client.get(
            "/v1/start?chip=norvane-sable-7-4820mx",
            headers={"Authorization": "Bearer kbr_secret", "X-Forwarded-For": "192.0.2.7"},
            environ_base={"REMOTE_ADDR": "192.0.2.9"},
        )
    lines = [JsonLines().format(record) for record in caplog.records]
    assert json.loads(lines[-1])["route"] == "/v1/start"
    for forbidden in ("192.0.2", "kbr_", "norvane"):
        assert not any(forbidden in line for line in lines)


def test_an_invented_method_is_in_no_log_line(
    client: FlaskClient, caplog: pytest.LogCaptureFixture
) -> None:
    from kbapi.logs import JsonLines

    with caplog.at_level(logging.INFO, logger="kbapi"):
        for method in ("ANNA4471", "PUT"):
            assert client.open("/v1/chips", method=method).status_code == 405
    lines = [json.loads(JsonLines().format(record)) for record in caplog.records]
    assert [line["method"] for line in lines] == ["other", "PUT"]
