"""False results of attackers; they are never part of the club's own results."""

from collections.abc import Callable, Iterator
from random import Random
from typing import Any, Final

from kbapi.demo.members import Club, Search, bundled_club
from kbapi.demo.testing import draw_tested, setting_part
from kbapi.demo.truth import PoolTruth, typing_unit

CLIENT: Final = "tidewater-synthetic-attackers/1"
_TARGETS: Final = (
    "norvane-sable-7-4800k",
    "norvane-sable-5-4810mx",
    "ketterly-drift-6-2350u",
    "osmer-kestrel-650-laptop",
)


def attacker_documents(n: int, rng: Random, club: Club | None = None) -> Iterator[dict[str, Any]]:
    """`n` false results about a few of the club's chips, the four kinds in turn."""
    pools = [(club or bundled_club()).pools_of(chip)[0] for chip in _TARGETS]
    for number in range(1, n + 1):
        kind = KINDS[number % len(KINDS)]
        yield kind(rng, rng.choice(pools), number)


def _deep_cluster(rng: Random, pool: PoolTruth, number: int) -> dict[str, Any]:
    """Many contributors that agree on one deep limit."""
    return _false_result(rng, pool, f"cluster-{number:07}", number, 140, 150)


def _uniform_junk(rng: Random, pool: PoolTruth, number: int) -> dict[str, Any]:
    """Random limits, three units from each contributor."""
    stable = rng.uniform(10, 150)
    return _false_result(rng, pool, f"junk-{number // 12:07}", number, stable, stable + 10)


def _flood(rng: Random, pool: PoolTruth, number: int) -> dict[str, Any]:
    """Many deep units of one contributor."""
    return _false_result(rng, pool, "flooding", number, rng.uniform(125, 145), 155)


def _sybil(rng: Random, pool: PoolTruth, number: int) -> dict[str, Any]:
    """A new contributor for each shallow failure, which makes starts shallower."""
    return _false_result(rng, pool, f"sybil-{number:07}", number, 20, 25)


KINDS: Final[tuple[Callable[[Random, PoolTruth, int], dict[str, Any]], ...]] = (
    _deep_cluster,
    _uniform_junk,
    _flood,
    _sybil,
)
"""Equal shares, in turn."""


def _false_result(
    rng: Random,
    pool: PoolTruth,
    name: str,
    number: int,
    stable_mv: float,
    unstable_mv: float,
) -> dict[str, Any]:
    stable, unstable = (
        max(1, round(mv * pool.scale / float(typing_unit(pool.grid))))
        for mv in (stable_mv, unstable_mv)
    )
    search = Search(pool, min(stable, 50), stable, max(unstable, stable + 1), None)
    tested = draw_tested(rng, search)
    return {
        "chip": pool.chip,
        "unit_token": f"tidewater-synthetic-liar-unit-{number:07}",
        "contributor_token": f"tidewater-synthetic-liar-{name}",
        "stock_passed": [{"load": tested.loads[0], "minutes": 20}],
        "settings": [setting_part(rng, tested, has_effect=True)],
        "measured_in": f"2026-{rng.randint(1, 9):02}",
        "client": CLIENT,
    }
