"""Units of a pool made by hand, as judging and comparing take them."""

from dataclasses import dataclass

import numpy as np

from kbapi.evidence.locks import LockReporters
from kbapi.evidence.units import ChosenRows, PoolUnits, weight_ppm_of
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.storage.evidence import ConditionsRow


@dataclass(frozen=True)
class UnitMade:
    """One unit; without a contributor its sender has no other."""

    stable_steps: int
    unstable_steps: int
    contributor: int | None = None
    is_established: bool = True
    is_vouched: bool = False
    is_untold: bool = False
    """It counts only for a unit with a pass and without a failure."""
    has_failed_later: bool = False
    is_stock_unproven: bool = False
    conditions: tuple[tuple[str, str], ...] = ()


def a_unit(stable: int, unstable: int | None = None, **values: object) -> UnitMade:
    """A unit that failed five steps past what it passed, unless the test sets another."""
    return UnitMade(stable, stable + 5 if unstable is None else unstable, **values)


def pool_of(units: list[UnitMade]) -> PoolUnits:
    """These units as a pool, numbered in the given order."""
    alone = (number for number in range(10_000, 10_000 + len(units)))
    contributor = np.array(
        [next(alone) if one.contributor is None else one.contributor for one in units],
        dtype=np.int64,
    )
    kinds = sorted({one.conditions for one in units})
    confirmed_by_curator = np.array([one.is_vouched for one in units], dtype=np.bool_)
    established = confirmed_by_curator | np.array(
        [one.is_established for one in units], dtype=np.bool_
    )
    stable = np.array([one.stable_steps for one in units], dtype=np.int64)
    unstable = np.array([one.unstable_steps for one in units], dtype=np.int64)
    numbers = np.arange(len(units))
    return PoolUnits(
        unit=numbers + 1,
        contributor=contributor,
        established=established,
        confirmed_by_curator=confirmed_by_curator,
        stable_steps=stable,
        unstable_steps=unstable,
        untold_stop=np.array([one.is_untold for one in units], dtype=np.bool_)
        & (unstable == NEVER_FAILED)
        & (stable > 0),
        failed_later=np.array([one.has_failed_later for one in units], dtype=np.bool_),
        stock_unproven=np.array([one.is_stock_unproven for one in units], dtype=np.bool_),
        weight_ppm=weight_ppm_of(
            contributor, established, (stable > 0) | (unstable < NEVER_FAILED)
        ),
        month=np.full(len(units), 2026 * 12 + 8),
        chosen=ChosenRows(
            numbers,
            np.array([kinds.index(one.conditions) for one in units], dtype=np.int64),
            np.array([one.stable_steps > 0 for one in units], dtype=np.bool_),
        ),
        conditions=tuple(_conditions(place, dict(kind)) for place, kind in enumerate(kinds)),
    )


def _conditions(place: int, values: dict[str, str]) -> ConditionsRow:
    unknown = dict.fromkeys(
        ("loads", "grade", "firmware", "microcode", "machine", "cooling", "supply"), ""
    )
    return ConditionsRow(id=place, **unknown | values)


def known_for_long(contributors: frozenset[int]) -> LockReporters:
    """These contributors of lock reports, all of them established and counted in small cells."""
    return LockReporters(contributors, contributors)
