"""What an acknowledged result costs beside a server that promises less, and who waits longest."""

import tempfile
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from statistics import median

import numpy as np
import orjson

from tests.bench._load import Load, post, serving_instance, under_load
from tests.bench.intake import a_document
from tests.makers import an_instance
from tests.report import Row, measured
from tests.system.server import free_port

ROUNDS = 5


def measure(*, short: bool) -> list[Row]:
    """Rates by the clock, the two servers in turns; waits within each round."""
    results = 160 if short else 1_600
    numbers = count(1)
    with tempfile.TemporaryDirectory() as folder:
        full, normal = Path(folder) / "full", Path(folder) / "normal"
        for home in (full, normal):
            home.mkdir()
            an_instance(home).close()
        with (
            serving_instance(full / "home", free_port()) as promising,
            serving_instance(normal / "home", free_port(), "without-promises") as careless,
        ):
            rounds: list[tuple[Load, Load]] = []
            for _ in range(ROUNDS + 1):
                rounds.append(
                    (
                        under_load(promising, _results(numbers), results, 201),
                        under_load(careless, _results(numbers), results, 201),
                    )
                )
    rounds = rounds[1:]  # the first one warms up
    ratio = median(ours.seconds**-1 * theirs.seconds for ours, theirs in rounds)
    return [
        measured("results a second, FULL, in line", median(_rate(o) for o, _ in rounds), "/s", ""),
        measured("the same, NORMAL, no line", median(_rate(t) for _, t in rounds), "/s", ""),
        measured("rate over that", ratio, "ratio", ">= 0.9"),
        measured(
            "p99 over p50, FULL, in line", median(_tail(o) for o, _ in rounds), "ratio", "<= 3"
        ),
        measured("p99 over p50, NORMAL, no line", median(_tail(t) for _, t in rounds), "ratio", ""),
    ]


def _results(numbers: count) -> Callable[[int], Iterator[bytes]]:
    def requests(_place: int) -> Iterator[bytes]:
        for number in numbers:
            yield post("/v1/submissions", orjson.dumps(a_document(number, number)))

    return requests


def _rate(load: Load) -> float:
    return load.answers / load.seconds


def _tail(load: Load) -> float:
    half, most = np.quantile(load.latencies_s, (0.5, 0.99))
    return float(most / half)
