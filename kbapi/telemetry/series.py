"""The numbers of a log over time: one clean series for each quantity."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from kbapi import bounds
from kbapi.telemetry.cells import UNITS, Floats, Times, numbers
from kbapi.telemetry.columns import (
    QUANTITIES,
    Candidate,
    Question,
    Recognised,
    groups_of,
    recognise,
)
from kbapi.telemetry.log_file import LogFile, UnreadableLog

_MOST_POINTS: Final = 131_072
"""More rows than that are averaged in groups, so that memory has a bound."""
_MOST_COLUMNS: Final = 128
_DAY_S: Final = 86_400.0
_GAP: Final = 5.0
"""A gap is longer than so many usual intervals."""
_RANGES: Final = {
    "power_w": (0.05, float(bounds.MOST_POWER_W)),
    "power_cap_w": (0.5, float(bounds.MOST_POWER_W)),
    "clock_mhz": (float(bounds.CLOCK_LEAST_MHZ), float(bounds.CLOCK_MOST_MHZ)),
    "temp_c": (1.0, float(bounds.HOTTEST_C)),
    "ambient_c": (float(bounds.COLDEST_C), float(bounds.HOTTEST_ROOM_C)),
    "performance": (1e-9, 1e12),
    "usage": (0.0, 100.5),
    "throttle": (0.0, 100.5),
}
"""What a running machine can report; anything else counts as missing."""
_UNITS_TO_TRY: Final = {
    "power_w": ("w", "mw", "µw"),
    "power_cap_w": ("w", "mw", "µw"),
    "clock_mhz": ("mhz", "ghz", "khz", "hz"),
    "temp_c": ("°c", "m°c"),
    "ambient_c": ("°c", "m°c"),
}
_USUAL: Final = {
    "power_w": (2.0, 600.0),
    "power_cap_w": (2.0, 600.0),
    "clock_mhz": (300.0, 6_500.0),
    "temp_c": (20.0, 105.0),
    "ambient_c": (5.0, 45.0),
}
"""Where the upper end of a log under load lies; decides on a unit only where none is written."""


@dataclass(frozen=True)
class Series:
    """One quantity over time, NaN where it is missing."""

    values: Floats
    highest: Floats
    """The highest value of each averaged group of rows."""
    columns: tuple[str, ...]
    unit: str
    confidence: float
    reasons: tuple[str, ...]
    scope: str
    missing: Counter[str] = field(default_factory=Counter)
    """The number of cells that are left out, by reason."""


@dataclass
class Log:
    """A log as series on one time axis."""

    path: Path
    seconds: Floats
    """Since the first row. Rows without a time are left out."""
    series: dict[str, Series]
    throttled: dict[str, Floats]
    """The share of time that each reason held the chip back, for each moment."""
    questions: list[Question]
    notes: list[str]
    rows: int
    rows_of_a_point: int
    dropped: Counter[str]
    dropped_lines: list[tuple[int, str]]
    unused: list[tuple[str, str]]
    interval_s: float
    gaps: int


class _Points:
    """Means and highest values of groups of rows; a group doubles whenever there are too many."""

    def __init__(self, columns: int) -> None:
        self.rows = 0
        self.of_a_point = 1
        self._rest = np.empty((0, columns))
        self._means: list[np.ndarray] = []
        self._highest: list[np.ndarray] = []
        self._count = 0

    def add(self, block: Floats) -> None:
        """Add rows, with the time in the first column."""
        self.rows += len(block)
        block = np.concatenate((self._rest, block))
        whole = len(block) // self.of_a_point * self.of_a_point
        self._rest = block[whole:]
        grouped = block[:whole].reshape(-1, self.of_a_point, block.shape[1])
        self._means.append(_mean(grouped))
        self._highest.append(_highest(grouped))
        self._count += len(grouped)
        while self._count > _MOST_POINTS:
            self._halve()

    def _halve(self) -> None:
        means, highest = np.concatenate(self._means), np.concatenate(self._highest)
        even = len(means) // 2 * 2
        if even < len(means):  # the last group waits for its other half
            self._rest = np.concatenate((np.repeat(means[-1:], self.of_a_point, 0), self._rest))
        shape = (-1, 2, means.shape[1])
        self._means = [_mean(means[:even].reshape(shape))]
        self._highest = [_highest(highest[:even].reshape(shape))]
        self._count = even // 2
        self.of_a_point *= 2

    def finished(self) -> tuple[Floats, Floats]:
        """Means and highest values of all groups; the last group may be smaller."""
        if len(self._rest):
            grouped = self._rest[None]
            self._means.append(_mean(grouped))
            self._highest.append(_highest(grouped))
        means = np.concatenate(self._means)
        return means, np.concatenate(self._highest)


def _mean(grouped: Floats) -> Floats:
    present = ~np.isnan(grouped)
    count = present.sum(axis=1)
    total = np.where(present, grouped, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _highest(grouped: Floats) -> Floats:
    filled = np.where(np.isnan(grouped), -np.inf, grouped).max(axis=1)
    return np.where(np.isinf(filled), np.nan, filled)


def read_log(path: Path, given: dict[str, str], *, graphics: bool = False) -> Log:
    """The series of a log; what its columns do not tell is a question.

    `given` names the columns of quantities that a person has chosen, as `name` or `name:unit`.

    Raises
    ------
    UnreadableLog
        When there is no table, or no row has a time.
    LookupError
        When no column has a name that was given.
    OSError
        When the file cannot be read.
    """
    file = LogFile(path)
    names, units = _split_units(given, file.layout.header)
    recognised = recognise(file.layout, names, graphics=graphics)
    clocks = recognised.chosen.pop("time", []), recognised.chosen.pop("date", [])
    wanted = _wanted(recognised)
    reader = _Rows(file, clocks, wanted, _month_first(file, clocks))
    points = _Points(1 + len(wanted))
    for numbers_of_lines, rows in file.chunks():
        block = reader.block(numbers_of_lines, rows)
        if len(block):
            points.add(block)
    if not points.rows:
        raise UnreadableLog(f"No row of {path.name} has numbers in the expected columns.")
    means, highest = points.finished()
    notes = list(reader.notes)
    if points.of_a_point > 1:
        notes.append(f"{points.of_a_point} rows are averaged into one point.")
    log = Log(
        path,
        means[:, 0] - means[0, 0],
        {},
        {},
        list(recognised.questions),
        notes,
        points.rows,
        points.of_a_point,
        Counter(row.reason for row in file.dropped),
        [(row.line, row.reason) for row in file.dropped],
        recognised.unused,
        0.0,
        0,
    )
    _note_gaps(log)
    _fill(log, recognised, wanted, means, highest, units)
    return log


def _split_units(
    given: dict[str, str], header: Sequence[str]
) -> tuple[dict[str, str], dict[str, str]]:
    names, units = {}, {}
    for quantity, text in given.items():
        name, _, unit = text.rpartition(":")
        if text not in header and name in header and unit.lower() in UNITS:
            names[quantity], units[quantity] = name, unit.lower()
        else:
            names[quantity] = text
    return names, units


def _wanted(recognised: Recognised) -> list[Candidate]:
    """The columns to read, each once."""
    every = {one.index: one for chosen in recognised.chosen.values() for one in chosen}
    return list(every.values())[:_MOST_COLUMNS]


def _month_first(file: LogFile, clocks: tuple[list[Candidate], list[Candidate]]) -> bool:
    """Whether dates are written month, day, year: if some second number cannot be a month."""
    for _, rows in file.chunks():
        for kind in clocks:
            for one in kind[:1]:
                for row in rows:
                    parts = row[one.index].split(" ")[0].replace("-", "/").replace(".", "/").split("/")
                    if len(parts) == 3 and all(part.isdigit() for part in parts):
                        if len(parts[0]) <= 2 and int(parts[1]) > 12:
                            file.dropped.clear()
                            return True
        break
    file.dropped.clear()
    return False


class _Rows:
    """Rows of text as numbers, with a time that never goes back."""

    def __init__(
        self,
        file: LogFile,
        clocks: tuple[list[Candidate], list[Candidate]],
        wanted: list[Candidate],
        month_first: bool,
    ) -> None:
        self.notes: list[str] = []
        self._file = file
        self._time = clocks[0][0] if clocks[0] else None
        self._date = clocks[1][0] if clocks[1] else None
        self._wanted = wanted
        self._times = Times(file.layout.decimal, month_first=month_first)
        self._days = 0.0
        self._last = -np.inf
        self._count = 0
        if self._time is None and self._date is None:
            self.notes.append("No column is a time: rows are taken to be one second apart.")

    def block(self, lines: Sequence[int], rows: list[list[str]]) -> Floats:
        """The rows that have a time, with it in the first column."""
        columns = list(zip(*rows, strict=True))
        seconds = self._seconds(columns, len(rows))
        decimal = self._file.layout.decimal
        parts = [seconds]
        for one in self._wanted:
            # A unit in a cell is converted to that of the column.
            parts.append(numbers(columns[one.index], decimal, one.unit or _default_unit(one)))
        block = np.column_stack(parts)
        is_row = ~np.isnan(seconds) & ~np.isnan(block[:, 1:]).all(axis=1)
        for place in np.flatnonzero(~is_row):
            without = "has no time" if np.isnan(seconds[place]) else "has no number"
            self._file.drop(lines[place], without)
        kept: Floats = block[is_row]
        kept[:, 0] = self._forward(kept[:, 0])
        return kept

    def _seconds(self, columns: list[tuple[str, ...]], count: int) -> Floats:
        read = self._times.seconds
        if self._time is None and self._date is None:
            seconds = np.arange(self._count, self._count + count, dtype=float)
            self._count += count
            return seconds
        only = self._time or self._date
        if self._time is None or self._date is None or self._time.index == self._date.index:
            assert only is not None
            seconds = np.array([read(cell) for cell in columns[only.index]])
            scale = UNITS[only.unit][1] if only.unit and UNITS[only.unit][0] == "s" else 1.0
            return seconds * scale
        times = columns[self._time.index]
        if ":" in times[0] and ("-" in times[0] or "/" in times[0] or "." in times[0].split(":")[0]):
            return np.array([read(cell) for cell in times])
        dates = columns[self._date.index]
        return np.array([read(f"{day} {time}") for day, time in zip(dates, times, strict=True)])

    def _forward(self, seconds: Floats) -> Floats:
        """Times after midnight get another day; a clock that was set back makes no time run back."""
        if not len(seconds):
            return seconds
        moved = seconds + self._days
        before = np.concatenate(([self._last], moved[:-1]))
        for place in np.flatnonzero(moved < before):
            step = moved[place] - (moved[place - 1] if place else self._last)
            if step >= 0:
                continue
            if step < -_DAY_S / 2 and seconds.max() < 2 * _DAY_S:
                shift = _DAY_S
                self.notes.append("The log goes on after midnight.")
            else:
                shift = -step
                self.notes.append("The clock was set back while the log was written.")
            moved[place:] += shift
            self._days += shift
        self._last = float(moved[-1])
        return moved


def _default_unit(one: Candidate) -> str | None:
    tried = _UNITS_TO_TRY.get(one.quantity)
    return tried[0] if tried else None


def _note_gaps(log: Log) -> None:
    steps = np.diff(log.seconds)
    positive = steps[steps > 0]
    log.interval_s = float(np.median(positive)) if len(positive) else 1.0
    if 50 < log.interval_s and log.seconds[-1] > 1e6:
        # No sensor is read that slowly for days: the numbers are milliseconds or finer.
        for scale in (1e-3, 1e-6, 1e-9):
            if log.interval_s * scale <= 50:
                log.seconds = log.seconds * scale
                log.interval_s *= scale
                log.notes.append(f"The time is taken to be in units of {scale:g} s.")
                break
    log.gaps = int(np.sum(np.diff(log.seconds) > _GAP * log.interval_s))


def _fill(
    log: Log,
    recognised: Recognised,
    wanted: list[Candidate],
    means: Floats,
    highest: Floats,
    units: dict[str, str],
) -> None:
    place_of = {one.index: place + 1 for place, one in enumerate(wanted)}
    for quantity in (*QUANTITIES, "power_cap_w", "usage"):
        chosen = [one for one in recognised.chosen.get(quantity, ()) if one.index in place_of]
        series = []
        for group in groups_of(chosen).values():
            places = [place_of[one.index] for one in group]
            made = _series_of(log, quantity, group, means[:, places], highest[:, places], units)
            if made is not None:
                series.append(made)
        if (one := _only(log, quantity, series)) is not None:
            log.series[quantity] = one
    for one in recognised.chosen.get("throttle", ()):
        if one.index in place_of:
            share = means[:, place_of[one.index]]
            if np.nanmin(share) >= 0 and np.nanmax(share) <= (100.5 if one.unit == "%" else 1.0):
                scaled = np.nan_to_num(share) / (100.0 if one.unit == "%" else 1.0)
                before = log.throttled.get(one.scope, np.zeros(len(share)))
                log.throttled[one.scope] = np.maximum(before, scaled)


def _only(log: Log, quantity: str, found: list[Series]) -> Series | None:
    """The one series of a quantity; of several that differ none, and a question."""
    found = [one for one in found if not np.isnan(one.values).all()]
    if len(found) < 2:
        return found[0] if found else None
    first = found[0]
    if all(_are_the_same(first, other) for other in found[1:]):
        others = ", ".join(name for other in found[1:] for name in other.columns)
        log.notes.append(f"{quantity}: {others} tell the same as {first.columns[0]}.")
        return first
    names = tuple(one.columns[0] for one in found)
    text = f"Several columns may be {quantity}, and their numbers differ. Which one is it?"
    log.questions.append(Question(quantity, text, names))
    return None


def _are_the_same(one: Series, other: Series) -> bool:
    both = ~np.isnan(one.values) & ~np.isnan(other.values)
    if both.sum() < 3:
        return False
    first, second = one.values[both], other.values[both]
    return bool(abs(first - second).mean() <= 0.005 * abs(first).mean())


def _series_of(
    log: Log,
    quantity: str,
    group: list[Candidate],
    means: Floats,
    highest: Floats,
    units: dict[str, str],
) -> Series | None:
    lead = group[0]
    unit = units.get(quantity) or lead.unit
    reasons = lead.reasons
    if unit and quantity in _UNITS_TO_TRY and UNITS[unit][0] in ("f", "k"):
        convert = (lambda x: (x - 32) / 1.8) if UNITS[unit][0] == "f" else (lambda x: x - 273.15)
        means, highest = convert(means), convert(highest)
        log.notes.append(f"{lead.name}: converted from {unit} to °C.")
    elif quantity in _UNITS_TO_TRY:
        if not unit:
            unit = _unit_by_range(quantity, means)
            if not unit:
                text = f"No unit is written, and the numbers do not tell it. Name it as {lead.name}:UNIT."
                log.questions.append(Question(quantity, text, (lead.name,)))
                return None
            reasons = (*reasons, f"only {unit} gives possible numbers")
        factor = UNITS[unit][1]
        means, highest = means * factor, highest * factor
        if not _is_possible(log, quantity, unit, lead, means, given=quantity in units):
            return None
    missing: Counter[str] = Counter()
    means, highest = _cleaned(quantity, means, highest, missing)
    with np.errstate(all="ignore"):
        together = _mean(means[:, :, None])[:, 0]
        peak = _highest(highest[:, :, None])[:, 0]
    scope = lead.scope
    names = tuple(one.name for one in group)
    return Series(together, peak, names, unit, lead.confidence, reasons, scope, missing)


def _unit_by_range(quantity: str, values: Floats) -> str:
    """The only unit with which the upper end of the numbers is usual; empty if none or several."""
    present = values[~np.isnan(values)]
    if not len(present):
        return ""
    upper = float(np.percentile(present, 95))
    low, high = _USUAL[quantity]
    fits = [unit for unit in _UNITS_TO_TRY[quantity] if low <= upper * UNITS[unit][1] <= high]
    if quantity in ("temp_c", "ambient_c") and "°c" in fits and low <= (upper - 32) / 1.8 <= high:
        # Without a unit, 95 may be degrees Celsius or 35 of them in Fahrenheit.
        if not (float(np.percentile(present, 5)) < 32 or upper <= 95):
            return ""
    return fits[0] if len(fits) == 1 else ""


def _is_possible(
    log: Log, quantity: str, unit: str, lead: Candidate, values: Floats, *, given: bool
) -> bool:
    """Whether numbers in the written unit are possible; else a question."""
    present = values[~np.isnan(values)]
    low, high = _RANGES[quantity]
    inside = present[(present >= low) & (present <= high)]
    if quantity in ("temp_c",) and len(inside) and np.median(inside) > bounds.HOTTEST_IDLE_C + 5:
        text = (
            f"{lead.name} has a median of {np.median(inside):.0f} °C. Is it Fahrenheit? "
            f"Then name it as {lead.name}:°F."
        )
        log.questions.append(Question(quantity, text, (lead.name,)))
        return given
    if len(inside) >= 0.5 * max(len(present), 1) or given:
        return bool(len(inside))
    better = [
        other
        for other in _UNITS_TO_TRY[quantity]
        if other != unit
        and low <= np.median(present) / UNITS[unit][1] * UNITS[other][1] <= high
    ]
    hint = f" Is the unit {better[0]}? Then name it as {lead.name}:{better[0]}." if better else ""
    text = f"The numbers of {lead.name} in {unit} are not possible.{hint}"
    log.questions.append(Question(quantity, text, (lead.name,)))
    return False


def _cleaned(
    quantity: str, means: Floats, highest: Floats, missing: Counter[str]
) -> tuple[Floats, Floats]:
    """Without numbers that no running machine reports."""
    low, high = _RANGES[quantity]
    with np.errstate(invalid="ignore"):
        is_sentinel = np.isin(means, list(bounds.ABSENT_SENSOR)) & (quantity in ("temp_c", "ambient_c"))
        outside = ((means < low) | (means > high)) & ~is_sentinel
        is_peak = (highest > high) & ~outside
    if is_sentinel.any():
        missing["a number of an absent sensor"] += int(is_sentinel.sum())
    if outside.any():
        missing["outside the possible range"] += int(outside.sum())
    bad = is_sentinel | outside
    means = np.where(bad, np.nan, means)
    highest = np.where(bad | is_peak, means, highest)
    return means, highest
