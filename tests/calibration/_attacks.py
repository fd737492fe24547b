"""Pools under attack: honest people and what others send in among them."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.units import ChosenRows, PoolUnits, weight_ppm_of
from kbapi.stats.intervals import NEVER_FAILED
from tests.calibration.testers import STEP_MV, Truth, a_tested_pool

Steps = NDArray[np.int64]
NO_ROWS = ChosenRows(np.zeros(0, int), np.zeros(0, int), np.zeros(0, bool))

NEWCOMERS, ONE_MACHINE = 0.30, 0.70
SOFT_BOUND_MV, HARD_BOUND_MV = 160.0, 300.0


@dataclass(frozen=True)
class Reports:
    """Units as they are reported, one entry each."""

    stable: Steps
    unstable: Steps
    contributor: Steps
    established: NDArray[np.bool_]
    honest: NDArray[np.bool_]

    def beside(self, other: "Reports") -> "Reports":
        """Both together; the contributors of the other are people of their own."""
        apart = other.contributor + self.contributor.max(initial=0) + 1
        return Reports(
            np.append(self.stable, other.stable),
            np.append(self.unstable, other.unstable),
            np.append(self.contributor, apart),
            np.append(self.established, other.established),
            np.append(self.honest, other.honest),
        )

    def where(self, which: NDArray[np.bool_]) -> "Reports":
        """Some of them."""
        return Reports(
            self.stable[which],
            self.unstable[which],
            self.contributor[which],
            self.established[which],
            self.honest[which],
        )

    def units(self) -> PoolUnits:
        """The units as storage would give them."""
        count = len(self.stable)
        return PoolUnits(
            unit=np.arange(count),
            contributor=self.contributor,
            established=self.established,
            confirmed_by_curator=np.zeros(count, dtype=np.bool_),
            stable_steps=self.stable,
            unstable_steps=self.unstable,
            weight_ppm=weight_ppm_of(
                self.contributor,
                self.established,
                (self.stable > 0) | (self.unstable < NEVER_FAILED),
            ),
            month=np.zeros(count, dtype=np.int64),
            chosen=NO_ROWS,
            conditions=(),
        )


def honest_reports(
    rng: np.random.Generator, truth: Truth, units: int, shift_mv: float = 0.0
) -> Reports:
    """Units of a truth: 70 % of the people have one machine, the others 2 to 9; 30 % are new."""
    pool = a_tested_pool(rng, truth, units, shift_mv)
    owner = rng.permutation(np.repeat(np.arange(len(pool.weight)), pool.weight.astype(int)))
    people = rng.random(units)
    machines = np.where(people < ONE_MACHINE, 1, 1 + rng.geometric(0.4, units).clip(1, 8))
    contributor = np.repeat(np.arange(units), machines)[:units]
    established = (rng.random(units) >= NEWCOMERS)[contributor]
    return Reports(
        pool.stable_steps[owner],
        pool.unstable_steps[owner],
        contributor,
        established,
        np.ones(units, dtype=np.bool_),
    )


def bracketed(
    limit_mv: NDArray[np.float64], *, one_account: bool = False, established: bool = False
) -> Reports:
    """Made-up units with a failure 5 mV past each limit; from one account, or from one each."""
    stable = np.rint(np.maximum(limit_mv, 0.0) / STEP_MV).astype(np.int64)
    count = len(stable)
    return Reports(
        stable,
        stable + 5,
        np.zeros(count, dtype=np.int64) if one_account else np.arange(count),
        np.full(count, established),
        np.zeros(count, dtype=np.bool_),
    )


def within_soft_bound(reports: Reports) -> Reports:
    """What intake counts: a pass beyond the soft bound is excluded before the outlier check."""
    return reports.where(reports.stable * STEP_MV <= SOFT_BOUND_MV)


Attack = Callable[[np.random.Generator, Truth, int], Reports]


def deep_cluster(rng: np.random.Generator, _: Truth, units: int) -> Reports:
    return bracketed(rng.normal(150, 3, units))


def uniform_junk(rng: np.random.Generator, _: Truth, units: int) -> Reports:
    return bracketed(rng.uniform(0, 250, units))


def unit_errors(rng: np.random.Generator, truth: Truth, units: int) -> Reports:
    """Honest people whose numbers have the wrong sign or unit, or are ten times, twice or half."""
    wrong = honest_reports(rng, truth, units)
    factor = rng.choice([-1.0, 0.001, 10.0, 2.0, 0.5], units)
    stable, failed = wrong.stable * factor, wrong.unstable < NEVER_FAILED
    unstable = np.where(failed, wrong.unstable * factor, NEVER_FAILED)
    # Above stock, in volts, or deeper than any chip runs: intake refuses it.
    deepest = np.where(failed, unstable, stable)
    refused = (factor < 0) | (np.abs(deepest) < 1.0) | (deepest * STEP_MV > HARD_BOUND_MV)
    passed = np.maximum(np.rint(stable), 0).astype(np.int64)
    beyond = np.maximum(np.rint(unstable).astype(np.int64), passed + 1)
    no = np.zeros(units, dtype=np.bool_)
    return replace(wrong, stable=passed, unstable=beyond, honest=no).where(~refused)


def flood_shallow(rng: np.random.Generator, _: Truth, units: int) -> Reports:
    return bracketed(rng.normal(30, 5, units), one_account=True, established=True)


def flood_deep(rng: np.random.Generator, _: Truth, units: int) -> Reports:
    return bracketed(rng.normal(150, 5, units), one_account=True, established=True)


def _drift(rng: np.random.Generator, truth: Truth, units: int, most_mv: float) -> Reports:
    """Many new accounts whose results move away from the truth little by little."""
    moved = rng.permutation(np.linspace(0, most_mv, units))
    reports = honest_reports(rng, truth, units)
    off = np.rint(moved / STEP_MV).astype(np.int64)
    failed = reports.unstable < NEVER_FAILED
    stable = np.maximum(reports.stable + np.where(reports.stable > 0, off, 0), 0)
    unstable = np.where(failed, np.maximum(reports.unstable + off, stable + 1), NEVER_FAILED)
    no = np.zeros(units, dtype=np.bool_)
    return Reports(stable, unstable, np.arange(units), no, no)


def drift_shallow(rng: np.random.Generator, truth: Truth, units: int) -> Reports:
    return _drift(rng, truth, units, -40.0)


def drift_deep(rng: np.random.Generator, truth: Truth, units: int) -> Reports:
    return _drift(rng, truth, units, 40.0)


def dense_shallow_sybils(rng: np.random.Generator, _: Truth, units: int) -> Reports:
    """New accounts that all report a failure of the first setting, at 30 to 50 mV."""
    failed = bracketed(rng.uniform(30, 50, units))
    return replace(failed, stable=np.zeros(units, dtype=np.int64), unstable=failed.stable)


ATTACKS: dict[str, Attack] = {
    "deep cluster": deep_cluster,
    "uniform junk": uniform_junk,
    "unit errors": unit_errors,
    "one floods shallow": flood_shallow,
    "one floods deep": flood_deep,
    "drift shallow": drift_shallow,
    "drift deep": drift_deep,
    "dense shallow Sybils": dense_shallow_sybils,
}


def standing_inside_the_cutoff(rng: np.random.Generator, truth: Truth, units: int) -> Reports:
    """Accounts that waited 31 days, and know the cutoff of a pool like this one."""
    limits = truth.draw(rng, 4000)
    pairs = np.abs(limits[:2000] - limits[2000:])
    edge_mv = float(np.median(limits) + 4.5 * 2.21914 * np.quantile(pairs, 0.25))
    inside_mv = min(edge_mv, SOFT_BOUND_MV) - 10.0
    return bracketed(inside_mv + rng.uniform(-4, 4, units), established=True)


def many_fresh_tokens(rng: np.random.Generator, truth: Truth, units: int) -> Reports:
    """Five tokens for each unit of the campaign, all new, just inside the cutoff."""
    inside = standing_inside_the_cutoff(rng, truth, 5 * units)
    return replace(inside, established=np.zeros(5 * units, dtype=np.bool_))


def lying_follow_ups(rng: np.random.Generator, _: Truth, units: int) -> Reports:
    """Old accounts that report later failures of stable settings, at 20 to 60 mV."""
    later = np.rint(rng.uniform(20, 60, units) / STEP_MV).astype(np.int64)
    no = np.zeros(units, dtype=np.bool_)
    return Reports(np.zeros(units, dtype=np.int64), later, np.arange(units), ~no, no)


OWN_ATTACKS: dict[str, Attack] = {
    "31 days of standing, inside the fence": standing_inside_the_cutoff,
    "many fresh tokens, inside the fence": many_fresh_tokens,
    "follow-ups that lie": lying_follow_ups,
}
