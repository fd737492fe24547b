"""The header fields of answers: those that the OpenAPI document lists, and no other ones."""

import json
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from kbapi.access.keys import give_key
from kbapi.advice.stored_answers import stored_key
from kbapi.api.answer_schemas import HEADERS
from kbapi.app import create_app
from kbapi.instance.instance import Instance
from kbapi.intake import my_submissions
from kbapi.storage.answers import AnswerBytes
from tests.curation.makers import send_deep
from tests.house.write_openapi import COMMITTED
from tests.makers import CHIP, HandMovedClock, a_question, a_submission, an_instance, send

DOCUMENT: dict[str, Any] = json.loads(COMMITTED.read_text())
OF_EVERY_SITE = {
    "Content-Length",
    "Content-Security-Policy",
    "Content-Type",
    "Referrer-Policy",
    "X-Content-Type-Options",
    "X-Frame-Options",
}
"""What any answer of any service says, which no client of this one acts upon."""

RESULT = "/v1/submissions/{submission_id}"
START = f"/v1/start?chip={CHIP}"
UNKNOWN = "01a21000-8800-736b-8fa7-7e16bf7f60fd"


class Watcher:
    """Asks, and notes which fields each answer came with."""

    def __init__(self) -> None:
        self.seen: dict[tuple[str, str, str], set[str]] = defaultdict(set)

    def ask(
        self, client: FlaskClient, method: str, path: str, sent: str = "", **options: Any
    ) -> TestResponse:
        answer = client.open(sent or path, method=method, **options)
        place = (method.lower(), path.partition("?")[0], str(answer.status_code))
        fields = set(answer.headers.keys()) - OF_EVERY_SITE
        described = DOCUMENT["paths"][place[1]][place[0]]["responses"][place[2]]["headers"]
        assert fields <= set(described), place
        for name in described:
            assert name in fields or not HEADERS[name].get("required"), (place, name)
        self.seen[place] |= fields
        return answer


def look_around(watcher: Watcher, instance: Instance) -> None:
    """Every kind of answer that needs no other settings."""
    client = create_app(instance).test_client()
    curator = {"Authorization": f"Bearer {give_key(instance, '', ('curate',)).key}"}
    for path in ("/health/live", "/health/ready", "/metrics"):
        watcher.ask(client, "GET", path)
    watcher.ask(client, "POST", "/v1/submissions", data="{", content_type="application/json")
    watcher.ask(client, "POST", "/v1/submissions", data="{", content_type="text/plain")
    watcher.ask(client, "POST", "/v1/submissions", json={})
    stored = watcher.ask(client, "POST", "/v1/submissions", json=a_submission()).get_json()
    many = "/v1/submissions/batch"
    watcher.ask(client, "POST", many, json=[a_submission(number=2)])
    watcher.ask(client, "POST", many, json=[a_submission(number=3), {}])
    own = {"Authorization": f"Bearer {stored['receipt']}"}
    here = RESULT.format(submission_id=stored["id"])
    watcher.ask(client, "GET", RESULT, here)
    watcher.ask(client, "GET", RESULT, here, headers={"Authorization": "Bearer kbr_0"})
    watcher.ask(client, "GET", RESULT, f"{here[:-1]}_", headers=own)
    watcher.ask(client, "GET", RESULT, here, headers=own)
    watcher.ask(client, "DELETE", RESULT, here, headers=own)
    watcher.ask(client, "GET", RESULT, here, headers=own)
    watcher.ask(client, "GET", "/v1/my-submissions")
    watcher.ask(client, "GET", "/v1/review")
    watcher.ask(client, "GET", "/v1/review", headers={"Authorization": "Bearer kbk_0"})
    watcher.ask(client, "GET", "/v1/review", headers=curator)
    item = "/v1/review/{submission_id}/{ordinal}"
    watcher.ask(client, "GET", item, f"/v1/review/{UNKNOWN}/0", headers=curator)
    watcher.ask(client, "GET", START, f"{START}&confidence=2")
    etag = watcher.ask(client, "GET", START).headers["ETag"]
    watcher.ask(client, "GET", START, headers={"If-None-Match": etag})
    watcher.ask(client, "POST", "/v1/next-step", json={"chip": CHIP})
    watcher.ask(client, "GET", "/v1")
    chips = watcher.ask(client, "GET", "/v1/chips", "/v1/chips?limit=1")
    same = {"If-None-Match": chips.headers["ETag"]}
    watcher.ask(client, "GET", "/v1/chips", "/v1/chips?limit=1", headers=same)


