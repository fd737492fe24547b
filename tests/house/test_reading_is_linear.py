"""What others send takes steps that grow no faster than it does: each pattern, and each loop."""

import json
import re
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from tests.house.pattern_steps import Matcher, is_endless, texts_of
from tests.house.reading_steps import CASES, lines_of

MOST_GROWTH = 12
"""Times as many steps for ten times the input; a square is at 100."""
SMALL_CHARACTERS = 24


@cache
def uses() -> list[tuple[str | bytes, int, list[str]]]:
    """Each pattern of documents, intake and chips, with the methods that are called."""
    printed = subprocess.run(
        [sys.executable, "-m", "tests.house.pattern_uses"], capture_output=True, check=True
    ).stdout
    rows = [json.loads(line) for line in printed.splitlines()]
    return [
        (text.encode() if is_bytes else text, flags, methods)
        for text, is_bytes, flags, methods in rows
    ]


def repeated(hard: tuple[str, str, str], times: int, *, is_bytes: bool) -> Any:
    text = hard[0] + hard[1] * times + hard[2]
    return text.encode("utf-8", "replace") if is_bytes else text


def spans_by_re(pattern: "re.Pattern[Any]", method: str, text: Any) -> Any:
    if method == "search":
        return [found.span() for found in pattern.finditer(text)]
    found = getattr(pattern, method)(text)
    return None if found is None else found.span()


def steps_of(matcher: Matcher, method: str, text: Any) -> int:
    """The steps of a search whose result is that of the library."""
    matcher.steps = 0
    depth = sys.getrecursionlimit()
    # Each turn of a repeat is some calls deep.
    sys.setrecursionlimit(100 + 20 * len(text) + depth)
    try:
        found = matcher.find_all(text) if method == "search" else getattr(matcher, method)(text)
    finally:
        sys.setrecursionlimit(depth)
    assert found == spans_by_re(matcher.pattern, method, text), (matcher.pattern, method, text)
    return matcher.steps


def growing(pattern: "re.Pattern[Any]", methods: list[str], many: int = 40) -> list[str]:
    """The texts on which the steps of a pattern grow faster than the text."""
    matcher = Matcher(pattern)
    is_bytes = isinstance(pattern.pattern, bytes)
    found = []
    for hard in texts_of(matcher, many=many):
        times = max(6, SMALL_CHARACTERS // len(hard[1]))
        for method in methods:
            small = steps_of(matcher, method, repeated(hard, times, is_bytes=is_bytes))
            large = steps_of(matcher, method, repeated(hard, 10 * times, is_bytes=is_bytes))
            if large > MOST_GROWTH * small:
                found.append(f"{method}: {large / small:.0f} times the steps on {hard}")
    return found


def test_the_steps_of_every_pattern_grow_like_the_text() -> None:
    faults = {}
    for text, flags, methods in uses():
        pattern = re.compile(text, flags)
        if is_endless(pattern) and (found := growing(pattern, methods)):
            faults[text] = found
    assert faults == {}


@pytest.mark.parametrize("text", ["", "aa", "ab", "baab", "bbaa"])
@pytest.mark.parametrize(
    "pattern", ["a*", "a*+", "a*?", "|a", "a|", r"\b", "(?=a)", "a*$", "(a?)b*"]
)
def test_empty_matches_are_those_of_the_library(pattern: str, text: str) -> None:
    assert steps_of(Matcher(re.compile(pattern)), "search", text) > 0


def test_every_folder_with_patterns_is_seen() -> None:
    texts = [text for text, _, _ in uses()]
    for part in (
        rb'"[^"\\]*',
        "llvmpipe",
        "service[ _-]?tag",
        "ryzen (?:pro )?",
        "[A-Za-z0-9._~-]",
    ):
        assert any(type(text) is type(part) and part in text for text in texts), part
    assert len(texts) > 250
    assert sum(is_endless(re.compile(text, flags)) for text, flags, _ in uses()) > 30


@pytest.mark.parametrize(
    ("pattern", "method"),
    [
        (r"[^\s@]+@[^\s@]+\.[a-z]{2,}", "search"),
        (r"[0-9A-Fa-f:]*:[0-9A-Fa-f:]*:[0-9A-Fa-f:.]*", "search"),
        (r"\b[a-z][a-z0-9-]*(?:\.[a-z0-9-]+)*\.(?:com|net)\b", "search"),
        (r"(?:a+)+b", "match"),
        (r"(.*\d.*?) +(?:unknown|none)(?: @ .*)?$", "match"),
        (r"\s+$", "search"),
    ],
)
def test_a_pattern_whose_steps_grow_like_a_square_is_found(pattern: str, method: str) -> None:
    if pattern == r"(?:a+)+b":
        # Twice the steps for each letter: long texts would not end.
        matcher = Matcher(re.compile(pattern))
        assert steps_of(matcher, method, "a" * 16) > 100 * steps_of(matcher, method, "a" * 8)
        return
    assert growing(re.compile(pattern), [method])


@pytest.mark.parametrize("name", CASES)
def test_the_lines_that_reading_executes_grow_like_the_input(name: str) -> None:
    read, make = CASES[name]
    small, large = make(6), make(60)
    read(small)
    assert lines_of(lambda: read(large)) <= MOST_GROWTH * lines_of(lambda: read(small))


def test_a_loop_whose_lines_grow_like_a_square_is_found() -> None:
    def compare_each_with_each(size: int) -> Callable[[], None]:
        def run() -> None:
            for one in range(size):
                for other in range(size):
                    assert one + other >= 0

        return run

    assert lines_of(compare_each_with_each(60)) > MOST_GROWTH * lines_of(compare_each_with_each(6))
