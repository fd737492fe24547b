"""Questions are remembered by the query that asked them: for each endpoint, bounded, by threads."""

import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
from flask import Flask

from kbapi.api.questions import _Parsed

APP = Flask("nothing but requests")


@pytest.fixture
def parsed(monkeypatch: pytest.MonkeyPatch) -> _Parsed:
    monkeypatch.setattr(_Parsed, "_MOST", 8)
    return _Parsed()


@pytest.fixture
def threads_change_places_often() -> Iterator[None]:
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(before)


def start(_: object) -> None:
    """Stands for the parser of one endpoint."""


def gains(_: object) -> None:
    """Stands for that of another."""


def ask(parsed: _Parsed, parse: Callable[..., None], query: str) -> object:
    with APP.test_request_context(f"/?{query}"):
        return parsed.of(parse, object)


def test_the_same_query_gives_the_same_question(parsed: _Parsed) -> None:
    assert ask(parsed, start, "chip=a") is ask(parsed, start, "chip=a")
    assert ask(parsed, start, "chip=a") is not ask(parsed, start, "chip=b")


def test_endpoints_do_not_share_questions(parsed: _Parsed) -> None:
    assert ask(parsed, start, "chip=a") is not ask(parsed, gains, "chip=a")


def test_a_refused_query_is_refused_again(parsed: _Parsed) -> None:
    def refuse() -> object:
        raise ValueError("not a question")

    with APP.test_request_context("/?chip=a"):
        for _ in range(2):
            with pytest.raises(ValueError, match="not a question"):
                parsed.of(start, refuse)
        parsed.of(start, object)


def test_the_oldest_question_is_dropped_first(parsed: _Parsed) -> None:
    first, second = ask(parsed, start, "chip=0"), ask(parsed, start, "chip=1")
    for number in range(2, 9):
        ask(parsed, start, f"chip={number}")
    assert ask(parsed, start, "chip=1") is second
    assert ask(parsed, start, "chip=0") is not first


@pytest.mark.usefixtures("threads_change_places_often")
def test_threads_with_always_new_queries_are_all_answered(parsed: _Parsed) -> None:
    def ask_many(whose: int) -> int:
        for number in range(3_000):
            ask(parsed, start, f"chip={whose}-{number}")
        return whose

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(ask_many, range(8))) == list(range(8))
    assert len(parsed._questions) <= 8
