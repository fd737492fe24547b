"""`python -m tests.house.pattern_uses` prints each pattern that a text sent by others meets.

The patterns are collected where they are compiled, and the methods where they are called, so that a
new pattern is in the list without an entry anywhere. A pattern that the texts here do not reach is
printed with every method.
"""

import json
import re
import sys
from collections.abc import Callable
from typing import Any, Final

FOLDERS: Final = ("kbapi.documents", "kbapi.chips", "kbapi.intake")
METHODS: Final = ("search", "match", "fullmatch")
_AS_SEARCH: Final = {"sub", "subn", "finditer", "findall", "split"}


class Watched:
    """A compiled pattern that notes which of its methods are called."""

    known: Final[dict[tuple[str | bytes, int], set[str]]] = {}

    def __init__(self, compiled: "re.Pattern[Any]") -> None:
        self._compiled = compiled
        self._used = self.known.setdefault((compiled.pattern, compiled.flags), set())

    def __getattr__(self, name: str) -> Any:
        if name in METHODS or name in _AS_SEARCH:
            self._used.add("search" if name in _AS_SEARCH else name)
        return getattr(self._compiled, name)


def watch() -> None:
    """Watch every pattern that the folders compile from now on."""
    original: Callable[..., Any] = re._compile  # type: ignore[attr-defined]

    def compile_watched(pattern: Any, flags: int) -> Any:
        compiled = original(pattern, flags)
        # Called by a function of `re`, which the package calls.
        caller = sys._getframe(2).f_globals.get("__name__", "")
        return Watched(compiled) if caller.startswith(FOLDERS) else compiled

    re._compile = compile_watched  # type: ignore[attr-defined]


def use() -> None:
    """Read documents and names, sound and faulty."""
    from kbapi.chips.naming import identify_chip
    from kbapi.documents.reader import find_items
    from tests.chips.given import load_given
    from tests.house.reading_steps import read_every_kind

    for row in load_given():
        identify_chip(row.raw)
    read_every_kind()
    find_items(b'[{"a": [1, "]"]}, "b", 3]')


def main() -> None:
    """Print pattern, flags and methods as lines of JSON."""
    watch()
    use()
    for (pattern, flags), used in Watched.known.items():
        is_bytes = isinstance(pattern, bytes)
        text = pattern.decode() if isinstance(pattern, bytes) else pattern
        print(json.dumps([text, is_bytes, flags, sorted(used) or list(METHODS)]))


if __name__ == "__main__":
    main()
