"""Forms: their token and limits, what a refusal keeps, sign-in, and what a session opens."""

import re
from collections.abc import Iterator
from datetime import timedelta
from http.cookies import SimpleCookie
from io import BytesIO
from pathlib import Path
from random import Random
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from kbapi.access.keys import give_key, revoke_key
from kbapi.access.limits import Need
from kbapi.api.admission import need_of
from kbapi.app import create_app
from kbapi.errors import StorageBusy
from kbapi.instance.instance import Instance
from kbapi.pages import submit
from kbapi.pages.forms import MOST_FORM_BYTES, MOST_FORM_FIELDS
from tests.makers import CHIP, HandMovedClock, a_submission, an_instance, row_counts
from tests.pages.browsing import form_with, forms_of, press, problems_at, text_of

FORM_PAGES = {
    "/sign-in": "",
    "/submit": "check",
    "/my-submissions": "list",
    f"/chips/{CHIP}/search": "add",
}
PAGES = (*FORM_PAGES, "/compare", f"/chips/{CHIP}/compare")


# Written down a second time on purpose, as for the API.
NEEDS = {
    ("GET", "/sign-in"): Need.EXPLAINING,
    ("POST", "/sign-in"): Need.EXPLAINING,
    ("POST", "/sign-out"): Need.EXPLAINING,
    ("GET", "/submit"): Need.SENDING,
    ("POST", "/submit"): Need.SENDING,
    ("GET", "/my-submissions"): Need.OWN_RESULTS,
    ("POST", "/my-submissions"): Need.OWN_RESULTS,
    ("GET", "/chips/<chip>/search"): Need.READING,
    ("POST", "/chips/<chip>/search"): Need.READING,
    ("GET", "/compare"): Need.READING,
    ("GET", "/chips/<chip>/compare"): Need.READING,
}


def test_every_page_with_a_form_needs_what_is_written_here(app: Flask) -> None:
    found = {
        (method, rule.rule): need_of(app, rule.endpoint)
        for rule in app.url_map.iter_rules()
        if rule.endpoint.startswith("forms.")
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }
    assert found == NEEDS


def token_of(page: TestResponse) -> str:
    return forms_of(page)[0].value("form_token")


def test_a_page_with_a_form_allows_forms_of_this_site_and_no_script(client: FlaskClient) -> None:
    for path in PAGES:
        page = client.get(path)
        assert page.status_code == 200
        policy = page.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "form-action 'self'" in policy
        assert "script-src" not in policy
        assert page.headers["Cache-Control"] == "private, no-cache"
        html = page.get_data(as_text=True)
        assert re.findall(r"<script(?! src)| style=| on\w+=|https?://", html) == []
        # Without it a browser hides from the server which site a form comes from.
        assert '<meta name="referrer" content="same-origin">' in html


def test_a_form_without_a_token_is_refused(client: FlaskClient, instance: Instance) -> None:
    before = row_counts(instance)
    wrong: tuple[dict[str, str], ...] = (
        {},
        {"form_token": "made up"},
        {"form_token": "0.0." + "A" * 43},
    )
    for path in (*FORM_PAGES, "/sign-out"):
        for fields in wrong:
            answer = client.post(path, data={**fields, "chip": "kept-nowhere"})
            assert answer.status_code == 403
            assert "/problems/form_refused" in answer.get_data(as_text=True)
            assert "kept-nowhere" not in answer.get_data(as_text=True)
    assert row_counts(instance) == before


SENT_BY: tuple[tuple[dict[str, str], bool], ...] = (
    ({"Sec-Fetch-Site": "cross-site"}, True),
    ({"Sec-Fetch-Site": "same-site"}, True),
    ({"Origin": "https://evil.example"}, True),
    ({"Origin": "http://localhost.evil.example"}, True),
    # A frame without an origin of its own, in a browser that says nothing more over HTTP.
    ({"Origin": "null"}, True),
    ({"Sec-Fetch-Site": "same-origin", "Origin": "null"}, False),
    ({"Origin": "http://localhost"}, False),
    # A proxy with TLS in front.
    ({"Origin": "https://localhost"}, False),
    ({}, False),
)


def test_a_form_of_another_site_is_refused_even_with_a_token(client: FlaskClient) -> None:
    for path in FORM_PAGES:
        token = token_of(client.get(path))
        for headers, is_refused in SENT_BY:
            answer = client.post(path, data={"form_token": token}, headers=headers)
            assert (b"/problems/form_refused" in answer.data) == is_refused, headers


