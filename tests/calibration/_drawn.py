"""Worlds drawn from a law: truths about a chip's units, and the people who test them."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy.special import digamma, gammainc, gammaincc, ndtr, polygamma

from kbapi.evidence.units import OTHERS_NEEDED
from kbapi.stats.intervals import NEVER_FAILED
from tests.calibration._reports import Reports
from tests.calibration.testers import STEP_MV

Vector = NDArray[np.float64]
Rng = np.random.Generator

MEAN_MV, SPREAD_MV = (50.0, 160.0), (8.0, 40.0)
MOST_WEAK, FARTHEST_WEAK = 0.12, 4.0
LATTICES_MV = (5.0, 10.0)
STEPS_MV = np.array([5.0, 10.0, 25.0, 50.0])
DEEPEST_MV = 300.0
"""A setting beyond it is refused, so people stop there."""


@dataclass(frozen=True)
class Family:
    """Distributions with one shape parameter: draws, share beyond a depth, mean and variance."""

    shapes: tuple[float, float]
    draw: Callable[[Rng, float, int], Vector]
    beyond: Callable[[float, Vector], Vector]
    moments: Callable[[float], tuple[float, float]]


def _weibull_moments(k: float) -> tuple[float, float]:
    mean = float(scipy.special.gamma(1 + 1 / k))
    return mean, float(scipy.special.gamma(1 + 2 / k)) - mean**2


def _lognormal_moments(sd: float) -> tuple[float, float]:
    return float(np.exp(sd**2 / 2)), float((np.exp(sd**2) - 1) * np.exp(sd**2))


# The generalised log-gamma of Prentice (1974) is the logarithm of a gamma variable, placed and
# scaled; the reversed one is its mirror image.
FAMILIES: dict[str, Family] = {
    "normal": Family(
        (1.0, 1.0), lambda rng, _, n: rng.normal(size=n), lambda _, x: ndtr(-x), lambda _: (0, 1)
    ),
    "Weibull": Family(
        (1.2, 6.0),
        lambda rng, k, n: rng.weibull(k, n),
        lambda k, x: np.exp(-(np.maximum(x, 0.0) ** k)),
        _weibull_moments,
    ),
    "lognormal": Family(
        (0.1, 0.8),
        lambda rng, sd, n: rng.lognormal(0.0, sd, n),
        lambda sd, x: ndtr(-np.log(np.maximum(x, 1e-300)) / sd),
        _lognormal_moments,
    ),
    "gamma": Family(
        (1.0, 12.0),
        lambda rng, k, n: rng.gamma(k, 1.0, n),
        lambda k, x: gammaincc(k, np.maximum(x, 0.0)),
        lambda k: (k, k),
    ),
    "log-gamma": Family(
        (0.4, 8.0),
        lambda rng, k, n: np.log(rng.gamma(k, 1.0, n)),
        lambda k, x: 1.0 - gammainc(k, np.exp(x)),
        lambda k: (float(digamma(k)), float(polygamma(1, k))),
    ),
}


@dataclass(frozen=True)
class Component:
    """A share of the units, whose limits have this mean and spread in mV."""

    family: str
    shape: float
    mirrored: bool
    share: float
    mean_mv: float
    spread_mv: float

    def draw(self, rng: Rng, n: int) -> Vector:
        """Limits in mV below stock."""
        family = FAMILIES[self.family]
        mean, variance = family.moments(self.shape)
        off = (family.draw(rng, self.shape, n) - mean) / np.sqrt(variance)
        return self.mean_mv + self.spread_mv * (-off if self.mirrored else off)

    def share_at(self, depth_mv: float) -> float:
        """The share of its units whose limit lies at this depth or deeper."""
        family = FAMILIES[self.family]
        mean, variance = family.moments(self.shape)
        off = (depth_mv - self.mean_mv) / self.spread_mv
        at = np.array([mean + np.sqrt(variance) * (-off if self.mirrored else off)])
        beyond = float(family.beyond(self.shape, at)[0])
        return 1.0 - beyond if self.mirrored else beyond


@dataclass(frozen=True)
class DrawnTruth:
    """A mixture of components; a lattice is the distance of limits in mV, 0 without one."""

    components: tuple[Component, ...]
    lattice_mv: float

    def draw(self, rng: Rng, n: int) -> Vector:
        """Limits in mV below stock, never above it."""
        share = np.array([one.share for one in self.components])
        which = rng.choice(len(share), n, p=share / share.sum())
        limit = np.zeros(n)
        for place, one in enumerate(self.components):
            own = which == place
            limit[own] = one.draw(rng, int(own.sum()))
        if self.lattice_mv:
            limit = np.floor(limit / self.lattice_mv) * self.lattice_mv
        return np.maximum(limit, 0.0)

    def share_at(self, depth_mv: float) -> float:
        """The share of units that are stable at this depth, 1 at stock."""
        if depth_mv <= 0:
            return 1.0
        if self.lattice_mv:
            depth_mv = np.ceil(depth_mv / self.lattice_mv - 1e-9) * self.lattice_mv
        return sum(one.share * one.share_at(depth_mv) for one in self.components)

    def depth_mv(self, share: float) -> float:
        """The deepest depth at which this share of units is stable, by bisection to 1e-6 mV."""
        smooth = replace(self, lattice_mv=0.0)
        low, high = 0.0, 2.0 * DEEPEST_MV
        while high - low > 1e-6:
            middle = (low + high) / 2
            low, high = (middle, high) if smooth.share_at(middle) >= share else (low, middle)
        return float(np.floor(low / self.lattice_mv) * self.lattice_mv) if self.lattice_mv else low


@dataclass(frozen=True)
class Population:
    """How the people of a world search; shares are of people, who treat their units alike.

    A setting passes or fails by the unit's limit plus noise that is new at each trial. `unreported`
    ones stop without a failure once less than 0..`unease_mv` are left to the limit. `short` ones
    test briefly, and take the limit for 0..10 mV deeper than it is.
    """

    first_mv: tuple[float, float]
    step_shares: tuple[float, ...]
    tens: float
    planned: float
    unreported: float
    unease_mv: float
    short: float
    noise_mv: float
    one_unit: float
    newcomers: float


@dataclass(frozen=True)
class World:
    """A truth and its testers, drawn from the law by a seed."""

    seed: int
    truth: DrawnTruth
    testers: Population
    stated: float = 1.0
    """The share of people who state the planned end of a search that reached it."""

    def without_hidden_habits(self) -> "World":
        """The same world without unreported stops and short tests; noise is no habit."""
        return replace(self, testers=replace(self.testers, unreported=0.0, short=0.0))

    def words(self) -> str:
        """The world in words."""
        testers = f"{_tester_words(self.testers)}, planned ends stated {self.stated:.0%}"
        return f"world {self.seed}: {_truth_words(self.truth)}; {testers}"


def _truth_words(truth: DrawnTruth) -> str:
    parts = [
        f"{one.share:.1%} {one.family}{' reversed' if one.mirrored else ''}"
        f"{'' if one.family == 'normal' else f' {one.shape:.2f}'}"
        f" {one.mean_mv:.0f} +- {one.spread_mv:.0f} mV"
        for one in truth.components
    ]
    lattice = f", lattice of {truth.lattice_mv:.0f} mV" if truth.lattice_mv else ""
    return " and ".join(parts) + lattice


def _tester_words(testers: Population) -> str:
    steps = " ".join(f"{share:.0%}" for share in testers.step_shares)
    return (
        f"first {testers.first_mv[0]:.0f}..{testers.first_mv[1]:.0f} mV,"
        f" steps of 5 10 25 50 {steps}, tens {testers.tens:.0%}, planned {testers.planned:.0%},"
        f" unreported {testers.unreported:.0%} within {testers.unease_mv:.0f} mV,"
        f" short {testers.short:.0%}, noise {testers.noise_mv:.1f} mV,"
        f" one unit {testers.one_unit:.0%}, new {testers.newcomers:.0%}"
    )


def draw_world(seed: int) -> World:
    """The world of this seed."""
    rng = np.random.default_rng([20261130, seed])
    # From a generator of its own, so that the rest of each world stays as it is without it.
    stated = np.random.default_rng([20261130, seed, 0, 1]).random()
    return World(seed, _draw_truth(rng), _draw_testers(rng), stated)


def _draw_truth(rng: Rng) -> DrawnTruth:
    """One to three components around a mean, and a weak group, most often a narrow one."""
    count = int(rng.integers(1, 4))
    share = rng.dirichlet(np.full(count, 2.0))
    place, width = rng.normal(0.0, 1.0, count), rng.uniform(0.3, 1.0, count)
    centre = float(share @ place)
    scale = float(np.sqrt(share @ (width**2 + (place - centre) ** 2)))
    mean_mv, spread_mv = rng.uniform(*MEAN_MV), rng.uniform(*SPREAD_MV)
    is_narrow = rng.random() < 2 / 3
    weak = rng.uniform(0.0, MOST_WEAK)
    components = []
    for part in range(count):
        name = str(rng.choice(list(FAMILIES)))
        shape = float(np.exp(rng.uniform(*np.log(FAMILIES[name].shapes))))
        mirrored = name != "normal" and rng.random() < 0.5
        at_mv = mean_mv + spread_mv * (place[part] - centre) / scale
        own_mv = spread_mv * width[part] / scale
        own = float(share[part]) * (1.0 - weak)
        components.append(Component(name, shape, bool(mirrored), own, float(at_mv), float(own_mv)))
    away, width_of_weak = rng.uniform(0.0, FARTHEST_WEAK), rng.uniform(0.1, 0.5)
    at_mv, own_mv = mean_mv - away * spread_mv, width_of_weak * spread_mv
    own_mv *= 1.0 if is_narrow else 2.0
    components.append(Component("normal", 1.0, False, weak, float(at_mv), float(own_mv)))
    lattice_mv = float(rng.choice(LATTICES_MV)) if rng.random() < 0.2 else 0.0
    return DrawnTruth(tuple(components), lattice_mv)


def _draw_testers(rng: Rng) -> Population:
    low_mv = rng.uniform(20.0, 80.0)
    return Population(
        first_mv=(float(low_mv), float(low_mv + rng.uniform(5.0, 30.0))),
        step_shares=tuple(rng.dirichlet(np.full(len(STEPS_MV), 0.7)).tolist()),
        tens=rng.uniform(0.0, 1.0),
        planned=rng.uniform(0.0, 0.6),
        unreported=rng.uniform(0.0, 0.6),
        unease_mv=rng.uniform(5.0, 20.0),
        short=rng.uniform(0.0, 0.5),
        noise_mv=rng.uniform(0.0, 8.0),
        one_unit=rng.uniform(0.4, 0.95),
        newcomers=rng.uniform(0.0, 0.6),
    )


def draw_pools(rng: Rng, world: World, units: int, runs: int) -> list[Reports]:
    """What the testers of a world find of so many units, `runs` times anew."""
    shape = (runs, units)
    testers = world.testers
    owner = _owners(rng, testers, shape)
    first_mv, step_mv, planned_mv, unease_mv, beyond_mv = _habits(rng, testers, owner)
    limit_mv = world.truth.draw(rng, runs * units).reshape(shape) + beyond_mv
    stable, unstable = _search(
        rng, limit_mv, first_mv, step_mv, planned_mv, unease_mv, testers.noise_mv
    )
    # A contributor is established only in a pool with five other contributors.
    has_others = owner[:, -1:] >= OTHERS_NEEDED
    is_old = _of_owner(rng.random(shape) >= testers.newcomers, owner) & has_others
    # Who stops because the next setting might fail does not state the end as a planned one.
    is_uneasy = (unease_mv > 0) & (limit_mv - stable * STEP_MV < unease_mv)
    # A generator of its own leaves the draws above as they are without it.
    states = _of_owner(rng.spawn(1)[0].random(shape) < world.stated, owner)
    stated = states & ~is_uneasy & (unstable == NEVER_FAILED)
    honest = np.ones(units, dtype=np.bool_)
    return [
        Reports(stable[run], unstable[run], owner[run], is_old[run], honest, stated[run])
        for run in range(runs)
    ]


def _owners(rng: Rng, testers: Population, shape: tuple[int, int]) -> NDArray[np.int64]:
    """Each unit's owner, who has 1 to 5 units, numbered from 0 within a run."""
    many = rng.integers(2, 6, shape)
    ends = np.cumsum(np.where(rng.random(shape) < testers.one_unit, 1, many), axis=1)
    starts = np.zeros((shape[0], int(ends.max()) + 1), dtype=np.int64)
    np.put_along_axis(starts, ends, 1, axis=1)
    return np.cumsum(starts[:, : shape[1]], axis=1)


