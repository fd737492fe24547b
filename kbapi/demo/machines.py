"""Machines of the club: classes, chips, firmware and other conditions."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any, Final

from kbapi.demo import truth
from kbapi.demo.truth import NEWEST_FIRMWARE, Cooling, PoolTruth, draw_cooling

FIRST_MONTH: Final = (2025, 1)
MONTHS: Final = 21
"""Results were measured from January 2025 to September 2026."""


@dataclass(frozen=True, slots=True)
class Firmware:
    """One release for a class, and the share of machines that it locks."""

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
    """The classes in machines.toml."""
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
    """A random machine of the club."""
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
    """A release that existed in that month, mostly the newest."""
    out = [release for release in of_class.firmware if release.month <= month]
    return out[-1] if rng.random() < NEWEST_FIRMWARE else rng.choice(out)


Part = dict[str, Any]

SUSTAINED_W: Final = {"laptop": 45, "desktop": 125, "mini": 35, "handheld": 15}
"""The sustained power of a processor by the form of its machine."""
_USUAL_CONTROL: Final = {"norvane": "voltage_offset", "ketterly": "count_offset"}
"""The control of a maker's open processors, which owners of locked ones also look for."""


def platform_part(rng: Random, machine: Machine) -> Part:
    """The reported class, firmware, system and cooling of a machine."""
    of_class, firmware = machine.of_class, machine.firmware
    part: Part = {
        "machine": of_class.key,
        "form": of_class.form,
        "firmware": firmware.version,
        "firmware_month": firmware.month,
        "microcode": firmware.microcode,
        "os": rng.choices(("linux-6", "linux-7"), (0.7, 0.3))[0],
        "platform_profile": rng.choices(("balanced", "performance", "quiet"), (6, 3, 1))[0],
        "cooling": list(machine.cooling.names),
        "supply": "mains",
    }
    if rng.random() < 0.4:
        part["memory_integrity"] = rng.choices(("off", "on", "unknown"), (5, 2, 3))[0]
    return part


def open_lock_part(rng: Random, machine: Machine, pool: PoolTruth) -> list[Part]:
    """The lock report of an owner whose control is open, with the changes that opened it."""
    if rng.random() >= truth.OPEN_LOCK_REPORTED:
        return []
    changes = _changes(rng, machine) if pool.chip == machine.processor else []
    status = "firmware_only" if changes == ["firmware_setting"] else "open"
    return [_lock(pool.domains[0], pool.control, status, _draw_found_by(rng), changes)]


def locked_part(rng: Random, machine: Machine, pool: PoolTruth | None) -> list[Part]:
    """The lock report of a locked processor; without a pool its class is locked."""
    if pool is None:
        maker = machine.processor.split("-")[0]
        return [_lock("core", _USUAL_CONTROL[maker], "chip_locked", _draw_found_by(rng), [])]
    status = machine.of_class.locked_as
    return [_lock(pool.domains[0], pool.control, status, _draw_found_by(rng), [])]


def power_part(rng: Random, machine: Machine) -> Part:
    """The power limits of a processor."""
    stock_w = SUSTAINED_W[machine.of_class.form]
    long_term_w = stock_w if rng.random() < 0.7 else round(stock_w * rng.uniform(0.7, 0.95))
    return {
        "long_term_w": long_term_w,
        "long_term_window_s": 28,
        "short_term_w": round(long_term_w * 1.3),
        "stock_long_term_w": stock_w,
    }


def _changes(rng: Random, machine: Machine) -> list[str]:
    """The changes that were made on an open machine."""
    made = [change for change in machine.of_class.opened_by if rng.random() < truth.CHANGE_MADE]
    newest = machine.of_class.firmware[-1]
    is_spared = machine.firmware != newest and newest.locked_share > 0.5
    if is_spared and rng.random() < truth.STAYED_ON_OLDER:
        made.append("older_firmware")
    return made


def _draw_found_by(rng: Random) -> str:
    return rng.choices(list(truth.FOUND_BY), list(truth.FOUND_BY.values()))[0]


def _lock(domain: str, control: str, status: str, found_by: str, changes: list[str]) -> Part:
    return {
        "domain": domain,
        "control": control,
        "status": status,
        "found_by": found_by,
        "changes": changes,
    }
