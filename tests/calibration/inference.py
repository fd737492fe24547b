"""What an attacker with fifty old tokens learns of one victim's depth from answers.

The attacker reads every percentile, curve and peer under all filters before and after the victim's
result, and knows their own. In each world other limits are drawn; the estimate is a regression of
the victim's depth on the changes, so it is as good as any that adds them up. What it tells is
-log2(1 - R2) / 2 bits, beside the entropy of the depth in whole mV.
"""

import math
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import orjson
from numpy.typing import NDArray
from scipy.special import ndtri

from kbapi.advice.stability.answer import advise_stability
from kbapi.advice.start.answer import advise_start
from kbapi.instance.instance import Instance
from kbapi.intake.submit import dry_run_submission
from tests.makers import (
    HandMovedClock,
    a_body,
    a_question,
    a_setting,
    a_submission,
    an_instance,
    send,
)
from tests.report import Row, measured

SEED: Final = 20261130
SHORT_WORLDS, FULL_WORLDS = 12, 40
TOKENS: Final = 50
KEPT_BACK: Final = 4
OTHERS: Final = 5
"""Established contributors in the victim's cell, besides the attacker's own."""
BESIDE_THE_CELL: Final = 20
MEAN_MV, SPREAD_MV = 80.0, 10.0
ENTROPY_BITS: Final = math.log2(SPREAD_MV * math.sqrt(2 * math.pi * math.e))
MOST_SHARE: Final = 0.10
_CELL: Final = {
    "supply": "battery",
    "machine": "harbour-15",
    "firmware": "1.14",
    "microcode": "0x2b",
}
_ALL_FILTERS: Final = {**_CELL, "load": "all_core", "grade": "long", "cooling": "repasted"}
_FILTERS: Final = ({}, {"supply": "battery"}, {"machine": "harbour-15"}, _ALL_FILTERS)
Vector = NDArray[np.float64]


class Attack(NamedTuple):
    """Where the attacker's results lie, and what happens between the victim's and the questions."""

    name: str
    padding: int
    """Results of the attacker in the victim's cell; the others are beside it."""
    kept_back: int = 0
    """Tokens that send into the cell after the victim."""
    days: int = 0
    mates: int = 0
    """Honest established contributors who send into the cell after the victim."""


ATTACKS: Final = (
    Attack("at once, cell padded", TOKENS - KEPT_BACK),
    Attack("at once, cell not padded", 0),
    Attack("four tokens kept back", TOKENS - KEPT_BACK, KEPT_BACK),
    Attack("the next day, no one else in the cell", 0, days=1),
    Attack("the next day, four others in the cell", 0, days=1, mates=4),
)


class Seen(NamedTuple):
    """What the answers add up to."""

    start_mv: float
    """The start, which changes at once."""
    chance: float
    """The chance that one more machine is stable there, in hundredths; it changes at once too."""
    percentiles_mv: float
    """Mean over all percentiles."""
    mass_mv: float
    """Area below the narrowest curve, times its units: the sum of their depths."""
    peers: float
    """Sum over depths of the units that are stable there."""


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """What each attack tells of the victim's depth, as a share of its entropy."""
    worlds = runs or (SHORT_WORLDS if short else FULL_WORLDS)
    attacks = (ATTACKS[0], ATTACKS[3]) if short else ATTACKS
    rows = []
    for attack in attacks:
        rng = np.random.default_rng([SEED, ATTACKS.index(attack)])
        seen = [_changes(rng, attack) for _ in range(worlds)]
        for name, change in _WAYS.items():
            learnt = _learnt([depth for depth, _, _ in seen], [change(*one[1:]) for one in seen])
            wanted = f"<= {MOST_SHARE}" if name == "all answers" else ""
            rows.append(measured(f"{attack.name}: {name}", learnt, "share of entropy", wanted))
    return rows


def _rounded(seen: Seen, step: float) -> Seen:
    return Seen(*(step * round(value / step) for value in seen))


def _difference(before: Seen, after: Seen) -> list[float]:
    return [one - other for one, other in zip(after, before, strict=True)]


_WAYS: Final[dict[str, Callable[[Seen, Seen], list[float]]]] = {
    "all answers": _difference,
    "without curves": lambda before, after: [
        one for place, one in enumerate(_difference(before, after)) if place != 3
    ],
    "all answers in steps of 5 mV": lambda before, after: _difference(
        _rounded(before, 5.0), _rounded(after, 5.0)
    ),
}


