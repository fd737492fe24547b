"""Crowds of liars that know the pool, against the honest reports of a drawn world."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.outlier_check import check_outliers
from kbapi.evidence.pools import related_units, siblings_of
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import VOLTAGE_OFFSET
from tests.calibration._drawn import Rng, World, draw_pools
from tests.calibration._reports import (
    FLOOR_STEPS,
    SOFT_BOUND_MV,
    Reports,
    answered,
    bracketed,
)
from tests.calibration.testers import STEP_MV

Vector = NDArray[np.float64]
DENSE_MV = 3.0
MONTHS = 12
PLACES = (0.15, 0.30, 0.50, 0.75)
"""Shares of the honest units, at whose depth liars try to stand."""


def middles_mv(reports: Reports) -> Vector:
    """The middle of each unit's interval; its pass where it never failed."""
    deep = np.where(reports.unstable < NEVER_FAILED, reports.unstable, reports.stable)
    return (reports.stable + deep) / 2 * STEP_MV


def deep_cut_mv(reports: Reports) -> float:
    """The deepest place that the outlier check and intake accept."""
    cut = check_outliers(reports.units(), FLOOR_STEPS).deepest_steps
    return SOFT_BOUND_MV if cut is None else min(cut * STEP_MV, SOFT_BOUND_MV)


def accounts(reports: Reports) -> int:
    return len(np.unique(reports.contributor))


def cluster(
    rng: Rng, count: int, at_mv: float, *, units: int = 1, established: bool = True
) -> Reports:
    """So many accounts with so many units each, all within a few mV, none beyond intake's bound."""
    limit_mv = np.minimum(rng.normal(at_mv, DENSE_MV, count * units), SOFT_BOUND_MV)
    made = bracketed(limit_mv, established=established)
    return replace(made, contributor=np.repeat(np.arange(count), units))


def without_failures(reports: Reports) -> Reports:
    """The same passes by people who never saw a failure, and state that this was their plan."""
    never = np.full(len(reports.stable), NEVER_FAILED, dtype=np.int64)
    return replace(reports, unstable=never, stated=never == NEVER_FAILED)


def _start_mv(honest: Reports, liars: Reports) -> float:
    return answered(honest.beside(liars), Siblings()).start_mv


def deepest_of(honest: Reports, tried: Iterable[Reports]) -> Reports:
    """The crowd that makes the start deepest: liars can ask the product as often as they like."""
    return max(tried, key=lambda liars: _start_mv(honest, liars))


def tried_places(
    rng: Rng, honest: Reports, count: int, *, units: int = 1, established: bool = True
) -> list[Reports]:
    """Dense clusters at several places of the pool, each with failures and without."""
    known = middles_mv(honest)
    at_mv = [*np.quantile(known, PLACES), deep_cut_mv(honest) - 10.0, SOFT_BOUND_MV]
    crowds = [cluster(rng, count, float(at), units=units, established=established) for at in at_mv]
    return [*crowds, *(without_failures(crowd) for crowd in crowds)]


def a_fifth(honest: Reports) -> int:
    """Accounts that are 20 % of all."""
    return max(1, round(accounts(honest) / 4))


def near_the_median(rng: Rng, honest: Reports) -> Reports:
    return cluster(rng, a_fifth(honest), float(np.median(middles_mv(honest))))


def below_the_deep_cut(rng: Rng, honest: Reports) -> Reports:
    return cluster(rng, a_fifth(honest), deep_cut_mv(honest) - 10.0)


def where_it_moves_most(rng: Rng, honest: Reports) -> Reports:
    return deepest_of(honest, tried_places(rng, honest, a_fifth(honest)))


def at_the_edge_of_every_cut(rng: Rng, honest: Reports) -> Reports:
    """Half with a failure, half without, just inside the cut as it stands with them."""
    count = a_fifth(honest)
    edge_mv, liars = deep_cut_mv(honest), cluster(rng, 0, 0.0)
    for _ in range(4):
        # A crowd moves the cut; the next one stands just inside of what is left of it.
        limit_mv = np.full(count, min(edge_mv, SOFT_BOUND_MV) - 3 * STEP_MV)
        liars = bracketed(limit_mv, established=True)
        half = np.arange(count) % 2 == 0
        unstable = np.where(half, liars.unstable, NEVER_FAILED)
        liars = replace(liars, unstable=unstable, stated=unstable == NEVER_FAILED)
        edge_mv = deep_cut_mv(honest.beside(liars))
    return liars


def drip(rng: Rng, honest: Reports) -> Reports:
    """A twelfth of them each month, just inside the deep cut as it stands in that month."""
    left, liars = a_fifth(honest), cluster(rng, 0, 0.0)
    for month in range(MONTHS, 0, -1):
        now = round(left / month)
        left -= now
        cut_mv = deep_cut_mv(honest.beside(liars))
        liars = liars.beside(cluster(rng, now, cut_mv - DENSE_MV - 3 * STEP_MV))
    return liars


