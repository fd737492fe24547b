"""Every operation of the document, with every kind of key, in every mode of joining."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.access.keys import SCOPES, give_key, revoke_key
from kbapi.api.admission import needs_nothing
from kbapi.app import create_app
from kbapi.instance.instance import Instance
from tests.house.write_openapi import generated
from tests.makers import a_submission, an_instance

READING, SENDING, CURATING = "reading", "sending", "curating"
OPEN, RECEIPT, CONTRIBUTOR = "open", "receipt", "contributor"

# Written down a second time on purpose: a route that is not here, or asks for less, is a mistake.
ASKED = {
    ("get", "/health/live"): OPEN,
    ("get", "/health/ready"): OPEN,
    ("get", "/metrics"): READING,
    ("get", "/v1"): OPEN,
    ("get", "/v1/chips"): READING,
    ("get", "/v1/chips/{chip}"): READING,
    ("delete", "/v1/my-submissions"): CONTRIBUTOR,
    ("get", "/v1/my-submissions"): CONTRIBUTOR,
    ("post", "/v1/diagnose"): READING,
    ("get", "/v1/gains"): READING,
    ("get", "/v1/identify"): READING,
    ("get", "/v1/longevity"): READING,
    ("get", "/v1/locks"): READING,
    ("post", "/v1/next-step"): READING,
    ("get", "/v1/power"): READING,
    ("delete", "/v1/contributors/{number}"): CURATING,
    ("get", "/v1/contributors/{number}"): CURATING,
    ("get", "/v1/review"): CURATING,
    ("delete", "/v1/review/{submission_id}"): CURATING,
    ("get", "/v1/review/{submission_id}"): CURATING,
    ("post", "/v1/review/decisions"): CURATING,
    ("get", "/v1/review/{submission_id}/{ordinal}"): CURATING,
    ("get", "/v1/stability"): READING,
    ("get", "/v1/start"): READING,
    ("get", "/v1/submissions"): CURATING,
    ("post", "/v1/submissions"): SENDING,
    ("post", "/v1/submissions/batch"): SENDING,
    ("delete", "/v1/submissions/{submission_id}"): RECEIPT,
    ("put", "/v1/submissions/{submission_id}"): RECEIPT,
    ("get", "/v1/submissions/{submission_id}"): RECEIPT,
    ("post", "/v1/submissions/{submission_id}/follow-ups"): RECEIPT,
}
PAGES = (
    *("/docs", "/openapi.json", "/guides/", "/guides/hosting"),
    *("/problems", "/problems/not_found", "/static/kbapi.css"),
)

WITH_KEY = {
    SENDING: {"submit", "submit_for_members", "admin"},
    CURATING: {"curate", "admin"},
    READING: {"submit", "submit_for_members", "curate", "admin"},
}
ASKS_FOR_A_KEY = {
    "open": {CURATING},
    "invite": {CURATING, SENDING},
    "closed": {CURATING, SENDING, READING},
}
NO_KEYS = {"mistyped", "unknown", "revoked"}


@pytest.fixture(scope="module", params=["open", "invite", "closed"])
def scene(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, Instance, FlaskClient]]:
    instance = an_instance(tmp_path_factory.mktemp(request.param), join=request.param)
    yield request.param, instance, create_app(instance).test_client()
    instance.close()


def keys_of(instance: Instance) -> dict[str, str | None]:
    """One key of each kind; the first is none."""
    given = {scope: give_key(instance, "", (scope,)) for scope in SCOPES}
    revoked = give_key(instance, "", ("admin",))
    revoke_key(instance, revoked.id)
    elsewhere = give_key(instance, "", ("admin",)).key
    with instance.writing() as connection:
        connection.exec_driver_sql(
            "DELETE FROM access_key WHERE id = (SELECT MAX(id) FROM access_key)"
        )
    keys: dict[str, str | None] = {"none": None, "revoked": revoked.key, "unknown": elsewhere}
    keys |= {scope: one.key for scope, one in given.items()}
    typed = given["admin"].key
    keys["mistyped"] = typed[:20] + ("A" if typed[20] != "A" else "B") + typed[21:]
    return keys


def path_of(template: str) -> str:
    return (
        template.replace("{submission_id}", "01a21000-8800-736b-8fa7-7e16bf7f60fd")
        .replace("{ordinal}", "0")
        .replace("{number}", "1")
        .replace("{chip}", "norvane-sable-7-4820mx")
    )


def refusal(client: FlaskClient, method: str, path: str, key: str | None) -> str | None:
    """The code of the problem if the key, or its lack, was the problem; None when admitted."""
    headers = {"Authorization": f"Bearer {key}"} if key else {}
    body: dict[str, Any] = {} if method in ("get", "delete") else {"json": {}}
    answer = client.open(path_of(path), method=method.upper(), headers=headers, **body)
    code = (answer.get_json(silent=True) or {}).get("type", "").removeprefix("/problems/")
    about_keys = ("access_key_missing", "access_key_wrong", "scope_missing")
    return code if answer.status_code in (401, 403) and code in about_keys else None


def expected(join: str, need: str, kind: str) -> str | None:
    if need not in WITH_KEY:
        return None  # a receipt or a token decides, or nothing is asked
    if kind in NO_KEYS:
        return "access_key_wrong"  # a wrong key is refused wherever keys are checked
    if need not in ASKS_FOR_A_KEY[join]:
        return None
    if kind == "none":
        return "access_key_missing"
    return None if kind in WITH_KEY[need] else "scope_missing"


def test_the_table_has_every_operation_of_the_document() -> None:
    operations = {
        (method, path)
        for path, item in generated()["paths"].items()
        for method in item
        if method != "parameters"
    }
    assert operations == set(ASKED)


def test_every_scope_on_every_route_in_every_mode(
    scene: tuple[str, Instance, FlaskClient],
) -> None:
    join, instance, client = scene
    keys = keys_of(instance)
    assert len(keys) == len(SCOPES) + 4
    wrong = [
        (method, path, kind, found)
        for (method, path), need in ASKED.items()
        for kind, key in keys.items()
        if (found := refusal(client, method, path, key)) != expected(join, need, kind)
    ]
    assert wrong == []


def test_pages_and_health_stay_open(
    scene: tuple[str, Instance, FlaskClient],
) -> None:
    _, _, client = scene
    for page in (*PAGES, "/health/live", "/health/ready"):
        with client.get(page) as answer:  # a file is closed with its answer
            assert answer.status_code == 200, page
    assert client.get("/nothing").status_code == 404


def test_own_results_need_no_key_in_any_mode(scene: tuple[str, Instance, FlaskClient]) -> None:
    _, instance, client = scene
    key = {"Authorization": f"Bearer {give_key(instance, '', ('submit',)).key}"}
    sent = client.post("/v1/submissions", json=a_submission(number=7), headers=key).get_json()
    receipt = {"Authorization": f"Bearer {sent['receipt']}"}
    mine = {"Kbapi-Contributor": "tidewater-member-000007"}
    assert client.get(sent["links"]["self"], headers=receipt).status_code == 200
    assert client.get(sent["links"]["self"], headers=key).status_code == 401
    assert len(client.get("/v1/my-submissions", headers=mine).get_json()["submissions"]) == 1
    assert client.delete(sent["links"]["self"], headers=receipt).status_code == 204


@pytest.mark.parametrize("scope", ["submit", "submit_for_members", "admin"])
def test_a_batch_of_several_contributors_needs_a_scope(
    scene: tuple[str, Instance, FlaskClient], scope: str
) -> None:
    join, instance, client = scene
    key = {"Authorization": f"Bearer {give_key(instance, '', (scope,)).key}"}
    place = 100 * len(scope)
    alone = [a_submission(number=place), a_submission(number=place, unit_token="u" * 20)]
    mixed = [a_submission(number=place + 1), a_submission(number=place + 2)]
    assert client.post("/v1/submissions/batch", json=alone, headers=key).status_code == 201
    shown = client.post("/v1/submissions/batch", json=mixed, headers=key)
    is_refused = scope == "submit" and join != "open"
    assert shown.status_code == (403 if is_refused else 201)
    assert ("scope submit_for_members" in shown.get_json().get("detail", "")) == is_refused


def test_a_refused_batch_of_several_stores_nothing(tmp_path: Any) -> None:
    instance = an_instance(tmp_path, join="invite")
    client = create_app(instance).test_client()
    key = {"Authorization": f"Bearer {give_key(instance, '', ('submit',)).key}"}
    mixed = [a_submission(number=1), a_submission(number=2)]
    assert client.post("/v1/submissions/batch", json=mixed, headers=key).status_code == 403
    with instance.reading() as connection:
        (count,) = connection.exec_driver_sql("SELECT COUNT(*) FROM submission").one()
    assert count == 0
    instance.close()


def test_the_holder_of_the_folder_needs_no_key(tmp_path: Any) -> None:
    instance = an_instance(tmp_path, join="closed")
    client = create_app(instance, is_guarded=False).test_client()
    assert client.post("/v1/submissions", json=a_submission()).status_code == 201
    assert client.get("/v1/chips").status_code == 200
    assert client.get("/v1/review").status_code == 200
    assert client.get("/v1/submissions").status_code == 200
    instance.close()


def test_an_endpoint_that_does_not_state_its_required_access_is_refused(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    from kbapi.pages import views

    def forgotten() -> str:
        return ""

    monkeypatch.setattr(
        views.blueprint,
        "deferred_functions",
        [
            *views.blueprint.deferred_functions,
            lambda state: state.add_url_rule("/x", "x", forgotten),
        ],
    )
    with pytest.raises(LookupError, match=r"pages\.x"):
        create_app(instance)
    needs_nothing(forgotten)
    assert create_app(instance).test_client().get("/x").status_code == 200


@pytest.mark.parametrize("join", ["open", "invite", "closed"])
def test_in_every_mode_a_key_vouches_for_the_contributors_whom_its_scope_covers(
    tmp_path: Path, join: str
) -> None:
    instance = an_instance(tmp_path, join=join)
    client = create_app(instance).test_client()
    for scope, number_vouched in WHOM_IT_VOUCHES_FOR.items():
        key = give_key(instance, "", (scope,)).key
        for member in ("one", "two"):
            document = a_submission(contributor_token=f"tidewater-{scope}-{member}")
            answer = client.post(
                "/v1/submissions", json=document, headers={"Authorization": f"Bearer {key}"}
            )
            assert (answer.status_code == 201) == (scope != "curate" or join == "open")
        assert count_vouched(instance) == number_vouched, scope
        batch = [a_submission(contributor_token=f"tidewater-{scope}-three")]
        client.post("/v1/submissions/batch", json=batch, headers={"Authorization": f"Bearer {key}"})
    if join == "open":
        assert client.post("/v1/submissions", json=a_submission()).status_code == 201
    assert count_vouched(instance) == sum((1, 3, 3))
    instance.close()


WHOM_IT_VOUCHES_FOR = {"submit": 1, "curate": 1, "submit_for_members": 1 + 2, "admin": 1 + 3 + 2}
"""How many contributors are vouched for after each scope sent for two, and before a third."""


def count_vouched(instance: Instance) -> int:
    with instance.reading() as connection:
        statement = "SELECT COUNT(*) FROM contributor WHERE is_vouched = 1"
        return int(connection.exec_driver_sql(statement).scalar_one())
