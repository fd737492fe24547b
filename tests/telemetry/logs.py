"""Small logs that are written by hand."""

from collections.abc import Sequence
from pathlib import Path

from kbapi.telemetry.reading import LogReading, read_reading

HEADER = ("Time [s]", "CPU package power [W]", "CPU effective clock [MHz]", "CPU temperature [°C]")
USUAL = (45.0, 3600.0, 71.0)


def a_log(
    folder: Path,
    header: Sequence[str] = HEADER,
    changes: dict[int, Sequence[object]] | None = None,
    rows: int = 200,
    usual: Sequence[object] = USUAL,
    delimiter: str = ",",
    name: str = "log.csv",
) -> Path:
    """A log of a load without idle time; `changes` replace whole rows of values by their place."""
    lines = [delimiter.join(header)]
    for place in range(rows):
        values = (changes or {}).get(place, usual)
        lines.append(delimiter.join(map(str, (place, *values))))
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def read(path: Path, graphics: bool = False, **given: str) -> LogReading:
    """The reading of a log, with the columns that are given."""
    return read_reading(path, given, graphics=graphics)


def means_of(reading: LogReading) -> dict[str, float]:
    """The mean of each quantity."""
    return {name: round(one.mean, 6) for name, one in reading.summaries.items()}


def questions_of(reading: LogReading) -> dict[str, str]:
    """The question about each quantity."""
    return {one.quantity: one.text for one in reading.questions}
