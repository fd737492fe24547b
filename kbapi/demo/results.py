"""Results and follow-ups of the club as documents, sent in batches."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import count, islice
from random import Random
from typing import Any, Final, Literal

import orjson

from kbapi.demo import truth
from kbapi.demo.machines import (
    Machine,
    draw_machine,
    locked_part,
    open_lock_part,
    platform_part,
    power_part,
)
from kbapi.demo.members import (
    Club,
    Search,
    bundled_club,
    in_wrong_units,
    search_limit,
    search_without_effect,
)
from kbapi.demo.testing import (
    Tested,
    draw_tested,
    readings_part,
    setting_part,
    stock_part,
    trials_part,
)
from kbapi.demo.truth import PoolTruth

Part = dict[str, Any]
Standing = Literal["honest", "claim", "wrong_units", "locked", "locked_and_claiming"]


@dataclass(frozen=True, slots=True)
class TrueLimit:
    """The limit of one unit in one pool, in whole grid steps below stock."""

    pool: PoolTruth
    steps: int


@dataclass(frozen=True, slots=True)
class ClubResult:
    """One document, how it came about, and the limits of its unit that it tells of."""

    document: Part
    standing: Standing
    limits: tuple[TrueLimit, ...]


@dataclass(frozen=True, slots=True)
class _Unit:
    """One physical chip that somebody writes up."""

    chip: str
    machine: Machine
    pools: tuple[PoolTruth, ...]
    member: int
    number: int
    """Of the machine among the member's."""


def club_documents(n: int, rng: Random) -> Iterator[Part]:
    """The documents of `n` results of the bundled club, the same for the same dice."""
    return (result.document for result in club_results(n, rng))


def club_results(n: int, rng: Random, club: Club | None = None) -> Iterator[ClubResult]:
    """`n` results, one after another, whatever `n` is in the same memory."""
    return islice(_all_results(rng, club or bundled_club()), n)


def _all_results(rng: Random, club: Club) -> Iterator[ClubResult]:
    for member in count(1):
        machines = rng.choices((1, 2, 3), truth.MACHINES_OWNED)[0]
        for number in range(1, machines + 1):
            machine = draw_machine(rng, club.classes)
            for chip in _told_chips(rng, machine):
                yield _result(rng, _Unit(chip, machine, club.pools_of(chip), member, number), club)


def _told_chips(rng: Random, machine: Machine) -> Iterator[str]:
    yield machine.processor
    if machine.graphics is not None and rng.random() < truth.SECOND_CHIP_TOLD:
        yield machine.graphics


def _result(rng: Random, unit: _Unit, club: Club) -> ClubResult:
    standing = _draw_standing(rng, unit)
    envelope = _envelope(rng, unit, club)
    told = _told_pools(rng, unit) if standing not in ("locked", "locked_and_claiming") else ()
    limits = tuple(
        TrueLimit(pool, pool.draw_limit_steps(rng, unit.machine.cooling.limit_mv)) for pool in told
    )
    match standing:
        case "honest":
            document = envelope | _searched(rng, unit, limits)
        case "wrong_units":
            document = in_wrong_units(rng, envelope | _searched(rng, unit, limits))
        case "claim":
            document = envelope | _without_effect(rng, unit, told)
        case _:
            claims = standing == "locked_and_claiming"
            document = envelope | _locked(rng, unit, claims=claims)
    return ClubResult(document, standing, limits)


def _draw_standing(rng: Random, unit: _Unit) -> Standing:
    is_processor = unit.chip == unit.machine.processor
    if not unit.pools:
        return "locked"
    if is_processor and unit.machine.is_locked:
        return "locked_and_claiming" if rng.random() < truth.LOCKED_AND_CLAIMING else "locked"
    chance = rng.random() * (1 - truth.LOCKED_ABOUT)
    if chance < truth.CLAIMS:
        return "claim"
    return "wrong_units" if chance < truth.CLAIMS + truth.WRONG_UNITS else "honest"


def _told_pools(rng: Random, unit: _Unit) -> tuple[PoolTruth, ...]:
    return tuple(pool for pool in unit.pools if rng.random() < pool.told)


def _envelope(rng: Random, unit: _Unit, club: Club) -> Part:
    kind = "c" if unit.chip == unit.machine.processor else "g"
    who = f"{unit.member:07}"
    return {
        "chip": _printed(rng, club.names[unit.chip], unit.chip),
        "unit_token": f"tidewater-synthetic-unit-{who}-{unit.number}{kind}",
        "contributor_token": f"tidewater-synthetic-member-{who}",
        "platform": platform_part(rng, unit.machine),
        "measured_in": unit.machine.measured_in,
        "client": truth.CLIENT,
    }


