"""Classes of machines, their firmware, and one member's machine of a class."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any, Final

from kbapi.exchange.club.cooling import Cooling, draw_cooling
from kbapi.exchange.club.shares import NEWEST_FIRMWARE

FIRST_MONTH: Final = (2025, 1)
MONTHS: Final = 21
"""Results were measured from January 2025 to September 2026."""


@dataclass(frozen=True, slots=True)
class Firmware:
    """One release for a class, and how many machines it locks."""

    version: str
    month: str
    microcode: str
    locked_share: float


@dataclass(frozen=True, slots=True)
class MachineClass:
    """A class of machines: its form, its chips, its firmware."""

    key: str
    form: str
    processors: Mapping[str, float]
    """Chips and their relative numbers of machines."""
    graphics: Mapping[str, float]
    locked_as: str
    opened_by: tuple[str, ...]
    firmware: tuple[Firmware, ...]
    """Oldest first."""

    @property
    def machines(self) -> float:
        """The relative number of machines of this class."""
        return sum(self.processors.values())


@dataclass(frozen=True, slots=True)
class Machine:
    """One member's machine when it was measured."""

    of_class: MachineClass
    processor: str
    graphics: str | None
    firmware: Firmware
    measured_in: str
    cooling: Cooling
    is_locked: bool
    """Whether its firmware locks the processor."""


def parse_machines(table: Mapping[str, Any]) -> tuple[MachineClass, ...]:
    """The classes that machines.toml tells of."""
    return tuple(
        MachineClass(
            **{
                **row,
                "opened_by": tuple(row["opened_by"]),
                "firmware": tuple(Firmware(**release) for release in row["firmware"]),
            }
        )
        for row in table["machines"]
    )


def draw_machine(rng: Random, classes: Sequence[MachineClass]) -> Machine:
    """One more machine of the club."""
    of_class = rng.choices(classes, [one.machines for one in classes])[0]
    month = _draw_month(rng)
    firmware = _draw_firmware(rng, of_class, month)
    return Machine(
        of_class=of_class,
        processor=_draw_chip(rng, of_class.processors),
        graphics=_draw_chip(rng, of_class.graphics) if of_class.graphics else None,
        firmware=firmware,
        measured_in=month,
        cooling=draw_cooling(rng),
        is_locked=rng.random() < firmware.locked_share,
    )


def _draw_chip(rng: Random, chips: Mapping[str, float]) -> str:
    return rng.choices(list(chips), list(chips.values()))[0]


def _draw_month(rng: Random) -> str:
    year, first = FIRST_MONTH
    months = first - 1 + rng.randrange(MONTHS)
    return f"{year + months // 12}-{months % 12 + 1:02}"


def _draw_firmware(rng: Random, of_class: MachineClass, month: str) -> Firmware:
    """A release that was out in that month, mostly the newest."""
    out = [release for release in of_class.firmware if release.month <= month]
    return out[-1] if rng.random() < NEWEST_FIRMWARE else rng.choice(out)
