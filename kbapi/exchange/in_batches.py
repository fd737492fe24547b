"""Many results at once, in batches that each are one transaction."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final

import orjson

BATCH: Final = 500
"""Results of one batch: long enough to be quick, short enough for others to get their turn."""


@dataclass(frozen=True, slots=True)
class Taken:
    """How many of a batch were stored, and how many refused at the door."""

    items: int
    stored: int
    refused: int


def as_batches(documents: Iterable[Any]) -> Iterator[list[Any]]:
    """The documents in lists of at most `BATCH`, in their order.

    >>> [len(batch) for batch in as_batches(range(1_100))]
    [500, 500, 100]
    """
    stream = iter(documents)
    while batch := list(islice(stream, BATCH)):
        yield batch


def as_lines(documents: Iterable[Any]) -> bytes:
    """The documents as NDJSON, one a line."""
    return b"\n".join(orjson.dumps(document) for document in documents)
