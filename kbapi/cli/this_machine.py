"""The names of this machine's processors and graphics, as the operating system prints them."""

import json
import platform
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final, Literal

from kbapi.chips.chip import ChipIds

_COMMAND_SECONDS: Final = 20
_DISPLAY_CLASS: Final = "0x03"
_PCI_NAMES: Final = (Path("/usr/share/misc/pci.ids"), Path("/usr/share/hwdata/pci.ids"))


@dataclass(frozen=True, slots=True)
class PrintedName:
    """A printed name with the numbers of the chip."""

    kind: Literal["cpu", "gpu"] | None
    text: str
    ids: ChipIds = field(default_factory=ChipIds)

    def numbers(self) -> dict[str, str | int]:
        """Kind and numbers by the names of the API's parameters, where they are known."""
        numbers = {"kind": self.kind, **asdict(self.ids)}
        return {name: value for name, value in numbers.items() if value is not None}


def printed_names() -> list[PrintedName]:
    """The distinct processors and graphics of this machine; empty if none can be read."""
    readers = {"linux": _linux, "win32": _windows, "darwin": _macos}
    reader = readers.get(sys.platform)
    names = list(reader()) if reader else []
    if not names and platform.processor():
        names = [PrintedName("cpu", platform.processor())]
    return list(dict.fromkeys(names))


def _linux() -> Iterator[PrintedName]:
    yield from linux_processors(_read(Path("/proc/cpuinfo")))
    yield from linux_graphics(Path("/sys/bus/pci/devices"), _pci_names())


def linux_processors(cpuinfo: str) -> Iterator[PrintedName]:
    """The processors in the text of /proc/cpuinfo."""
    for block in cpuinfo.split("\n\n"):
        fields = dict(re.findall(r"^([^\t:]+?)\s*:\s*(.*)$", block, re.MULTILINE))
        if fields.get("model name"):
            ids = ChipIds(
                family=_number(fields.get("cpu family")),
                model=_number(fields.get("model")),
                stepping=_number(fields.get("stepping")),
            )
            yield PrintedName("cpu", fields["model name"], ids)


def _number(text: str | None) -> int | None:
    return int(text) if text is not None and text.isdigit() else None


def linux_graphics(devices: Path, pci_names: dict[str, str]) -> Iterator[PrintedName]:
    """The graphics among the PCI devices in a folder like /sys/bus/pci/devices."""
    for device in sorted(devices.glob("*")) if devices.is_dir() else ():
        if _read(device / "class").startswith(_DISPLAY_CLASS):
            vendor, model, revision = (
                _read(device / name).strip().removeprefix("0x")
                for name in ("vendor", "device", "revision")
            )
            pci_id = f"{vendor}:{model}"
            ids = ChipIds(pci_id=pci_id, pci_revision=revision or None)
            yield PrintedName("gpu", pci_names.get(pci_id, pci_id), ids)


def _pci_names() -> dict[str, str]:
    text = next((_read(path) for path in _PCI_NAMES if path.is_file()), "")
    return parse_pci_names(text)


def parse_pci_names(text: str) -> dict[str, str]:
    r"""Names by PCI id from a text in the layout of the system's own pci.ids file.

    >>> parse_pci_names("1234  Osmer\n\t0640  Kestrel 640\n")
    {'1234:0640': 'Osmer Kestrel 640'}
    """
    names, vendor_id, vendor = {}, "", ""
    for line in text.splitlines():
        if match := re.match(r"([0-9a-f]{4})  (.+)", line):
            vendor_id, vendor = match.groups()
        elif match := re.match(r"\t([0-9a-f]{4})  (.+)", line):
            names[f"{vendor_id}:{match.group(1)}"] = f"{vendor} {match.group(2)}"
        elif line.startswith("C "):
            break
    return names


def _windows() -> Iterator[PrintedName]:
    if sys.platform != "win32":
        return
    import winreg

    def value(path: str, name: str) -> str:
        try:
            with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, path) as key:
                return str(winreg.QueryValueEx(key, name)[0])
        except OSError:
            return ""

    cpu = value(r"HARDWARE\DESCRIPTION\System\CentralProcessor\0", "ProcessorNameString")
    if cpu:
        yield PrintedName("cpu", cpu)
    displays = r"SYSTEM\CurrentControlSet\Control\Class\{4d36e968-e325-11ce-bfc1-08002be10318}"
    for number in range(16):
        gpu = value(rf"{displays}\{number:04}", "DriverDesc")
        if gpu:
            yield PrintedName("gpu", gpu)


def _macos() -> Iterator[PrintedName]:
    cpu = _output("sysctl", "-n", "machdep.cpu.brand_string")
    if cpu:
        yield PrintedName("cpu", cpu)
    yield from macos_graphics(_output("system_profiler", "SPDisplaysDataType", "-json"))


def macos_graphics(report: str) -> Iterator[PrintedName]:
    """The graphics in the system's own report of its displays, as JSON."""
    try:
        displays = json.loads(report)["SPDisplaysDataType"]
    except (ValueError, KeyError, TypeError):
        return
    for display in displays:
        if isinstance(display, dict) and display.get("sppci_model"):
            yield PrintedName("gpu", str(display["sppci_model"]))


def _output(*command: str) -> str:
    try:
        run = subprocess.run(  # noqa: S603 - fixed commands of the system
            command, capture_output=True, text=True, timeout=_COMMAND_SECONDS, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return run.stdout.strip()


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
