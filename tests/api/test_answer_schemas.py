"""The examples of the OpenAPI document are accepted, never refused."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.access.keys import give_key
from kbapi.instance.instance import Instance
from tests.house.write_openapi import COMMITTED

DOCUMENT: dict[str, Any] = json.loads(COMMITTED.read_text())


def bodies() -> Iterator[Any]:
    for path, item in DOCUMENT["paths"].items():
        for media_type, content in (
            item.get("post", {}).get("requestBody", {}).get("content", {}).items()
        ):
            yield pytest.param(path, media_type, content["example"], id=f"{path} {media_type}")


def queries() -> Iterator[Any]:
    for path, item in DOCUMENT["paths"].items():
        query = {
            one["name"]: one.get("example", one["schema"].get("example"))
            for one in item.get("get", {}).get("parameters", ())
            if one["in"] == "query"
        }
        if query:
            yield pytest.param(path, query, id=path)


def example(path: str, media_type: str = "application/json") -> Any:
    return DOCUMENT["paths"][path]["post"]["requestBody"]["content"][media_type]["example"]


def sent(client: FlaskClient) -> dict[str, Any]:
    """The answer to the example of a result."""
    answer = client.post("/v1/submissions", json=example("/v1/submissions"))
    assert answer.status_code == 201
    found: dict[str, Any] = answer.get_json()
    return found


@pytest.mark.parametrize(("path", "media_type", "body"), list(bodies()))
def test_the_example_of_a_body_is_accepted(
    client: FlaskClient, instance: Instance, path: str, media_type: str, body: Any
) -> None:
    stored = sent(client)
    headers = {"Content-Type": media_type}
    if path == "/v1/review/decisions":
        headers["Authorization"] = f"Bearer {give_key(instance, '', ('curate',)).key}"
        body["decisions"][0]["submission"] = stored["id"]
    if "{submission_id}" in path:
        headers["Authorization"] = f"Bearer {stored['receipt']}"
        path = path.replace("{submission_id}", stored["id"])
    data = body if isinstance(body, str) else json.dumps(body)
    answer = client.post(path, data=data, headers=headers)
    assert answer.status_code in (200, 201), answer.get_json()


def test_the_example_of_a_result_counts_and_nothing_of_it_is_ignored(client: FlaskClient) -> None:
    found = sent(client)
    assert found["screening"] == {"status": "counted", "reasons": []}
    assert [setting["status"] for setting in found["settings"]] == ["counted"]
    assert (found["reading_ignored"], found["chip_conflict"]) == ([], None)


def test_the_example_of_a_search_is_answered_with_a_next_setting(client: FlaskClient) -> None:
    answer = client.post("/v1/next-step", json=example("/v1/next-step")).get_json()
    assert answer["next_step"] is not None
    assert answer["unused_trials"] == []


@pytest.mark.parametrize("media_type", ["application/json", "application/x-ndjson"])
def test_the_example_of_a_batch_is_stored_whole(client: FlaskClient, media_type: str) -> None:
    body = example("/v1/submissions/batch", media_type)
    answer = client.post(
        "/v1/submissions/batch",
        data=body if isinstance(body, str) else json.dumps(body),
        headers={"Content-Type": media_type},
    )
    assert (answer.status_code, answer.get_json()["counts"]["counted"]) == (201, 2)


@pytest.mark.parametrize(("path", "query"), list(queries()))
def test_the_examples_of_a_query_are_accepted_together(
    client: FlaskClient, instance: Instance, path: str, query: dict[str, Any]
) -> None:
    key = give_key(instance, "", ("curate",)).key
    stored = sent(client)
    headers = {
        "Authorization": f"Bearer {key}",
        "Kbapi-Contributor": example("/v1/submissions")["contributor_token"],
    }
    if path == "/v1/my-submissions":
        query["cursor"] = stored["id"]
    answer = client.get(path, query_string=query, headers=headers)
    assert answer.status_code == 200, answer.get_json()
