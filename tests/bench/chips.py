"""How long naming and searching take, and how often a search forgives a typing error."""

from random import Random
from statistics import median, quantiles
from time import perf_counter, process_time

from kbapi.advice.chips import build_index, search_chips
from kbapi.chips.naming import identify_chip
from tests.chips.given import load_given
from tests.chips.many_names import many_keys, with_typing_error
from tests.report import Row, measured

# Texts that would make a careless pattern go back and forth.
AWKWARD = [
    piece * (length // len(piece))
    for length in (250, 10_000)
    for piece in ("(", "a/", "intel core i7 ", "radeon ", "((x) ", "@ 1ghz ", "1 ", "x8 ", "(r) -")
]


def measure(*, short: bool) -> list[Row]:
    """The rows of the report."""
    return [*_naming(1 if short else 15), *_searching(100 if short else 3000)]


def _naming(repeats: int) -> list[Row]:
    texts = [row.raw for row in load_given()]
    costs = [median(_cost_ms(text) for _ in range(repeats)) for text in texts]
    worst = max(min(_cost_ms(text) for _ in range(3)) for text in AWKWARD)
    return [
        measured("naming, 99th percentile over strings", quantiles(costs, n=100)[98], "ms", "< 1"),
        measured("naming, median over strings", median(costs), "ms", ""),
        measured("naming, worst of awkward texts", worst, "ms", "< 20"),
    ]


def _cost_ms(text: str) -> float:
    begin = perf_counter()
    identify_chip(text)
    return 1000 * (perf_counter() - begin)


def _searching(queries: int) -> list[Row]:
    keys = many_keys(10_000)
    index = build_index(keys)
    random = Random(17)
    wanted = Random(5).sample(keys, queries)
    asked = [with_typing_error(key.replace("-", " "), random) for key in wanted]
    begin = process_time()
    found = [[hit.key for hit in search_chips(index, query)] for query in asked]
    cost = 1000 * (process_time() - begin) / queries
    share = sum(key in page for key, page in zip(wanted, found, strict=True)) / queries
    return [
        measured("search, hit among the first five", share, "ratio", ">= 0.95"),
        measured("search, CPU per query over 10,000 names", cost, "ms", "<= 1"),
    ]
