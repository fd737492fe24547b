"""Pages about chips say what the JSON answers say, in every situation, and escape every text."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from html import unescape
from itertools import pairwise
from pathlib import Path
from typing import Any

import orjson
import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from kbapi.access.keys import give_key
from kbapi.advice.phrases import setting_in_short
from kbapi.app import create_app
from kbapi.curation.notes import store_notes
from kbapi.instance.instance import Instance
from kbapi.pages.chips import PARTS, PageParts, chip_page, page_question
from kbapi.pages.views import blueprint
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.tables_evidence import StoredAnswer
from tests.advice.test_stored_answers import statements
from tests.api.measured import a_measured, a_reading
from tests.makers import (
    CHIP,
    COUNT_CHIP,
    GRAPHICS,
    a_count_submission,
    a_fixed_clock_setting,
    a_setting,
    a_submission,
    an_instance,
    send,
)

HTML = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}
JSON = {"Accept": "application/json"}
SIBLING = "norvane-sable-5-4810mx"
SECTIONS = ["tuned", "begin", "gains", "power", "longevity", "watch", "notes", "related", "data"]
MOST_BYTES = 100_000
NOTE = """+++
key = "harbour-15-menu"
machine = "harbour-15"
source = "Tidewater Bench Club, bench note 3"
reviewed = "2026-06"
+++
The entry is called *Core offset* and shows only after a cold start.
"""


def page_of(client: FlaskClient, path: str, status: int = 200) -> str:
    response = client.get(path, headers=HTML)
    assert (response.status_code, response.mimetype) == (status, "text/html"), path
    return response.get_data(as_text=True)


def text_of(html: str) -> str:
    """The text of the page's content, with single spaces."""
    main = html[html.index("<main") :]
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", main)).split())


def a_lock(status: str) -> list[dict[str, Any]]:
    lock = {"domain": "core", "control": "voltage_offset", "status": status}
    return [{**lock, "found_by": "written_and_read_back"}]


def fill(instance: Instance, chip: str = CHIP, units: int = 12) -> None:
    """Results of so many members, with lock reports and readings that differ."""
    for number in range(units):
        setting = a_setting(stable_at=-80 - number % 7, unstable_at=-90 - number % 5, in_use=-70)
        readings = [a_reading("stock"), a_reading("tuned", performance=42.0 + number / 10)]
        platform = {"machine": "harbour-15", "firmware_month": "2026-03"}
        locks = a_lock("firmware_locked") if number % 4 == 3 else []
        document = a_measured(number, *readings, chip=chip, platform=platform, settings=[setting])
        if locks:
            document = a_submission(number=number, chip=chip, platform=platform, locks=locks)
            del document["settings"]
        send(instance, document)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Instance]:
    """An instance with results of one chip, which no test changes."""
    folder = tmp_path_factory.mktemp("filled")
    instance = an_instance(folder, name="Tidewater Bench Club", address="https://club.example")
    fill(instance)
    store_notes(instance, [NOTE])
    yield instance
    instance.close()


@pytest.fixture
def reader(filled: Instance) -> FlaskClient:
    return create_app(filled).test_client()


def test_the_parts_of_a_page_have_one_order(reader: FlaskClient) -> None:
    html = page_of(reader, f"/chips/{CHIP}")
    assert re.findall(r'<h2 id="(\w+)">', html) == SECTIONS
    assert "<h1>Norvane Sable 7 4820MX</h1>" in html


def test_the_number_is_typed_as_the_json_says(reader: FlaskClient) -> None:
    start = reader.get(f"/v1/start?chip={CHIP}").get_json()
    typed = setting_in_short(start["control"], start["start"]["value_to_enter"])
    html = page_of(reader, f"/chips/{CHIP}")
    assert f'<p class="setting">{typed}</p>' in html
    text = text_of(html)
    assert start["meaning"]["text"] in text
    assert f"{start['evidence']['units']} machines of this chip" in text
    assert f"sent by {start['evidence']['contributors']} members" in text
    assert f"until {start['evidence']['latest_month']}" in text


def test_two_cautions_stand_beside_the_number_and_all_of_them_on_the_page(
    reader: FlaskClient,
) -> None:
    html = page_of(reader, f"/chips/{CHIP}")
    before_gains = text_of(html[: html.index('<h2 id="gains">')])
    text = text_of(html)
    parts = reader.get(f"/chips/{CHIP}", headers=JSON).get_json()
    first = parts["start"]["cautions"][:2]
    assert [one["text"] in before_gains for one in first] == [True, True]
    every = [one["text"] for name in PARTS for one in parts[name]["cautions"]]
    assert len(set(every)) > 8
    assert [one for one in every if one not in text] == []


