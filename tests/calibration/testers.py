"""Simulated people who search for the limit of their unit, and the truths about their chips."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, group_intervals

STEP_MV = 125 / 128
Draw = Callable[[np.random.Generator, int], NDArray[np.float64]]


@dataclass(frozen=True)
class Truth:
    """A distribution of limits in mV below stock, and the depth that 90 % of units reach."""

    name: str
    draw: Draw
    depth_90_mv: float


def _two_revisions(rng: np.random.Generator, n: int) -> NDArray[np.float64]:
    return np.where(rng.random(n) < 0.25, rng.normal(80, 8, n), rng.normal(125, 12, n))


# 10 % points: 110 - 1.28155 * 25; the root of the mixture's distribution; 140 less, and 70 plus,
# the 90 % and 10 % points 3.88972 and 0.531812 of a Gamma(2, 1).
TRUTHS = (
    Truth("normal", lambda rng, n: rng.normal(110, 25, n), 77.961211),
    Truth("two revisions", _two_revisions, 77.970463),
    Truth("long weak tail", lambda rng, n: 140 - rng.gamma(2, 15, n), 140 - 15 * 3.889720),
    Truth("long deep tail", lambda rng, n: 70 + rng.gamma(2, 20, n), 70 + 20 * 0.531812),
)


@dataclass(frozen=True)
class Habit:
    """How people search.

    `uneasy` is the share that stops without a failure once less than 0..15 mV are left to their
    limit, because it begins to feel wrong; `quick` the share that tests briefly and so takes its
    limit for 0..10 mV deeper than it is.
    """

    name: str
    first_mv: tuple[float, float] = (50.0, 80.0)
    heaped: bool = False
    uneasy: float = 0.0
    quick: float = 0.0
    steps_mv: tuple[float, ...] = (5.0, 10.0, 25.0)
    planned: float = 0.35
    """The share that stops at a planned depth 0..80 mV past its first setting."""


USUAL = Habit("usual")


def a_tested_pool(
    rng: np.random.Generator, truth: Truth, units: int, shift_mv: float = 0.0
) -> GroupedIntervals:
    """What `units` testers find of a truth that lies `shift_mv` deeper.

    The usual first setting is uniform in 50..80 mV, the step 5, 10 or 25 mV; 35 % stop at a planned
    depth 0..80 mV past the first setting, the others at the first failure.
    """
    stable, unstable = search(rng, truth.draw(rng, units) + shift_mv)
    return group_intervals(stable, unstable, np.ones(units))


def search(
    rng: np.random.Generator, limit_mv: NDArray[np.float64], habit: Habit = USUAL
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The last stable and the first failed setting of each unit, on the grid, in their order."""
    units = len(limit_mv)
    limit = np.floor(np.maximum(limit_mv, 0.0) / STEP_MV).astype(int)
    first_mv = np.rint(rng.uniform(*habit.first_mv, units) / STEP_MV) * STEP_MV
    step_mv = np.array(habit.steps_mv)[rng.integers(0, len(habit.steps_mv), units)]
    planned_mv = np.where(rng.random(units) < habit.planned, rng.uniform(0, 80, units), np.inf)
    unease_mv = np.zeros(units)
    if habit.heaped:
        first_mv, step_mv = np.rint(first_mv / 10) * 10, np.rint(step_mv / 10 + 0.1) * 10
    if habit.uneasy:
        unease_mv = np.where(rng.random(units) < habit.uneasy, rng.uniform(0, 15, units), 0.0)
    if habit.quick:
        beyond_mv = np.where(rng.random(units) < habit.quick, rng.uniform(0, 10, units), 0.0)
        limit += np.rint(beyond_mv / STEP_MV).astype(int)
    return _searched(limit, first_mv, step_mv, planned_mv, unease_mv)


def _searched(
    limit: NDArray[np.int64],
    first_mv: NDArray[np.float64],
    step_mv: NDArray[np.float64],
    planned_mv: NDArray[np.float64],
    unease_mv: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Each unit's last stable and first failed setting, on the grid."""
    stable = np.zeros(len(limit), dtype=np.int64)
    unstable = np.full(len(limit), NEVER_FAILED, dtype=np.int64)
    searching = np.ones(len(limit), dtype=np.bool_)
    tries = 0
    while searching.any():
        setting = np.rint((first_mv + tries * step_mv) / STEP_MV).astype(int)
        searching &= tries * step_mv <= planned_mv
        failed = searching & (setting > limit)
        unstable[failed] = setting[failed]
        searching &= ~failed
        stable[searching] = setting[searching]
        searching &= (limit - setting) * STEP_MV >= unease_mv
        tries += 1
    return stable, unstable
