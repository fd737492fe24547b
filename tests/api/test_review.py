"""Review over HTTP: keys, waiting settings, the effect of decisions, and faulty decisions."""

import json
import logging
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kbapi.access.keys import give_key, revoke_key
from kbapi.instance.instance import Instance
from kbapi.storage.sql import change_rows
from tests.makers import a_setting, a_submission

PATHS = [
    ("GET", "/v1/review"),
    ("GET", "/v1/review/01a21000-8800-736b-8fa7-7e16bf7f60fd/0"),
    ("POST", "/v1/review/decisions"),
    ("GET", "/v1/submissions"),
    ("GET", "/v1/review/01a21000-8800-736b-8fa7-7e16bf7f60fd"),
    ("DELETE", "/v1/review/01a21000-8800-736b-8fa7-7e16bf7f60fd"),
    ("GET", "/v1/contributors/1"),
    ("DELETE", "/v1/contributors/1"),
]


@pytest.fixture
def headers(instance: Instance) -> dict[str, str]:
    return {"Authorization": f"Bearer {give_key(instance, '', ('curate',)).key}"}


def send_deep(client: FlaskClient, number: int = 1) -> dict[str, Any]:
    deep = a_setting(stable_at=-200, unstable_at=-210)
    sent = client.post("/v1/submissions", json=a_submission(deep, number=number))
    assert sent.status_code == 201
    return sent.get_json()


@pytest.mark.parametrize(("method", "path"), PATHS)
def test_without_a_key_it_is_401_with_a_challenge(
    client: FlaskClient, method: str, path: str
) -> None:
    receipt = send_deep(client)["receipt"]
    for sent in ({}, {"Authorization": f"Bearer {receipt}"}, {"Authorization": "Basic kbk_x"}):
        refused = client.open(path, method=method, headers=sent, json={})
        assert refused.status_code == 401
        assert refused.get_json()["type"] == "/problems/access_key_missing"
        assert refused.headers["WWW-Authenticate"].startswith("Bearer")


@pytest.mark.parametrize(("method", "path"), PATHS)
def test_a_wrong_or_revoked_key_or_another_scope_is_403(
    client: FlaskClient, instance: Instance, method: str, path: str
) -> None:
    revoked, other = (give_key(instance, "", ("curate",)) for _ in range(2))
    revoke_key(instance, revoked.id)
    with instance.writing() as connection:
        changed = "UPDATE access_key SET scopes = 'submit,submit_for_members' WHERE id = ?"
        change_rows(connection, changed, (other.id,))
    for key, code in (
        ("kbk_" + 48 * "A", "access_key_wrong"),
        (revoked.key, "access_key_wrong"),
        (other.key, "scope_missing"),
    ):
        sent = {"Authorization": f"Bearer {key}"}
        refused = client.open(path, method=method, headers=sent, json={})
        assert refused.status_code == 403
        assert refused.mimetype == "application/problem+json"
        assert refused.get_json()["type"] == f"/problems/{code}"