def test_an_old_page_loses_nothing(client: FlaskClient, clock: HandMovedClock) -> None:
    page = client.get("/submit")
    clock.moment += timedelta(days=8)
    old = press(client, page, "check", chip='Norvane "Sable" <7>', loads=["all_core", "io"])
    assert old.status_code == 403
    assert "form_outdated" in old.get_data(as_text=True)
    (again,) = forms_of(old)
    assert again.fields["chip"] == ['Norvane "Sable" <7>']
    assert again.fields["loads"] == ["all_core", "io"]
    answer = client.post(again.action, data=again.fields)
    assert set(problems_at(answer)) >= {"chip", "loads"}


def test_what_is_no_form_or_too_large_is_refused(client: FlaskClient) -> None:
    token = token_of(client.get("/submit"))
    assert client.post("/submit", json=a_submission()).status_code == 415
    large = client.post("/submit", data={"form_token": token, "chip": "x" * MOST_FORM_BYTES})
    assert large.status_code == 413
    many = {"form_token": token, "trial": ["-60|stable"] * MOST_FORM_FIELDS}
    assert client.post("/submit", data=many).status_code == 413
    for answer in (large, client.post("/submit", data=many)):
        assert answer.mimetype == "text/html"
        assert forms_of(answer) == []


def test_a_body_in_chunks_is_read_whole_or_refused(app: Flask) -> None:
    client = app.test_client()
    token = token_of(client.get("/submit"))

    def sent(size: int) -> int:
        body = f"form_token={token}&action=check&chip=".encode() + b"x" * size
        environ: dict[str, Any] = {
            "wsgi.input": BytesIO(body),
            "wsgi.input_terminated": True,
            "HTTP_TRANSFER_ENCODING": "chunked",
        }
        return client.post(
            "/submit",
            content_type="application/x-www-form-urlencoded",
            environ_overrides=environ,
        ).status_code

    assert sent(100) == 422
    assert sent(MOST_FORM_BYTES) == 413
    assert sent(MOST_FORM_BYTES + 5_000) == 413


def test_an_error_of_the_storage_keeps_what_was_typed(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object) -> None:
        raise StorageBusy

    page = client.get("/submit")
    monkeypatch.setattr(submit, "dry_run_submission", busy)
    failed = press(client, page, "check", chip="Norvane Sable 7 4820MX", stable_at="-80")
    assert (failed.status_code, failed.headers["Retry-After"]) == (503, "2")
    monkeypatch.undo()
    (again,) = forms_of(failed)
    assert client.post(again.action, data=again.fields).status_code == 200


def test_too_many_requests_keep_what_was_typed(tmp_path: Path) -> None:
    instance = an_instance(tmp_path, rate_per_network=3)
    client = create_app(instance).test_client()
    page = client.get("/submit")
    client.get("/submit")
    client.get("/submit")
    refused = press(client, page, "check", chip="Norvane Sable 7 4820MX", stable_at="-80")
    assert refused.status_code == 429
    assert 0 < int(refused.headers["Retry-After"]) <= 60
    assert forms_of(refused)[0].fields["stable_at"] == ["-80"]
    instance.close()


def test_a_program_gets_problems_as_json(client: FlaskClient) -> None:
    answer = client.post("/submit", data={"chip": CHIP}, headers={"Accept": "application/json"})
    assert answer.mimetype == "application/problem+json"
    assert answer.get_json()["type"] == "/problems/form_refused"


@pytest.fixture(params=["invite", "closed"])
def joined(
    request: pytest.FixtureRequest, tmp_path: Path, clock: HandMovedClock
) -> Iterator[Instance]:
    made = an_instance(tmp_path, clock, join=request.param)
    yield made
    made.close()


def signed_in(client: FlaskClient, key: str, **more: Any) -> TestResponse:
    return press(client, client.get("/sign-in", **more), "", access_key=key)


def test_on_an_open_instance_nothing_is_asked(client: FlaskClient) -> None:
    for path in PAGES:
        answer = client.get(path)
        assert answer.status_code == 200
        assert "Set-Cookie" not in answer.headers
    assert (
        press(client, client.get("/submit"), "check", chip=CHIP, stable_at="-80").status_code == 200
    )


def test_a_member_signs_in_with_the_key_and_goes_on(joined: Instance) -> None:
    client = create_app(joined).test_client()
    asked = client.get("/submit?chip=norvane-sable-7-4820mx")
    assert asked.status_code == 303
    assert asked.headers["Location"].startswith("/sign-in?then=%2Fsubmit%3Fchip%3D")
    page = client.get(asked.headers["Location"])
    key = give_key(joined, "", ("submit",))
    answer = press(client, page, "", access_key=f" {key.key} ")
    assert (answer.status_code, answer.headers["Location"]) == (
        303,
        "/submit?chip=norvane-sable-7-4820mx",
    )
    assert client.get(answer.headers["Location"]).status_code == 200
    assert key.key not in str(answer.headers)
    checked = press(client, client.get("/submit"), "check", chip=CHIP, stable_at="-80")
    assert press(client, checked, "send").status_code == 201


