"""The written truth: where the limits of each pool lie, to draw from and to compare with."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from random import Random
from statistics import NormalDist
from typing import Any, Final

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.names import identify_chip
from kbapi.errors import CatalogueError
from kbapi.exchange.club.cooling import COOLING
from kbapi.stats.grid import Grid
from kbapi.vocabulary import Domain, LimitControl


@dataclass(frozen=True, slots=True)
class Shape:
    """A distribution of limits in mV below stock, on the scale of a core rail."""

    draw: Callable[[Random], float]
    share_beyond: Callable[[float], float]
    """The share of units whose limit lies at or beyond this many mV."""


_WEAK, _STRONG, _ONE = NormalDist(80, 8), NormalDist(125, 12), NormalDist(110, 25)


def _two_revisions(rng: Random) -> float:
    return rng.gauss(80, 8) if rng.random() < 0.25 else rng.gauss(125, 12)


def _gamma_2_beyond(x: float) -> float:
    """The share of a Gamma(2, 1) beyond x."""
    return 1.0 if x <= 0 else math.exp(-x) * (1 + x)


SHAPES: Final[Mapping[str, Shape]] = {
    "normal": Shape(lambda rng: rng.gauss(110, 25), lambda mv: 1 - _ONE.cdf(mv)),
    "two_revisions": Shape(
        _two_revisions, lambda mv: 1 - 0.25 * _WEAK.cdf(mv) - 0.75 * _STRONG.cdf(mv)
    ),
    "long_weak_tail": Shape(
        lambda rng: 140 - rng.gammavariate(2, 15), lambda mv: 1 - _gamma_2_beyond((140 - mv) / 15)
    ),
    "long_deep_tail": Shape(
        lambda rng: 70 + rng.gammavariate(2, 20), lambda mv: _gamma_2_beyond((mv - 70) / 20)
    ),
}


@dataclass(frozen=True, slots=True)
class PoolTruth:
    """The truth about one pool of one chip: a unit's limit is scale * X + shift below stock."""

    chip: str
    control: LimitControl
    domains: tuple[Domain, ...]
    clock_mhz: int | None
    stock_mv: int | None
    shape: str
    scale: float
    """Also scales first settings, steps and planned ends of those who test it."""
    shift: float
    told: float
    """The share of the chip's documents that tell this pool."""
    grid: Grid

    def draw_limit_steps(self, rng: Random, cooling_mv: float) -> int:
        """One unit's limit: the deepest whole grid step that is stable."""
        below_stock = self.scale * (SHAPES[self.shape].draw(rng) + cooling_mv) + self.shift
        return max(0, math.floor(below_stock / float(self.grid.step)))

    def stable_share(self, steps: int) -> float:
        """The share of all units that are stable at this grid step, over all kinds of cooling."""
        if steps <= 0:
            return 1.0
        shape = SHAPES[self.shape]
        on_core_rail = (float(steps * self.grid.step) - self.shift) / self.scale
        return sum(
            kind.share * shape.share_beyond(on_core_rail - kind.limit_mv) for kind in COOLING
        )


def parse_truth(
    table: Mapping[str, Any], catalogue: Catalogue
) -> Mapping[str, tuple[PoolTruth, ...]]:
    """The pools of each chip, its main one first; raises CatalogueError for an unknown chip."""
    return {
        chip: tuple(_parse_pool(chip, row, catalogue) for row in rows)
        for chip, rows in table["pools"].items()
    }


def _parse_pool(chip: str, row: Mapping[str, Any], catalogue: Catalogue) -> PoolTruth:
    named = identify_chip(chip).chip
    if named is None or catalogue.find(chip) is None:
        raise CatalogueError(f"truth.toml names a chip that the catalogue does not have: {chip}")
    return PoolTruth(
        chip=chip,
        control=row["control"],
        domains=tuple(row["domains"]),
        clock_mhz=row.get("clock_mhz"),
        stock_mv=row.get("stock_mv"),
        shape=row["shape"],
        scale=float(row["scale"]),
        shift=float(row["shift"]),
        told=float(row["told"]),
        grid=catalogue.grid_for(catalogue.placed(named), row["control"]),
    )


def typing_unit(grid: Grid) -> Fraction:
    """What people type: whole mV where the grid is finer, else whole steps of the grid."""
    return max(grid.step, Fraction(1))