def test_a_receipt_is_not_a_key_and_a_key_not_a_receipt(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    sent = send_deep(client)
    assert client.get(sent["links"]["self"], headers=headers).status_code == 401


def test_a_setting_goes_from_the_queue_into_the_next_answer(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    sent = send_deep(client)
    start = "/v1/start?chip=norvane-sable-7-4820mx"
    before = client.get(start)
    assert before.get_json()["evidence"]["units"] == 0
    (waiting,) = client.get("/v1/review", headers=headers).get_json()["waiting"]
    assert waiting["submission"] == sent["id"]
    path = f"/v1/review/{waiting['submission']}/{waiting['ordinal']}"
    shown = client.get(path, headers=headers).get_json()
    assert shown["pool"]["start_with"]["units"] == 1
    found = client.post(
        "/v1/review/decisions",
        headers=headers,
        json={
            "decisions": [
                {
                    "submission": sent["id"],
                    "ordinal": 0,
                    "decision": "include",
                    "reason": "depth_confirmed",
                }
            ]
        },
    )
    assert found.status_code == 200
    assert found.get_json()["changed"][0]["now"] == "counted"
    after = client.get(start, headers={"If-None-Match": before.headers["ETag"]})
    assert after.get_json()["evidence"]["units"] == 1
    assert client.get("/v1/review", headers=headers).get_json()["waiting"] == []
    own = client.get(
        sent["links"]["self"], headers={"Authorization": f"Bearer {sent['receipt']}"}
    ).get_json()
    assert own["settings"][0]["reasons"][0]["code"] == "included_by_curator"
    mine = client.get(
        "/v1/my-submissions", headers={"Kbapi-Contributor": "tidewater-member-000001"}
    ).get_json()
    assert mine["submissions"][0]["settings"] == own["settings"]


@pytest.mark.parametrize(
    ("entry", "pointer", "code"),
    [
        ({}, "/decisions/0/decision", "required"),
        ({"decision": "perhaps"}, "/decisions/0/decision", "invalid"),
        ({"decision": "include", "reason": "because"}, "/decisions/0/reason", "invalid"),
        ({"decision": "include", "reason": "depth_confirmed"}, "/decisions/0", "invalid"),
        (
            {"decision": "include", "reason": "depth_confirmed", "contributor": 1, "origin": {}},
            "/decisions/0/origin",
            "invalid",
        ),
        (
            {
                "decision": "include",
                "reason": "depth_confirmed",
                "submission": "x" * 36,
                "ordinal": 0,
            },
            "/decisions/0/submission",
            "invalid",
        ),
        (
            {"decision": "include", "reason": "depth_confirmed", "submission": "0" * 36},
            "/decisions/0/ordinal",
            "invalid",
        ),
        (
            {"decision": "include", "reason": "not_measured", "contributor": 1},
            "/decisions/0/reason",
            "reason_does_not_fit",
        ),
        (
            {"decision": "include", "reason": "depth_confirmed", "contributor": 1e30},
            "/decisions/0/contributor",
            "invalid",
        ),
        (
            {"decision": "include", "reason": "depth_confirmed", "contributor": 999},
            "/decisions/0",
            "setting_unknown",
        ),
        ({"wrod": "include"}, "/decisions/0/wrod", "unknown_field"),
    ],
)
def test_impossible_decisions_are_problems_with_their_pointer(
    client: FlaskClient,
    headers: dict[str, str],
    entry: dict[str, Any],
    pointer: str,
    code: str,
) -> None:
    refused = client.post("/v1/review/decisions", headers=headers, json={"decisions": [entry]})
    assert refused.status_code == 422
    assert (pointer, code) in {
        (fault["pointer"], fault["code"]) for fault in refused.get_json()["errors"]
    }


@pytest.mark.parametrize(
    ("body", "content_type", "status"),
    [
        (b"{", "application/json", 400),
        (b"[]", "application/json", 422),
        (b'{"decisions": []}', "application/json", 422),
        (b'{"decisions": [NaN]}', "application/json", 422),
        (b"{}", "text/plain", 415),
    ],
)
def test_bodies_without_decisions_are_refused(
    client: FlaskClient, headers: dict[str, str], body: bytes, content_type: str, status: int
) -> None:
    refused = client.post(
        "/v1/review/decisions", headers=headers, data=body, content_type=content_type
    )
    assert refused.status_code == status
    assert refused.mimetype == "application/problem+json"


def test_an_unknown_setting_is_404(client: FlaskClient, headers: dict[str, str]) -> None:
    sent = send_deep(client)
    for path in (f"{sent['id']}/1", f"{sent['id']}/1001", f"{sent['id']}/{10**30}", "x/0"):
        assert client.get(f"/v1/review/{path}", headers=headers).status_code == 404


def test_unknown_parameters_are_refused(client: FlaskClient, headers: dict[str, str]) -> None:
    sent = send_deep(client)
    paths = ("/v1/review", f"/v1/review/{sent['id']}/0", "/v1/review/decisions")
    for path in (*paths, "/v1/submissions", f"/v1/review/{sent['id']}", "/v1/contributors/1"):
        method = "POST" if path.endswith("decisions") else "GET"
        refused = client.open(f"{path}?x=1", method=method, headers=headers)
        assert refused.status_code == 422, path


def test_no_log_line_has_a_key_or_a_decision(
    client: FlaskClient, headers: dict[str, str], caplog: pytest.LogCaptureFixture
) -> None:
    from kbapi.logs import JsonLines

    sent = send_deep(client)
    with caplog.at_level(logging.DEBUG):
        client.get("/v1/review", headers=headers)
        client.get(f"/v1/review/{sent['id']}/0", headers=headers)
        client.get("/v1/review", headers={"Authorization": "Bearer kbk_wrong"})
    lines = [JsonLines().format(record) for record in caplog.records]
    assert json.loads(lines[-1])["status"] == 403
    assert {json.loads(line)["route"] for line in lines if "route" in json.loads(line)}
    key = headers["Authorization"].removeprefix("Bearer ")
    assert not any(part in line for line in lines for part in (key, "kbk_", sent["id"]))


def test_the_host_finds_excludes_undoes_and_erases_a_contributor(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    for number in range(6):
        client.post("/v1/submissions", json=a_submission(number=number))
    setting = a_setting(stable_at=-40, unstable_at=-45)
    sent = client.post("/v1/submissions", json=a_submission(setting, number=9)).get_json()
    page = client.get("/v1/submissions?order=influence", headers=headers).get_json()
    found = next(one for one in page["submissions"] if one["id"] == sent["id"])
    number = found["contributor"]
    assert found["influence"]["is_exact"] is True
    about = {"contributor": number, "decision": "exclude", "reason": "testing_doubted"}
    path = "/v1/review/decisions"
    unconfirmed = client.post(path, headers=headers, json={"decisions": [about]})
    assert unconfirmed.status_code == 422
    shown = client.post(f"{path}?dry_run=true", headers=headers, json={"decisions": [about]})
    body = {"decisions": [about], "confirm": shown.get_json()["confirm"]}
    decided = client.post(path, headers=headers, json=body).get_json()
    assert decided["starts"] == shown.get_json()["starts"]
    whole = client.get(f"/v1/review/{sent['id']}", headers=headers).get_json()
    assert whole["submission"]["settings"][0]["status"] == "excluded"
    assert whole["history"][0]["decisions"][0]["decision"] == "exclude"
    assert "contributor_token" not in whole["document"]
    shown = client.get(f"/v1/contributors/{number}", headers=headers).get_json()
    assert (shown["results"], shown["pools"][0]["excluded"]) == (1, 1)
    erase = f"/v1/contributors/{number}?reason=asked_by_sender"
    assert client.delete(erase, headers=headers).status_code == 422
    dry = client.delete(f"{erase}&dry_run=true", headers=headers).get_json()
    done = client.delete(f"{erase}&confirm={dry['confirm']}", headers=headers)
    assert (done.status_code, done.get_json()["results"]) == (200, 1)
    for method, gone in (
        ("GET", f"/v1/contributors/{number}"),
        ("GET", f"/v1/review/{sent['id']}"),
        ("DELETE", f"{erase}&dry_run=true"),
        ("DELETE", f"/v1/review/{sent['id']}?reason=asked_by_sender"),
    ):
        missing = client.open(gone, method=method, headers=headers)
        assert missing.status_code == 404
        assert missing.get_json()["type"] == "/problems/result_unknown"


def test_a_number_that_no_contributor_can_have_is_404(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    for number in ("9007199254740993", "9" * 30):
        for method in ("GET", "DELETE"):
            path = f"/v1/contributors/{number}"
            query = "?reason=asked_by_sender&dry_run=true" if method == "DELETE" else ""
            assert client.open(path + query, method=method, headers=headers).status_code == 404


def test_one_result_is_erased_without_its_receipt(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    sent = send_deep(client)
    path = f"/v1/review/{sent['id']}"
    assert client.delete(path, headers=headers).status_code == 422
    erased = client.delete(f"{path}?reason=personal_data", headers=headers)
    assert erased.get_json()["ids"] == [sent["id"]]
    assert client.get("/v1/submissions", headers=headers).get_json()["submissions"] == []


def test_no_view_of_the_host_shows_a_token_or_a_hash(
    client: FlaskClient, instance: Instance, headers: dict[str, str]
) -> None:
    sent = client.post("/v1/submissions", json=a_submission()).get_json()
    with instance.reading() as connection:
        hashes = [
            bytes(row[0]).hex()
            for table in ("contributor", "unit")
            for row in connection.exec_driver_sql(f"SELECT token_hash FROM {table}")
        ]
    hidden = [*hashes, "tidewater-member-000001", "tidewater-unit-000001", sent["receipt"]]
    for path in ("/v1/submissions", f"/v1/review/{sent['id']}", "/v1/contributors/1"):
        text = client.get(path, headers=headers).get_data(as_text=True)
        assert not [one for one in hidden if one in text]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=40),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner),
    max_leaves=8,
)
NAMES = ("decision", "reason", "submission", "ordinal", "contributor", "origin", "client", "x")
SOUND = st.sampled_from(
    [
        "include",
        "invalidate",
        "depth_confirmed",
        "not_measured",
        "0" * 36,
        0,
        1,
        2**53,
        {"client": "x"},
    ]
)
ENTRY = st.dictionaries(st.sampled_from(NAMES), SOUND | JSON, max_size=6)


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(body=st.fixed_dictionaries({"decisions": st.lists(ENTRY, max_size=3) | JSON}) | JSON)
def test_no_body_causes_a_server_error(
    client: FlaskClient, headers: dict[str, str], body: object
) -> None:
    answer = client.post(
        "/v1/review/decisions",
        headers=headers,
        data=json.dumps(body),
        content_type="application/json",
    )
    assert answer.status_code in (400, 422)
    assert answer.mimetype == "application/problem+json"
