"""`python -m tests.browser screenshots --to DIR`: every page at three widths, light and dark."""

import argparse
import tempfile
from pathlib import Path

from tests.browser.pages import PAGES, a_browser, a_context, open_page, servers, views

parser = argparse.ArgumentParser(prog="python -m tests.browser")
parser.add_argument("command", choices=["screenshots"])
parser.add_argument("--to", type=Path, required=True, help="folder for the PNG files")
parser.add_argument("--only", default="", help="pages whose name holds this text")
parser.add_argument("--results", type=int, default=900, help="results in the demo")
arguments = parser.parse_args()
arguments.to.mkdir(parents=True, exist_ok=True)

with (
    tempfile.TemporaryDirectory() as folder,
    servers(Path(folder), arguments.results) as origins,
    a_browser() as browser,
    a_context(browser) as context,
):
    page = context.new_page()
    for visit in (visit for visit in PAGES if arguments.only in visit.name):
        open_page(page, origins[visit.on], visit)
        for view in views(page):
            file = arguments.to / f"{visit.name}-{view}.png"
            page.wait_for_load_state("networkidle")
            page.screenshot(path=file, full_page=True)
            print(file)
