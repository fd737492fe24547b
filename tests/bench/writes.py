"""What an acknowledged result costs beside a server that promises less, and who waits longest."""

import tempfile
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from statistics import median

import numpy as np
import orjson

from tests.bench._load import Load, a_collecting_key, post, serving_instance, under_load
from tests.bench.intake import a_document
from tests.makers import an_instance
from tests.processes import free_port
from tests.report import Row, measured

ROUNDS = 5


def measure(*, short: bool) -> list[Row]:
    """Rates by the clock, the two servers in turns; waits within each round."""
    results, turns = (48, 2) if short else (1_600, ROUNDS)
    numbers = count(1)
    with tempfile.TemporaryDirectory() as folder:
        full, normal = Path(folder) / "full", Path(folder) / "normal"
        for home in (full, normal):
            home.mkdir()
            an_instance(home).close()
        keys = [a_collecting_key(one / "home") for one in (full, normal)]
        with (
            serving_instance(full / "home", free_port()) as promising,
            serving_instance(normal / "home", free_port(), "without-promises") as careless,
        ):
            rounds = [
                (
                    under_load(promising, _results(numbers, keys[0]), results, 201),
                    under_load(careless, _results(numbers, keys[1]), results, 201),
                )
                for _ in range(turns + 1)
            ]
    ours, theirs = zip(*rounds[1:], strict=True)  # the first round warms up
    ratio = median(other.seconds / one.seconds for one, other in rounds[1:])
    return [
        measured("results a second, FULL, in line", median(map(_rate, ours)), "/s", ""),
        measured("the same, NORMAL, no line", median(map(_rate, theirs)), "/s", ""),
        measured("rate over that", ratio, "ratio", ">= 0.9"),
        measured("p99 over p50, FULL, in line", median(map(_tail, ours)), "ratio", "<= 3"),
        measured("p99 over p50, NORMAL, no line", median(map(_tail, theirs)), "ratio", ""),
    ]


def _results(numbers: count, key: dict[str, str]) -> Callable[[int], Iterator[bytes]]:
    def requests(_place: int) -> Iterator[bytes]:
        for number in numbers:
            yield post("/v1/submissions", orjson.dumps(a_document(number, number)), **key)

    return requests


def _rate(load: Load) -> float:
    return load.answers / load.seconds


def _tail(load: Load) -> float:
    half, most = np.quantile(load.latencies_s, (0.5, 0.99))
    return float(most / half)
