"""The club's results as a stream: each document with what is true of its unit."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count, islice
from random import Random
from typing import Any, Literal

from kbapi.exchange.club import shares
from kbapi.exchange.club.club import Club, bundled_club
from kbapi.exchange.club.machines import Machine, draw_machine
from kbapi.exchange.club.platforms import (
    locked_part,
    open_lock_part,
    platform_part,
    power_part,
)
from kbapi.exchange.club.readings import readings_part
from kbapi.exchange.club.testers import Search, search_limit, search_without_effect
from kbapi.exchange.club.testing import (
    Tested,
    draw_tested,
    setting_part,
    stock_part,
    trials_part,
)
from kbapi.exchange.club.truth import PoolTruth
from kbapi.exchange.club.wrong_units import in_wrong_units

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
        machines = rng.choices((1, 2, 3), shares.MACHINES_OWNED)[0]
        for number in range(1, machines + 1):
            machine = draw_machine(rng, club.classes)
            for chip in _told_chips(rng, machine):
                yield _result(rng, _Unit(chip, machine, club.pools_of(chip), member, number), club)


def _told_chips(rng: Random, machine: Machine) -> Iterator[str]:
    yield machine.processor
    if machine.graphics is not None and rng.random() < shares.SECOND_CHIP_TOLD:
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
        return "locked_and_claiming" if rng.random() < shares.LOCKED_AND_CLAIMING else "locked"
    chance = rng.random() * (1 - shares.LOCKED_ABOUT)
    if chance < shares.CLAIMS:
        return "claim"
    return "wrong_units" if chance < shares.CLAIMS + shares.WRONG_UNITS else "honest"


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
        "client": shares.CLIENT,
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
    if rng.random() < shares.TRIALS_TOLD:
        parts["trials"] = trials_part(main, settings[0])
    if rng.random() < shares.READINGS_TOLD:
        parts["readings"] = readings_part(rng, unit.machine, main, has_effect=has_effect)
    if _lives_with_a_power_limit(unit, main):
        parts["power"] = power_part(rng, unit.machine)
    return {name: part for name, part in parts.items() if part}


def _lives_with_a_power_limit(unit: _Unit, main: Tested) -> bool:
    return unit.machine.of_class.form != "desktop" and main.stock_mv is None
