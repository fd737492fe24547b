"""`python -m tests.browser screenshots --to DIR`: every page at three widths, light and dark."""

import argparse
import tempfile
from pathlib import Path

from tests.browser.pages import PAGES, a_browser, a_context, name_of, views
from tests.house.write_readme import fill_demo
from tests.system.server import Server

parser = argparse.ArgumentParser(prog="python -m tests.browser")
parser.add_argument("command", choices=["screenshots"])
parser.add_argument("--to", type=Path, required=True, help="folder for the PNG files")
parser.add_argument("--only", default="", help="pages whose path holds this text")
parser.add_argument("--results", default="900", help="results in the demo, 900 unless given")
arguments = parser.parse_args()
arguments.to.mkdir(parents=True, exist_ok=True)

with tempfile.TemporaryDirectory() as folder:
    fill_demo(Path(folder) / "home", "--results", arguments.results)
    with (
        Server(Path(folder) / "home") as server,
        a_browser() as browser,
        a_context(browser, f"http://127.0.0.1:{server.port}") as context,
    ):
        page = context.new_page()
        for path in (path for path in PAGES if arguments.only in path):
            page.goto(path)
            for view in views(page):
                file = arguments.to / f"{name_of(path)}-{view}.png"
                page.wait_for_load_state("networkidle")
                page.screenshot(path=file, full_page=True)
                print(file)
