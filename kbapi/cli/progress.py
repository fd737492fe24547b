"""Progress of anything that takes longer than a moment: a bar on a terminal, lines in a pipe."""

import sys
from collections.abc import Iterable, Iterator
from typing import Final, TypeVar

import click

_LINES: Final = 10
T = TypeVar("T")


def told_progress(items: Iterable[T], total: int, label: str) -> Iterator[T]:
    """The items, while it is told how many of them were taken."""
    if sys.stdout.isatty():
        with click.progressbar(items, length=total, label=label) as shown:
            yield from shown
        return
    every = max(1, total // _LINES)
    for number, item in enumerate(items, start=1):
        yield item
        if number % every == 0 or number == total:
            click.echo(f"{label}: {number:,} of {total:,}")