@pytest.mark.parametrize(
    ("scheme", "name"), [("http", "kbapi_session"), ("https", "__Host-kbapi_session")]
)
def test_the_cookie_is_for_this_site_alone(joined: Instance, scheme: str, name: str) -> None:
    client = create_app(joined).test_client()
    base = f"{scheme}://localhost"
    page = client.get("/sign-in", base_url=base)
    form = form_with(page, "")
    data = form.fields | {"access_key": [give_key(joined, "", ("submit",)).key]}
    answer = client.post("/sign-in", data=data, base_url=base)
    cookie = SimpleCookie(answer.headers["Set-Cookie"])[name]
    assert (cookie["httponly"], cookie["samesite"], cookie["path"]) == (True, "Strict", "/")
    assert (cookie["max-age"], cookie["domain"]) == ("28800", "")
    assert bool(cookie["secure"]) == (scheme == "https")


def test_the_cookie_never_opens_the_api(joined: Instance) -> None:
    client = create_app(joined).test_client()
    signed_in(client, give_key(joined, "", ("admin",)).key)
    assert client.get("/submit").status_code == 200
    sent = client.post("/v1/submissions", json=a_submission())
    assert (sent.status_code, sent.get_json()["type"]) == (401, "/problems/access_key_missing")
    assert client.get("/v1/submissions").status_code == 401
    reads = client.get(f"/v1/chips/{CHIP}")
    assert reads.status_code == (401 if joined.settings.join == "closed" else 200)
    rules = create_app(joined).url_map.iter_rules()
    views = create_app(joined).view_functions
    api = [rule.endpoint for rule in rules if rule.rule.startswith("/v1")]
    assert len(api) > 20
    assert [one for one in api if hasattr(views[one], "kbapi_is_page")] == []


def test_a_revoked_key_ends_its_sessions_and_loses_nothing(joined: Instance) -> None:
    client = create_app(joined).test_client()
    key = give_key(joined, "", ("submit",))
    signed_in(client, key.key)
    page = client.get("/submit")
    revoke_key(joined, key.id)
    ended = press(client, page, "check", chip=CHIP, stable_at="-80")
    assert ended.status_code == 401
    assert "/sign-in" in ended.get_data(as_text=True)
    assert client.get("/submit").status_code == 303
    # In another tab the member signs in with a new key, then goes on here.
    signed_in(client, give_key(joined, "", ("submit",)).key)
    (again,) = forms_of(ended)
    assert again.fields["stable_at"] == ["-80"]
    outdated = client.post(again.action, data=again.fields)
    (once_more,) = forms_of(outdated) if outdated.status_code == 403 else [again]
    assert client.post(once_more.action, data=once_more.fields).status_code == 200


def test_a_session_ends_after_eight_hours_and_at_the_wish_of_the_member(
    joined: Instance, clock: HandMovedClock
) -> None:
    client = create_app(joined).test_client()
    key = give_key(joined, "", ("submit",)).key
    signed_in(client, key)
    left = press(client, client.get("/sign-in"), "")
    assert (left.status_code, left.headers["Location"]) == (303, "/sign-in")
    assert client.get("/submit").status_code == 303
    signed_in(client, key)
    clock.moment += timedelta(hours=8)
    assert client.get("/submit").status_code == 303


def test_a_session_opens_the_page_of_a_chip_and_its_numbers(tmp_path: Path) -> None:
    instance = an_instance(tmp_path, join="closed")
    client = create_app(instance).test_client()
    paths = (f"/chips/{CHIP}", f"/chips/{CHIP}/search", f"/chips/{CHIP}/compare")
    for path in paths:
        asked = client.get(path, headers={"Accept": "text/html"})
        assert (asked.status_code, "/sign-in" in asked.headers["Location"]) == (303, True)
    signed_in(client, give_key(instance, "", ("curate",)).key)
    for path in paths:
        assert client.get(path, headers={"Accept": "text/html"}).status_code == 200
    instance.close()


def test_a_key_without_the_scope_is_told_apart_from_no_key(joined: Instance) -> None:
    client = create_app(joined).test_client()
    signed_in(client, give_key(joined, "", ("curate",)).key)
    refused = client.get("/submit")
    assert (refused.status_code, "scope_missing" in refused.get_data(as_text=True)) == (403, True)


