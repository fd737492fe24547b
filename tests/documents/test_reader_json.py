"""Every strictness of the reader, each with its pointer; and sound text reads as it always does."""

import json
import tracemalloc
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.bounds import DEEPEST_NESTING, LARGEST_INTEGER, LONGEST_TEXT, MOST_VALUES
from kbapi.documents.reader import read_json
from kbapi.errors import JsonUnreadable

NUL, HALF_PAIR = r"\u0000", r"\ud800"


def problems_of(text: str) -> list[tuple[str, str]]:
    return [(problem.pointer, problem.code) for problem in read_json(text.encode()).problems]


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        ('{"a": 1, "a": 1}', [("/a", "repeated_key")]),
        ('{"a": 1, "a": 2, "a": 3}', [("/a", "repeated_key")]),
        ('{"a": [{"b": 1, "b": 2}]}', [("/a/0/b", "repeated_key")]),
        ('{"a/b": 1, "a/b": 2}', [("/a~1b", "repeated_key")]),
        ('{"a~b": 1, "a~b": 2}', [("/a~0b", "repeated_key")]),
        ('{"~1": NaN}', [("/~01", "not_finite")]),
        ('{"": NaN}', [("/", "not_finite")]),
        ('{"a": NaN, "b": Infinity, "c": -Infinity}', [(f"/{c}", "not_finite") for c in "abc"]),
        ("[1e400, -1e400, 1e308]", [("/0", "not_finite"), ("/1", "not_finite")]),
        (f"[{LARGEST_INTEGER}, {-LARGEST_INTEGER}]", []),
        (
            f"[{LARGEST_INTEGER + 1}, {-LARGEST_INTEGER - 1}]",
            [(f"/{i}", "too_large") for i in "01"],
        ),
        ("NaN", [("", "not_finite")]),
        (f'["{NUL}", "a{NUL}b"]', [("/0", "unreadable_text"), ("/1", "unreadable_text")]),
        (
            f'["{HALF_PAIR}", "\\udfff", "\\ud83d\\ude00"]',
            [(f"/{i}", "unreadable_text") for i in "01"],
        ),
        (f'["{"x" * LONGEST_TEXT}"]', []),
        (f'["{"x" * (LONGEST_TEXT + 1)}"]', [("/0", "too_long")]),
        ("[true, false, null, 0, -0.0, 1.5e3]", []),
    ],
)
def test_values_that_json_readers_treat_differently_are_problems(
    text: str, problems: list[tuple[str, str]]
) -> None:
    assert problems_of(text) == problems


@pytest.mark.parametrize("digits", [20, 21, 400, 5_000, 100_000])
@pytest.mark.parametrize("sign", ["", "-"])
def test_a_number_of_many_digits_is_a_problem_and_nothing_worse(sign: str, digits: int) -> None:
    ((pointer, _code),) = problems_of(f'{{"a": {sign}{"1" * digits}}}')
    assert pointer == "/a"


def test_all_problems_come_at_once() -> None:
    text = f'{{"a": NaN, "b": [1e400, {{"c": 1, "c": "{NUL}"}}], "d": {10**19}}}'
    assert problems_of(text) == [
        ("/a", "not_finite"),
        ("/b/0", "not_finite"),
        ("/b/1/c", "repeated_key"),
        ("/b/1/c", "unreadable_text"),
        ("/d", "too_large"),
    ]


def test_the_value_of_a_repeated_key_is_still_checked() -> None:
    assert problems_of('{"a": 1, "a": NaN}') == [("/a", "repeated_key"), ("/a", "not_finite")]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b" ",
        b"{",
        b'{"a": }',
        b'{"a": 1} x',
        b"{'a': 1}",
        b"[01]",
        b"[1,]",
        b"nan",
        b'"unclosed',
        b'"a\nb"',
        b'"\\x"',
        b"\xff\xfe",
        b'{"a": "\xc3"}',
        b'{"a": "\xed\xa0\x80"}',
        "{}".encode("utf-16"),
        b"\xef\xbb\xbf{}",
        b"\x00",
    ],
)
def test_a_body_that_is_not_json_is_unreadable(body: bytes) -> None:
    with pytest.raises(JsonUnreadable):
        read_json(body)


