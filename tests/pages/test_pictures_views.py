"""Addresses of pictures: what they answer, what is stored, and what they never name."""

from collections.abc import Iterator
from datetime import timedelta
from itertools import product
from socket import socketpair
from typing import Any
from unittest.mock import patch

import orjson
import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import func, select

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from kbapi.pages.pictures.process import DrawingProcess, Drawn
from kbapi.server.deadlines import DeadlineSocket, with_connection
from kbapi.server.queue import Places, Turn
from kbapi.storage import answers
from kbapi.storage.tables_evidence import StoredAnswer
from tests.makers import (
    CHIP,
    HandMovedClock,
    a_setting,
    a_submission,
    an_instance,
    row_counts,
    send,
)

PICTURE = f"/chips/{CHIP}/pictures/stability"
ADDRESS = "https://club.example"


def results_of_yesterday() -> Iterator[dict[str, Any]]:
    """Results of twelve members; one of them never failed."""
    for number in range(12):
        deepest = -70 - 5 * number
        ends: dict[str, Any] = {"stable_at": deepest, "unstable_at": deepest - 5}
        if number == 6:
            ends = {"stable_at": deepest, "unstable_at": ..., "effect": {"shown_by": "less_power"}}
        yield a_submission(a_setting(**ends), number=number)


@pytest.fixture
def instance(tmp_path: Any, clock: HandMovedClock) -> Iterator[Instance]:
    made = an_instance(tmp_path, clock, name="Tidewater Bench Club", address=ADDRESS)
    for document in results_of_yesterday():
        send(made, document)
    clock.moment += timedelta(days=1)
    yield made
    made.close()


@pytest.fixture
def app(instance: Instance) -> Iterator[Flask]:
    made = create_app(instance)
    yield made
    made.extensions["kbapi_pictures"].process.close()


@pytest.fixture
def drawn() -> Iterator[list[dict[str, Any]]]:
    """What the drawing process is asked for; its place is taken by one that draws nothing."""
    asked: list[dict[str, Any]] = []

    def note(_: DrawingProcess, request: bytes) -> Drawn:
        asked.append(orjson.loads(request))
        return Drawn(b"<svg/>%d" % len(asked), 0.25)

    with patch.object(DrawingProcess, "draw", note):
        yield asked


def stored_pictures(instance: Instance) -> int:
    with instance.reading() as connection:
        of_pictures = StoredAnswer.chip_key == answers.PICTURES
        count = select(func.count()).select_from(StoredAnswer).where(of_pictures)  # type: ignore[arg-type]
        return int(connection.execute(count).scalar_one())


def test_a_picture_is_an_svg_and_a_png_of_its_size(client: FlaskClient) -> None:
    svg = client.get(f"{PICTURE}.svg")
    assert svg.content_type == "image/svg+xml"
    assert svg.data.startswith(b"<svg ")
    for query, width in (("?scale=1", 600), ("?scale=2", 1200), ("?size=preview", 1200)):
        png = client.get(f"{PICTURE}.png{query}")
        assert png.content_type == "image/png"
        assert int.from_bytes(png.data[16:20]) == width
    assert int.from_bytes(png.data[20:24]) == 630


