"""Each test file is named after the module that it tests, so that each leads to the other."""

from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ACROSS_MODULES = {"bench", "browser", "calibration", "durability", "house", "outside", "system"}
"""Folders whose tests are about the whole, not about one module."""
OF_NO_MODULE = {"stats/test_examples.py", "stats/test_slow.py", "stats/test_threads.py"}
"""Tests of every module of the folder, or of what tests compare with."""


def names_of_modules(package: Path) -> set[str]:
    """What a test may be named for: the file, or its path within the package."""
    files = [file.relative_to(package) for file in package.rglob("*.py")]
    return {file.stem for file in files} | {"_".join(file.with_suffix("").parts) for file in files}


FILES = sorted(
    file for file in (ROOT / "tests").glob("*/test_*.py") if file.parent.name not in ACROSS_MODULES
)


@pytest.mark.parametrize("file", FILES, ids=lambda file: f"{file.parent.name}/{file.name}")
def test_a_test_file_is_named_after_a_module(file: Path) -> None:
    place = f"{file.parent.name}/{file.name}"
    names = names_of_modules(ROOT / "kbapi" / file.parent.name)
    tested = file.stem.removeprefix("test_")
    is_named = any(tested == name or tested.startswith(f"{name}_") for name in names - {"__init__"})
    assert is_named or place in OF_NO_MODULE