def _learnt(depth: list[float], changes: list[list[float]]) -> float:
    """What a regression on the changes tells, less what as many random numbers would."""
    known, wanted = np.array(changes), np.array(depth)
    varied = known[:, known.std(axis=0) > 0]
    design = np.column_stack([np.ones(len(wanted)), varied])
    left = wanted - design @ np.linalg.lstsq(design, wanted, rcond=None)[0]
    degrees = len(wanted) - design.shape[1]
    unexplained = (left @ left / degrees) / np.var(wanted, ddof=1)
    return round(max(0.0, -0.5 * math.log2(max(float(unexplained), 1e-6))) / ENTROPY_BITS, 4)


def _changes(rng: np.random.Generator, attack: Attack) -> tuple[float, Seen, Seen]:
    """The victim's depth, and what the attacker sees before and after it."""
    with _instance() as (instance, clock):
        _send_others(rng, instance, attack)
        clock.moment += timedelta(days=31)
        before = _look(instance)
        depth = _draw(rng)
        send(instance, _result(900, depth, _CELL))
        for number in range(attack.kept_back):
            send(instance, _result(600 + number, MEAN_MV, _CELL))
        for number in range(attack.mates):
            send(instance, _result(700 + number, _draw(rng), _CELL))
        clock.moment += timedelta(days=attack.days)
        return depth, before, _look(instance)


@contextmanager
def _instance() -> Iterator[tuple[Instance, HandMovedClock]]:
    with tempfile.TemporaryDirectory() as folder:
        clock = HandMovedClock()
        made = an_instance(Path(folder), clock)
        try:
            yield made, clock
        finally:
            made.close()


def _send_others(rng: np.random.Generator, instance: Instance, attack: Attack) -> None:
    for number in range(OTHERS):
        send(instance, _result(100 + number, _draw(rng), _CELL))
    for number in range(BESIDE_THE_CELL):
        send(instance, _result(200 + number, _draw(rng), _BESIDE))
    own = MEAN_MV + SPREAD_MV * ndtri((np.arange(TOKENS - KEPT_BACK) + 0.5) / (TOKENS - KEPT_BACK))
    for number, depth in enumerate(own):
        where = _CELL if number < attack.padding else _BESIDE
        send(instance, _result(300 + number, float(depth), where))
    # Old tokens of people who are not in the chip's pool yet.
    for number in (*range(600, 600 + KEPT_BACK), *range(700, 704), 900):
        send(instance, _result(number, MEAN_MV, _CELL, chip="Norvane Sable 5 4620MX"))


_BESIDE: Final = {"supply": "mains", "machine": "quay-13", "firmware": "2.1", "microcode": "0x30"}


def _draw(rng: np.random.Generator) -> float:
    return float(np.clip(np.round(rng.normal(MEAN_MV, SPREAD_MV)), 45, 115))


def _result(number: int, depth: float, where: dict[str, str], **changes: Any) -> dict[str, Any]:
    depth = round(depth)
    setting = a_setting(stable_at=-depth, unstable_at=-depth - 2)
    platform = {**where, "cooling": ["repasted"] if where is _CELL else ["stock"]}
    return a_submission(setting, number=number, platform=platform, **changes)


def _look(instance: Instance) -> Seen:
    """What the attacker reads from all answers."""
    percentiles: list[float] = []
    mass_mv = 0.0
    for filters in _FILTERS:
        question = a_question(instance, detail="percentiles", **filters)
        answer = orjson.loads(advise_start(instance, question).body)
        percentiles += [-one["setting_mv"] for one in answer["percentiles"] or ()]
        curve = orjson.loads(advise_stability(instance, question).body)
        if own := curve["own_curve"]:
            area = float(np.trapezoid(own["share"], -np.array(own["setting"])))
            mass_mv = area * curve["evidence"]["units"]
    start = orjson.loads(advise_start(instance, a_question(instance)).body)["start"]
    return Seen(
        start_mv=-start["setting_mv"],
        chance=100.0 * start["chance_stable"],
        percentiles_mv=float(np.mean(percentiles)) if percentiles else 0.0,
        mass_mv=mass_mv,
        peers=_peers(instance),
    )


def _peers(instance: Instance) -> float:
    found = 0.0
    for depth in range(50, 112, 4):
        document = _result(301, depth, _CELL, client="tidewater-script/0.4")
        peers = dry_run_submission(instance, a_body(document)).settings[0].peers
        found += 0 if peers is None else peers.stable
    return found
