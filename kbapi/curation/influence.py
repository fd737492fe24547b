"""How far the start of a pool moves without one contributor.

Each contributor of each pool is approximated: how far a quantile of the limits moves without their
units. The sixteen with the largest moves are refitted exactly.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from threading import Lock
from typing import Final

import numpy as np
from sqlalchemy import Connection

from kbapi.advice.evidence_found import EvidenceFound, find_evidence
from kbapi.advice.start.influence import approximate_moves, fitted_setting, start_fit, without
from kbapi.curation.starts import PoolName, name_of, question_about
from kbapi.evidence.outlier_check import check_outliers
from kbapi.evidence.pools import SCALES, floor_steps
from kbapi.evidence.units import Standing, load_pool_rows, standing_on, units_of
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.stats.intervals import Grid
from kbapi.stats.start.start import StartFit
from kbapi.storage.pools import LineRow, PoolSize, load_all_pools, load_lines, load_pools

MOST_REFITTED: Final = 16
"""A refit of a pool costs as much as its start."""
MOST_UNITS_READ: Final = 200_000
"""More would take seconds to read; pools beyond are left out."""


@dataclass(frozen=True, slots=True)
class Influence:
    """How far the start of a pool moves without one contributor."""

    pool: PoolName
    """The pool."""
    units: int
    """Units of the contributor that the pool has."""
    start: float | None
    """The present start: mV or counts below stock, negative is lower. Null without a start, and
    where `is_exact` is false."""
    start_without: float | None
    """The start without the contributor; null without a start, and where `is_exact` is false."""
    moves_by: float | None
    """`start_without` less `start`, in mV or counts; negative where the start is deeper without the
    contributor. Null where too few units are left for a start."""
    is_exact: bool
    """Whether the pool was fitted again without the contributor; else `moves_by` is
    approximated."""


@dataclass(frozen=True, slots=True)
class InfluenceRanking:
    """Contributors by their strongest influence."""

    contributors: tuple[int, ...]
    """Numbers of contributors, the strongest first."""
    influence: dict[int, tuple[Influence, ...]]
    """The influence of each of them in each pool, the strongest first."""
    pools_left_out: int
    """Pools that were not looked at, because the instance has too many units."""

    def strongest_of(self, contributor: int) -> Influence | None:
        """The strongest influence of a contributor; None without any."""
        return next(iter(self.influence.get(contributor, ())), None)


@dataclass(frozen=True)
class _Candidate:
    """A contributor in a pool, with the approximated move in the unit of the control."""

    pool: PoolSize
    contributor: int
    units: int
    moves_by: float

    @property
    def strength(self) -> float:
        """The size of the move, comparable between controls."""
        return abs(self.moves_by) / SCALES[self.pool.key.control].least_spread


@dataclass(frozen=True)
class _Ranked:
    """The influence of a contributor in a pool, and how strong it is among all."""

    contributor: int
    strength: float
    influence: Influence


_ONE_AT_A_TIME: Final = Lock()


def rank_influence(instance: Instance, chip_key: str | None = None) -> InfluenceRanking:
    """The contributors of a chip's pools, or of all pools, by their influence on starts.

    One computation at a time in each process; a repeat without a change in between costs nothing.
    """
    with instance.reading() as connection:
        pools = [pool for pool in load_all_pools(connection) if pool.units]
        revisions = load_lines(connection)
    wanted = tuple(pool.id for pool in pools if chip_key in (None, pool.chip_key))
    with _ONE_AT_A_TIME:
        return _rank(instance, wanted, None, revisions, instance.today())


def influence_of(
    instance: Instance, contributor: int, pool_ids: Sequence[int]
) -> tuple[Influence, ...]:
    """The influence of one contributor in each of these pools, the strongest first."""
    with instance.reading() as connection:
        revisions = load_lines(connection)
    with _ONE_AT_A_TIME:
        found = _rank(instance, tuple(pool_ids), contributor, revisions, instance.today())
    return found.influence.get(contributor, ())


@lru_cache(maxsize=4)
def _rank(
    instance: Instance,
    pool_ids: tuple[int, ...],
    contributor: int | None,
    revisions: tuple[LineRow, ...],
    today: date,
) -> InfluenceRanking:
    """The ranking in these pools; the revisions and the day tell when it is out of date."""
    standing = standing_on(today, contributor_hash(instance.secret, None))
    with instance.reading() as connection:
        pools = load_pools(connection, pool_ids)
        read = _as_many_as_are_read(pools)
        found = [
            one
            for pool in read
            for one in _candidates(connection, instance, pool, standing)
            if contributor in (None, one.contributor)
        ]
        found.sort(key=lambda one: (-one.strength, one.pool.id, one.contributor))
        exact = _refit(connection, instance, found[:MOST_REFITTED])
    return _ranking([*exact, *map(_approximated, found[MOST_REFITTED:])], len(pools) - len(read))


def _as_many_as_are_read(pools: Sequence[PoolSize]) -> list[PoolSize]:
    """The first pools that together have no more units than are read, but at least one."""
    units = np.cumsum([pool.units for pool in pools])
    return list(pools[: max(1, int(np.searchsorted(units, MOST_UNITS_READ, side="right")))])


def _candidates(
    connection: Connection, instance: Instance, pool: PoolSize, standing: Standing
) -> list[_Candidate]:
    """Every contributor of a pool; none where the catalogue does not know the chip."""
    grid = find_grid(instance, pool)
    if grid is None:
        return []
    units = units_of(load_pool_rows(connection, pool.id, standing))
    floor = floor_steps(pool.key.control, grid)
    report = check_outliers(units, floor)
    contributors, owner = np.unique(units.contributor, return_inverse=True)
    counts = np.bincount(owner, minlength=len(contributors))
    moves = approximate_moves(units, report, floor) * -float(grid.step)
    return [
        _Candidate(pool, contributor, count, move)
        for contributor, count, move in zip(
            contributors.tolist(), counts.tolist(), moves.tolist(), strict=True
        )
    ]


def find_grid(instance: Instance, pool: PoolSize) -> Grid | None:
    """The grid of a pool; None where the catalogue does not know the chip."""
    question = question_about(name_of(pool), instance.catalogue)
    if question is None:
        return None
    return instance.catalogue.grid_for(question.chip, pool.key.control)


def _refit(
    connection: Connection, instance: Instance, candidates: Sequence[_Candidate]
) -> list[_Ranked]:
    """The exact influence of these contributors."""
    exact = []
    for pool in {one.pool.id: one.pool for one in candidates}.values():
        question = question_about(name_of(pool), instance.catalogue)
        if question is None:
            continue
        found = find_evidence(connection, question, instance)
        start = start_fit(question, found)
        for one in candidates:
            if one.pool.id == pool.id:
                left_out = start_fit(question, without(question, found, one.contributor))
                exact.append(_exact(one, found, start, left_out))
    return exact


def _exact(one: _Candidate, found: EvidenceFound, start: StartFit, left_out: StartFit) -> _Ranked:
    now, then = (fitted_setting(found, fit) for fit in (start, left_out))
    moves_by = None if now is None or then is None else round(then - now, 2)
    influence = Influence(
        pool=name_of(one.pool),
        units=one.units,
        start=now or None,
        start_without=then or None,
        moves_by=moves_by,
        is_exact=True,
    )
    strength = abs(moves_by or 0.0) / SCALES[found.control].least_spread
    return _Ranked(one.contributor, strength, influence)


def _approximated(one: _Candidate) -> _Ranked:
    moves_by = round(one.moves_by, 2)
    return _Ranked(
        one.contributor,
        one.strength,
        Influence(name_of(one.pool), one.units, None, None, moves_by, is_exact=False),
    )


def _ranking(ranked: Sequence[_Ranked], pools_left_out: int) -> InfluenceRanking:
    """What was refitted before what was approximated, each with the strongest first."""
    influence: dict[int, tuple[Influence, ...]] = {}
    for one in sorted(ranked, key=lambda one: (not one.influence.is_exact, -one.strength)):
        influence[one.contributor] = (*influence.get(one.contributor, ()), one.influence)
    return InfluenceRanking(tuple(influence), influence, pools_left_out)