def test_a_strict_policy_covers_pictures(client: FlaskClient, drawn: list[Any]) -> None:
    answer = client.get(f"{PICTURE}.svg")
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'; ")
    assert len(drawn) == 1
    assert "unsafe" not in answer.headers["Content-Security-Policy"]
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_an_equal_picture_is_not_sent_again(client: FlaskClient, drawn: list[Any]) -> None:
    first = client.get(f"{PICTURE}.svg")
    again = client.get(f"{PICTURE}.svg", headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    assert len(drawn) == 1


def test_a_stored_picture_is_drawn_once_until_its_answer_changes(
    client: FlaskClient, instance: Instance, clock: HandMovedClock, drawn: list[Any]
) -> None:
    first = client.get(f"{PICTURE}.svg").data
    assert client.get(f"{PICTURE}.svg").data == first
    assert (len(drawn), stored_pictures(instance)) == (1, 1)
    send(instance, a_submission(number=40))
    clock.moment += timedelta(days=1)
    assert client.get(f"{PICTURE}.svg").data != first
    assert len(drawn) == 2


def test_another_look_is_another_picture(client: FlaskClient, drawn: list[Any]) -> None:
    for query in ("", "?theme=dark", "?size=preview", "?own=-80", "?own=-81"):
        client.get(f"{PICTURE}.png{query}")
    client.get(f"{PICTURE}.svg")
    assert len(drawn) == 6
    assert [one["theme"] for one in drawn].count("dark") == 1
    assert [one["scale"] for one in drawn].count(0) == 1


def test_pictures_never_push_out_answers_and_their_own_number_is_limited(
    client: FlaskClient, instance: Instance, drawn: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(answers, "MOST_PICTURES", 3)
    monkeypatch.setattr(answers, "ANSWERS_PER_CHIP", 2)
    looks = [
        f"{PICTURE}.png?theme={theme}&size={size}&scale={scale}"
        for theme, size, scale in product(("light", "dark"), ("page", "preview"), (1, 2))
    ]
    for look in looks:
        client.get(look)
    assert stored_pictures(instance) == 3
    before = len(drawn)
    client.get(looks[-1])
    assert len(drawn) == before
    with instance.reading() as connection:
        kept = connection.execute(select(func.count()).select_from(StoredAnswer)).scalar_one()
    assert kept == 3 + 2


def test_a_picture_of_an_answer_that_is_not_stored_is_not_stored(
    client: FlaskClient, instance: Instance, drawn: list[Any]
) -> None:
    with patch.object(answers, "have_results", return_value=False):
        assert client.get(f"{PICTURE}.svg").status_code == 200
    assert (len(drawn), stored_pictures(instance)) == (1, 0)
    client.get(f"{PICTURE}.svg")
    assert (len(drawn), stored_pictures(instance)) == (2, 1)


def test_numbers_of_a_person_are_never_stored(
    client: FlaskClient, instance: Instance, drawn: list[Any]
) -> None:
    client.get(f"{PICTURE}.svg")
    before = row_counts(instance)
    own = "own_performance_stock=1000,1010&own_performance_tuned=1040,1050"
    for path in (
        f"{PICTURE}.svg?own=-85",
        f"/chips/{CHIP}/compare?own=-85&{own}",
        f"/v1/gains?chip={CHIP}&{own}",
    ):
        assert client.get(path).status_code == 200
    assert len(drawn) == 2
    assert row_counts(instance) == before


def test_a_search_is_never_stored(
    client: FlaskClient, instance: Instance, drawn: list[Any]
) -> None:
    path = f"/chips/{CHIP}/pictures/search.svg?trials=-60,-80f"
    assert client.get(path).status_code == 200
    client.get(path)
    assert (len(drawn), stored_pictures(instance)) == (2, 0)
    (points,) = (
        mark for mark in drawn[0]["chart"]["panels"][0]["marks"] if mark["label"] == "failed"
    )
    assert points["x"] == [-80.0]


def test_the_time_of_the_other_process_counts_for_the_sender(
    client: FlaskClient, drawn: list[Any]
) -> None:
    counted: list[float] = []
    with patch("kbapi.pages.pictures.views.add_cpu_time", counted.append):
        client.get(f"{PICTURE}.svg")
        client.get(f"{PICTURE}.svg")
    assert counted == [0.25]


def test_too_many_drawings_end_the_cpu_time_of_a_sender(
    tmp_path: Any, clock: HandMovedClock, drawn: list[Any]
) -> None:
    made = an_instance(tmp_path / "limited", clock, cpu_ms_per_network=2_000)
    for document in results_of_yesterday():
        send(made, document)
    clock.moment += timedelta(days=1)
    client = create_app(made).test_client()
    found = [client.get(f"{PICTURE}.svg?own={own}").status_code for own in range(-60, -20)]
    made.close()
    assert found[0] == 200
    assert found[-1] == 429
    assert len(drawn) <= 9


def test_the_text_has_the_numbers_of_the_json(client: FlaskClient) -> None:
    text = client.get(f"{PICTURE}.txt")
    assert text.content_type == "text/plain; charset=utf-8"
    lines = text.get_data(as_text=True).splitlines()
    curve = client.get(f"/v1/stability?chip={CHIP}").get_json()["own_curve"]
    head = lines.index("setting  share  lower  upper")
    rows = [
        tuple(map(float, line.split("  "))) for line in lines[head + 1 :][: len(curve["share"])]
    ]
    columns = (curve[name] for name in ("setting", "share", "lower", "upper"))
    assert rows == list(zip(*columns, strict=True))
    start = client.get(f"/v1/start?chip={CHIP}").get_json()["start"]
    assert f"start  {start['value_to_enter']}" in lines
    assert lines[-1] == f"Tidewater Bench Club · {ADDRESS} · 2026-09"


def test_ticks_are_the_failures_and_stops_of_the_json(client: FlaskClient) -> None:
    answer = client.get(f"/v1/stability?chip={CHIP}").get_json()
    lines = client.get(f"{PICTURE}.txt").get_data(as_text=True).splitlines()
    assert sum(one["units"] for one in answer["failed"]) == 11
    assert sum(one["units"] for one in answer["stopped"]) == 1
    said = [line.split("  ")[:2] for line in lines if line.startswith(("failed", "stopped"))]
    expected = [
        [kind, f"{one['setting']:g}"] for kind in ("failed", "stopped") for one in answer[kind]
    ]
    assert [[kind, f"{float(setting):g}"] for kind, setting in said] == expected


@pytest.mark.parametrize("name", ["gains", "power", "longevity", "locks"])
def test_without_results_the_problem_says_what_is_missing(client: FlaskClient, name: str) -> None:
    for ending in ("svg", "png", "txt"):
        answer = client.get(f"/chips/{CHIP}/pictures/{name}.{ending}")
        assert answer.status_code == 404
        problem = answer.get_json()
        assert problem["type"] == "/problems/picture_empty"
        assert len(problem["detail"]) > 20


def test_every_problem_of_a_query_is_listed(client: FlaskClient) -> None:
    answer = client.get(f"{PICTURE}.svg?scale=3&theme=grey&own=5&nothing=1&chip=other")
    assert answer.status_code == 422
    pointers = {one["pointer"] for one in answer.get_json()["errors"]}
    assert pointers == {"scale", "theme", "own", "nothing", "chip"}


@pytest.mark.parametrize("trials", ["", "x", "-60,,", "-60s", "1e9", ",".join(["-60"] * 65)])
def test_trials_are_bounded_and_read_strictly(client: FlaskClient, trials: str) -> None:
    answer = client.get(f"/chips/{CHIP}/pictures/search.svg", query_string={"trials": trials})
    assert answer.status_code == 422
    assert [one["pointer"] for one in answer.get_json()["errors"]] == ["trials"]


def test_an_unknown_chip_or_picture_is_not_found(client: FlaskClient) -> None:
    unknown = client.get("/chips/no-such-chip/pictures/stability.svg")
    assert unknown.get_json()["type"] == "/problems/chip_unknown"
    for path in (f"/chips/{CHIP}/pictures/other.svg", f"{PICTURE}.gif"):
        assert client.get(path).status_code == 404


def test_a_closed_instance_shows_its_pictures_to_members_alone(
    tmp_path: Any, clock: HandMovedClock
) -> None:
    made = an_instance(tmp_path / "closed", clock, join="closed", address=ADDRESS)
    client = create_app(made).test_client()
    for path in (f"{PICTURE}.svg", f"/oembed?url={ADDRESS}/chips/{CHIP}"):
        assert client.get(path).status_code == 401
    made.close()


def test_oembed_describes_the_picture_of_an_address(client: FlaskClient, drawn: list[Any]) -> None:
    for path, picture in (
        (f"/chips/{CHIP}", "stability.png?size=preview"),
        (f"{PICTURE}.svg?own=-80&theme=dark", "stability.png?own=-80&theme=dark&size=preview"),
    ):
        answer = client.get("/oembed", query_string={"url": ADDRESS + path, "format": "json"})
        found = answer.get_json()
        assert (found["type"], found["version"]) == ("photo", "1.0")
        assert (found["width"], found["height"]) == (1200, 630)
        assert found["url"] == f"{ADDRESS}/chips/{CHIP}/pictures/{picture}"
        assert found["title"].startswith("Half of 12 machines hold")
        assert client.get(found["url"].removeprefix(ADDRESS)).status_code == 200
        assert drawn[-1]["size"] == "preview"


def test_oembed_keeps_within_the_wanted_size(client: FlaskClient) -> None:
    asked = {"url": f"{ADDRESS}/chips/{CHIP}", "maxwidth": "600", "maxheight": "200"}
    found = client.get("/oembed", query_string=asked).get_json()
    assert found["width"] <= 600
    assert found["height"] <= 200
    least = client.get("/oembed", query_string={**asked, "maxwidth": "1"}).get_json()
    assert (least["width"], least["height"]) == (1, 1)


@pytest.mark.parametrize(
    "url",
    [
        "",
        f"https://other.example/chips/{CHIP}",
        f"https://club.example.other/chips/{CHIP}",
        f"https://club.example@other.example/chips/{CHIP}",
        f"http://club.example/chips/{CHIP}",
        f"//club.example/chips/{CHIP}",
        f"/chips/{CHIP}",
        f"{ADDRESS}/chips/{CHIP}/pictures/other.svg",
        f"{ADDRESS}/v1/submissions",
        f"{ADDRESS}/chips/{CHIP}#part",
    ],
)
def test_oembed_names_no_other_origin_and_no_other_path(client: FlaskClient, url: str) -> None:
    answer = client.get("/oembed", query_string={"url": url}, headers={"Host": "other.example"})
    assert answer.status_code == 404
    assert b"other" not in answer.data


def test_oembed_needs_the_address_of_the_instance(tmp_path: Any, clock: HandMovedClock) -> None:
    made = an_instance(tmp_path / "unnamed", clock)
    client = create_app(made).test_client()
    for url in (f"/chips/{CHIP}", f"http://localhost/chips/{CHIP}"):
        assert client.get("/oembed", query_string={"url": url}).status_code == 404
    made.close()


def test_a_request_holds_no_place_while_its_picture_is_drawn(app: Flask) -> None:
    places, free = Places(1, 1), []
    ours, theirs = socketpair()

    def draw(_: DrawingProcess, request: bytes) -> Drawn:
        free.append((turn.state, places.take("another")))
        places.give_back("another")
        return Drawn(b"<svg/>", 0.25)

    connection = DeadlineSocket(ours.family, ours.detach())
    with theirs, connection, patch.object(DrawingProcess, "draw", draw):
        assert places.take("this")
        turn = Turn(places, "this", lambda: None)
        connection.begin(0.0, turn)
        app.wsgi_app = with_connection(app.wsgi_app)  # type: ignore[method-assign]
        over = {"gunicorn.socket": connection}
        assert app.test_client().get(f"{PICTURE}.svg", environ_overrides=over).status_code == 200
    assert free == [("drawing", True)]
    assert places.is_full, "it has its place again"
    assert turn.state == "computing"