def _printed(rng: Random, name: str, key: str) -> str:
    """One of the ways in which systems and people write a chip's name."""
    maker, line, rest = name.split(" ", 2)
    marked = f"{maker}(R) {line}(TM) {rest}"
    return rng.choice((name, name, marked, f"{marked} @ 2.60GHz", key))


def _searched(rng: Random, unit: _Unit, limits: tuple[TrueLimit, ...]) -> Part:
    """What an honest tester found in each pool."""
    searches = [search_limit(rng, limit.pool, limit.steps) for limit in limits]
    return _written_up(rng, unit, searches, has_effect=True)


def _without_effect(rng: Random, unit: _Unit, told: tuple[PoolTruth, ...]) -> Part:
    searches = [search_without_effect(rng, pool) for pool in told]
    return _written_up(rng, unit, searches, has_effect=False)


def _locked(rng: Random, unit: _Unit, *, claims: bool) -> Part:
    """A locked machine's report; some send the settings as well that they think they have."""
    pool = unit.pools[0] if unit.pools else None
    locks = {"locks": locked_part(rng, unit.machine, pool)}
    if pool is None or not claims:
        return locks
    return _written_up(rng, unit, [search_without_effect(rng, pool)], has_effect=False) | locks


def _written_up(rng: Random, unit: _Unit, searches: list[Search], *, has_effect: bool) -> Part:
    tested = [draw_tested(rng, search) for search in searches]
    main = tested[0]
    settings = [setting_part(rng, one, has_effect=has_effect) for one in tested]
    parts: Part = {
        "locks": open_lock_part(rng, unit.machine, main.search.pool) if has_effect else [],
        "stock_passed": stock_part(rng, main.loads),
        "settings": settings,
    }
    if rng.random() < truth.TRIALS_TOLD:
        parts["trials"] = trials_part(main, settings[0])
    if rng.random() < truth.READINGS_TOLD:
        parts["readings"] = readings_part(rng, unit.machine, main, has_effect=has_effect)
    if _lives_with_a_power_limit(unit, main):
        parts["power"] = power_part(rng, unit.machine)
    return {name: part for name, part in parts.items() if part}


def _lives_with_a_power_limit(unit: _Unit, main: Tested) -> bool:
    return unit.machine.of_class.form != "desktop" and main.stock_mv is None


_DAYS: Final = (35, 60, 95, 180, 370)
_FIRST_FAILURE: Final = 3


def draw_follow_up(rng: Random, result: ClubResult) -> dict[str, Any] | None:
    """A member's follow-up on the main setting; None from most, and where none is in use."""
    settings: list[dict[str, Any]] = result.document.get("settings", [])
    if result.standing != "honest" or settings[0].get("in_use") is None:
        return None
    is_there = result.document["platform"]["machine"] == truth.SHORTENED_CLASS
    if rng.random() >= (truth.FOLLOWED_UP_THERE if is_there else truth.FOLLOWED_UP):
        return None
    changed = _draw_changed(rng, is_there=is_there)
    is_shortened = is_there and truth.SHORTENED_BY in changed
    setting, days = settings[0], rng.choice(_DAYS) + rng.randint(0, 14)
    told = {"domain": setting["domain"], "control": setting["control"], "changed": changed}
    if "clock_mhz" in setting:
        told["clock_mhz"] = setting["clock_mhz"]
    failing = truth.FAILED_AFTER_IT if is_shortened else truth.FAILED_LATER
    return told | _outcome(rng, days, failing)


def _draw_changed(rng: Random, *, is_there: bool) -> list[str]:
    made = truth.CHANGED | ({truth.SHORTENED_BY: truth.UPDATED} if is_there else {})
    return [name for name, share in made.items() if rng.random() < share]


def _outcome(rng: Random, days: int, failing: float) -> dict[str, Any]:
    if rng.random() < failing:
        failure = rng.choice(("system_hang", "system_reset", "wrong_result"))
        failed_on = rng.randint(_FIRST_FAILURE, days)
        return {"outcome": "failed_later", "days": failed_on, "failure": failure}
    chance = rng.random()
    for outcome, share in truth.LOST.items():
        chance -= share
        if chance < 0:
            return {"outcome": outcome, "days": days}
    return {"outcome": "still_stable", "days": days, "effect": {"shown_by": "less_power"}}


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
