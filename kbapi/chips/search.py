"""Chip names found again in spite of a typing error: pairs of letters first, then distance."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from rapidfuzz import fuzz
from rapidfuzz.distance import OSA

LONGEST_QUERY: Final = 80
# How many names the pairs of letters let through to be measured one by one.
_POOL: Final = 128
# Rare pairs of letters tell more; weights stay this small so that a name's sum fits 16 bits.
_HEAVIEST: Final = 15
_MODEL_DIGITS: Final = 3


@dataclass(frozen=True, slots=True)
class Hit:
    """A found key and how like the query it is, from 0 to 100."""

    key: str
    likeness: float


@dataclass(frozen=True, slots=True, eq=False)
class SearchIndex:
    """Canonical keys prepared for searching; built once, then read only."""

    keys: tuple[str, ...]
    texts: tuple[str, ...]
    rows: dict[str, int]
    weights: NDArray[np.uint16]
    """One row for each pair of letters, one column for each key; zero where it does not occur."""
    lengths: NDArray[np.int32]


def build_index(keys: Iterable[str]) -> SearchIndex:
    """An index over canonical keys, each once."""
    distinct = tuple(dict.fromkeys(keys))
    texts = tuple(_letters(key) for key in distinct)
    rows: dict[str, int] = {}
    for text in texts:
        for pair in _pairs(text):
            rows.setdefault(pair, len(rows))
    present = np.zeros((len(rows), len(texts)), dtype=np.uint16)
    for column, text in enumerate(texts):
        present[[rows[pair] for pair in _pairs(text)], column] = 1
    lengths = np.array([len(text) for text in texts], dtype=np.int32)
    return SearchIndex(distinct, texts, rows, present * _rarity(present)[:, None], lengths)


def search_chips(index: SearchIndex, query: str, limit: int = 5) -> tuple[Hit, ...]:
    """The keys most like the query, best first; at most `limit`."""
    wanted = _letters(query[:LONGEST_QUERY])
    columns = _nearest_columns(index, wanted, max(_POOL, 2 * limit))
    hits = (Hit(index.keys[c], _likeness(wanted, index.texts[c])) for c in columns)
    words = frozenset(query.lower().replace("-", " ").split())
    return tuple(sorted(hits, key=lambda hit: _rank(hit, words))[:limit])


def _rank(hit: Hit, words: frozenset[str]) -> tuple[int, float, int, str]:
    """Names that hold the query's own numbers first, then the likest, then the most whole words."""
    held = sum(len(word) for word in words if word in hit.key and _is_number(word))
    whole = len(words.intersection(hit.key.split("-")))
    return (-held, -hit.likeness, -whole, hit.key)


def _is_number(word: str) -> bool:
    # Fewer digits stand in many names by chance.
    return sum(letter.isdigit() for letter in word) >= _MODEL_DIGITS


def _letters(text: str) -> str:
    """The letters and digits alone: where a hyphen or a space stands tells no names apart."""
    return "".join(letter for letter in text.lower() if letter.isalnum() or letter == "+")


def _pairs(text: str) -> list[str]:
    return list(dict.fromkeys(text[at : at + 2] for at in range(len(text) - 1)))


def _rarity(present: NDArray[np.uint16]) -> NDArray[np.uint16]:
    share = present.mean(axis=1) if present.size else np.ones(len(present))
    weight = np.clip(np.round(-2 * np.log2(np.maximum(share, 1e-9))), 0, _HEAVIEST)
    return weight.astype(np.uint16) + np.uint16(1)


def _nearest_columns(index: SearchIndex, wanted: str, pool: int) -> NDArray[np.intp]:
    """The columns that share the most telling pairs with the query, short names first."""
    rows = [index.rows[pair] for pair in _pairs(wanted) if pair in index.rows]
    if not rows:
        return np.array([], dtype=np.intp)
    shared = index.weights[rows].sum(axis=0, dtype=np.int32) * 8 - index.lengths
    if len(shared) <= pool:
        return np.arange(len(shared))
    return np.argpartition(shared, -pool)[-pool:]


def _likeness(wanted: str, text: str) -> float:
    """Likeness of the whole names, or a little less for a query that is a part of the name."""
    whole = 100 * OSA.normalized_similarity(wanted, text)
    return max(whole, 0.9 * fuzz.partial_ratio(wanted, text))