def test_the_refusal_names_line_and_column() -> None:
    with pytest.raises(JsonUnreadable, match="Line 2, column 8"):
        read_json(b'{"a": 1,\n  "b": }')
    with pytest.raises(JsonUnreadable, match="byte 7"):
        read_json(b'{"a": "\xff"}')


@pytest.mark.parametrize("shape", ["[{}]", '{{"a": {}}}'])
def test_nesting_has_a_bound(shape: str) -> None:
    def nested(levels: int) -> bytes:
        text = "1"
        for _ in range(levels):
            text = shape.format(text)
        return text.encode()

    read_json(nested(DEEPEST_NESTING))
    for levels in (DEEPEST_NESTING + 1, 600, 50_000):
        with pytest.raises(JsonUnreadable, match="more than 16 levels of nesting"):
            read_json(nested(levels))


def test_brackets_in_texts_and_side_by_side_are_not_nesting() -> None:
    brackets = '["' + "[{" * 30 + '", "\\"' + "[" * 30 + '"]'
    assert read_json(brackets.encode()).problems == ()
    assert read_json(b"[" + b"[]," * 60 + b"[]]").problems == ()


def test_an_unclosed_string_extends_to_the_end() -> None:
    # If its brackets were looked at, each of its quotes would be tried as a beginning: a body of
    # a megabyte of escaped quotes would keep a worker busy for the better part of an hour.
    with pytest.raises(JsonUnreadable, match="Unterminated string"):
        read_json(b'"' + b"[" * 60)
    with pytest.raises(JsonUnreadable, match="Unterminated string"):
        read_json(b'"\\"' + b"[" * 60)


@pytest.mark.parametrize(
    "text",
    [
        "[" + "[]," * 10 * MOST_VALUES + "[]]",
        "[" + "{}," * 10 * MOST_VALUES + "{}]",
        "[" + "0," * 10 * MOST_VALUES + "0]",
        "[" + '"[",' * 10 * MOST_VALUES + '"[["]',
        "{" + '"":"",' * 10 * MOST_VALUES + '"":0}',
        '"":' * 10 * MOST_VALUES,
    ],
)
def test_values_are_counted_before_any_is_built(text: str) -> None:
    tracemalloc.start()
    reading = read_json(text.encode())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert not reading.is_complete
    assert reading.value is None
    assert [problem.code for problem in reading.problems] == ["too_many_values"]
    # Copies of the text, and some bytes for each value up to the bound.
    assert peak < 3 * len(text) + 256 * MOST_VALUES


def test_a_long_text_of_marks_is_one_value() -> None:
    text = json.dumps([",[{" * MOST_VALUES])
    assert [problem.code for problem in read_json(text.encode()).problems] == ["too_long"]


def values() -> st.SearchStrategy[Any]:
    text = st.text(
        st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"), max_size=20
    )
    scalars = (
        st.none()
        | st.booleans()
        | st.integers(-LARGEST_INTEGER, LARGEST_INTEGER)
        | st.floats(allow_nan=False, allow_infinity=False)
        | text
    )
    return st.recursive(
        scalars, lambda inner: st.lists(inner) | st.dictionaries(text, inner), max_leaves=12
    )


def depth_of(value: Any) -> int:
    if isinstance(value, dict):
        return 1 + max(map(depth_of, value.values()), default=0)
    return 1 + max(map(depth_of, value), default=0) if isinstance(value, list) else 0


@given(values().filter(lambda value: depth_of(value) <= DEEPEST_NESTING), st.booleans())
def test_text_without_faults_reads_as_the_standard_library_reads_it(
    value: Any, ascii_only: bool
) -> None:
    text = json.dumps(value, ensure_ascii=ascii_only)
    reading = read_json(text.encode())
    assert reading.problems == ()
    assert repr(reading.value) == repr(json.loads(text))


@given(st.binary(max_size=60) | st.text(alphabet='[]{}",:\\0eN-1 a', max_size=60).map(str.encode))
def test_no_bytes_raise_anything_but_unreadable(body: bytes) -> None:
    with suppress(JsonUnreadable):
        read_json(body)
