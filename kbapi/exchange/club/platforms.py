"""The parts of a document that tell of the machine: platform, locks, power."""

from random import Random
from typing import Any, Final

from kbapi.exchange.club import shares
from kbapi.exchange.club.machines import Machine
from kbapi.exchange.club.truth import PoolTruth

Part = dict[str, Any]

SUSTAINED_W: Final = {"laptop": 45, "desktop": 125, "mini": 35, "handheld": 15}
"""What a form gives its processor for long."""
_CUSTOMARY: Final = {"norvane": "voltage_offset", "ketterly": "count_offset"}
"""How a maker's open processors are moved: what owners of a locked class look for."""


def platform_part(rng: Random, machine: Machine) -> Part:
    """What is told of the machine's class, firmware, system and cooling."""
    of_class, firmware = machine.of_class, machine.firmware
    part: Part = {
        "machine": of_class.key,
        "form": of_class.form,
        "firmware": firmware.version,
        "firmware_month": firmware.month,
        "microcode": firmware.microcode,
        "os": rng.choices(("linux-6", "linux-7"), (0.7, 0.3))[0],
        "platform_profile": rng.choices(("balanced", "performance", "quiet"), (6, 3, 1))[0],
        "cooling": list(machine.cooling.words),
        "supply": "mains",
    }
    if rng.random() < 0.4:
        part["memory_integrity"] = rng.choices(("off", "on", "unknown"), (5, 2, 3))[0]
    return part


def open_lock_part(rng: Random, machine: Machine, pool: PoolTruth) -> list[Part]:
    """What an owner found who could move the pool's rail, and what had been changed for it."""
    if rng.random() >= shares.OPEN_LOCK_TOLD:
        return []
    changes = _changes(rng, machine) if pool.chip == machine.processor else []
    status = "firmware_only" if changes == ["firmware_setting"] else "open"
    return [_lock(pool.domains[0], pool.control, status, _draw_found_by(rng), changes)]


def locked_part(rng: Random, machine: Machine, pool: PoolTruth | None) -> list[Part]:
    """What an owner found who could not move the processor; without a pool its class is locked."""
    if pool is None:
        maker = machine.processor.split("-")[0]
        return [_lock("core", _CUSTOMARY[maker], "chip_locked", _draw_found_by(rng), [])]
    status = machine.of_class.locked_as
    return [_lock(pool.domains[0], pool.control, status, _draw_found_by(rng), [])]


def power_part(rng: Random, machine: Machine) -> Part:
    """The power limits of a processor that lives with one."""
    stock_w = SUSTAINED_W[machine.of_class.form]
    long_term_w = stock_w if rng.random() < 0.7 else round(stock_w * rng.uniform(0.7, 0.95))
    return {
        "long_term_w": long_term_w,
        "long_term_window_s": 28,
        "short_term_w": round(long_term_w * 1.3),
        "stock_long_term_w": stock_w,
    }


def _changes(rng: Random, machine: Machine) -> list[str]:
    """What had been changed on an open machine, as history."""
    made = [change for change in machine.of_class.opened_by if rng.random() < shares.CHANGE_MADE]
    newest = machine.of_class.firmware[-1]
    is_spared = machine.firmware != newest and newest.locked_share > 0.5
    if is_spared and rng.random() < shares.STAYED_ON_OLDER:
        made.append("older_firmware")
    return made


def _draw_found_by(rng: Random) -> str:
    return rng.choices(list(shares.FOUND_BY), list(shares.FOUND_BY.values()))[0]


def _lock(domain: str, control: str, status: str, found_by: str, changes: list[str]) -> Part:
    return {
        "domain": domain,
        "control": control,
        "status": status,
        "found_by": found_by,
        "changes": changes,
    }
