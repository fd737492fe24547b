"""One contributor as the host sees it: how much was sent, and where it lies in the pools."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from sqlalchemy import Connection

from kbapi.advice.start.influence import limits_of
from kbapi.curation.influence import Influence, find_grid, influence_of
from kbapi.curation.queue import shared_contributor
from kbapi.curation.starts import PoolName, name_of
from kbapi.errors import ResultUnknown
from kbapi.evidence.pools import floor_steps
from kbapi.evidence.units import Standing, load_pool_rows, standing_on, units_of
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.stats.intervals import Grid
from kbapi.storage.host_views import SettingCounts, count_settings, find_first_seen
from kbapi.storage.pools import PoolSize, load_pools
from kbapi.storage.review import count_results_of

_MOST_RESULTS_COUNTED: Final = 10_000
_MOST_POOLS: Final = 16
"""Each costs a read of the pool and a refit."""


@dataclass(frozen=True, slots=True)
class ContributorInPool:
    """What a contributor sent to one pool."""

    pool: PoolName
    """The pool."""
    units: int
    """Units of the contributor with settings in the pool."""
    counted: int
    """Settings that rules and curators count; the outlier check may exclude them."""
    unverified: int
    """Settings without proof that they took effect."""
    excluded: int
    """Settings that a rule or a curator excludes."""
    deeper_than: float | None
    """Share of the other units that lie shallower than the middle unit of the contributor, 0 to 1.
    Null without other units or a counted limit, and for a chip that is not known."""
    influence: Influence | None
    """How far the start moves without the contributor; null where no unit counts."""


@dataclass(frozen=True, slots=True)
class ContributorDetail:
    """A contributor: how much was sent, and where it lies in the pools."""

    contributor: int
    """Number of the contributor on this instance; it reveals no name, address or token."""
    is_shared: bool
    """Whether the number is shared by all who send without a contributor token."""
    first_seen: str
    """Day of the first result, YYYY-MM-DD."""
    results: int
    """Results that are stored; counting ends at 10,000."""
    pools: tuple[ContributorInPool, ...]
    """The sixteen pools with the most units of the contributor, the most units first."""
    other_pools: int
    """Pools with settings of the contributor that are not listed."""


def show_contributor(instance: Instance, number: int) -> ContributorDetail:
    """A contributor with the sixteen pools that have the most of its units.

    Raises
    ------
    ResultUnknown
        When no contributor has this number.
    """
    with instance.reading() as connection:
        first_seen = find_first_seen(connection, number)
        if first_seen is None:
            raise ResultUnknown
        counts = count_settings(connection, number)
        listed = counts[:_MOST_POOLS]
        pools = load_pools(connection, [one.pool_id for one in listed])
        names = {one.id: name_of(one) for one in pools}
        standing = standing_on(instance.today(), contributor_hash(instance.secret, None))
        grids = [find_grid(instance, pool) for pool in pools]
        deeper_than = {
            pool.id: _deeper_than(connection, pool, grid, number, standing)
            for pool, grid in zip(pools, grids, strict=True)
        }
        results = count_results_of(connection, number, _MOST_RESULTS_COUNTED)
        shared = shared_contributor(connection, instance)
    by_pool = {one.pool: one for one in influence_of(instance, number, list(names))}
    return ContributorDetail(
        contributor=number,
        is_shared=number == shared,
        first_seen=first_seen.isoformat(),
        results=results,
        pools=tuple(
            _in_pool(one, names[one.pool_id], deeper_than[one.pool_id], by_pool) for one in listed
        ),
        other_pools=len(counts) - len(listed),
    )


def _in_pool(
    counts: SettingCounts,
    pool: PoolName,
    deeper_than: float | None,
    influence: dict[PoolName, Influence],
) -> ContributorInPool:
    return ContributorInPool(
        pool=pool,
        units=counts.units,
        counted=counts.counted,
        unverified=counts.unverified,
        excluded=counts.excluded,
        deeper_than=deeper_than,
        influence=influence.get(pool),
    )


def _deeper_than(
    connection: Connection,
    pool: PoolSize,
    grid: Grid | None,
    contributor: int,
    standing: Standing,
) -> float | None:
    if grid is None:
        return None
    units = units_of(load_pool_rows(connection, pool.id, standing))
    limits = limits_of(units, floor_steps(pool.key.control, grid))
    is_own = units.contributor == contributor
    own, others = limits[is_own & units.informative], limits[~is_own & units.informative]
    if not len(own) or not len(others):
        return None
    return round(float(np.mean(others < np.median(own))), 4)