def ten_of_three_units(rng: Rng, honest: Reports) -> Reports:
    return deepest_of(honest, tried_places(rng, honest, 10, units=3))


def shallow(rng: Rng, count: int, *, dense: bool, established: bool, units: int = 1) -> Reports:
    """Failures of the first setting at 10 to 50 mV, all at one place or apart."""
    at_mv = rng.uniform(10, 50, count * units)
    if dense:
        at_mv = rng.uniform(12, 48) + rng.uniform(-2, 2, count * units)
    made = bracketed(at_mv, established=established)
    failed = np.maximum(made.stable, 1)
    return replace(
        made,
        stable=np.zeros(count * units, dtype=np.int64),
        unstable=failed,
        contributor=np.repeat(np.arange(count), units),
    )


def junk(rng: Rng, honest: Reports) -> Reports:
    """Numbers without any meaning, as far as intake accepts them."""
    return bracketed(rng.uniform(0.0, SOFT_BOUND_MV, a_fifth(honest)), established=True)


def twice_or_half(rng: Rng, honest: Reports) -> Reports:
    """Honest results with a wrong unit or scale that intake does not notice."""
    count = min(a_fifth(honest), len(honest.stable))
    chosen = rng.choice(len(honest.stable), count, replace=False)
    factor = rng.choice([2.0, 0.5], count)
    stable = np.rint(honest.stable[chosen] * factor).astype(np.int64)
    failed = honest.unstable[chosen]
    unstable = np.maximum(np.rint(np.minimum(failed, 1e6) * factor).astype(np.int64), stable + 1)
    wrong = replace(
        bracketed(np.zeros(count), established=True),
        stable=stable,
        unstable=np.where(failed < NEVER_FAILED, unstable, NEVER_FAILED),
        stated=honest.stated[chosen],
    )
    return wrong.where(stable * STEP_MV <= SOFT_BOUND_MV)


def _fresh(count: int) -> Callable[[Rng, Reports], Reports]:
    """So many new accounts of one unit each, where they move the start most."""

    def crowd(rng: Rng, honest: Reports) -> Reports:
        return deepest_of(honest, tried_places(rng, honest, count, established=False))

    return crowd


def two_fresh(rng: Rng, honest: Reports) -> Reports:
    """Two new accounts, with as many units each as serves them best."""
    tried = [
        crowd
        for units in (1, 3, 12)
        for crowd in tried_places(rng, honest, 2, units=units, established=False)
    ]
    return deepest_of(honest, tried)


@dataclass(frozen=True)
class Wanted:
    """What is wanted of a crowd, as a report says it."""

    deeper: str = ""
    coverage: str = ""
    given: str = ""


OLD_ACCOUNTS = Wanted(deeper="<= 8", coverage=">= 0.85")
INVENTED_WANTED = Wanted(deeper="<= 0")


@dataclass(frozen=True)
class Scene:
    """An honest pool and a crowd.

    `people` is the number of honest accounts where that is what counts, else there are `units`
    honest units. `reference` is what the start is compared with, the honest pool if nothing else.
    """

    name: str
    units: int
    crowd: Callable[[Rng, Reports], Reports]
    people: int = 0
    established: bool | None = None
    """Whether all honest people are; None as drawn."""
    reference: Callable[[Reports], Reports] = lambda liars: liars.where(liars.honest)
    wanted: Wanted = Wanted()

    def pools(self, rng: Rng, world: World, runs: int) -> Iterable[Reports]:
        """Honest pools of the world."""
        for pool in draw_pools(rng, world, self.units, runs):
            chosen = pool.where(pool.contributor < self.people) if self.people else pool
            if self.established is not None:
                chosen = replace(chosen, established=np.full_like(chosen.honest, self.established))
            yield chosen


def _of(share: float, *, dense: bool) -> Callable[[Rng, Reports], Reports]:
    def crowd(rng: Rng, honest: Reports) -> Reports:
        count = max(1, round(accounts(honest) * share / (1 - share)))
        return shallow(rng, count, dense=dense, established=True)

    return crowd


def _three_fake_failures(rng: Rng, _: Reports) -> Reports:
    return shallow(rng, 1, dense=True, established=False, units=3)


def _flood(units: int) -> Callable[[Rng, Reports], Reports]:
    """So many units without a token: all are of one contributor that is never established."""

    def crowd(rng: Rng, honest: Reports) -> Reports:
        tried = tried_places(rng, honest, 1, units=units, established=False)
        return deepest_of(honest, tried)

    return crowd


DEEP: dict[str, Callable[[Rng, Reports], Reports]] = {
    "a cluster near the median": near_the_median,
    "a cluster below the deep cut": below_the_deep_cut,
    "a cluster where it moves the start most": where_it_moves_most,
    "at the edge of every cut": at_the_edge_of_every_cut,
    "a drip over 12 months": drip,
}
DEEP_UNITS = (40, 100, 300)
SHALLOW_UNITS = (40, 100)


