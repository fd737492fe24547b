"""An instance that holds the demo club's data, and what a member of the club can know of it."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

import orjson

from kbapi.access.keys import SCOPES, give_key
from kbapi.demo.results import as_lines, club_results, draw_follow_up
from kbapi.instance.instance import Instance, open_instance
from kbapi.intake.batch import accept_batch
from kbapi.intake.follow_up import accept_follow_up
from kbapi.settings import Settings
from tests.makers import FAR_LIMITS, HandMovedClock, an_instance

CHIPS = (
    "norvane-sable-7-4820mx",
    "ketterly-quorrel-8-3180x",
    "osmer-kestrel-660-laptop",
    "norvane-tarnel-3-2120n",
    "norvane-sable-7-9990mx",
)
"""Well known, in counts, of graphics, hardly known, and never seen."""


@dataclass(frozen=True)
class Known:
    """What members hold: their results' ids with receipts, their tokens, and keys by scope."""

    receipts: dict[str, str]
    contributors: tuple[str, ...]
    keys: dict[str, str]


def fill(folder: Path, results: int, seed: int = 6, **settings: str) -> Known:
    """What is known of the club's results that now lie in `folder / "home"`."""
    made = an_instance(folder, HandMovedClock(), **settings)
    drawn, later = list(club_results(results, Random(seed))), Random(seed + 1)
    receipts = {}
    for begin in range(0, results, 500):
        some = drawn[begin : begin + 500]
        accepted = accept_batch(made, as_lines(one.document for one in some), is_ndjson=True)
        for item, result in zip(accepted.items, some, strict=True):
            if item.id and item.receipt:
                receipts[item.id] = item.receipt
                if follow_up := draw_follow_up(later, result):
                    accept_follow_up(made, item.id, item.receipt, orjson.dumps(follow_up))
    keys = {scope: give_key(made, "", (scope,)).key for scope in SCOPES}
    made.close()
    tokens = {one.document.get("contributor_token") for one in drawn}
    return Known(receipts, tuple(sorted(token for token in tokens if token)), keys)


@contextmanager
def opened(folder: Path, join: str) -> Iterator[Instance]:
    """The instance in `folder / "home"`, open to newcomers as far as `join` allows."""
    settings = Settings(home=folder / "home", join=join, **FAR_LIMITS)
    instance = open_instance(settings, HandMovedClock())
    yield instance
    instance.close()