def test_every_summary_of_an_answer_is_on_the_page(reader: FlaskClient) -> None:
    text = text_of(page_of(reader, f"/chips/{CHIP}"))
    parts = reader.get(f"/chips/{CHIP}", headers=JSON).get_json()
    for part in ("gains", "longevity"):
        assert parts[part]["summary"] in text
    for part in ("power",):
        assert parts[part]["reason"]["text"] in text
    for gain in parts["gains"]["by_load"][0]["overall"]["gains"]:
        assert gain["text"] in text
    assert parts["locks"]["locks"][0]["text"] in text


def test_the_page_as_json_holds_the_answers_themselves(reader: FlaskClient) -> None:
    response = reader.get(f"/chips/{CHIP}", headers=JSON)
    parts = response.get_json()
    assert list(parts) == ["links", "chip", *PARTS]
    for name in PARTS:
        assert parts[name] == reader.get(f"/v1/{name}?chip={CHIP}").get_json()
        assert reader.get(parts["links"][name]).get_json() == parts[name]
    assert parts["chip"] == reader.get(parts["links"]["chip"]).get_json()
    again = reader.get(
        f"/chips/{CHIP}", headers={**JSON, "If-None-Match": response.headers["ETag"]}
    )
    assert (again.status_code, again.data) == (304, b"")


@pytest.mark.parametrize("accept", [None, "*/*", "text/html", "image/png"])
def test_other_requests_get_the_page_of_a_chip(reader: FlaskClient, accept: str | None) -> None:
    response = reader.get(f"/chips/{CHIP}", headers={} if accept is None else {"Accept": accept})
    assert response.mimetype == "text/html"
    assert response.headers["Vary"] == "Accept"
    policy = response.headers["Content-Security-Policy"]
    assert policy.endswith("style-src 'self'; img-src 'self'; script-src 'self'")
    assert "default-src 'none'" in policy
    assert "form-action 'self'" in policy


def stored_pages(instance: Instance) -> list[bytes]:
    with instance.reading() as connection:
        bodies = connection.execute(select(StoredAnswer.body)).scalars()
        return [body for body in bodies if body.startswith(b"<!DOCTYPE html>")]


@pytest.fixture
def large(instance: Instance) -> Instance:
    """A chip with so many results that those of other lines do not change its answers."""
    fill(instance, units=16)
    return instance


def test_a_page_is_stored_until_a_result_changes_it(large: Instance) -> None:
    reader = create_app(large).test_client()
    first = reader.get(f"/chips/{CHIP}", headers=HTML)
    assert stored_pages(large) == [first.data]
    second = reader.get(f"/chips/{CHIP}", headers=HTML)
    assert (second.data, second.headers["ETag"]) == (first.data, first.headers["ETag"])
    named = {**HTML, "If-None-Match": first.headers["ETag"]}
    assert reader.get(f"/chips/{CHIP}", headers=named).status_code == 304
    send(large, a_submission(a_setting(stable_at=-70, unstable_at=-75), number=40))
    changed = reader.get(f"/chips/{CHIP}", headers=named)
    assert changed.status_code == 200
    assert "13 machines of this chip" in text_of(changed.get_data(as_text=True))
    assert stored_pages(large) == [changed.data]


def test_a_stored_page_is_read_with_one_statement(large: Instance) -> None:
    reader = create_app(large, is_guarded=False).test_client()
    page_of(reader, f"/chips/{CHIP}")
    with traced(large) as hot, statements() as seen:
        page_of(reader, f"/chips/{CHIP}")
    assert (hot, seen) == (["SELECT"], [])


@contextmanager
def traced(instance: Instance) -> Iterator[list[str]]:
    """The first word of every hot read meanwhile."""
    hot: list[str] = []
    connection = instance.hot_reads._take()
    connection.set_trace_callback(lambda statement: hot.append(statement.split()[0]))
    instance.hot_reads._idle.append(connection)
    yield hot
    connection.set_trace_callback(None)


def test_a_page_is_stored_only_if_its_answers_are(filled: Instance, reader: FlaskClient) -> None:
    # Anyone can think up such a name.
    page_of(reader, "/chips/norvane-sable-9-4891k")
    with filled.reading() as connection:
        assert [*connection.execute(select(StoredAnswer.body)).scalars()] == []
    # Results of other lines change this start, so each of them outdates the page.
    page_of(reader, f"/chips/{CHIP}")
    (before,) = stored_pages(filled)
    send(filled, a_count_submission(14, 15, 9_000))
    page_of(reader, f"/chips/{CHIP}")
    with statements() as seen:
        page_of(reader, f"/chips/{CHIP}")
    assert seen == []
    assert len(stored_pages(filled)) == 1
    with filled.reading() as connection:
        stamps = [*connection.execute(select(StoredAnswer.stamp_version)).scalars()]
    assert any(stamp.startswith("*") for stamp in stamps)
    assert before


