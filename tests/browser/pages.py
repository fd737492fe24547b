"""The pages that a browser visits, and how it is opened: a new page is a line in `PAGES`."""

import os
import re
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from playwright.sync_api import Browser, BrowserContext, Page, Response, sync_playwright

from kbapi.pages.views import guide_names
from tests.house.write_readme import fill_demo
from tests.needs import program
from tests.system.server import Server

InstanceName = Literal["demo", "empty", "closed"]


@dataclass(frozen=True)
class Step:
    """A form that is filled in and sent with a button."""

    button: str
    typed: Mapping[str, str]


@dataclass(frozen=True)
class Visit:
    """A page: its path, and the forms that lead to it."""

    path: str
    status: int = 200
    on: InstanceName = "demo"
    steps: tuple[Step, ...] = ()

    @property
    def name(self) -> str:
        """A name for the test and for the file of the page."""
        words = [*([] if self.on == "demo" else [self.on]), self.path]
        words += [f"{step.button} {step.typed.get('value', '')}" for step in self.steps]
        words += [] if self.status == 200 else [str(self.status)]
        return re.sub(r"\W+", "-", " ".join(words)).strip("-") or "front"


_SABLE: Final = "/chips/norvane-sable-7-4820mx"
_PASSED: Final = Step("add", {"value": "-60", "outcome": "stable", "minutes": "30"})
_FAILED: Final = Step("add", {"value": "-95", "outcome": "failed", "failure": "system_hang"})
_RESULT: Final = {
    "chip": "Norvane Sable 7 4820MX",
    "stable_at": "-80",
    "unstable_at": "-95",
    "minutes": "45",
}
_OWN_GAIN: Final = "load=all_core&own_performance_stock=40.1&own_performance_tuned=42.7"

PAGES: Final = (
    Visit("/"),
    Visit("/search?text=sable+7"),
    # Two kinds of one name, and no name at all.
    Visit("/search?text=660+laptop"),
    Visit("/chips/660%20laptop", 404),
    Visit("/search?text=a+washing+machine"),
    # Many results, in counts, graphics, two machines, locked, hardly known, and never reported.
    Visit(_SABLE),
    Visit("/chips/ketterly-quorrel-8-3180x"),
    Visit("/chips/osmer-kestrel-660-laptop"),
    Visit("/chips/norvane-tarnel-3-2105y"),
    Visit("/chips/norvane-tarnel-3-2120n"),
    Visit("/chips/norvane-tarnel-3-2115n"),
    Visit("/chips/norvane-sable-7-9990mx"),
    Visit(f"{_SABLE}?machine=harbour-15"),
    Visit(f"{_SABLE}?supply=steam", 422),
    Visit("/chips/no-such-chip", 404),
    Visit("/no-such-page", 404),
    Visit("/submit"),
    Visit("/submit", 422, steps=(Step("check", {"chip": "a toaster", "stable_at": "-80 mV"}),)),
    Visit("/submit", steps=(Step("check", _RESULT),)),
    Visit(f"{_SABLE}/search"),
    Visit(f"{_SABLE}/search", steps=(_PASSED, _FAILED)),
    Visit("/chips/osmer-kestrel-660-laptop/search"),
    Visit("/compare"),
    Visit(f"{_SABLE}/compare?own=-70&{_OWN_GAIN}"),
    Visit("/my-submissions"),
    Visit("/sign-in"),
    Visit("/client"),
    Visit("/problems"),
    Visit("/problems/above_stock"),
    Visit("/guides/"),
    *(Visit(f"/guides/{name}") for name in guide_names()),
    Visit("/", on="empty"),
    Visit(_SABLE, on="empty"),
    Visit("/chips/norvane-sable-7-9990mx", on="empty"),
    Visit("/", on="closed"),
    Visit(_SABLE, on="closed"),
    Visit("/sign-in", 403, on="closed", steps=(Step("", {"access_key": "kbk_wrong"}),)),
)
"""Each page; one of the closed instance leads to the page for signing in."""
VIEWER: Final = Visit("/docs")
"""The viewer of the API document is not ours: only that it asks no other server is tested."""
WIDTHS: Final = (320, 768, 1280)
Scheme = Literal["light", "dark"]
SCHEMES: Final[tuple[Scheme, ...]] = ("light", "dark")
_HEIGHT: Final = 900


@contextmanager
def a_browser() -> Iterator[Browser]:
    """Debian's Chromium without its windows, driven by playwright: it costs half."""
    # Its sandbox refuses the super-user, and containers have little shared memory.
    options = ["--disable-dev-shm-usage", *([] if os.getuid() else ["--no-sandbox"])]
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=program("chromium-headless-shell"), args=options
        )
        yield browser
        browser.close()


@contextmanager
def a_context(browser: Browser, *, has_script: bool = True) -> Iterator[BrowserContext]:
    """A browser without a past."""
    context = browser.new_context(java_script_enabled=has_script)
    yield context
    context.close()


Origins = Mapping[InstanceName, str]


@contextmanager
def servers(folder: Path, results: int = 900) -> Iterator[Origins]:
    """A server with the demo, one without results, and one for members only, by origin."""
    fill_demo(folder / "demo", "--results", str(results))
    with ExitStack() as stack:
        demo = stack.enter_context(Server(folder / "demo"))
        empty = stack.enter_context(small_server(folder / "empty"))
        closed = stack.enter_context(small_server(folder / "closed", KBAPI_JOIN="closed"))
        started = {"demo": demo, "empty": empty, "closed": closed}
        yield {name: f"http://127.0.0.1:{server.port}" for name, server in started.items()}


def small_server(home: Path, **settings: str) -> Server:
    """A server of one process on a folder of its own."""
    home.mkdir()
    return Server(home / "home", workers=1, **settings)


def open_page(page: Page, origin: str, visit: Visit) -> Response:
    """The answer with the page, after the forms that lead to it."""
    answer = page.goto(origin + visit.path, wait_until="load")
    for step in visit.steps:
        for name, text in step.typed.items():
            field = page.locator(f"[name={name}]:visible")
            is_choice = field.evaluate("one => one.tagName") == "SELECT"
            (field.select_option if is_choice else field.fill)(text)
        button = f"button[value={step.button}]" if step.button else "main button"
        with page.expect_navigation(wait_until="load") as sent:
            page.locator(button).first.click()
        answer = sent.value
    assert answer is not None
    return answer


def views(
    page: Page, widths: tuple[int, ...] = WIDTHS, schemes: tuple[Scheme, ...] = SCHEMES
) -> Iterator[str]:
    """Each scheme and width, by name, while the page is shown so."""
    for scheme in schemes:
        page.emulate_media(color_scheme=scheme)
        for width in widths:
            page.set_viewport_size({"width": width, "height": _HEIGHT})
            yield f"{scheme}-{width}"
