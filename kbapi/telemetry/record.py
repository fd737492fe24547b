"""Sensors that the Linux kernel offers as files, sampled into a log."""

import csv
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path("/sys")
_POWER_CAP: Final = "class/powercap"
_CLOCKS: Final = "devices/system/cpu"
_SENSORS: Final = "class/hwmon"
_CHIP_SENSORS: Final = ("coretemp", "k10temp", "cpu_thermal")
"""Kernel drivers that read the temperature of a processor."""


@dataclass(frozen=True)
class Sensor:
    """A column of the log: its name with the unit, and how to read it."""

    name: str
    read: Callable[[], float]


class _Power:
    """Mean power since the last look, from a counter of energy that starts again at its end."""

    def __init__(self, zone: Path) -> None:
        self._energy = zone / "energy_uj"
        self._range = float((zone / "max_energy_range_uj").read_text())
        self._last = self._uj(), time.monotonic()

    def _uj(self) -> float:
        return float(self._energy.read_text())

    def read(self) -> float:
        """Watts."""
        energy, now = self._uj(), time.monotonic()
        before, then = self._last
        self._last = energy, now
        spent = energy - before if energy >= before else energy - before + self._range
        return spent / 1e6 / max(now - then, 1e-9)


def find_sensors(root: Path = ROOT) -> list[Sensor]:
    """The power, clock and temperature of the processor, as far as this machine lets them be read.

    Energy counters are usually readable by the administrator only.
    """
    found: list[Sensor] = []
    for zone in sorted((root / _POWER_CAP).glob("*:*")):
        name = _text(zone / "name")
        if name and _text(zone / "energy_uj"):
            kind = "CPU package power" if name.startswith("package") else f"{name} power"
            number = "" if name in ("package-0", "psys") else f" {name}"
            found.append(
                Sensor(f"{kind}{number if kind.startswith('CPU') else ''} [W]", _Power(zone).read)
            )
    clocks = sorted((root / _CLOCKS).glob("cpu[0-9]*/cpufreq/scaling_cur_freq"))
    if clocks:
        found.append(Sensor("CPU average clock [MHz]", lambda: _mean_mhz(clocks)))
    for folder in sorted((root / _SENSORS).glob("hwmon*")):
        if _text(folder / "name") in _CHIP_SENSORS:
            found += _temperatures(folder)
            break
    return found


def _temperatures(folder: Path) -> Iterator[Sensor]:
    inputs = sorted(folder.glob("temp*_input"))
    named = [
        (_text(one.with_name(one.name.replace("_input", "_label"))) or "", one) for one in inputs
    ]
    package = [one for label, one in named if label.lower().startswith(("package", "tctl", "tdie"))]
    if chosen := (package or inputs)[:1]:
        (file,) = chosen
        yield Sensor("CPU package temperature [°C]", lambda: float(file.read_text()) / 1000.0)


def _mean_mhz(clocks: list[Path]) -> float:
    values = [float(text) for one in clocks if (text := _text(one))]
    return sum(values) / len(values) / 1000.0 if values else float("nan")


def _text(file: Path) -> str:
    try:
        return file.read_text().strip()
    except OSError:
        return ""


def record(
    to: Path,
    sensors: list[Sensor],
    seconds: float,
    every_s: float = 1.0,
    wait: Callable[[float], None] = time.sleep,
) -> int:
    """Write a log with a row for each moment, and return the number of rows.

    A sensor that cannot be read leaves its cell empty.

    Raises
    ------
    OSError
        When the file cannot be written.
    """
    began, rows = time.monotonic(), 0
    with to.open("x", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["Time [s]", *(one.name for one in sensors)])
        while (at := time.monotonic() - began) < seconds:
            writer.writerow([f"{at:.2f}", *(_cell(one) for one in sensors)])
            file.flush()
            rows += 1
            wait(max(0.0, rows * every_s - (time.monotonic() - began)))
    return rows


def _cell(sensor: Sensor) -> str:
    try:
        return f"{sensor.read():.2f}"
    except (OSError, ValueError):
        return ""
