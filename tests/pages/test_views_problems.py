"""Explanations of problems, as a page for people and as JSON for programs."""

import re

import pytest
from flask.testing import FlaskClient

JSON = {"Accept": "application/json"}


def test_an_explanation_is_json_where_the_request_prefers_it(client: FlaskClient) -> None:
    answer = client.get("/problems/above_stock", headers=JSON)
    assert answer.content_type == "application/json"
    found = answer.get_json()
    assert set(found) == {"code", "title", "explanation"}
    page = client.get("/problems/above_stock").get_data(as_text=True)
    assert found["code"] == "above_stock"
    assert found["title"] in page
    assert answer.headers["Vary"] == "Accept"


def test_the_list_has_the_same_problems_in_both_forms(client: FlaskClient) -> None:
    problems = client.get("/problems", headers=JSON).get_json()["problems"]
    page = client.get("/problems").get_data(as_text=True)
    assert len(problems) == page.count("<dt ")
    for one in problems:
        assert f'id="{one["code"]}"' in page


@pytest.mark.parametrize(
    "accept", [None, "*/*", "text/html,*/*;q=0.8", "application/json;q=0.5, text/html", "image/png"]
)
def test_every_other_request_gets_the_page(client: FlaskClient, accept: str | None) -> None:
    headers = {} if accept is None else {"Accept": accept}
    answer = client.get("/problems/above_stock", headers=headers)
    assert answer.mimetype == "text/html"
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]


def test_an_unknown_code_is_a_problem_in_every_form(client: FlaskClient) -> None:
    for headers in ({}, JSON):
        answer = client.get("/problems/nothing", headers=headers)
        assert answer.status_code == 404
        assert answer.mimetype == "application/problem+json"


def test_an_unknown_path_is_a_page_where_html_is_preferred(client: FlaskClient) -> None:
    page = client.get("/nothing", headers={"Accept": "text/html,*/*;q=0.8"})
    assert (page.status_code, page.mimetype) == (404, "text/html")
    assert "default-src 'none'" in page.headers["Content-Security-Policy"]
    assert page.headers["Vary"] == "Accept"
    for headers in ({}, JSON):
        answer = client.get("/nothing", headers=headers)
        assert (answer.status_code, answer.mimetype) == (404, "application/problem+json")


def test_a_page_leads_to_forms_and_has_an_icon_of_this_server(client: FlaskClient) -> None:
    answer = client.get("/problems")
    page = answer.get_data(as_text=True)
    for path in ("/", "/submit", "/my-submissions", "/guides/"):
        assert f'<a href="{path}">' in page
    icon = client.get(re.findall(r'<link rel="icon"[^>]*href="([^"]+)"', page)[0])
    assert (icon.status_code, icon.mimetype) == (200, "image/svg+xml")
    icon.close()
    assert "img-src 'self'" in answer.headers["Content-Security-Policy"]
