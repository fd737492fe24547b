"""Tests that are enough to execute each SQL statement once more, in another database.

A run with STATEMENTS_OF_TESTS=DIR writes into that folder which statements each quick test of some
folders executes. A later run with KBAPI_SQLITE_MODULE=standard or `--database postgres`, and the
same folder, keeps as many of its tests as execute each of these statements, and all of
`tests/storage`.
"""

import json
import os
import re
import time
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

import pytest

from kbapi.storage.sqlite.driver import dbapi2
from tests import postgres

_FOLDERS: Final = ("instance", "intake", "evidence", "curation", "api")
"""They call every statement. Tests of `tests/storage` are about SQLite itself."""
_LEAST_S: Final = 0.02
"""What a test costs at least, with its fixtures."""
_VALUES: Final = re.compile(r"x?'(?:[^']|'')*'|-?\b\d[\w.]*(?:(?<=e)[+-]\d+)?|\bNULL\b")
_LISTS: Final = re.compile(r"\?(?:, ?\?)+"), re.compile(r"\(\?\)(?:, ?\(\?\))+")


def statements_folder() -> Path | None:
    """Where statements are written and read, if anywhere."""
    given = os.environ.get("STATEMENTS_OF_TESTS")
    return Path(given) if given else None


def is_another_database() -> bool:
    """Whether this run uses the SQLite of the system, or PostgreSQL."""
    return os.environ.get("KBAPI_SQLITE_MODULE") == "standard" or postgres.is_chosen()


def plain(statement: str) -> str:
    """A statement without its values and without the lengths of its lists.

    >>> plain("SELECT a FROM b WHERE c IN (1, 2, 'it''s') AND d = NULL")
    'SELECT a FROM b WHERE c IN (?) AND d = ?'
    >>> plain("INSERT INTO a VALUES (1, x'00ff'), (2, -3.5e+30)")
    'INSERT INTO a VALUES (?)'
    """
    ones, rows = _LISTS
    return rows.sub("(?)", ones.sub("?", _VALUES.sub("?", " ".join(statement.split()))))


class Recorder:
    """A plugin that writes what each quick test executes."""

    def __init__(self, folder: Path) -> None:
        worker = os.environ.get("PYTEST_XDIST_WORKER", "main")
        self._file = folder / f"{worker}.jsonl"
        self._connect = dbapi2.connect
        self._plain: dict[str, str] = {}
        self._of_test: set[str] = set()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        """Write a line with name, cost and statements of the test."""
        if not (item.get_closest_marker("quick") and item.path.parent.name in _FOLDERS):
            return (yield)
        self._of_test.clear()
        began = time.process_time()
        with patch.object(dbapi2, "connect", self._watched):
            result = yield
        line = [item.nodeid, time.process_time() - began, sorted(self._of_test)]
        with self._file.open("a", encoding="utf-8") as file:
            file.write(json.dumps(line) + "\n")
        return result

    def _watched(self, *given: Any, **named: Any) -> Any:
        connection = self._connect(*given, **named)
        connection.set_trace_callback(self._note)
        return connection

    def _note(self, statement: str) -> None:
        plainly = plain(statement)
        # A test that measures memory finds no second copy.
        self._of_test.add(self._plain.setdefault(plainly, plainly))


def is_chosen_from(folder: Path, among: Collection[str]) -> Callable[[str], bool]:
    """Which of these tests, by their ids, a run with another database needs.

    Next comes the test with the most statements for its cost that no test before it executes.
    """
    lines = [
        line for file in folder.glob("*.jsonl") for line in file.read_text("utf-8").split("\n")
    ]
    found = {name: (cost, set(of)) for name, cost, of in map(json.loads, filter(None, lines))}
    tests = {name: found[name] for name in among if name in found}
    if not tests:
        raise pytest.UsageError(f"no test has written its statements into {folder}")
    chosen = set()
    left = set().union(*(of for _, of in tests.values()))
    while left:
        best = max(
            sorted(tests), key=lambda name: len(tests[name][1] & left) / (tests[name][0] + _LEAST_S)
        )
        left -= tests[best][1]
        chosen.add(best)
    return lambda name: name in chosen or name.startswith("tests/storage/")
