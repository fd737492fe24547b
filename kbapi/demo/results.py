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
Standing = Literal["honest", "unverified", "wrong_units", "locked", "locked_with_settings"]


@dataclass(frozen=True, slots=True)
class TrueLimit:
    """The limit of one unit in one pool, in whole grid steps below stock."""

    pool: PoolTruth
    steps: int


@dataclass(frozen=True, slots=True)
class ClubResult:
    """One document, its origin, and the true limits of the pools in it."""

    document: Part
    standing: Standing
    limits: tuple[TrueLimit, ...]


@dataclass(frozen=True, slots=True)
class _Unit:
    """One physical chip of a member."""

    chip: str
    machine: Machine
    pools: tuple[PoolTruth, ...]
    member: int
    number: int
    """Number of the machine among those of the member."""


def club_documents(n: int, rng: Random, club: Club | None = None) -> Iterator[Part]:
    """The documents of `n` results of a club, the bundled one unless given."""
    return (result.document for result in club_results(n, rng, club))


def club_results(n: int, rng: Random, club: Club | None = None) -> Iterator[ClubResult]:
    """`n` results of a club, the bundled one unless given, in constant memory."""
    return islice(_all_results(rng, club or bundled_club()), n)


def _all_results(rng: Random, club: Club) -> Iterator[ClubResult]:
    for member in count(1):
        machines = rng.choices((1, 2, 3), truth.MACHINES_OWNED)[0]
        for number in range(1, machines + 1):
            machine = draw_machine(rng, club.classes)
            for chip in _reported_chips(rng, machine):
                yield _result(rng, _Unit(chip, machine, club.pools_of(chip), member, number), club)


def _reported_chips(rng: Random, machine: Machine) -> Iterator[str]:
    yield machine.processor
    if machine.graphics is not None and rng.random() < truth.SECOND_CHIP_REPORTED:
        yield machine.graphics


def _result(rng: Random, unit: _Unit, club: Club) -> ClubResult:
    standing = _draw_standing(rng, unit)
    envelope = _envelope(rng, unit, club)
    is_locked = standing in ("locked", "locked_with_settings")
    pools = () if is_locked else _reported_pools(rng, unit)
    limits = tuple(
        TrueLimit(pool, pool.draw_limit_steps(rng, unit.machine.cooling.limit_mv)) for pool in pools
    )
    match standing:
        case "honest":
            document = envelope | _searched(rng, unit, limits)
        case "wrong_units":
            document = in_wrong_units(rng, envelope | _searched(rng, unit, limits))
        case "unverified":
            document = envelope | _without_effect(rng, unit, pools)
        case _:
            has_settings = standing == "locked_with_settings"
            document = envelope | _locked(rng, unit, has_settings=has_settings)
    return ClubResult(document, standing, limits)


def _draw_standing(rng: Random, unit: _Unit) -> Standing:
    is_processor = unit.chip == unit.machine.processor
    if not unit.pools:
        return "locked"
    if is_processor and unit.machine.is_locked:
        return "locked_with_settings" if rng.random() < truth.LOCKED_WITH_SETTINGS else "locked"
    chance = rng.random() * (1 - truth.LOCKED_ABOUT)
    if chance < truth.UNVERIFIED:
        return "unverified"
    return "wrong_units" if chance < truth.UNVERIFIED + truth.WRONG_UNITS else "honest"


def _reported_pools(rng: Random, unit: _Unit) -> tuple[PoolTruth, ...]:
    return tuple(pool for pool in unit.pools if rng.random() < pool.reported)


def _envelope(rng: Random, unit: _Unit, club: Club) -> Part:
    kind = "c" if unit.chip == unit.machine.processor else "g"
    member = f"{unit.member:07}"
    return {
        "chip": _printed(rng, club.names[unit.chip], unit.chip),
        "unit_token": f"tidewater-synthetic-unit-{member}-{unit.number}{kind}",
        "contributor_token": f"tidewater-synthetic-member-{member}",
        "platform": platform_part(rng, unit.machine),
        "measured_in": unit.machine.measured_in,
        "client": truth.CLIENT,
    }


def _printed(rng: Random, name: str, key: str) -> str:
    """One of the forms in which systems and people write the name of a chip."""
    maker, line, rest = name.split(" ", 2)
    marked = f"{maker}(R) {line}(TM) {rest}"
    return rng.choice((name, name, marked, f"{marked} @ 2.60GHz", key))


