"""A large log is read in bounded time and memory."""

import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

from tests.report import Row, measured

_LARGE_BYTES: Final = 1_000_000_000
_SMALL_BYTES: Final = 20_000_000
_READ: Final = (
    "import sys; from pathlib import Path; from kbapi.telemetry.reading import read_reading; "
    "reading = read_reading(Path(sys.argv[1]), {}); "
    "print(reading.log.rows, reading.summaries['power_w'].mean)"
)


def measure(*, short: bool) -> list[Row]:
    """Seconds of CPU and memory of a process that reads a log."""
    size = _SMALL_BYTES if short else _LARGE_BYTES
    rows = []
    for columns in (40,) if short else (40, 5):
        with tempfile.TemporaryDirectory() as folder:
            log = Path(folder) / "log.csv"
            write_log(log, size, columns)
            rows += _measured(log, columns, size)
    return rows


def _measured(log: Path, columns: int, size: int) -> list[Row]:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    # One that measures: the highest memory of all children ever is no figure of this one.
    code = f"{_READ}; import resource; print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    run = subprocess.run(
        [sys.executable, "-c", code, str(log)], capture_output=True, text=True, check=True
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    count, kib = run.stdout.split()[0], run.stdout.split()[-1]
    what = f"{size / 1e6:.0f} MB of log, {columns} columns, {count} rows"
    return [
        measured(f"{what}: CPU time", cpu_s, "s", "<= 60"),
        measured(f"{what}: memory", int(kib) / 1024, "MB", "<= 300"),
    ]


def write_log(to: Path, size: int, columns: int) -> None:
    """Write a log of about so many bytes: idle, load, idle, with numbers that differ."""
    names = ["Time", "CPU package power [W]", "Average clock [MHz]", "CPU temperature [°C]"]
    names += [f"Rail {number} [V]" for number in range(columns - len(names))]
    others = ",".join(f"{1 + number / 100:.3f}" for number in range(columns - 4))
    line = len(f"10:00:00.000,45.123,3600.12,71.1,{others}\n")
    count, load = size // line, 0.0
    with to.open("w", encoding="utf-8") as file:
        file.write(",".join(names) + "\n")
        for row in range(count):
            at = 36_000 + row / 100
            load = 0.15 if not 0.1 < row / count < 0.9 else 1.0
            power = load * (60 + row * 7_919 % 4_001 / 1_000)
            clock, heat = 1_000 + load * 2_500 + row % 97 / 7, 40 + 31 * load + row % 13 / 10
            clock_text = f"{int(at // 3600 % 24):02}:{int(at // 60 % 60):02}:{at % 60:06.3f}"
            file.write(f"{clock_text},{power:.3f},{clock:.2f},{heat:.1f},{others}\n")
