"""Every page in a real browser: widths, light and dark, with and without JavaScript.

What is tested once, because another combination would add nothing: no width depends on colours, so
widths are measured in light only, and without JavaScript at the smallest one. axe runs in both
schemes at the smallest width, where most wraps; without scripts of the page in light, and only on
pages that have one.
"""

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from tests.browser.pages import (
    PAGES,
    SCHEMES,
    VIEWER,
    WIDTHS,
    Origins,
    Scheme,
    Visit,
    a_browser,
    a_context,
    open_page,
    servers,
    small_server,
    views,
)
from tests.outside.node_tools import path_of_package, run_tool

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
RUN_AXE = f"axe.run(document, {{runOnly: {json.dumps(WCAG)}, resultTypes: ['violations']}})"
PHONE = WIDTHS[:1]


@pytest.fixture(scope="module")
def origins(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Origins]:
    with servers(tmp_path_factory.mktemp("browser")) as started:
        yield started


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with a_browser() as started:
        yield started


@pytest.fixture(scope="module")
def html_of() -> dict[str, bytes]:
    """The HTML of pages that a test has opened, by name."""
    return {}


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

    def complaints_beside_refusal(self) -> list[str]:
        """All but that the page itself is a refusal."""
        known = f"{self.page.url} Failed to load resource:"
        return [one for one in self.complaints if not one.startswith(known)]

    def asked_of_others(self, origin: str) -> list[str]:
        """Addresses of other servers."""
        return [url for url in self.asked if not url.startswith((f"{origin}/", "data:"))]


class Opened(NamedTuple):
    """A browser with or without JavaScript, and the servers."""

    context: BrowserContext
    origins: Origins
    has_script: bool


@pytest.fixture(scope="module", params=[True, False], ids=["with-script", "without-script"])
def opened(browser: Browser, origins: Origins, request: pytest.FixtureRequest) -> Iterator[Opened]:
    with a_context(browser, has_script=request.param) as context:
        yield Opened(context, origins, request.param)


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


def faults(page: Page, *, has_script: bool) -> list[str]:
    """What is wrong with the page, in each scheme and width that adds something."""
    widths = WIDTHS if has_script else PHONE
    found = [
        f"{view}: {wide}" for view in views(page, widths, ("light",)) if (wide := overflow(page))
    ]
    return found + (faults_of_axe(page) if has_script else [])


def faults_of_axe(page: Page, *schemes: Scheme) -> list[str]:
    """What axe-core finds in these schemes, in both unless given."""
    page.evaluate(axe())
    return [
        f"{view}: {one}"
        for view in views(page, PHONE, schemes or SCHEMES)
        for one in violations(page)
    ]


@pytest.mark.parametrize("visit", PAGES, ids=[visit.name for visit in PAGES])
def test_a_page_fits_every_width_is_accessible_and_asks_no_other_server(
    opened: Opened, visit: Visit, html_of: dict[str, bytes]
) -> None:
    context, origins, has_script = opened
    page = context.new_page()
    watched = Watched(page)
    answer = open_page(page, origins[visit.on], visit)
    assert answer.status == visit.status
    html_of[visit.name] = answer.body()
    assert faults(page, has_script=has_script) == []
    needs_another_look = not has_script and page.query_selector("script") is not None
    assert watched.complaints_beside_refusal() == []
    assert watched.asked_of_others(origins[visit.on]) == []
    page.close()
    if needs_another_look:
        assert context.browser is not None
        assert faults_without_own_scripts(context.browser, origins[visit.on], visit) == []


def faults_without_own_scripts(browser: Browser, origin: str, visit: Visit) -> list[str]:
    """What is wrong while the scripts of the page are kept out: axe-core is a script itself."""
    with a_context(browser) as context:
        page = context.new_page()
        page.route("**/*.js", lambda route: route.abort())
        open_page(page, origin, visit)
        return faults_of_axe(page, "light")


def test_the_viewer_of_the_api_document_asks_no_other_server(opened: Opened) -> None:
    context, origins, _ = opened
    page = context.new_page()
    watched = Watched(page)
    assert open_page(page, origins["demo"], VIEWER).status == VIEWER.status
    page.close()
    assert watched.complaints == []
    assert watched.asked_of_others(origins["demo"]) == []


