"""The pages that a browser visits, and how it is opened: a new page is a line in `PAGES`."""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, Literal

from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from kbapi.pages.views import guide_names
from tests.needs import program

PAGES: Final = {
    "/": 200,
    "/search?text=sable+7": 200,
    "/search?text=a+washing+machine": 200,
    # Many results, in counts, graphics, locked everywhere, hardly known, and never reported.
    "/chips/norvane-sable-7-4820mx": 200,
    "/chips/ketterly-quorrel-8-3180x": 200,
    "/chips/osmer-kestrel-660-laptop": 200,
    "/chips/norvane-tarnel-3-2115n": 200,
    "/chips/norvane-tarnel-3-2120n": 200,
    "/chips/norvane-sable-7-9990mx": 200,
    "/chips/norvane-sable-7-4820mx?machine=harbour-15": 200,
    "/chips/norvane-sable-7-4820mx?supply=steam": 422,
    "/chips/no-such-chip": 404,
    "/problems": 200,
    "/problems/above_stock": 200,
    "/guides/": 200,
    **{f"/guides/{name}": 200 for name in guide_names()},
}
"""The status of each path in the demo."""
VIEWER: Final = "/docs"
"""The viewer of the API document is not ours: only that it asks no other server is tested."""
WIDTHS: Final = (320, 768, 1280)
Scheme = Literal["light", "dark"]
SCHEMES: Final[tuple[Scheme, ...]] = ("light", "dark")
_HEIGHT: Final = 900


@contextmanager
def a_browser() -> Iterator[Browser]:
    """Debian's Chromium, driven by playwright."""
    # Its sandbox refuses the super-user, and containers have little shared memory.
    options = ["--disable-dev-shm-usage", *([] if os.getuid() else ["--no-sandbox"])]
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program("chromium"), args=options)
        yield browser
        browser.close()


@contextmanager
def a_context(
    browser: Browser, origin: str, *, has_script: bool = True
) -> Iterator[BrowserContext]:
    """A browser without a past, for paths of this server."""
    context = browser.new_context(base_url=origin, java_script_enabled=has_script)
    yield context
    context.close()


def name_of(path: str) -> str:
    """A name for the file of a page."""
    return re.sub(r"\W+", "-", path).strip("-") or "front"


def views(page: Page) -> Iterator[str]:
    """Each scheme and width, by name, while the page is shown so."""
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": _HEIGHT})
            yield f"{scheme}-{width}"
