"""What a batch costs beside the check of its documents' shape alone, and how that grows."""

import tempfile
from collections.abc import Callable
from itertools import count, islice
from pathlib import Path
from statistics import median
from time import process_time
from typing import Any

import orjson

from kbapi.documents.results import SubmissionSchema
from kbapi.instance.instance import Instance
from kbapi.intake import batch
from tests.bench._parts import timed_parts
from tests.bench.intake import a_document
from tests.makers import an_instance
from tests.report import Row, measured

ROUNDS, SMALL, LARGE = 5, 100, 1_000


def measure(*, short: bool) -> list[Row]:
    """CPU time an item, medians of rounds that take turns."""
    large, rounds = (200, 2) if short else (LARGE, ROUNDS)
    numbers = count(1)
    with tempfile.TemporaryDirectory() as folder:
        instance = an_instance(Path(folder))
        _batch_ms(instance, numbers, SMALL)
        rounds = [
            (
                _shape_ms(numbers, large),
                _batch_ms(instance, numbers, large),
                _batch_ms(instance, numbers, SMALL),
            )
            for _ in range(rounds)
        ]
        parts = _parts_ms(instance, numbers, large)
        instance.close()
    alone, all_of_it, small = (median(column) for column in zip(*rounds, strict=True))
    rate = median(shape / whole for shape, whole, _ in rounds)
    linear = median(whole / few for _, whole, few in rounds)
    return [
        measured("shape of a document alone", alone, "ms CPU an item", ""),
        measured(f"a batch of {large:,}", all_of_it, "ms CPU an item", ""),
        measured(f"a batch of {SMALL:,}", small, "ms CPU an item", ""),
        measured("a batch, rate over that of the shape alone", rate, "ratio", ">= 0.5"),
        measured(f"an item among {large:,} over one among {SMALL:,}", linear, "ratio", "<= 1.1"),
        *(
            measured(f"of it, with the cost of timing: {part}", ms, "ms CPU an item", "")
            for part, ms in sorted(parts.items(), key=lambda one: -one[1])
        ),
    ]


def _documents(numbers: count, items: int) -> list[dict[str, Any]]:
    return [a_document(number, number // 2) for number in islice(numbers, items)]


def _shape_ms(numbers: count, items: int) -> float:
    schema, documents = SubmissionSchema(), _documents(numbers, items)
    return _ms(lambda: [schema.load(one) for one in documents], items)


def _batch_ms(instance: Instance, numbers: count, items: int) -> float:
    body = orjson.dumps(_documents(numbers, items))
    return _ms(lambda: batch.accept_batch(instance, body), items)


def _parts_ms(instance: Instance, numbers: count, items: int) -> dict[str, float]:
    body = orjson.dumps(_documents(numbers, items))
    with timed_parts() as spent:
        batch.accept_batch(instance, body)
    return {part: 1_000 * seconds / items for part, seconds in spent.items()}


def _ms(work: Callable[[], object], items: int) -> float:
    began = process_time()
    work()
    return 1_000 * (process_time() - began) / items