def test_a_wrong_key_is_a_problem_of_its_field_and_is_not_shown(joined: Instance) -> None:
    client = create_app(joined).test_client()
    revoked = give_key(joined, "", ("submit",))
    revoke_key(joined, revoked.id)
    for wrong in (revoked.key, "kbk_mistyped", ""):
        answer = signed_in(client, wrong)
        assert answer.status_code == 403
        assert set(problems_at(answer)) == {"access_key"}
        assert "Set-Cookie" not in answer.headers
        assert not wrong or wrong not in answer.get_data(as_text=True)


ELSEWHERE = (
    "https://evil.example/",
    "//evil.example/",
    "/\\evil.example",
    "\\/evil.example",
    "/%0d%0aSet-Cookie: x=1\r\nX: y",
    "javascript:alert(1)",
    "/submit\nLocation: https://evil.example",
    "evil.example",
)


def test_a_sign_in_leads_to_own_paths_only(instance: Instance, client: FlaskClient) -> None:
    key = give_key(instance, "", ("submit",)).key
    form = form_with(client.get("/sign-in"), "")
    for then in ELSEWHERE:
        page = client.get("/sign-in", query_string={"then": then})
        assert form_with(page, "").fields["then"] == ["/"]
        guest = client.application.test_client()
        data = form.fields | {"access_key": [key], "then": [then]}
        answer = guest.post("/sign-in", data=data)
        assert (answer.status_code, answer.headers["Location"]) == (303, "/")


def test_a_result_of_a_signed_in_member_is_vouched_for(instance: Instance) -> None:
    client = create_app(instance).test_client()
    signed_in(client, give_key(instance, "", ("submit",)).key)
    checked = press(client, client.get("/submit"), "check", chip=CHIP, stable_at="-80")
    assert press(client, checked, "send").status_code == 201
    with instance.reading() as connection:
        found = connection.exec_driver_sql("SELECT is_vouched FROM contributor").all()
        used = connection.exec_driver_sql("SELECT has_vouched FROM access_key").all()
    assert ([tuple(one) for one in found], [tuple(one) for one in used]) == ([(1,)], [(1,)])


def test_changed_forms_give_no_server_error(client: FlaskClient) -> None:
    """Every form of every page, with values of others, of nothing and of hard texts."""
    rng = Random(24)
    pages = [client.get(path) for path in FORM_PAGES]
    checked = press(client, pages[1], "check", chip=CHIP, stable_at="-80", unstable_at="-90")
    stored = press(client, checked, "send")
    assert stored.status_code == 201
    token = re.search(r"<code>([\w-]{24})</code>", stored.get_data(as_text=True))
    assert token is not None
    listed = press(client, pages[2], "list", contributor_token=token[1])
    searched = press(client, pages[3], "add", value="-60", outcome="stable", minutes="20")
    forms = [form for page in (*pages, checked, listed, searched) for form in forms_of(page)]
    actions = sorted({button for form in forms for button in form.buttons} | set(submit_actions()))
    statuses = []
    for _ in range(120):
        form = rng.choice(forms)
        data = {name: [changed(rng, text) for text in texts] for name, texts in form.fields.items()}
        data |= {name: [changed(rng, "")] for name in form.asked if rng.random() < 0.3}
        data["form_token"] = form.fields["form_token"]
        data["action"] = [rng.choice(actions)]
        statuses.append(client.post(form.action, data=data).status_code)
    assert [status for status in statuses if status >= 500] == []
    assert {200, 422} <= set(statuses)


HARD = (
    *("", "0", "-80", "1e400", "-0", "NaN", "null", "[]", "{}", '{"settings": 5}', "-82,5"),
    *('{"settings": [null, 3], "trials": {"a": [[]]}}', '{"chip": "\\ud800"}', "[" * 400),
    *(
        "\x00",
        "\ud7ff",
        "é" * 300,
        "<script>",
        "|||||||",
        "core|voltage_offset|ring,io",
        "-60|failed|x",
    ),
    *("9" * 30, "-" * 50, "open", "yes", "core", "fixed_clock_voltage", "norvane-sable-7-4820mx"),
    *('{"version": 1, "contributor_token": "aaaaaaaaaaaaaaaaaaaa", "units": [], "receipts": {}}',),
    *("01a21000-8800-736b-8fa7-7e16bf7f60fd", "kbr_x", "2026-13", "٣"),
)


def changed(rng: Random, text: str) -> str:
    return text if rng.random() < 0.5 else rng.choice(HARD)


def submit_actions() -> tuple[str, ...]:
    return ("send", "begin", "follow_up", "edit", "withdraw", "open", "withdraw_all", "ask", "x")


def test_problem_pages_are_read_as_text(client: FlaskClient) -> None:
    missing = client.get("/chips/nothing/search")
    assert missing.status_code == 404
    assert "does not name exactly one chip" in text_of(missing)