def test_a_page_of_another_name_or_address_is_another_page(tmp_path: Path) -> None:
    pages = []
    for name in ("Tidewater Bench Club", "Harbour Bench Club"):
        instance = an_instance(tmp_path, name=name)
        if not pages:
            fill(instance)
        pages.append(page_of(create_app(instance).test_client(), f"/chips/{CHIP}"))
        instance.close()
    assert [name in page for page, name in zip(pages, ("Tidewater", "Harbour"), strict=True)] == [
        True,
        True,
    ]


def test_no_page_repeats_the_host_of_a_request(reader: FlaskClient) -> None:
    for path in ("/", f"/chips/{CHIP}", "/search?text=nothing"):
        html = reader.get(path, headers={**HTML, "Host": "evil.example"}).get_data(as_text=True)
        assert "evil" not in html
    html = page_of(reader, f"/chips/{CHIP}")
    assert f'<meta property="og:url" content="https://club.example/chips/{CHIP}">' in html


def test_links_of_a_page_are_answered(reader: FlaskClient) -> None:
    html = page_of(reader, f"/chips/{CHIP}")
    later = ("/search", "/compare", "/submit", "/pictures/")
    links = set(re.findall(r'href="(/[^"#]*)"', html))
    assert len(links) > 12
    for link in links:
        if not any(one in link for one in later):
            with reader.get(unescape(link)) as answer:
                assert answer.status_code == 200, link


def test_a_page_with_its_styles_is_small(filled: Instance, reader: FlaskClient) -> None:
    html = page_of(reader, f"/chips/{CHIP}")
    assert blueprint.static_folder is not None
    styles = re.findall(r'<link rel="stylesheet" href="/static/([^"]+)"', html)
    scripts = re.findall(r'<script src="/static/([^"]+)"', html)
    assert (len(styles), len(scripts)) == (2, 1)
    files = (Path(blueprint.static_folder, name).stat().st_size for name in styles + scripts)
    assert len(html.encode()) + sum(files) <= MOST_BYTES


def test_a_page_has_landmarks_labels_and_headings_in_order(reader: FlaskClient) -> None:
    send_graphics(reader)  # of another chip
    for path in ("/", f"/chips/{CHIP}", "/chips/osmer-kestrel-640-laptop", "/search?text=nothing"):
        html = page_of(reader, path)
        levels = [int(level) for level in re.findall(r"<h([1-6])\b", html)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after <= before + 1 for before, after in pairwise(levels)), path
        for landmark in ("<header>", "<nav ", '<main id="content">'):
            assert html.count(landmark) == 1, path
        assert '<html lang="en">' in html
        for field in re.findall(r"<input [^>]*id=\"(\w+)\"", html):
            assert f'<label for="{field}">' in html, path
        assert re.findall(r" style=| on\w+=|<script>|<style", html) == [], path


def send_graphics(client: FlaskClient) -> None:
    for number in range(8):
        setting = a_fixed_clock_setting(stable_at=810 - number, unstable_at=795 - number)
        document = a_submission(setting, number=number, chip=GRAPHICS)
        assert client.post("/v1/submissions", json=document).status_code == 201


def test_graphics_at_a_fixed_clock_ask_for_the_clock(reader: FlaskClient) -> None:
    send_graphics(reader)
    html = page_of(reader, "/chips/osmer-kestrel-640-laptop")
    start = reader.get("/v1/start?chip=osmer-kestrel-640-laptop").get_json()
    assert f"{-start['start']['value_to_enter']} mV below stock</p>" in html
    assert "mV below your own stock voltage at that clock" in html
    assert '<label for="clock_mhz">Your clock in MHz</label>' in html
    of_clock = page_of(reader, "/chips/osmer-kestrel-640-laptop?clock_mhz=1850")
    assert "At 1850 MHz the reported stock voltage is 900 mV" in text_of(of_clock)


def test_counts_stay_counts(filled: Instance, reader: FlaskClient) -> None:
    for number in range(9):
        send(filled, a_count_submission(20 + number, 22 + number, number))
    html = page_of(reader, "/chips/ketterly-drift-6-2350u")
    begin = html[html.index('id="begin"') : html.index('id="gains"')]
    assert re.search(r'<p class="setting">-\d+ counts</p>', begin)
    assert " mV" not in text_of(f"<main>{begin}")
    assert "Never enter one as the other." in begin
    assert COUNT_CHIP in html


