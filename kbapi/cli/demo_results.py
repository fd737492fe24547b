"""Synthetic results of the invented Tidewater Bench Club: chips, makers and people do not exist.

Each unit has a limit drawn from its chip's truth; a tester walks down to it as people do: from a
first setting, in steps of their own, to the first failure or to where they meant to stop.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final


@dataclass(frozen=True, slots=True)
class DemoChip:
    """An invented chip and the truth of its limits, below stock in mV or counts."""

    text: str
    domain: str
    moved_with: tuple[str, ...]
    control: str
    limit_mean: float
    limit_sd: float
    first: tuple[int, int]
    steps: tuple[int, ...]
    loads: tuple[str, ...]
    units: int


DEMO_CHIPS: Final = (
    DemoChip(
        "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        "core",
        ("ring",),
        "voltage_offset",
        limit_mean=110,
        limit_sd=20,
        first=(40, 70),
        steps=(5, 10),
        loads=("all_core", "vector_heavy"),
        units=70,
    ),
    DemoChip(
        "Norvane(R) Sable(TM) 5 4610MX @ 2.80GHz",
        "core",
        ("ring",),
        "voltage_offset",
        limit_mean=104,
        limit_sd=18,
        first=(40, 70),
        steps=(5, 10),
        loads=("all_core", "vector_heavy"),
        units=55,
    ),
    DemoChip(
        "Norvane(R) Sable(TM) 7 4800K @ 3.90GHz",
        "core",
        (),
        "voltage_offset",
        limit_mean=85,
        limit_sd=15,
        first=(30, 50),
        steps=(5, 10),
        loads=("all_core", "memory_heavy"),
        units=60,
    ),
    DemoChip(
        "Ketterly Drift 6 2350U",
        "core",
        (),
        "count_offset",
        limit_mean=22,
        limit_sd=4,
        first=(8, 14),
        steps=(1, 2),
        loads=("all_core", "light_bursts"),
        units=60,
    ),
    DemoChip(
        "Ketterly Drift 8 2380H",
        "core",
        (),
        "count_offset",
        limit_mean=20,
        limit_sd=4,
        first=(8, 14),
        steps=(1, 2),
        loads=("all_core", "light_bursts"),
        units=18,
    ),
    DemoChip(
        "Osmer Kestrel 640 Laptop Graphics",
        "gpu_core",
        (),
        "fixed_clock_voltage",
        limit_mean=95,
        limit_sd=18,
        first=(30, 50),
        steps=(5, 10),
        loads=("cpu_gpu_mix", "gpu_only"),
        units=65,
    ),
)

_CLOCK_MHZ: Final = 1800
_STOCK_MEAN_MV: Final = 905
_STOCK_SD_MV: Final = 10
_CLAIMING_SHARE: Final = 0.08
_STOPPING_SHARE: Final = 0.3


def demo_results(seed: int) -> Iterator[dict[str, Any]]:
    """The club's results as documents, the same for the same seed."""
    dice = random.Random(seed)  # noqa: S311 - synthetic data, nothing secret
    number = 0
    for chip in DEMO_CHIPS:
        for _ in range(chip.units):
            number += 1
            yield _document(chip, number, dice)


def one_more_result() -> dict[str, Any]:
    """The result of a member who came late: an honest failure, closer to stock than most."""
    chip = DEMO_CHIPS[0]
    setting = {**_ends(chip, stable=55, unstable=60), **_testing(chip, 65)}
    return _envelope(chip, 9001, {**setting, "failure": "wrong_result"})


def _document(chip: DemoChip, number: int, dice: random.Random) -> dict[str, Any]:
    limit = max(1.0, dice.gauss(chip.limit_mean, chip.limit_sd))
    step, first = dice.choice(chip.steps), dice.randint(*chip.first)
    planned = first + step * dice.randint(2, 12) if dice.random() < _STOPPING_SHARE else None
    stable, depth = None, first
    while depth <= limit and (planned is None or depth <= planned):
        stable, depth = depth, depth + step
    failed = depth > limit
    setting = _ends(chip, stable, depth if failed else None, planned, first, dice)
    setting |= _testing(chip, dice.choice((35, 45, 65, 90)))
    if failed:
        setting["failure"] = dice.choice(("wrong_result", "system_hang", "app_crash"))
    if dice.random() < _CLAIMING_SHARE and not failed:
        del setting["effect"]
        del setting["read_back"]
    return _envelope(chip, number, setting)


def _ends(
    chip: DemoChip,
    stable: int | None,
    unstable: int | None,
    planned: int | None = None,
    first: int | None = None,
    dice: random.Random | None = None,
) -> dict[str, Any]:
    setting: dict[str, Any] = {
        "domain": chip.domain,
        "control": chip.control,
        "moved_with": list(chip.moved_with),
    }
    stock_mv = 0
    if chip.control == "fixed_clock_voltage":
        stock_mv = (
            _STOCK_MEAN_MV if dice is None else round(dice.gauss(_STOCK_MEAN_MV, _STOCK_SD_MV))
        )
        setting |= {"clock_mhz": _CLOCK_MHZ, "stock_mv": stock_mv}
    told = {"first_tried": first, "stable_at": stable, "unstable_at": unstable}
    told |= {"planned_end": planned, "read_back": stable}
    for name, below_stock in told.items():
        setting[name] = None if below_stock is None else stock_mv - below_stock
    setting["effect"] = {"shown_by": "read_back"}
    return setting


def _testing(chip: DemoChip, minutes: int) -> dict[str, Any]:
    return {"loads": list(chip.loads), "minutes": minutes, "checked_results": True}


def _envelope(chip: DemoChip, number: int, setting: dict[str, Any]) -> dict[str, Any]:
    return {
        "chip": chip.text,
        "unit_token": f"tidewater-demo-unit-{number:06}",
        "contributor_token": f"tidewater-demo-member-{number:06}",
        "stock_passed": [{"load": chip.loads[0], "minutes": 20}],
        "settings": [setting],
        "measured_in": f"2026-{number % 9 + 1:02}",
        "client": "tidewater-script/0.3",
    }
