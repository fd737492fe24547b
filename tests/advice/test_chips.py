from random import Random

import pytest

from kbapi.advice.chips import build_index, search_chips
from tests.chips.many_names import many_keys, with_typing_error

KEYS = [
    "intel-core-i7-8750h",
    "intel-core-i5-8300h",
    "amd-ryzen-7-5800x",
    "amd-ryzen-7-5800x3d",
    "nvidia-geforce-rtx-3070",
    "nvidia-geforce-rtx-3070-laptop",
    "norvane-sable-7-4820mx",
]
INDEX = build_index(KEYS)


@pytest.mark.parametrize(
    ("query", "key"),
    [
        ("i7 8750h", "intel-core-i7-8750h"),
        ("Core i7-8750H", "intel-core-i7-8750h"),
        ("i7-87500h", "intel-core-i7-8750h"),
        ("i7-8705h", "intel-core-i7-8750h"),
        ("geforce rtx 3070", "nvidia-geforce-rtx-3070"),
        ("3070 laptop", "nvidia-geforce-rtx-3070-laptop"),
        ("sabel 4820", "norvane-sable-7-4820mx"),
        ("5800x3", "amd-ryzen-7-5800x3d"),
    ],
)
def test_the_best_hit_is_the_chip_that_was_meant(query: str, key: str) -> None:
    assert search_chips(INDEX, query, 1)[0].key == key


def test_hits_come_best_first_and_no_more_than_asked_for() -> None:
    hits = search_chips(INDEX, "ryzen 7 5800x", 3)
    assert [hit.key for hit in hits[:2]] == ["amd-ryzen-7-5800x", "amd-ryzen-7-5800x3d"]
    assert len(hits) == 3
    assert sorted(hits, key=lambda hit: -hit.likeness) == list(hits)


@pytest.mark.parametrize("query", ["", "?", "🔥", "x" * 10_000, "' OR 1=1"])
def test_a_query_that_names_nothing_is_answered(query: str) -> None:
    assert len(search_chips(INDEX, query)) <= 5


def test_an_empty_index_finds_nothing() -> None:
    assert search_chips(build_index([]), "i7") == ()


def test_one_typing_error_is_forgiven_among_ten_thousand_names() -> None:
    keys = many_keys(10_000)
    index, random = build_index(keys), Random(7)
    wanted = Random(11).sample(keys, 600)
    asked = [with_typing_error(key.replace("-", " "), random) for key in wanted]
    found = [[hit.key for hit in search_chips(index, query)] for query in asked]
    hits = sum(key in page for key, page in zip(wanted, found, strict=True))
    assert hits / len(wanted) >= 0.95
