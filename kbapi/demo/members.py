"""Members of the Tidewater Bench Club: how they search, and their mistakes.

First setting uniform 50 to 80 mV below stock, steps of 5, 10 or 25 mV; 35 % stop at a planned
depth 0 to 80 mV past the first setting, the others at the first failure. Rails and controls with
another scale are searched on that scale.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any, Final

from kbapi.chips.catalogue_file import load_catalogue
from kbapi.demo import truth
from kbapi.demo.machines import MachineClass, parse_machines
from kbapi.demo.truth import PoolTruth, parse_truth, typing_unit
from kbapi.errors import CatalogueError
from kbapi.settings import bundled_folder

_FIRST_MV: Final = (50.0, 80.0)
_STEPS_MV: Final = (5, 10, 25)
_FURTHEST_PLAN_MV: Final = 80.0
_DEEPEST_MV: Final = 240.0
"""The depth at which the controls of the invented makers end; few units reach it."""
_UNVERIFIED_END_MV: Final = (60.0, 150.0)


@dataclass(frozen=True, slots=True)
class Search:
    """The settings of a search, in typed units below stock (`typing_unit`)."""

    pool: PoolTruth
    first: int
    stable: int | None
    unstable: int | None
    planned: int | None
    """None unless the tester planned where to stop."""

    @property
    def failed(self) -> bool:
        """Whether any setting failed."""
        return self.unstable is not None


@dataclass(frozen=True, slots=True)
class _Plan:
    first: int
    step: int
    planned: int | None
    feels_wrong: bool


def search_limit(rng: Random, pool: PoolTruth, limit_steps: int) -> Search:
    """The search of one honest tester whose unit's limit is this grid step."""
    plan = _draw_plan(rng, pool)
    deepest = _typed(_DEEPEST_MV, pool, typing_unit(pool.grid))
    stable, depth = None, plan.first
    while steps_of(pool, depth) <= limit_steps:
        stable, depth = depth, depth + plan.step
        if depth > (deepest if plan.planned is None else plan.planned):
            # The end of the control is a planned end as well.
            return Search(pool, plan.first, stable, None, plan.planned or stable)
        if plan.feels_wrong and steps_of(pool, depth) > limit_steps:
            return Search(pool, plan.first, stable, None, None)
    return Search(pool, plan.first, stable, depth, plan.planned)


def search_without_effect(rng: Random, pool: PoolTruth) -> Search:
    """The search of a tester whose settings have no effect: all of them pass."""
    first = _draw_plan(rng, pool).first
    end = round(rng.uniform(*_UNVERIFIED_END_MV) * pool.scale / float(typing_unit(pool.grid)))
    return Search(pool, first, max(first, end), None, None)


def steps_of(pool: PoolTruth, typed: int) -> int:
    """The whole grid step that the control sets for a typed number."""
    return pool.grid.stable_steps(float(typed * typing_unit(pool.grid)))


def _draw_plan(rng: Random, pool: PoolTruth) -> _Plan:
    unit = typing_unit(pool.grid)
    first = _typed(rng.uniform(*_FIRST_MV), pool, unit)
    step = _typed(rng.choice(_STEPS_MV), pool, unit)
    if rng.random() < truth.ROUND_NUMBERS and unit == 1 and pool.control != "count_offset":
        first, step = max(10, round(first, -1)), 10
    if rng.random() < truth.PLANNED_END:
        furthest = first + _typed(rng.uniform(0, _FURTHEST_PLAN_MV), pool, unit)
        return _Plan(first, step, furthest - (furthest - first) % step, feels_wrong=False)
    return _Plan(first, step, None, feels_wrong=rng.random() < truth.FEELS_WRONG)


def _typed(core_mv: float, pool: PoolTruth, unit: Fraction) -> int:
    return max(1, round(core_mv * pool.scale / float(unit)))


_VALUES: Final = (
    "first_tried",
    "stable_at",
    "unstable_at",
    "planned_end",
    "in_use",
    "read_back",
)


def in_wrong_units(rng: Random, document: dict[str, Any]) -> dict[str, Any]:
    """The document in volts or without signs; single runs and readings are left out."""
    in_volts = rng.random() < 0.5
    settings = [_mistaken(setting, in_volts=in_volts) for setting in document["settings"]]
    kept = {k: v for k, v in document.items() if k not in ("trials", "readings", "settings")}
    return {**kept, "settings": settings}


def _mistaken(setting: dict[str, Any], *, in_volts: bool) -> dict[str, Any]:
    values = {name: setting[name] for name in _VALUES if setting.get(name) is not None}
    # A fixed voltage has no sign, and a count is no voltage.
    as_volts = setting["control"] == "fixed_clock_voltage" or (
        in_volts and setting["control"] == "voltage_offset"
    )
    factor = 0.001 if as_volts else -1
    return setting | {name: round(value * factor, 6) for name, value in values.items()}


@dataclass(frozen=True, slots=True)
class Club:
    """Everything that results are drawn from, except random numbers."""

    classes: tuple[MachineClass, ...]
    truth: Mapping[str, tuple[PoolTruth, ...]]
    """Pools by chip, its main one first; a chip without any is locked."""
    names: Mapping[str, str]
    """Names of chips, by key."""

    def pools_of(self, chip: str) -> tuple[PoolTruth, ...]:
        """The pools of a chip, none for one of a locked class."""
        return self.truth.get(chip, ())


def load_club(folder: Path) -> Club:
    """The club of a folder; raises CatalogueError if its files contradict each other."""
    catalogue = load_catalogue(folder / "catalogue")
    club = Club(
        classes=parse_machines(tomllib.loads((folder / "machines.toml").read_text())),
        truth=parse_truth(tomllib.loads((folder / "truth.toml").read_text()), catalogue),
        names={key: described.chip.name for key, described in catalogue.chips.items()},
    )
    for of_class in club.classes:
        for chip in (*of_class.processors, *of_class.graphics):
            if chip not in club.names:
                raise CatalogueError(f"machines.toml puts an unknown chip in {of_class.key}.")
    return club


def bundled_club() -> Club:
    """The club of this installation, read from its seed data."""
    return load_club(_bundled())


def _bundled() -> Path:
    return bundled_folder("seed_data") / "club"


def install_catalogue(folder: Path) -> None:
    """Copy the club's catalogue into this folder of an instance, as a host would."""
    folder.mkdir(exist_ok=True)
    for path in sorted((_bundled() / "catalogue").glob("*.toml")):
        (folder / path.name).write_text(path.read_text(encoding="utf-8"), encoding="utf-8")


def pool_truths() -> tuple[PoolTruth, ...]:
    """The truth about every pool of the bundled club."""
    return tuple(pool for pools in bundled_club().truth.values() for pool in pools)


def note_texts() -> list[str]:
    """The texts of the club's curated notes, in the order of their names."""
    folder = _bundled() / "notes"
    return [path.read_text() for path in sorted(folder.glob("*.md")) if path.name != "README.md"]
