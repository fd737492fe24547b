"""How likely each grid step is the limit of one more unit, and of a unit with runs of its own."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.intervals import frozen_array
from kbapi.stats.start.blend import KnownShare
from kbapi.stats.start.pool import PoolFit

Vector = NDArray[np.float64]

# A unit may differ from all reported ones: its limit could lie anywhere.
_UNIFORM: Final = 0.01
_REACH: Final = 4.0


@dataclass(frozen=True, slots=True)
class LimitChances:
    """Probability of each whole step to be a unit's limit, from its own stable setting on.

    Parameters
    ----------
    stable_steps : the unit's deepest setting that passed; 0 without one
    mass : float64 array, shape (d,)
        Of limit `stable_steps + i`, summing to one.
    is_open : whether the unit never failed; then the last mass is for that step or deeper
    """

    stable_steps: int
    mass: Vector
    is_open: bool

    @property
    def unstable_steps(self) -> int:
        """The shallowest step that failed, or the one beyond the deepest that may be tried."""
        return self.stable_steps + len(self.mass)

    @property
    def failing(self) -> Vector:
        """Chance that the limit lies before each step, shape (d + 1,), from 0 to 1."""
        # Rounding must not leave the last one below 1.
        return np.append(np.minimum(np.cumsum(np.append(0.0, self.mass[:-1])), 1.0), 1.0)


def limit_chances(pool: PoolFit, deepest: int) -> Vector:
    """Probability of each step 0..deepest to be the limit of one more unit, shape (deepest + 1,).

    The last is for `deepest` and everything beyond. The posterior predictive of the shapes and
    the smoothed nonparametric estimate, mixed by the same weight as the start; 1 % is spread
    evenly, for a unit that differs from the pool.

    Parameters
    ----------
    pool
        A fitted pool with units of its own or siblings.
    deepest
        The deepest step that may be proposed, 1 or more.

    References
    ----------
    Groeneboom, Jongbloed & Witte (2010), Ann. Statist. 38:352-387, section 3 (the maximum
    likelihood estimate smoothed by a kernel); Silverman (1986), Density Estimation, equation 3.31
    (its width).

    >>> from kbapi.stats.intervals import GroupedIntervals
    >>> from kbapi.stats.start.pool import fit_pool
    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> from kbapi.stats.estimate.siblings import Siblings
    >>> units = GroupedIntervals(np.array([18, 20]), np.array([19, 22]), np.array([10.0, 20.0]))
    >>> chances = limit_chances(fit_pool(units, Siblings(), 5.0, VOLTAGE_OFFSET), 32)
    >>> int(chances.argmax()), round(float(chances[:18].sum()), 2)
    (20, 0.06)
    """
    if deepest < 1:
        raise ValueError("at least one step must be allowed")
    modelled = _posterior_share(pool, deepest)
    weight = pool.bound.model_free_weight
    share = modelled if weight == 0.0 else _mixed(pool, modelled, deepest, weight)
    mass = np.append(share[:-1] - share[1:], share[-1])
    return np.asarray((1.0 - _UNIFORM) * mass / mass.sum() + _UNIFORM / (deepest + 1))


def chances_of_unit(mass: Vector, stable_steps: int, unstable_steps: int) -> LimitChances:
    """The chances of a unit's limit, known that `stable_steps <= T < unstable_steps`.

    >>> unit = chances_of_unit(np.array([0.1, 0.2, 0.3, 0.4]), 1, 3)
    >>> unit.mass.round(2).tolist(), unit.unstable_steps, unit.is_open
    ([0.4, 0.6], 3, False)
    """
    if not 0 <= stable_steps < unstable_steps:
        raise ValueError("what failed lies deeper than what passed, and both below stock")
    deepest = len(mass) - 1
    inside = mass[min(stable_steps, deepest) : unstable_steps]
    is_open = unstable_steps > max(deepest + 1, stable_steps)
    return LimitChances(stable_steps, frozen_array(inside / inside.sum()), is_open)


def _posterior_share(pool: PoolFit, deepest: int) -> Vector:
    share = pool.bound.posterior.expected_share_at(np.arange(deepest + 1))
    return np.asarray(share / share[0])


def _mixed(pool: PoolFit, modelled: Vector, deepest: int, weight: float) -> Vector:
    free = _free_share(pool.bound.known, modelled, deepest)
    smooth = _smoothed(free, pool.own_units)
    return (1.0 - weight) * modelled + weight * smooth


def _free_share(known: KnownShare, modelled: Vector, deepest: int) -> Vector:
    """The nonparametric share, each cell's mass half at either end.

    What never failed at the deep end of the pool goes on as the posterior does there.
    """
    depths = np.arange(deepest + 1)
    run = np.searchsorted(known.depths, depths, side="right") - 1
    never_failed = float(known.most[-1])
    middle = (np.maximum(known.least - never_failed, 0.0) + known.most - never_failed) / 2.0
    last = min(max(int(known.depths[-1]) - 1, 0), deepest)
    beyond = np.minimum(modelled / max(modelled[last], 1e-300), 1.0)
    return np.asarray(middle[run] + never_failed * beyond)


def _smoothed(share: Vector, units: float) -> Vector:
    """The share under a bell-shaped kernel; what would lie above stock is folded back."""
    mass = np.append(share[:-1] - share[1:], share[-1])
    width = _width(mass, units)
    reach = int(np.ceil(_REACH * width))
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    spread = np.convolve(mass, bell / bell.sum())
    folded = spread[reach:].copy()
    folded[:reach] += spread[:reach][::-1]
    return np.asarray(np.cumsum(folded[::-1])[::-1][: len(share)])


def _width(mass: Vector, units: float) -> float:
    """Silverman's width in steps, half a step at least."""
    steps = np.arange(len(mass))
    mean = float(mass @ steps)
    sd = float(np.sqrt(mass @ (steps - mean) ** 2))
    quarter, rest = np.searchsorted(np.cumsum(mass), [0.25, 0.75])
    spread = min(sd, float(rest - quarter) / 1.34) or sd
    return max(0.9 * spread * float(units**-0.2), 0.5)
