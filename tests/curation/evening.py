"""Two hundred results of five chips, forty of them made up, for the evening of a host."""

from datetime import timedelta
from random import Random
from typing import Any

from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.storage.contributors import find_contributor
from tests.makers import NOON, HandMovedClock, a_setting, a_submission, send

CHIPS = (
    "norvane-sable-7-4820mx",
    "norvane-sable-7-4800k",
    "norvane-sable-5-4810mx",
    "norvane-sable-9-4840mx",
    "ketterly-quorrel-8-3180x",
)
LIARS = {"liar-a": 0, "liar-b": 1, "liar-c": 2, "liar-d": 3, "liar-e": 4, "liar-f": 0}
"""The chip that each of them lies about."""
HONEST, LIES = 160, 40


def an_evening(instance: Instance, clock: HandMovedClock, seed: int = 6) -> dict[str, int]:
    """The contributor number of each liar, after all results were sent."""
    rng = Random(seed)
    clock.moment = NOON - timedelta(days=60)
    sent = [_honest(rng, number) for number in range(HONEST)]
    sent += [_lie(rng, number) for number in range(LIES)]
    rng.shuffle(sent)
    for document in sent:
        send(instance, document | {"measured_in": "2026-07"})
    clock.moment = NOON
    with instance.reading() as connection:
        found = {
            name: find_contributor(connection, contributor_hash(instance.secret, token_of(name)))
            for name in LIARS
        }
    return {name: number for name, number in found.items() if number is not None}


def token_of(name: str) -> str:
    """The contributor token of a liar."""
    return f"tidewater-{name}-000000"


def _honest(rng: Random, number: int) -> dict[str, Any]:
    limit = rng.gauss(100, 12)
    step = rng.choice((5, 10))
    stable = int(limit // step * step)
    setting = a_setting(stable_at=-stable, unstable_at=-stable - step)
    member = f"tidewater-honest-{rng.randrange(120):06}"
    return a_submission(setting, number=number, chip=CHIPS[number % 5], contributor_token=member)


def _lie(rng: Random, number: int) -> dict[str, Any]:
    names = list(LIARS)
    name = names[number % len(names)]
    depth = rng.randrange(40, 56)
    setting = a_setting(stable_at=-depth, unstable_at=-depth - 5)
    return a_submission(
        setting,
        number=1_000 + number,
        chip=CHIPS[LIARS[name]],
        contributor_token=token_of(name),
    )
