"""Guides are plain pages with valid links, without anything from other servers."""

import re
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from kbapi.pages import views
from kbapi.pages.views import guide_names

PATHS = ("/guides/", *(f"/guides/{name}" for name in guide_names()))
POLICY = (
    "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "style-src 'self'"
)
WITH_PICTURES = ("/guides/first-steps",)


def test_there_are_guides() -> None:
    assert set(guide_names()) >= {"backup", "data-format", "hosting", "privacy", "screening"}


@pytest.mark.parametrize("path", PATHS)
def test_a_guide_has_the_headers_of_other_pages(client: FlaskClient, path: str) -> None:
    page, other = client.get(path), client.get("/problems")
    assert page.status_code == 200
    policy = f"{POLICY}; img-src 'self'" if path in WITH_PICTURES else POLICY
    assert page.headers["Content-Security-Policy"] == policy
    assert other.headers["Content-Security-Policy"] == POLICY
    # The list of problems is JSON as well, so its answer varies with Accept.
    varying = {"RateLimit", "Content-Length", "Kbapi-Request-Id", "Vary", "Content-Security-Policy"}
    assert {name: text for name, text in page.headers if name not in varying} == {
        name: text for name, text in other.headers if name not in varying
    }


@pytest.mark.parametrize("path", PATHS)
def test_a_guide_has_one_title_and_nothing_that_its_policy_forbids(
    client: FlaskClient, path: str
) -> None:
    html = client.get(path).get_data(as_text=True)
    (heading,) = re.findall(r"<h1[^>]*>(.*?)</h1>", html)
    assert f"<title>{heading} – kbapi, undervolting results</title>" in html
    assert re.findall(r"<script|<iframe| style=| on\w+=", html) == []


@pytest.mark.parametrize("path", PATHS)
def test_a_picture_of_a_guide_is_a_file_of_this_server_with_a_text_alternative(
    client: FlaskClient, path: str
) -> None:
    html = client.get(path).get_data(as_text=True)
    pictures = re.findall(r'<img src="([^"]*)" alt="([^"]*)"', html)
    assert len(pictures) == html.count("<img") == (2 if path in WITH_PICTURES else 0)
    for source, alternative in pictures:
        picture = client.get(source)
        assert (picture.status_code, picture.mimetype) == (200, "image/svg+xml")
        picture.close()
        assert len(alternative) >= 20


@pytest.mark.parametrize("path", PATHS)
def test_every_link_of_a_guide_has_a_page_and_a_heading(client: FlaskClient, path: str) -> None:
    html = client.get(path).get_data(as_text=True)
    links = set(re.findall(r'<a href="([^"]*)"', html))
    assert len(links) >= 3
    for link in links:
        assert link.startswith("/"), link
        target, _, anchor = link.partition("#")
        page = client.get(target)
        assert page.status_code == 200, link
        assert not anchor or f'id="{anchor}"' in page.get_data(as_text=True), link


def test_the_index_links_to_every_guide_and_pages_link_to_the_index(
    client: FlaskClient,
) -> None:
    index = client.get("/guides/").get_data(as_text=True)
    assert [name for name in guide_names() if f'href="/guides/{name}"' not in index] == []
    assert client.get("/guides").get_data(as_text=True) == index
    for path in ("/docs", "/problems", "/problems/not_found"):
        assert '<a href="/guides/">' in client.get(path).get_data(as_text=True)


@pytest.mark.parametrize("name", ["nothing", "index", "hosting.md", "..", "%2e%2e%2fviews"])
def test_an_unknown_guide_is_a_problem(client: FlaskClient, name: str) -> None:
    page = client.get(f"/guides/{name}")
    assert page.status_code == 404
    assert page.get_json()["type"] == "/problems/not_found"


def test_raw_html_in_a_guide_stays_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sharp.md").write_text(
        "# A <b>bold</b> title\n\n<script>alert(1)</script>\n\n"
        "Text <i onclick='x()'>with</i> [a link](javascript:alert(1)) and\n\n<div>a block</div>\n"
    )
    monkeypatch.setattr(views, "GUIDES_FOLDER", tmp_path)
    html = views.rendered_guide("sharp").html
    assert set(re.findall(r"<(\w+)", html)) == {"h1", "p"}
    assert "&lt;script&gt;" in html
    assert "href" not in html