def _searched(rng: Random, unit: _Unit, limits: tuple[TrueLimit, ...]) -> Part:
    """The settings of an honest tester in each pool."""
    searches = [search_limit(rng, limit.pool, limit.steps) for limit in limits]
    return _tested_parts(rng, unit, searches, has_effect=True)


def _without_effect(rng: Random, unit: _Unit, pools: tuple[PoolTruth, ...]) -> Part:
    searches = [search_without_effect(rng, pool) for pool in pools]
    return _tested_parts(rng, unit, searches, has_effect=False)


def _locked(rng: Random, unit: _Unit, *, has_settings: bool) -> Part:
    """The lock report of a locked machine; with `has_settings`, also settings without effect."""
    pool = unit.pools[0] if unit.pools else None
    locks = {"locks": locked_part(rng, unit.machine, pool)}
    if pool is None or not has_settings:
        return locks
    return _tested_parts(rng, unit, [search_without_effect(rng, pool)], has_effect=False) | locks


def _tested_parts(rng: Random, unit: _Unit, searches: list[Search], *, has_effect: bool) -> Part:
    tested = [draw_tested(rng, search) for search in searches]
    main = tested[0]
    settings = [setting_part(rng, one, has_effect=has_effect) for one in tested]
    parts: Part = {
        "locks": open_lock_part(rng, unit.machine, main.search.pool) if has_effect else [],
        "stock_passed": stock_part(rng, main.loads),
        "settings": settings,
    }
    if rng.random() < truth.TRIALS_REPORTED:
        parts["trials"] = trials_part(main, settings[0])
    if rng.random() < truth.READINGS_REPORTED:
        parts["readings"] = readings_part(rng, unit.machine, main, has_effect=has_effect)
    if _has_power_limit(unit, main):
        parts["power"] = power_part(rng, unit.machine)
    return {name: part for name, part in parts.items() if part}


def _has_power_limit(unit: _Unit, main: Tested) -> bool:
    return unit.machine.of_class.form != "desktop" and main.stock_mv is None


_DAYS: Final = (35, 60, 95, 180, 370)
_FIRST_FAILURE: Final = 3


def draw_follow_up(rng: Random, result: ClubResult) -> dict[str, Any] | None:
    """A follow-up on the main setting; None for most results, and without a setting in use."""
    settings: list[dict[str, Any]] = result.document.get("settings", [])
    if result.standing != "honest" or settings[0].get("in_use") is None:
        return None
    is_affected = result.document["platform"]["machine"] == truth.SHORTENED_CLASS
    if rng.random() >= (truth.FOLLOWED_UP_THERE if is_affected else truth.FOLLOWED_UP):
        return None
    changed = _draw_changed(rng, is_affected=is_affected)
    is_shortened = is_affected and truth.SHORTENED_BY in changed
    setting, days = settings[0], rng.choice(_DAYS) + rng.randint(0, 14)
    follow_up = {"domain": setting["domain"], "control": setting["control"], "changed": changed}
    if "clock_mhz" in setting:
        follow_up["clock_mhz"] = setting["clock_mhz"]
    failing = truth.FAILED_AFTER_IT if is_shortened else truth.FAILED_LATER
    outcome = _outcome(rng, days, failing)
    return follow_up | outcome | (_days_of_update(outcome) if is_shortened else {})


def _days_of_update(outcome: dict[str, Any]) -> dict[str, Any]:
    """The day of the planted update: within a week before a failure, else half-way."""
    days: int = outcome["days"]
    if outcome["outcome"] != "failed_later":
        return {"change_days": [{"change": truth.SHORTENED_BY, "day": days // 2}]}
    updated_on = max(days - 1 - days % 7, 1)
    return {
        "change_days": [{"change": truth.SHORTENED_BY, "day": updated_on}],
        "last_stable_day": updated_on - 1,
    }


def _draw_changed(rng: Random, *, is_affected: bool) -> list[str]:
    made = truth.CHANGED | ({truth.SHORTENED_BY: truth.UPDATED} if is_affected else {})
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
"""Results of one batch: large enough to be fast, small enough that other writers get a turn."""


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
