"""Every page in a real browser: widths, light and dark, with and without JavaScript."""

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.pages import PAGES, VIEWER, a_browser, a_context, name_of, views
from tests.house.write_readme import fill_demo
from tests.outside.node_tools import path_of_package, run_tool
from tests.system.server import Server

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
RUN_AXE = f"axe.run(document, {{runOnly: {json.dumps(WCAG)}, resultTypes: ['violations']}})"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    home = tmp_path_factory.mktemp("browser") / "home"
    fill_demo(home, "--results", "900")
    with Server(home) as started:
        yield started


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with a_browser() as started:
        yield started


class Watched:
    """A page in a browser, what it asks for, and what the browser complains about."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.asked: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.asked.append(request.url))
        page.on(
            "console", lambda said: self.complaints.append(f"{said.location['url']} {said.text}")
        )
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def status_of(self, path: str) -> int:
        answer = self.page.goto(path, wait_until="load")
        assert answer is not None
        return answer.status

    def complaints_beside(self, path: str) -> list[str]:
        """All but that the page is a refusal, and that there is no icon, which no page asks for."""
        known = (f"{path} Failed to load resource:", "/favicon.ico Failed to load resource:")
        return [one for one in self.complaints if not any(text in one for text in known)]

    def asked_of_others(self, origin: str) -> list[str]:
        """Addresses of other servers."""
        return [url for url in self.asked if not url.startswith((f"{origin}/", "data:"))]


@pytest.fixture(scope="module", params=[True, False], ids=["with-script", "without-script"])
def opened(
    browser: Browser, server: Server, request: pytest.FixtureRequest
) -> Iterator[tuple[Page, str, bool]]:
    origin = f"http://127.0.0.1:{server.port}"
    with a_context(browser, origin, has_script=request.param) as context:
        yield context, origin, request.param


@cache
def axe() -> str:
    """The source of axe-core, which runs beside the scripts of a page."""
    return (path_of_package("axe-core") / "axe.min.js").read_text()


def overflow(page: Page) -> str:
    """What is wider than the window, empty if nothing is."""
    return str(
        page.evaluate(
            """() => {
                const root = document.scrollingElement;
                if (root.scrollWidth <= root.clientWidth) return "";
                const wide = [...document.querySelectorAll("body *")].filter(
                    (one) => one.getBoundingClientRect().right > root.clientWidth + 0.5);
                return wide.slice(0, 3).map((one) => one.outerHTML.slice(0, 120)).join(" ");
            }"""
        )
    )


def violations(page: Page) -> list[str]:
    """What axe-core finds, with the first place of each."""
    found = page.evaluate(RUN_AXE)["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html'][:200]}" for one in found]


def faults(page: Page, *, with_axe: bool) -> list[str]:
    """What is wrong with the page, in each scheme and width."""
    found = [f"{view}: {wide}" for view in views(page) if (wide := overflow(page))]
    if with_axe:
        page.evaluate(axe())
        found += [f"{view}: {one}" for view in views(page) for one in violations(page)]
    return found


@pytest.mark.parametrize("path", PAGES)
def test_a_page_fits_every_width_is_accessible_and_asks_no_other_server(
    opened: Any, path: str
) -> None:
    context, origin, has_script = opened
    page = context.new_page()
    watched = Watched(page)
    assert watched.status_of(path) == PAGES[path]
    assert faults(page, with_axe=has_script) == []
    needs_another_look = not has_script and page.query_selector("script") is not None
    page.close()
    assert watched.complaints_beside(path) == []
    assert watched.asked_of_others(origin) == []
    if needs_another_look:
        assert faults_without_own_scripts(context.browser, origin, path) == []


def faults_without_own_scripts(browser: Browser, origin: str, path: str) -> list[str]:
    """What is wrong while the scripts of the page are kept out: axe-core is a script itself."""
    with a_context(browser, origin) as context:
        page = context.new_page()
        page.route("**/*.js", lambda route: route.abort())
        page.goto(path)
        return faults(page, with_axe=True)


def test_the_viewer_of_the_api_document_asks_no_other_server(opened: Any) -> None:
    context, origin, _ = opened
    page = context.new_page()
    watched = Watched(page)
    assert watched.status_of(VIEWER) == 200
    page.close()
    assert watched.complaints == []
    assert watched.asked_of_others(origin) == []


PLANTED = """<!DOCTYPE html><title>Planted</title><img src="http://127.0.0.1:9/elsewhere.png">
<p style="width: 700px; color: #999; background: #fff">Pale and wide.</p><b id="twice"></b>
<ul><b id="twice">No item.</b></ul></div><script>fails()</script>"""


def test_planted_faults_are_found(opened: Any, tmp_path: Path) -> None:
    context, origin, has_script = opened
    page = context.new_page()
    watched = Watched(page)
    page.route("**/planted", lambda route: route.fulfill(body=PLANTED, content_type="text/html"))
    page.goto("/planted")
    found = faults(page, with_axe=has_script)
    page.close()
    wide = [one for one in found if one.partition(" ")[2].startswith("<p style")]
    assert {one.partition(":")[0] for one in wide} == {"light-320", "dark-320"}
    for rule in ("html-has-lang", "color-contrast", "image-alt"):
        assert len([one for one in found if f" {rule}:" in one]) == (6 if has_script else 0)
    assert watched.asked_of_others(origin) == ["http://127.0.0.1:9/elsewhere.png"]
    assert any("fails" in one for one in watched.complaints) is has_script
    (tmp_path / "planted.html").write_text(PLANTED)
    rules = {one.split()[1].rstrip(":") for one in found_by_validator(tmp_path)}
    assert rules >= {"no-dup-id", "element-permitted-content", "close-order"}


def found_by_validator(folder: Path) -> list[str]:
    """What a validator of HTML finds in the files of a folder."""
    ran = run_tool("html-validate", "--config", "html.json", "--formatter", "json", folder)
    return [
        f"{Path(file['filePath']).stem}:{one['line']} {one['ruleId']}: {one['message']}"
        for file in json.loads(ran.stdout)
        for one in file["messages"]
    ]


def test_the_html_of_every_page_is_valid(server: Server, tmp_path: Path) -> None:
    for path, status in PAGES.items():
        reply = server.ask("GET", path, headers={"Accept": "text/html"})
        assert reply.status == status
        (tmp_path / f"{name_of(path)}.html").write_bytes(reply.body)
    assert found_by_validator(tmp_path) == []
    assert len(list(tmp_path.iterdir())) == len(PAGES)