def _of_owner(values: NDArray, owner: NDArray[np.int64]) -> NDArray:
    return np.take_along_axis(values, owner, axis=1)


def _habits(rng: Rng, testers: Population, owner: NDArray[np.int64]) -> tuple[Vector, ...]:
    """First setting, step, planned depth past the first, unease and misjudgment of each unit."""
    shape = owner.shape
    first_mv = rng.uniform(*testers.first_mv, shape)
    step_mv = rng.choice(STEPS_MV, shape, p=np.array(testers.step_shares))
    tens = rng.random(shape) < testers.tens
    first_mv = np.where(tens, np.maximum(np.rint(first_mv / 10), 1.0) * 10, first_mv)
    step_mv = np.where(tens, np.rint(step_mv / 10 + 0.1) * 10, step_mv)
    is_planned = rng.random(shape) < testers.planned
    planned_mv = np.where(is_planned, rng.uniform(0, 80, shape), DEEPEST_MV - first_mv)
    is_unreported = rng.random(shape) < testers.unreported
    unease_mv = np.where(is_unreported, rng.uniform(0, testers.unease_mv, shape), 0.0)
    beyond_mv = np.where(rng.random(shape) < testers.short, rng.uniform(0, 10, shape), 0.0)
    every = (first_mv, step_mv, planned_mv, unease_mv, beyond_mv)
    return tuple(_of_owner(values, owner) for values in every)