@pytest.mark.parametrize("units", [1, 3, 4])
def test_few_machines_are_no_empty_chart(tmp_path: Path, units: int) -> None:
    instance = an_instance(tmp_path)
    for number in range(units):
        send(instance, a_submission(number=number))
    client = create_app(instance).test_client()
    html = page_of(client, f"/chips/{CHIP}")
    start = client.get(f"/v1/start?chip={CHIP}").get_json()
    text = text_of(html)
    assert f"{units} machine{'' if units == 1 else 's'} of this chip" in text
    assert "sent by" not in text
    if start["start"] is None:
        assert start["reason"]["text"] in text
        assert 'class="setting"' not in html
    for part in ("gains", "power"):
        assert client.get(f"/v1/{part}?chip={CHIP}").get_json()["reason"]["text"] in text
    assert "<img" not in html
    instance.close()


def test_without_own_results_related_chips_stand_behind_the_start(reader: FlaskClient) -> None:
    text = text_of(page_of(reader, f"/chips/{SIBLING}"))
    start = reader.get(f"/v1/start?chip={SIBLING}").get_json()
    assert text.startswith("Norvane Sable 5 4810MX No machine of this chip has a counted result")
    assert "Norvane Sable 7 4820MX" in text
    if start["start"] is None:
        assert start["reason"]["text"] in text
    else:
        assert f"{start['evidence']['borrowed_units']} machines of related chips" in text


def test_nothing_at_all_still_says_what_would_help(client: FlaskClient) -> None:
    text = text_of(page_of(client, "/chips/norvane-tarnel-5-2130y"))
    assert "No machine of this chip has a counted result yet." in text
    assert "Begin at stock with the smallest step" in text
    assert "send yours" in text
    assert "No related chip is known here." not in text


def test_a_chip_that_is_locked_at_the_factory_says_what_is_left(client: FlaskClient) -> None:
    locked = next(
        chip["key"]
        for chip in client.get("/v1/chips?limit=200&kind=cpu").get_json()["chips"]
        if client.get(f"/v1/chips/{chip['key']}").get_json()["factory_lock"]["status"] == "locked"
    )
    html = page_of(client, f"/chips/{locked}")
    answer = client.get(f"/v1/locks?chip={locked}").get_json()
    text = text_of(html)
    assert answer["factory_lock"]["text"] in text
    assert all(one in text for one in answer["alternatives"])
    assert "<details open>" in html
    assert "Search step by step" not in text
    assert text.index(answer["cautions"][0]["text"]) < text.index("What it gains")


def test_a_text_of_the_system_leads_to_its_chip(client: FlaskClient) -> None:
    for path in (
        "/search?text=Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        "/search?text=  Norvane(R)   Sable(TM) 7 4820MX  ",
        "/chips/Norvane Sable 7 4820MX",
    ):
        response = client.get(path, headers=HTML)
        assert (response.status_code, response.headers["Location"]) == (302, f"/chips/{CHIP}")
    assert client.get("/search?text=", headers=HTML).headers["Location"] == "/"


def test_an_unknown_text_gets_its_reason_and_names_like_it(client: FlaskClient) -> None:
    text = text_of(page_of(client, "/search?text=Norvane Sable 4820"))
    assert "Norvane Sable 7 4820MX" in text
    nothing = page_of(client, "/search?text=nothing")
    assert "Send it as the system prints it." in text_of(nothing)
    assert 'value="nothing"' in nothing


def test_other_settings_of_a_chip_have_pages_of_their_own(
    instance: Instance, client: FlaskClient
) -> None:
    for number in range(6):
        setting = a_setting(domain="graphics", stable_at=-40, unstable_at=-50)
        send(instance, a_submission(a_setting(), setting, number=number))
    html = page_of(client, f"/chips/{CHIP}?domain=core")
    (link,) = re.findall(r'href="(/chips/[^"]+\?domain=graphics[^"]*)"', html)
    other = page_of(client, unescape(link))
    assert " on graphics" in text_of(other)
    assert "6 machines of this chip" in text_of(other)