PLANTED = """<!DOCTYPE html><title>Planted</title><img src="http://127.0.0.1:9/elsewhere.png">
<p style="width: 700px; color: #999; background: #fff">Pale and wide.</p><b id="twice"></b>
<ul><b id="twice">No item.</b></ul></div><script>fails()</script>"""


def test_planted_faults_are_found(opened: Opened, tmp_path: Path) -> None:
    context, origins, has_script = opened
    page = context.new_page()
    watched = Watched(page)
    page.route("**/planted", lambda route: route.fulfill(body=PLANTED, content_type="text/html"))
    page.goto(f"{origins['demo']}/planted")
    found = faults(page, has_script=has_script)
    page.close()
    wide = [one for one in found if one.partition(" ")[2].startswith("<p style")]
    assert {one.partition(":")[0] for one in wide} == {"light-320"}
    for rule in ("html-has-lang", "color-contrast", "image-alt"):
        assert len([one for one in found if f" {rule}:" in one]) == (2 if has_script else 0)
    assert watched.asked_of_others(origins["demo"]) == ["http://127.0.0.1:9/elsewhere.png"]
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


def test_the_html_of_every_page_is_valid(
    browser: Browser, origins: Origins, html_of: dict[str, bytes], tmp_path: Path
) -> None:
    with a_context(browser, has_script=False) as context:
        page = context.new_page()
        page.route("**/pictures/**", lambda route: route.abort())
        for visit in PAGES:
            if visit.name not in html_of:
                answer = open_page(page, origins[visit.on], visit)
                assert answer.status == visit.status
                html_of[visit.name] = answer.body()
    for name, html in html_of.items():
        (tmp_path / f"{name}.html").write_bytes(html)
    assert found_by_validator(tmp_path) == []
    assert len(list(tmp_path.iterdir())) == len(PAGES)


FOCUSED = """() => {
    const one = document.activeElement, box = one.getBoundingClientRect();
    const is_seen = box.width > 0 && box.bottom > 0 && box.top < window.innerHeight;
    return is_seen && getComputedStyle(one).outlineStyle !== "none";
}"""


def tab_to(page: Page, target: str) -> None:
    """Press Tab until this element has the focus; each one on the way shows that it has it."""
    for _ in range(150):
        page.keyboard.press("Tab")
        assert page.evaluate(FOCUSED), page.evaluate("() => document.activeElement.outerHTML")
        if page.evaluate("target => document.activeElement.matches(target)", target):
            return
    raise AssertionError(f"Tab leads to no {target}")


def enter(page: Page) -> None:
    """Press Enter where it opens another page."""
    with page.expect_navigation(wait_until="load"):
        page.keyboard.press("Enter")


def test_the_keyboard_alone_sends_a_result_and_finds_it_again(
    browser: Browser, tmp_path: Path
) -> None:
    with (
        small_server(tmp_path / "keyboard") as server,
        a_context(browser, has_script=False) as context,
    ):
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{server.port}/")
        tab_to(page, "[href='/submit']")
        enter(page)
        for name, text in (("chip", "Norvane Sable 7 4820MX"), ("stable_at", "-80")):
            tab_to(page, f"[name={name}]")
            page.keyboard.type(text)
        tab_to(page, "[name=failure]")
        page.keyboard.type("system_h")
        tab_to(page, "[name=action][value=check]")
        enter(page)
        assert page.input_value("[name=failure]") == "system_hang"
        tab_to(page, "[name=action][value=send]")
        enter(page)
        assert page.inner_text("h1") == "Your result is stored"
        assert faults(page, has_script=False) == []
        token = page.inner_text("dt:has-text('contributor token') + dd")
        tab_to(page, "[href='/my-submissions']")
        enter(page)
        tab_to(page, "[name=contributor_token]")
        page.keyboard.type(token)
        enter(page)
        assert "Norvane Sable 7 4820MX" in page.inner_text("main h2")
        tab_to(page, "[name=action][value=open]")
        assert faults(page, has_script=False) == []
