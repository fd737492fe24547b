"""The invented club as its files describe it: chips, machine classes, truth."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from kbapi.chips.catalogue import load_catalogue
from kbapi.errors import CatalogueError
from kbapi.exchange.club.machines import MachineClass, parse_machines
from kbapi.exchange.club.truth import PoolTruth, parse_truth
from kbapi.settings import bundled_folder


@dataclass(frozen=True, slots=True)
class Club:
    """Everything that results are drawn from, dice apart."""

    classes: tuple[MachineClass, ...]
    truth: Mapping[str, tuple[PoolTruth, ...]]
    """Pools by chip, its main one first; a chip without any is locked."""
    names: Mapping[str, str]
    """What a chip is called, by key."""

    def pools_of(self, chip: str) -> tuple[PoolTruth, ...]:
        """The pools of a chip, none for one of a locked class."""
        return self.truth.get(chip, ())


def load_club(folder: Path) -> Club:
    """The club of a seed_data folder; raises CatalogueError where its files contradict."""
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


@cache
def bundled_club() -> Club:
    """The club that this installation carries, read once."""
    return load_club(bundled_folder("seed_data"))


def pool_truths() -> tuple[PoolTruth, ...]:
    """The truth about every pool of the bundled club."""
    return tuple(pool for pools in bundled_club().truth.values() for pool in pools)


def note_texts() -> list[str]:
    """The texts of the club's curated notes, in the order of their names."""
    folder = bundled_folder("seed_data") / "notes"
    return [path.read_text() for path in sorted(folder.glob("*.md")) if path.name != "README.md"]
