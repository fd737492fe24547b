"""The truth of the invented chips: limits, shares of open controls, effects of cooling and updates.

Shares of documents are of all documents; the comments define the other shares.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from random import Random
from statistics import NormalDist
from typing import Any, Final

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.naming import identify_chip
from kbapi.errors import CatalogueError
from kbapi.stats.intervals import Grid
from kbapi.vocabulary import Domain, LimitControl


@dataclass(frozen=True, slots=True)
class Cooling:
    """One kind of cooling."""

    names: tuple[str, ...]
    share: float
    """Of all machines."""
    heat: float
    """Degrees above ambient, as a factor of those with the stock cooler."""
    limit_mv: float
    """How much deeper the limit of a core rail is; a cooler chip leaks less."""


COOLING: Final = (
    Cooling(("stock",), 0.60, 1.00, 0.0),
    Cooling(("repasted",), 0.20, 0.92, 1.5),
    Cooling(("repasted", "cleaned"), 0.08, 0.88, 2.0),
    Cooling(("pad",), 0.08, 0.94, 1.0),
    Cooling(("liquid",), 0.04, 0.78, 3.0),
)


def draw_cooling(rng: Random) -> Cooling:
    """The cooling of one machine."""
    return rng.choices(COOLING, [kind.share for kind in COOLING])[0]


CLIENT: Final = "tidewater-synthetic/1"
"""The client in every document, which marks it as invented."""

# Of all documents, apart from the locked machines, whose share the classes' firmware decides
# (about 0.10, see seed_data/club/machines.toml).
UNVERIFIED: Final = 0.20
WRONG_UNITS: Final = 0.03
LOCKED_ABOUT: Final = 0.10

# Of documents from locked machines.
LOCKED_WITH_SETTINGS: Final = 0.35

# Of testers with effect.
PLANNED_END: Final = 0.35
FEELS_WRONG: Final = 0.06
ROUND_NUMBERS: Final = 0.30
SHORT_TESTS: Final = 0.05
SESSION_TESTS: Final = 0.70
STOCK_PASSED_REPORTED: Final = 0.95
IN_USE_REPORTED: Final = 0.70
READINGS_REPORTED: Final = 0.50
# Of those with readings and an effect: also measured under lower power limits.
CAPS_MEASURED: Final = 0.40
TRIALS_REPORTED: Final = 0.40

# Of documents from machines that are open.
OPEN_LOCK_REPORTED: Final = 0.50
# Of the changes that a class's owners know, each, where the machine is open.
CHANGE_MADE: Final = 0.40
# Of machines on an older release whose class locks more than half of the newest one's machines.
STAYED_ON_OLDER: Final = 0.30

# Of machines: with the newest firmware of their month, and with reports about the second chip.
NEWEST_FIRMWARE: Final = 0.70
SECOND_CHIP_REPORTED: Final = 0.70

# Of members: one, two and three machines.
MACHINES_OWNED: Final = (0.80, 0.15, 0.05)

# How a lock status was found: read back, in documents, said by the owner.
FOUND_BY: Final = {"written_and_read_back": 0.55, "documented": 0.15, "owner_says": 0.30}

# What shows the effect of a setting that never failed.
EFFECT_SHOWN_BY: Final = {
    "read_back": 0.70,
    "rail_voltage": 0.10,
    "less_power": 0.10,
    "more_clock": 0.10,
}

# Of honest results with a setting in use.
FOLLOWED_UP: Final = 0.25
# Of follow-ups: why they ended without a failure, and what had changed.
LOST: Final = {"machine_gone": 0.03, "given_up": 0.03, "locked_later": 0.03}
CHANGED: Final = {
    "firmware": 0.25,
    "microcode": 0.12,
    "driver": 0.20,
    "os": 0.25,
    "season": 0.50,
    "cooling": 0.10,
}
FAILED_LATER: Final = 0.06

# The planted truth: on this class of machines a firmware update makes limits shallower. More of
# its owners made the update, and more of them follow up.
SHORTENED_CLASS: Final = "harbour-15"
SHORTENED_BY: Final = "firmware"
UPDATED: Final = 0.40
FAILED_AFTER_IT: Final = 0.60
FOLLOWED_UP_THERE: Final = 0.80


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
    """The truth about one pool of a chip: the limit of a unit is scale * X + shift below stock."""

    chip: str
    control: LimitControl
    domains: tuple[Domain, ...]
    clock_mhz: int | None
    stock_mv: int | None
    shape: str
    scale: float
    """Also scales first settings, steps and planned ends."""
    shift: float
    reported: float
    """The share of the chip's documents with this pool."""
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
        reported=float(row["reported"]),
        grid=catalogue.grid_for(catalogue.placed(named), row["control"]),
    )


def typing_unit(grid: Grid) -> Fraction:
    """The unit of typed numbers: 1 mV, or the grid step if it is larger."""
    return max(grid.step, Fraction(1))
