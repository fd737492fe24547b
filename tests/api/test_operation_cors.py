"""Headers of every kind of answer, and which web pages may ask."""

from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from kbapi.app import create_app
from tests.makers import CHIP, HandMovedClock, a_submission, an_instance, send

CLUB, UNLISTED = "https://club.example", "https://elsewhere.example"
NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
JSON = {"Content-Type": "application/json"}


@pytest.fixture
def club(tmp_path: Path) -> FlaskClient:
    instance = an_instance(tmp_path, cors_origins=f"{CLUB}, http://127.0.0.1:5173")
    return create_app(instance).test_client()


def answers(app: Flask, client: FlaskClient) -> dict[int, object]:
    """An answer of each status, from the application as it is served."""

    @app.get("/fails")
    def fails() -> str:
        raise RuntimeError

    batch = [a_submission(number=1), {}]
    sent = client.post("/v1/submissions", json=a_submission(number=2)).get_json()
    receipt = {"Authorization": f"Bearer {sent['receipt']}"}
    own = sent["links"]["self"]
    shown = [
        client.get("/v1/chips"),
        client.post("/v1/submissions", json=a_submission(number=3)),
        client.post("/v1/submissions/batch", json=batch),
        client.delete(own, headers=receipt),
        client.post("/v1/submissions", data=b"{", headers=JSON),
        client.get(own),
        client.get(own, headers={"Authorization": "Bearer kbr_x"}),
        client.get("/nothing"),
        client.put("/v1/start"),
        client.get(own, headers=receipt),
        client.post("/v1/submissions", data=b" " * 2_000_000, headers=JSON),
        client.post("/v1/submissions", data=b"{}"),
        client.get("/v1/start?chp=x"),
        client.get("/fails"),
    ]
    etag = client.get(f"/v1/start?chip={CHIP}").headers["ETag"]
    shown.append(client.get(f"/v1/start?chip={CHIP}", headers={"If-None-Match": etag}))
    return {answer.status_code: answer for answer in shown}


def test_every_kind_of_answer_has_headers_for_browsers(app: Flask, client: FlaskClient) -> None:
    instance = app.extensions["kbapi"]
    send(instance, a_submission())
    found = answers(app, client)
    wanted = {200, 201, 207, 204, 304, 400, 401, 403, 404, 405, 410, 413, 415, 422, 500}
    assert set(found) == wanted
    for status, answer in found.items():
        headers = answer.headers
        assert headers["X-Content-Type-Options"] == "nosniff", status
        assert headers["Referrer-Policy"] == "no-referrer", status
        assert headers["X-Frame-Options"] == "DENY", status
        assert headers["Content-Security-Policy"] == NOTHING, status
        assert headers["RateLimit-Policy"].startswith('"burst";q='), status
        assert len(headers["Kbapi-Request-Id"]) == 32, status
        assert "Access-Control-Allow-Origin" not in headers, status
        if status >= 400:
            assert headers["Cache-Control"] == "no-store", status


def test_the_answer_to_too_many_requests_has_the_same_headers(tmp_path: Path) -> None:
    instance = an_instance(tmp_path, HandMovedClock(), rate_per_network=1, cors_origins=CLUB)
    client = create_app(instance).test_client()
    client.get("/v1/chips")
    refused = client.get("/v1/chips", headers={"Origin": CLUB})
    assert refused.status_code == 429
    assert refused.headers["Content-Security-Policy"] == NOTHING
    assert refused.headers["Cache-Control"] == "no-store"
    assert refused.headers["Access-Control-Allow-Origin"] == CLUB


def test_no_cache_keeps_answers_for_one_person(client: FlaskClient) -> None:
    sent = client.post("/v1/submissions", json=a_submission())
    receipt = {"Authorization": f"Bearer {sent.get_json()['receipt']}"}
    mine = {"Kbapi-Contributor": "tidewater-member-000001"}
    for answer in (
        sent,
        client.get(sent.get_json()["links"]["self"], headers=receipt),
        client.get("/v1/my-submissions", headers=mine),
    ):
        assert answer.headers["Cache-Control"] == "no-store"


def test_pages_may_load_their_own_style_and_no_script(client: FlaskClient) -> None:
    for path in ("/problems", "/problems/not_found"):
        policy = client.get(path).headers["Content-Security-Policy"]
        assert policy == f"{NOTHING}; style-src 'self'; img-src 'self'"
    viewer = client.get("/docs").headers["Content-Security-Policy"]
    assert viewer.startswith(NOTHING)
    assert "script-src 'self';" in viewer
    assert "http" not in viewer
    assert client.get("/openapi.json").headers["Content-Security-Policy"] == NOTHING


def test_listed_pages_may_send_requests_and_read_the_fields(club: FlaskClient) -> None:
    answer = club.get("/v1/chips", headers={"Origin": CLUB})
    assert answer.headers["Access-Control-Allow-Origin"] == CLUB
    exposed = answer.headers["Access-Control-Expose-Headers"].split(", ")
    shown = {"Age", "ETag", "Location", "RateLimit", "RateLimit-Policy", "Retry-After"}
    assert shown <= set(exposed)
    assert "Access-Control-Allow-Credentials" not in answer.headers
    assert "Origin" in answer.headers["Vary"]


def test_a_preflight_request_needs_no_key(tmp_path: Path) -> None:
    instance = an_instance(tmp_path, join="closed", cors_origins=CLUB)
    client = create_app(instance).test_client()
    asked = {
        "Origin": CLUB,
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Headers": "authorization,content-type,idempotency-key",
    }
    allowed = client.options("/v1/submissions", headers=asked)
    assert allowed.status_code == 200
    assert allowed.headers["Access-Control-Allow-Origin"] == CLUB
    assert "POST" in allowed.headers["Access-Control-Allow-Methods"].split(", ")
    shown = allowed.headers["Access-Control-Allow-Headers"].lower().split(", ")
    assert set(asked["Access-Control-Request-Headers"].split(",")) <= set(shown)
    assert int(allowed.headers["Access-Control-Max-Age"]) > 0
    assert client.post("/v1/submissions", json={}, headers={"Origin": CLUB}).status_code == 401


def test_an_open_instance_answers_every_page_and_a_closed_one_none(tmp_path: Path) -> None:
    preflight = {"Origin": UNLISTED, "Access-Control-Request-Method": "POST"}
    wide = create_app(an_instance(tmp_path / "open")).test_client()
    for answer in (
        wide.get("/v1/chips", headers={"Origin": UNLISTED}),
        wide.options("/v1/submissions", headers=preflight),
    ):
        assert answer.headers["Access-Control-Allow-Origin"] == "*"
        assert "Access-Control-Allow-Credentials" not in answer.headers
        assert "Origin" not in answer.headers.get("Vary", "")
    for join in ("invite", "closed"):
        narrow = create_app(an_instance(tmp_path / join, join=join)).test_client()
        answer = narrow.options("/v1/submissions", headers=preflight)
        assert "Access-Control-Allow-Origin" not in answer.headers


@pytest.mark.parametrize(
    "origin", [UNLISTED, "null", f"{CLUB}.evil.example", "http://club.example", "", CLUB.upper()]
)
def test_other_pages_may_not(club: FlaskClient, origin: str) -> None:
    for answer in (
        club.get("/v1/chips", headers={"Origin": origin}),
        club.options(
            "/v1/chips", headers={"Origin": origin, "Access-Control-Request-Method": "GET"}
        ),
    ):
        assert not [name for name, _ in answer.headers if name.startswith("Access-Control")]
        assert "Origin" in answer.headers["Vary"]