def _first_of_flood(liars: Reports) -> Reports:
    """Of a flood its first unit alone."""
    return liars.where(np.arange(len(liars.stable)) < 1)


SCENES: tuple[Scene, ...] = (
    *(
        Scene(f"20 %, {name}", units, crowd, wanted=OLD_ACCOUNTS)
        for name, crowd in DEEP.items()
        for units in DEEP_UNITS
    ),
    Scene("20 %, ten of three units", 100, ten_of_three_units, people=40, wanted=OLD_ACCOUNTS),
    *(
        Scene(
            f"{share * 100:.0f} % shallow, {'dense' if dense else 'apart'}",
            units,
            _of(share, dense=dense),
            wanted=Wanted(given=">= 0.95" if share == 0.10 else ""),
        )
        for share in (0.10, 0.20)
        for dense in (True, False)
        for units in SHALLOW_UNITS
    ),
    Scene(
        "one fresh account, three false failures",
        20,
        _three_fake_failures,
        wanted=Wanted(given=">= 0.95"),
    ),
    Scene(
        "young, two fresh accounts",
        60,
        two_fresh,
        people=25,
        established=False,
        wanted=Wanted("<= 6"),
    ),
    *(
        Scene(
            f"{count} fresh accounts beside ten established",
            60,
            _fresh(count),
            people=10,
            established=True,
            wanted=Wanted("<= 8"),
        )
        for count in (40, 100, 300)
    ),
    *(
        Scene(
            f"{'young, ' if is_young else ''}{units} units without a token, beside one",
            60,
            _flood(units),
            people=25,
            established=False if is_young else None,
            reference=_first_of_flood,
            wanted=Wanted("<= 1"),
        )
        for units in (7, 70)
        for is_young in (True, False)
    ),
    Scene("20 %, numbers without meaning", 100, junk, wanted=OLD_ACCOUNTS),
    Scene("20 %, numbers twice or half", 100, twice_or_half, wanted=OLD_ACCOUNTS),
)


INVENTED = "invented related chips, no own units"


@dataclass(frozen=True)
class Moved:
    """What a crowd did to the starts of a world; depths in mV."""

    name: str
    units: int
    runs: int
    deeper_mv: float
    """The mean move of the start."""
    covered: int
    given: int
    """Runs with a start, among those that have one without liars."""
    given_before: int


def move(scene: Scene, world: World, runs: int, seed: int) -> Moved:
    """What the crowd of a scene does in this world."""
    rng = np.random.default_rng([20261201, world.seed, seed])
    pairs = []
    for honest in scene.pools(rng, world, runs):
        liars = scene.crowd(rng, honest)
        pairs.append((_start_mv(honest, scene.reference(liars)), _start_mv(honest, liars)))
    return _moved(scene.name, scene.units, world, np.array(pairs))


def _moved(name: str, units: int, world: World, pairs: Vector) -> Moved:
    before, after = pairs.T
    # A start exactly at the true depth covers, whatever bisection rounded.
    covered = after <= world.truth.depth_mv(0.90) + 1e-5
    return Moved(
        name=name,
        units=units,
        runs=len(pairs),
        deeper_mv=float((after - before).mean()),
        covered=int(covered.sum()),
        given=int(((after > 0) & (before > 0)).sum()),
        given_before=int((before > 0).sum()),
    )


def move_without_units(world: World, runs: int) -> Moved:
    """What three invented chips, of 12 units of four new accounts each, lend to a bare chip."""
    rng = np.random.default_rng([20261202, world.seed])
    pairs = []
    for _ in range(runs):
        chips = [cluster(rng, 4, 155.0, units=3, established=False) for _ in range(3)]
        pairs.append((0.0, answered(cluster(rng, 0, 0.0), lent_by(chips)).start_mv))
    return _moved(INVENTED, 0, world, np.array(pairs))


def lent_by(chips: Iterable[Reports]) -> Siblings:
    """What the product takes over from related chips whose series the catalogue describes."""
    lenders = []
    for chip in chips:
        units = chip.units()
        established = chip.contributor[chip.established]
        lent = related_units(units, check_outliers(units, FLOOR_STEPS), FLOOR_STEPS, established)
        if lent.stand_behind(is_described=True):
            lenders.append((lent, STEP_MV))
    return Siblings(siblings_of(lenders, VOLTAGE_OFFSET) if lenders else ())


def move_all(world: World, runs: int, most_units: int) -> tuple[Moved, ...]:
    """What every crowd does in pools of at most so many units."""
    moved = (
        move(scene, world, runs, place)
        for place, scene in enumerate(SCENES)
        if scene.units <= most_units
    )
    return (*moved, move_without_units(world, runs))