def ask_while_the_next_answer_is_computed(watcher: Watcher, instance: Instance) -> None:
    client = create_app(instance).test_client()
    # The first is computed, the second is stored and right: it is what is given meanwhile.
    etag = [client.get(START).headers["ETag"] for _ in range(2)][1]
    send(instance, a_submission(number=9))

    def compute() -> AnswerBytes:
        watcher.ask(client, "GET", START)
        watcher.ask(client, "GET", START, headers={"If-None-Match": etag})
        return AnswerBytes(b"{}", "the-next")

    instance.single_flight.fly(stored_key(instance, "start", a_question(instance)), compute)


def ask_too_often(watcher: Watcher, folder: Path, clock: HandMovedClock) -> None:
    with_limit = an_instance(folder, clock, rate_per_network=1)
    client = create_app(with_limit).test_client()
    for _ in range(2):
        watcher.ask(client, "GET", START)
    with_limit.close()


def send_to_what_is_read_only(watcher: Watcher, folder: Path, clock: HandMovedClock) -> None:
    an_instance(folder, clock).close()
    closed = an_instance(folder, clock, read_only=True)
    watcher.ask(create_app(closed).test_client(), "POST", "/v1/submissions", json=a_submission())
    closed.close()


@pytest.fixture(scope="module")
def watcher(tmp_path_factory: pytest.TempPathFactory) -> Watcher:
    watcher, clock = Watcher(), HandMovedClock()
    instance = an_instance(tmp_path_factory.mktemp("open"), clock)
    look_around(watcher, instance)
    ask_while_the_next_answer_is_computed(watcher, instance)
    instance.close()
    ask_too_often(watcher, tmp_path_factory.mktemp("limited"), clock)
    send_to_what_is_read_only(watcher, tmp_path_factory.mktemp("closed"), clock)
    return watcher


def test_every_kind_of_answer_was_checked(watcher: Watcher) -> None:
    statuses = {status for _, _, status in watcher.seen}
    assert statuses >= {"200", "201", "204", "207", "304", "400", "401", "403", "404", "410"}
    assert statuses >= {"415", "422", "429", "503"}


@pytest.mark.parametrize("name", HEADERS)
def test_every_described_field_is_in_an_answer(watcher: Watcher, name: str) -> None:
    assert any(name in fields for fields in watcher.seen.values())


@pytest.mark.parametrize(
    ("place", "names"),
    [
        (("get", "/v1/start", "200"), {"ETag", "Age", "RateLimit", "RateLimit-Policy"}),
        (("get", "/v1/start", "304"), {"ETag", "Age", "RateLimit", "RateLimit-Policy"}),
        (("get", "/v1/start", "429"), {"Retry-After", "RateLimit", "RateLimit-Policy"}),
        (("post", "/v1/submissions", "503"), {"Retry-After", "RateLimit", "RateLimit-Policy"}),
        (("get", "/v1/chips", "200"), {"ETag", "Link", "RateLimit", "RateLimit-Policy"}),
        (("post", "/v1/submissions", "201"), {"Location", "RateLimit", "RateLimit-Policy"}),
        (("get", RESULT, "401"), {"WWW-Authenticate", "RateLimit", "RateLimit-Policy"}),
        (("delete", RESULT, "204"), {"RateLimit", "RateLimit-Policy"}),
        (("get", "/health/live", "200"), set()),
    ],
)
def test_every_answer_has_all_described_fields(
    watcher: Watcher, place: tuple[str, str, str], names: set[str]
) -> None:
    method, path, status = place
    described = DOCUMENT["paths"][path][method]["responses"][status]["headers"]
    wanted = {"Kbapi-Request-Id", "Cache-Control"} | names
    assert watcher.seen[place] == set(described) == wanted


def test_the_link_field_leads_through_every_list(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(my_submissions, "RESULTS_A_PAGE", 2)
    instance = an_instance(tmp_path)
    member = "tidewater-member-000001"
    for number in range(5):
        send_deep(instance, number, contributor_token=member)
    client = create_app(instance).test_client()
    key = {"Authorization": f"Bearer {give_key(instance, '', ('curate',)).key}"}
    for first, headers, entries in (
        ("/v1/chips?limit=2&kind=cpu", {}, "chips"),
        ("/v1/review?limit=2", key, "waiting"),
        ("/v1/my-submissions", {"Kbapi-Contributor": member}, "submissions"),
    ):
        path, sizes = first, []
        while path:
            answer = client.get(path, headers=headers)
            page = answer.get_json()
            sizes.append(len(page[entries]))
            link = answer.headers.get("Link", "")
            assert (not link) == (page["next_cursor"] is None)
            path = link.removeprefix("<").removesuffix('>; rel="next"')
        assert len(sizes) >= 3, first
        assert set(sizes[:-1]) == {2}, first