def _search(
    rng: Rng,
    limit_mv: Vector,
    first_mv: Vector,
    step_mv: Vector,
    planned_mv: Vector,
    unease_mv: Vector,
    noise_mv: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Each unit's last stable and first failed setting, on the grid."""
    stable = np.zeros(limit_mv.shape, dtype=np.int64)
    unstable = np.full(limit_mv.shape, NEVER_FAILED, dtype=np.int64)
    # Flat places of the units that are still searching: few are left after some trials.
    left = np.arange(limit_mv.size)
    limit, first, step = limit_mv.ravel(), first_mv.ravel(), step_mv.ravel()
    planned, unease = planned_mv.ravel(), unease_mv.ravel()
    tries = 0
    while len(left):
        setting = np.rint((first[left] + tries * step[left]) / STEP_MV).astype(np.int64)
        margin = limit[left] - setting * STEP_MV
        failed = margin + noise_mv * rng.standard_normal(len(left)) < 0
        unstable.ravel()[left[failed]] = setting[failed]
        stable.ravel()[left[~failed]] = setting[~failed]
        tries += 1
        goes_on = ~failed & (margin >= unease[left]) & (tries * step[left] <= planned[left])
        # An uneasy unit stops; one that noise let pass beyond its limit goes on.
        goes_on |= ~failed & (unease[left] == 0) & (tries * step[left] <= planned[left])
        left = left[goes_on]
    return stable, unstable
