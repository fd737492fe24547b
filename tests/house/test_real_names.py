"""Real makers' names stand only where chips are named: all else uses the invented scenario."""

import re
from functools import cache
from pathlib import Path

import pytest

from kbapi.chips.grammar.reading import MAKERS
from tests.house.texts import ROOT

INVENTED = {"norvane", "ketterly", "osmer"}
# "via" is an ordinary word, and its lines have names of their own.
REAL = (set(MAKERS) - INVENTED - {"via"}) | {
    *("adreno", "athlon", "celeron", "epyc", "geforce", "kaixian", "pentium", "quadro"),
    *("qualcomm", "radeon", "ryzen", "snapdragon", "threadripper", "xeon"),
}
NAMES = re.compile(
    # "amd64" names an architecture.
    rf"(?<![a-z])(?:{'|'.join(sorted(REAL))})(?![a-z]|64)|\bcore i[3579]\b",
    re.IGNORECASE,
)

NAMED_HERE = (
    "kbapi/chips/",
    "seed_data/catalogue/",
    "tests/chips/",
    # The grammar is tested through the search, the API and the cost of reading, too.
    "tests/advice/test_chips.py",
    # What the catalogue documents is tested in answers, in notes and on pages.
    "tests/advice/test_documented.py",
    "tests/curation/test_notes.py",
    "tests/pages/test_chips_documented.py",
    "tests/api/test_chips.py",
    "tests/bench/chips.py",
    # Names of kernel drivers hold those of makers.
    "tests/documents/data/strings_honest.jsonl",
    "tests/house/reading_steps.py",
    "tests/house/test_reading_is_linear.py",
    "tests/house/test_real_names.py",
)
WHOLE = ("kbapi", "migrations", "openapi", "seed_data", "tests")
NOT_OURS = {"__pycache__", "fonts", "node_modules", "static", ".venv"}


@cache
def texts() -> tuple[tuple[str, str], ...]:
    """The path and the text of every file of the project."""
    below = (path for folder in WHOLE for path in (ROOT / folder).rglob("*"))
    return tuple(
        (str(path.relative_to(ROOT)), path.read_text(errors="ignore"))
        for path in sorted([*ROOT.glob("*.md"), ROOT / "pyproject.toml", *below])
        if path.is_file() and not NOT_OURS.intersection(path.relative_to(ROOT).parts)
    )


def names_in(text: str) -> list[str]:
    return sorted({found[0].lower() for found in NAMES.finditer(text)})


def test_only_the_naming_of_chips_and_its_tests_have_real_names() -> None:
    found = {
        place: names
        for place, text in texts()
        if not place.startswith(NAMED_HERE) and (names := names_in(text))
    }
    assert found == {}


@pytest.mark.parametrize("place", NAMED_HERE)
def test_every_exception_is_needed(place: str) -> None:
    used = [path for path, text in texts() if path.startswith(place) and names_in(text)]
    assert used or place.startswith("seed_data/")


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("an NVIDIA chip", ["nvidia"]),
        ("nvidia-geforce-rtx-2070", ["geforce", "nvidia"]),
        ("Intel(R) Core(TM) i7", ["intel"]),
        ("a core i7 of 2012", ["core i7"]),
        ("an intelligent pentiumlike core, sent via HTTP", []),
        ("Norvane Sable 7 4820MX, amd64", []),
    ],
)
def test_a_name_is_found_as_a_whole_word(text: str, names: list[str]) -> None:
    assert names_in(text) == names


def test_the_files_of_the_project_are_read() -> None:
    places = {place for place, _ in texts()}
    assert {"README.md", "kbapi/documents/reader.py", "openapi/openapi.json"} <= places
    assert {Path(place).parts[0] for place in places} >= set(WHOLE)