def test_an_unknown_parameter_is_a_problem_in_the_form_that_is_preferred(
    client: FlaskClient,
) -> None:
    path = f"/chips/{CHIP}?colour=red"
    assert "This page takes domain, control" in text_of(page_of(client, path, 422))
    answer = client.get(path, headers=JSON)
    assert (answer.status_code, answer.mimetype) == (422, "application/problem+json")
    assert answer.get_json()["errors"][0]["pointer"] == "colour"
    assert text_of(page_of(client, f"/chips/{CHIP}?clock_mhz=fast", 422))


def test_the_front_page_is_a_page_only_where_html_is_preferred(client: FlaskClient) -> None:
    for accept in (None, "*/*", "application/json", "image/png"):
        headers = {} if accept is None else {"Accept": accept}
        answer = client.get("/", headers=headers)
        assert answer.get_json() == client.get("/v1").get_json()
        assert answer.headers["Vary"] == "Accept"
    page = client.get("/", headers=HTML)
    assert (page.mimetype, page.headers["Vary"]) == ("text/html", "Accept")


def test_the_front_page_lists_chips_by_machines(instance: Instance, client: FlaskClient) -> None:
    fill(instance)
    fill(instance, SIBLING, units=5)
    html = page_of(client, "/")
    rows = re.findall(r'<td><a href="/chips/([^"]+)">[^<]+</a></td><td class="number">(\d+)', html)
    assert rows == [(CHIP, "9"), (SIBLING, "4")]
    assert 'action="/search"' in html
    news = html[html.index("What is new") :]
    assert news.index(SIBLING) < news.index(CHIP)


def test_an_empty_instance_invites_the_first_result(client: FlaskClient) -> None:
    text = text_of(page_of(client, "/"))
    assert "There are no results yet. Send the first one" in text


def test_a_closed_instance_shows_no_chip_without_a_key(tmp_path: Path) -> None:
    instance = an_instance(tmp_path, join="closed")
    fill(instance)
    key = give_key(instance, "Member", ("submit",)).key
    client = create_app(instance).test_client()
    assert CHIP not in page_of(client, "/")
    for path in (f"/chips/{CHIP}", f"/search?text={CHIP}"):
        led = client.get(path, headers=HTML)
        assert led.status_code == 303
        assert led.headers["Location"].startswith("/sign-in?then=%2F")
        assert CHIP not in led.get_data(as_text=True)
        assert client.get(path, headers=JSON).status_code == 401
    member = {**HTML, "Authorization": f"Bearer {key}"}
    assert client.get(f"/chips/{CHIP}", headers=member).status_code == 200
    instance.close()


PLANTED = "\"'><x-planted>&lt;script>alert(1)</script><!--"


def planted(value: Any) -> Any:
    """The answer with markup at the end of every text, apart from codes that order cautions."""
    if isinstance(value, dict):
        return {name: part if name == "code" else planted(part) for name, part in value.items()}
    if isinstance(value, list):
        return [planted(part) for part in value]
    return value + PLANTED if isinstance(value, str) else value


def test_markup_in_any_text_of_an_answer_stays_text(filled: Instance, reader: FlaskClient) -> None:
    read = reader.get(f"/chips/{CHIP}", headers=JSON).get_json()
    assert read["locks"]["notes"]
    answers = {name: AnswerBytes(orjson.dumps(planted(read[name])), "an-etag") for name in PARTS}
    parts = PageParts(answers, {"stability": PLANTED}, ())
    with reader.application.test_request_context(f"/chips/{CHIP}"):
        html = chip_page(page_question(filled, CHIP, ""), parts).decode()
    assert html.count("&lt;x-planted&gt;") > 40
    for markup in ("<x-planted", "<script>", "<!--"):
        assert markup not in html
    for attribute in re.findall(r'="([^"]*)"', html):
        assert "<" not in attribute


def test_markup_in_a_sent_text_or_a_question_stays_text(client: FlaskClient) -> None:
    for path in (f"/search?text={PLANTED}", f"/chips/{PLANTED}".replace("/script", "")):
        response = client.get(path, headers=HTML)
        assert "<x-planted" not in response.get_data(as_text=True)
    assert "&lt;x-planted&gt;" in client.get(f"/search?text={PLANTED}", headers=HTML).text
    platform = {"machine": "harbour-15", "firmware": "1.14"}
    for field in ("machine", "firmware", "microcode", "driver", "os"):
        document = a_submission(platform={**platform, field: f"1.14{PLANTED}"})
        client.post("/v1/submissions", json=document)
    client.post("/v1/submissions", json=a_submission(client=PLANTED))
    client.post("/v1/submissions", json=a_submission(chip=f"Norvane Sable 7 4820MX {PLANTED}"))
    for path in ("/", f"/chips/{CHIP}"):
        assert "x-planted" not in page_of(client, path)
