"""Where the items of a batch begin and end, in one pass over its bytes."""

import json
import random
import re
import tracemalloc
from contextlib import suppress
from re import _parser as parser  # type: ignore[attr-defined]

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.bounds import DEEPEST_NESTING, MOST_ITEMS
from kbapi.documents import reader
from kbapi.documents.reader import find_items, find_lines
from kbapi.errors import JsonUnreadable

PIECES = ["[", "]", "{", "}", ",", ":", '"', "\\", "a", "1", " ", "\n", "é", "null", '"a":']


def first_fault(body: bytes) -> str:
    with pytest.raises(json.JSONDecodeError) as caught:
        json.loads(body)
    error = caught.value
    return f"Line {error.lineno}, column {error.colno} is not valid JSON: {error.msg}."


def fault_in(body: bytes) -> str | None:
    try:
        find_items(body)
    except JsonUnreadable as fault:
        return fault.detail
    return None


def fault_of(body: bytes) -> str:
    fault = fault_in(body)
    assert fault is not None
    return fault


@given(
    st.lists(
        st.recursive(
            st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(),
            lambda part: st.lists(part, max_size=3) | st.dictionaries(st.text(), part, max_size=3),
            max_leaves=12,
        ),
        max_size=5,
    ),
    st.sampled_from([None, 2]),
)
def test_each_item_of_a_sound_array_is_found(items: list[object], indent: int | None) -> None:
    body = json.dumps(items, indent=indent, ensure_ascii=False).encode("utf-8", "replace")
    expected = json.loads(body)
    assert [json.loads(body[place]) for place in find_items(body)] == expected


def test_the_first_fault_of_an_array_is_the_one_that_a_json_reader_finds() -> None:
    rng = random.Random(3)
    bodies = [
        ("[" + "".join(rng.choices(PIECES, k=rng.randint(0, 9)))).encode() for _ in range(20_000)
    ]
    faulty = [body for body in bodies if fault_in(body) is not None]
    assert len(faulty) > 10_000
    for body in faulty:
        assert fault_of(body) == first_fault(body)
    for body in set(bodies) - set(faulty):
        # The array is sound, or each of its faults is within an item.
        sound = b",".join(
            b"0" if is_faulty(body[place]) else body[place] for place in find_items(body)
        )
        assert isinstance(json.loads(b"[" + sound + b"]"), list)


def is_faulty(item: bytes) -> bool:
    try:
        json.loads(item)
    except ValueError:
        return True
    return False


@pytest.mark.parametrize(
    "body",
    [
        b"[",
        b"[1,]",
        b"[,1]",
        b"[1 2]",
        b'[{"a": 1} {"b": 2}]',
        b"[1] x",
        b"[1}",
        b'["a',
        b'[{"a" 1},',
    ],
)
def test_a_fault_has_the_line_and_column_of_the_whole_body(body: bytes) -> None:
    for lead in (b"", b" \n\n  ", '["ä",\n "é", '.encode()):
        whole = lead + (body[1:] if lead.startswith(b"[") else body)
        assert fault_of(whole) == first_fault(whole)


def test_an_item_that_is_not_json_is_no_fault_of_the_array() -> None:
    body = b'[1, {broken}, nul, {"a" 1}, "\xff", 2]'
    assert [body[place] for place in find_items(body)][1:4] == [b"{broken}", b"nul", b'{"a" 1}']


@pytest.mark.parametrize("body", [b"", b"  ", b"{}", b"7", b'"[]"', b"\xef\xbb\xbf[]"])
def test_a_body_that_is_no_array_is_refused(body: bytes) -> None:
    assert "A batch is a JSON array" in fault_of(body)


def test_deeper_items_than_a_document_may_be_are_refused() -> None:
    def nested(levels: int) -> bytes:
        return b"[1, " + b"[" * levels + b"]" * levels + b"]"

    assert len(find_items(nested(DEEPEST_NESTING))) == 2
    assert "levels of nesting" in fault_of(nested(DEEPEST_NESTING + 1))


def test_no_more_items_are_looked_for_than_a_batch_has() -> None:
    assert len(find_items(b"[" + b"1," * 5_000 + b"{broken")) == MOST_ITEMS + 1
    assert len(find_lines(b"1\n" * 5_000)) == MOST_ITEMS + 1


def test_each_line_that_is_not_blank_is_an_item() -> None:
    body = b'\n \r\n{"a": 1}\r\n\n[]\n  7'
    assert [body[place].strip() for place in find_lines(body)] == [b'{"a": 1}', b"[]", b"7"]
    assert find_lines(b" \n\n") == []


def repeats_in(pattern: object) -> list[str]:
    found = []
    for operation, argument in pattern:  # type: ignore[attr-defined]
        name = str(operation)
        if name.endswith("REPEAT"):
            found.append(name)
            found += repeats_in(argument[2])
        elif name == "BRANCH":
            found += [one for branch in argument[1] for one in repeats_in(branch)]
        elif name == "SUBPATTERN":
            found += repeats_in(argument[3])
    return found


def test_the_patterns_never_go_back() -> None:
    for pattern in (reader._VALUE, reader._SPACE):
        assert isinstance(pattern, re.Pattern)
        assert set(repeats_in(parser.parse(pattern.pattern, pattern.flags))) == {
            "POSSESSIVE_REPEAT"
        }


@pytest.mark.parametrize(
    "body",
    [
        b"[" + b"[]," * 1_000_000 + b"[]]",
        b"[[" + b"[]," * 1_000_000 + b"[]]]",
        b"[[" + b"[]," * 1_000_000,
        b"[" * 3_000_000,
        b'["' + b"\\\\" * 1_500_000,
        b'[["' + b'","' * 1_000_000,
    ],
    ids=["many items", "one item", "no end", "deep", "one string", "many strings"],
)
def test_memory_does_not_grow_with_what_is_inside_the_items(body: bytes) -> None:
    tracemalloc.start()
    with suppress(JsonUnreadable):
        find_items(body)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # A fault is looked for in 256 kB of the text, of which each byte takes 100 at most.
    assert peak < 26_000_000
