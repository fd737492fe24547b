"""Recent against earlier units of a pool: how surely their limits differ, within machines."""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.interval import NEVER_FAILED, frozen_array, group_intervals
from kbapi.stats.npmle import fit_npmle
from kbapi.stats.shift_scores import shift_scores

Vector = NDArray[np.float64]
Steps = NDArray[np.int64]
Which = NDArray[np.bool_]

_NODES: Final = 121
_ALIKE: Final = 0.999
"""Splits that differ by hardly a unit are one; the quadrature could not tell them apart."""
_WIDEST_SHIFT: Final = 512
"""In steps: no limit lies deeper than a pool's grid reaches."""


@dataclass(frozen=True, slots=True)
class ScoredUnits:
    """Scores centred within each machine: arrays of shape (n,)."""

    value: Vector
    machine: NDArray[np.intp]

    @property
    def squares(self) -> Vector:
        """By machine: the sum of squared values."""
        return np.asarray(np.bincount(self.machine, self.value**2), dtype=np.float64)

    def only(self, kept: Which) -> "ScoredUnits":
        """These without the other units, centred again."""
        return _centred(self.value[kept], self.machine[kept])


@dataclass(frozen=True, slots=True)
class Split:
    """How surely recent units differ from the earlier ones of the same machines.

    Parameters
    ----------
    z : the difference in its standard errors, above zero where recent limits lie deeper
    units_before, units_since : the units compared
    """

    z: float
    units_before: int
    units_since: int


def score_units(stable: Steps, unstable: Steps, machine: Steps) -> ScoredUnits:
    """The units of a pool scored for how deep they go; arrays of shape (n,), a unit each."""
    fit = fit_npmle(group_intervals(stable, unstable, np.ones(len(stable))))
    return _centred(shift_scores(stable, unstable, fit), machine)


def _centred(value: Vector, machine: NDArray[np.int64] | NDArray[np.intp]) -> ScoredUnits:
    label = np.unique(machine, return_inverse=True)[1]
    mean = np.bincount(label, value) / np.bincount(label)
    return ScoredUnits(value - mean[label], label)


def split_units(units: ScoredUnits, recent: Which) -> Split:
    """The difference between recent and other units of the same machines.

    References
    ----------
    The sum of scores over its exact permutation variance: Hajek, Sidak & Sen (1999), Theory of
    Rank Tests, theorem 3.3.1.3, summed over machines as strata.

    >>> units = ScoredUnits(np.array([-1.5, -0.5, 0.5, 1.5]), np.zeros(4, int))
    >>> found = split_units(units, np.array([False, False, True, True]))
    >>> round(found.z, 3), found.units_before, found.units_since
    (1.549, 2, 2)
    """
    machines = len(units.squares)
    total = np.bincount(units.machine, minlength=machines)
    since = np.bincount(units.machine[recent], minlength=machines)
    sums = np.bincount(units.machine[recent], units.value[recent], minlength=machines)
    # A machine whose reports all lie on one side says nothing.
    told = (since > 0) & (since < total)
    since, total = since[told], total[told]
    pairs = since * (total - since) / total
    variance = float(np.sum(pairs * units.squares[told] / (total - 1)))
    return Split(
        z=float(sums[told].sum()) / float(np.sqrt(variance)) if variance > 0 else 0.0,
        units_before=int((total - since).sum()),
        units_since=int(since.sum()),
    )


def chance_of_largest(z: float, parts: list[float]) -> float:
    """Chance of a difference as large as z at any of the splits of one sample.

    Standardised differences at ascending parts are a Markov chain: from part s to part t with
    correlation sqrt(s (1 - t) / (t (1 - s))). The density of those that have stayed inside
    (-z, z) is carried along the chain on the nodes of one quadrature.

    Parameters
    ----------
    z
        Not negative, in standard errors.
    parts
        The share of units before each split, ascending, inside (0, 1).

    References
    ----------
    Armitage, McPherson & Rowe (1969), J. R. Statist. Soc. A 132:235-244.

    >>> round(chance_of_largest(1.96, [0.5]), 3), round(chance_of_largest(1.96, [0.3, 0.7]), 3)
    (0.05, 0.093)
    """
    node, share = (z * part for part in _quadrature())
    inside = np.exp(-0.5 * node**2) / np.sqrt(2.0 * np.pi)
    last = parts[0]
    for part in parts[1:]:
        correlation = float(np.sqrt(last * (1.0 - part) / (part * (1.0 - last))))
        if correlation > _ALIKE:
            continue
        last = part
        width = float(np.sqrt(1.0 - correlation**2))
        steps = np.exp(-0.5 * ((node[:, None] - correlation * node) / width) ** 2)
        inside = steps @ (share * inside) / (width * np.sqrt(2.0 * np.pi))
    return max(2.0 * float(scipy.special.ndtr(-z)), 1.0 - float(share @ inside))


@cache
def _quadrature() -> tuple[Vector, Vector]:
    """Gauss and Legendre's nodes and shares on (-1, 1): dearer than all that is done with them."""
    node, share = np.polynomial.legendre.leggauss(_NODES)
    return frozen_array(node), frozen_array(share)


def estimate_shift(stable: Steps, unstable: Steps, machine: Steps, recent: Which) -> float:
    """By how many steps the recent limits lie deeper: moved back, they do not differ any more.

    References
    ----------
    Hodges & Lehmann (1963), Ann. Math. Statist. 34:598-611 (an estimate from a rank test).

    >>> stable = np.concatenate([np.arange(50, 80), np.arange(50, 80) - 12])
    >>> alike, recent = np.zeros(60, int), np.arange(60) >= 30
    >>> round(estimate_shift(stable, stable + 3, alike, recent))
    -12
    """

    def left(by: int) -> float:
        """The difference once the recent units have been moved back by some steps."""
        low = np.where(recent & (stable > 0), np.maximum(stable - by, 0), stable)
        moved = recent & (unstable < NEVER_FAILED)
        high = np.where(moved, np.maximum(unstable - by, low + 1), unstable)
        return split_units(score_units(low, high, machine), recent).z

    near, sign = 0, 1 if left(0) > 0 else -1
    far = sign
    while sign * left(far) > 0 and abs(far) < _WIDEST_SHIFT:
        near, far = far, 2 * far
    while abs(far - near) > 1:
        middle = (near + far) // 2
        near, far = (middle, far) if sign * left(middle) > 0 else (near, middle)
    rest, beyond = left(near), left(far)
    return near + (far - near) * rest / (rest - beyond) if rest != beyond else float(near)
