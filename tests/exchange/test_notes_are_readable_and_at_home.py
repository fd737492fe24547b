"""Every curated note: its front matter, what it is about, and what it may not say."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from kbapi.exchange.club.club import bundled_club
from kbapi.storage.instance import bundled_catalogue
from kbapi.vocabulary import CONTROLS, DOMAINS

FOLDER = Path(__file__).parents[2] / "seed_data" / "notes"
NOTES = sorted(path for path in FOLDER.glob("*.md") if path.name != "README.md")
FIELDS = {"key", "chip", "series", "machine", "control", "domain", "source", "reviewed"}


def read(path: Path) -> tuple[dict[str, Any], str]:
    before, front, text = path.read_text().split("+++\n")
    assert before == ""
    return tomllib.loads(front), text


def test_there_are_about_fifteen() -> None:
    assert 12 <= len(NOTES) <= 20


@pytest.mark.parametrize("path", NOTES, ids=lambda path: path.stem)
def test_a_note_says_what_it_is_about_where_it_is_from_and_when_it_was_looked_at(
    path: Path,
) -> None:
    front, text = read(path)
    assert set(front) <= FIELDS
    assert front["key"] == path.stem
    assert len({"chip", "series", "machine"} & set(front)) == 1
    assert front["source"].startswith("Tidewater Bench Club")
    assert re.fullmatch(r"20\d\d-(0[1-9]|1[0-2])", front["reviewed"])
    assert len(text.strip()) > 80


@pytest.mark.parametrize("path", NOTES, ids=lambda path: path.stem)
def test_a_note_is_about_something_that_the_catalogue_knows(path: Path) -> None:
    front, _ = read(path)
    known = bundled_catalogue().chips.values()
    assert front.get("chip") in {None, *(described.chip.key for described in known)}
    assert front.get("series") in {None, *(described.chip.series for described in known)}
    assert front.get("machine") in {None, *(one.key for one in bundled_club().classes)}
    assert front.get("control") in {None, *CONTROLS}
    assert front.get("domain") in {None, *DOMAINS}


@pytest.mark.parametrize("path", NOTES, ids=lambda path: path.stem)
def test_a_note_is_markdown_without_html_or_links(path: Path) -> None:
    _, text = read(path)
    assert not re.search(r"[<>]|\]\(|://", text)
