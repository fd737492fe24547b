"""Whether as many machines hold a start as its chance says, and what searches from options take.

In drawn worlds the true share of stable units is known at every setting. Starts for shares from
0.50 to 0.95 have chances over most of the range. Predictions are put in 20 bins of equal width; a
bin counts with 100 predictions of 40 worlds or more. The empirical share is that of the
stable ones among the units whose status at the setting is known.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from kbapi.evidence.outlier_check import check_outliers, weighed_intervals
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.search.chances import chances_of_unit, limit_chances
from kbapi.stats.search.next_step import Boldness, SearchTerms, plan_search, search_options
from kbapi.stats.start.pool import PoolFit
from kbapi.stats.start.start import (
    NO_GUARD,
    Guard,
    Start,
    chance_stable,
    fit_own_pool,
    is_informative,
    suggested_start,
)
from tests.calibration._drawn import World, draw_pools, draw_world
from tests.calibration._reports import FLOOR_STEPS, Reports
from tests.calibration._rows import GRID
from tests.calibration._world_report import HIDDEN, PLAIN
from tests.calibration.next_step import DEEPEST, MAX_STEP_MV, noisy_walk
from tests.calibration.siblings import AGREE, DISAGREE, some_siblings
from tests.calibration.testers import STEP_MV, TRUTHS, Truth, a_tested_pool
from tests.report import Row, measured

SEED = 20261201
FULL_SEEDS, SHORT_SEEDS = (1, 200), (1, 8)
RUNS = {5: 3, 10: 3, 20: 2, 40: 2, 70: 2, 100: 2, 300: 2, 1000: 1}
SHORT_RUNS = {10: 2, 40: 2, 100: 1}
SHARES, USUAL_SHARE = (0.50, 0.75, 0.90, 0.95), 0.90
ANY, SETTINGS_MV = 0.0, range(20, 160, 10)
"""Settings that are no start, for chances over the whole range."""
BINS = 20
Fewest = tuple[int, int]
FULL_FEWEST: Fewest = (100, 40)
SHORT_FEWEST: Fewest = (10, 4)
"""Predictions and worlds of a bin that counts."""
MANY = 20
OPTION_UNITS, SHORT_OPTION_UNITS, OWN_UNITS = (5, 20, 100, 300), (40,), 4
RELATIVES_UNITS, RELATIVES_RUNS = (0, 3, 20, 100), 25


@dataclass(frozen=True)
class Predicted:
    """The chance that one more unit is stable at a setting, and the true one."""

    seed: int
    label: str
    units: int
    share: float
    chance: float
    empirical: float
    true: float


@dataclass(frozen=True)
class Searched:
    """What an option says of a search, and the mean of searches of some units from there."""

    units: int
    boldness: Boldness
    chance_fails: float
    true_fails: float
    said: tuple[float, float, float]
    """Trials, failures, and the deepest pass in mV."""
    took: tuple[float, float, float]


def measure(
    *, short: bool, runs: int | None = None, seeds: tuple[int, int] | None = None
) -> list[Row]:
    """The chance at starts in bins, its Brier score, and what options say beside searches."""
    first, last = seeds or (SHORT_SEEDS if short else FULL_SEEDS)
    counts, fewest = (SHORT_RUNS, SHORT_FEWEST) if short else (RUNS, FULL_FEWEST)
    found: list[Predicted] = []
    searched: list[Searched] = []
    for seed in range(first, last + 1):
        hidden = draw_world(seed)
        plain = hidden.without_hidden_habits()
        for label, world in ((PLAIN, plain), (HIDDEN, hidden)):
            for units, count in counts.items():
                found += _predictions(world, label, units, min(count, runs or count))
        for units in SHORT_OPTION_UNITS if short else OPTION_UNITS:
            searched += _searches(plain, units)
    rows = [row for label in (PLAIN, HIDDEN) for row in _rows_of(label, found, fewest)]
    rows += _option_rows(searched)
    return rows if short else [*rows, *_beside_relatives(first)]


def published(pool: PoolFit, steps: int) -> float:
    """The chance as an answer gives it."""
    return min(round(chance_stable(pool, steps, GRID, VOLTAGE_OFFSET), 2), 0.99)


def _fitted(reports: Reports) -> tuple[PoolFit, GroupedIntervals, Guard]:
    """The pool of these reports as the product fits it, what it is fitted to, and its guard."""
    units = reports.units()
    checked = check_outliers(units, FLOOR_STEPS)
    evidence = weighed_intervals(units, checked, FLOOR_STEPS)
    pool = fit_own_pool(evidence, Siblings(), STEP_MV, VOLTAGE_OFFSET)
    return pool, evidence, Guard(checked.flagged_share, drift_alarm=False)


def _start_of(pool: PoolFit, share: float, guard: Guard) -> int | None:
    if not is_informative(pool):
        return None
    start = suggested_start(pool, GRID, share, 0.95, guard)
    return start.steps if isinstance(start, Start) and start.steps <= DEEPEST else None


def _predictions(world: World, label: str, units: int, runs: int) -> Iterator[Predicted]:
    rng = np.random.default_rng([SEED, world.seed, units])
    for reports in draw_pools(rng, world, units, runs):
        pool, evidence, guard = _fitted(reports)
        if not is_informative(pool):
            continue
        starts = [(share, _start_of(pool, share, guard)) for share in SHARES]
        places = [(share, steps) for share, steps in starts if steps is not None]
        places += [(ANY, round(mv / STEP_MV)) for mv in SETTINGS_MV]
        for share, steps in places:
            true = world.truth.share_at(steps * STEP_MV)
            empirical = _empirical(evidence, steps)
            chance = published(pool, steps)
            yield Predicted(world.seed, label, units, share, chance, empirical, true)


def _empirical(evidence: GroupedIntervals, steps: int) -> float:
    """The stable share of the units whose status is known; one half without any."""
    stable = float(evidence.weight[evidence.stable_steps >= steps].sum())
    failed = float(evidence.weight[evidence.unstable_steps <= steps].sum())
    return stable / (stable + failed) if stable + failed else 0.5


def _rows_of(label: str, found: Sequence[Predicted], fewest: Fewest) -> Iterator[Row]:
    for where, wanted, some in _cells(label, found):
        if bins := bins_of(some, fewest):
            note = " ".join(f"{place / BINS:.2f}:{off:+.3f}" for place, off in bins.items())
            worst = max(abs(off) for off in bins.values())
            yield measured(f"chance, worst of 20 bins, {where}", worst, "share", wanted, note)
        if "usual" in where:
            off = float(np.mean([one.chance - one.true for one in some]))
            yield measured(f"chance less observed share, {where}", off, "share", "")
        chance = brier([one.chance for one in some], some)
        empirical = brier([one.empirical for one in some], some)
        yield measured(f"Brier score, {where}", chance, "score", f"<= {empirical:.4f}")
        yield measured(f"Brier score of the empirical share, {where}", empirical, "score", "")


def _cells(label: str, found: Sequence[Predicted]) -> Iterator[tuple[str, str, list[Predicted]]]:
    """Few and many units, starts for all shares and for the usual one."""
    for few in (False, True):
        every = [one for one in found if one.label == label and (one.units < MANY) is few]
        some = [one for one in every if one.share != ANY]
        wanted, size = ("<= 0.06", "n = 5 to 10") if few else ("<= 0.03", "n >= 20")
        yield f"{label}, all shares, {size}", wanted, some
        usual = [one for one in some if one.share == USUAL_SHARE]
        yield f"{label}, usual share, {size}", wanted, usual
        settings = [one for one in every if one.share == ANY]
        yield f"{label}, settings of 20 to 150 mV, {size}", wanted, settings


def bins_of(some: Sequence[Predicted], fewest: Fewest) -> dict[int, float]:
    """The mean chance less the mean true share, by bin."""
    differences = {}
    for place in range(BINS):
        inside = [one for one in some if min(round(100 * one.chance) // 5, BINS - 1) == place]
        if len(inside) >= fewest[0] and len({one.seed for one in inside}) >= fewest[1]:
            differences[place] = float(np.mean([one.chance - one.true for one in inside]))
    return differences


def brier(chances: Sequence[float], some: Sequence[Predicted]) -> float:
    """The mean squared error of a chance as the forecast of one more unit.

    References
    ----------
    Brier (1950), Mon. Weather Rev. 78:1-3; the mean over outcomes is exact here.
    """
    true = np.array([one.true for one in some])
    return float(np.mean((np.array(chances) - true) ** 2 + true * (1.0 - true)))


def _searches(world: World, units: int) -> Iterator[Searched]:
    """What the options of one pool say, beside searches of units of the world."""
    rng = np.random.default_rng([SEED, world.seed, units, 1])
    pool, _, guard = _fitted(draw_pools(rng, world, units, 1)[0])
    start = _start_of(pool, USUAL_SHARE, guard)
    if start is None:
        return
    mass = limit_chances(pool, DEEPEST)
    terms = SearchTerms(20, 10, 6, 0.10, int(MAX_STEP_MV // STEP_MV), start, 2)
    usual = plan_search(chances_of_unit(mass, 0, NEVER_FAILED), terms)
    limits = (world.truth.draw(rng, OWN_UNITS) / STEP_MV).astype(int).tolist()
    for option in search_options(usual):
        allowed, first = replace(terms, max_risk=option.max_risk), option.first_steps
        took = []
        for limit in limits:
            trials, failures, _, end = noisy_walk(rng, mass, allowed, limit, first)
            took.append((trials, failures, end.bracket[0] * STEP_MV))
        said = option.expected
        yield Searched(
            units,
            option.boldness,
            1.0 - chance_stable(pool, first, GRID, VOLTAGE_OFFSET),
            1.0 - world.truth.share_at(first * STEP_MV),
            (said.trials, said.failures, said.stable_steps * STEP_MV),
            tuple(np.mean(took, axis=0).tolist()),
        )


def _option_rows(searched: Sequence[Searched]) -> Iterator[Row]:
    """What options say over what searches took, in all worlds together."""
    for boldness in Boldness:
        for size, few in (("n = 5", True), ("n >= 20", False)):
            some = [
                one for one in searched if one.boldness is boldness and (one.units < MANY) is few
            ]
            if not some:
                continue
            where = f"{boldness.value}, {size}"
            off = float(np.mean([one.chance_fails - one.true_fails for one in some]))
            fails = float(np.mean([one.true_fails for one in some]))
            note = f"{len(some)} pools, {fails:.3f} fail"
            wanted = "" if few else "<= 0.03"
            yield measured(f"option: chance off by, {where}", abs(off), "share", wanted, note)
            said = np.mean([one.said for one in some], axis=0)
            took = np.mean([one.took for one in some], axis=0)
            for place, name in enumerate(("trials", "failures", "mV reached")):
                note = f"{took[place]:.2f} simulated"
                ratio = float(said[place] / took[place])
                yield measured(f"option: {name} over simulated, {where}", ratio, "ratio", "", note)


def _beside_relatives(seed: int) -> Iterator[Row]:
    """The chance at usual starts beside related chips, less the true share."""
    for kind in (AGREE, DISAGREE):
        for units in RELATIVES_UNITS:
            off = [one for truth in TRUTHS for one in _off_beside(truth, kind, units, seed)]
            where = f"{kind}, n = {units}"
            yield measured(f"chance less observed share, {where}", float(np.mean(off)), "share", "")


def _off_beside(truth: Truth, kind: str, units: int, seed: int) -> Iterable[float]:
    rng = np.random.default_rng([SEED, seed, TRUTHS.index(truth), len(kind), units])
    limits = np.floor(np.maximum(truth.draw(rng, 20_000), 0.0) / STEP_MV)
    for _ in range(RELATIVES_RUNS):
        siblings = some_siblings(rng, truth, kind)
        own = a_tested_pool(rng, truth, units)
        pool = fit_own_pool(own, siblings, STEP_MV, VOLTAGE_OFFSET)
        steps = _start_of(pool, USUAL_SHARE, NO_GUARD)
        if steps is not None:
            yield published(pool, steps) - float(np.mean(limits >= steps))
