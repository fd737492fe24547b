"""The numbers of a log over time: one clean series for each quantity."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from kbapi.telemetry.cell_block import Floats
from kbapi.telemetry.cells import DAY_S
from kbapi.telemetry.columns import Question
from kbapi.telemetry.log_file import Cells, LogFile, UnreadableLog
from kbapi.telemetry.plan import Channel, Plan, plan_log

_MOST_POINTS: Final = 65_536
"""More rows than that are averaged in groups, so that memory has a bound."""
_GAP: Final = 5.0
"""A gap is longer than so many usual intervals."""


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
    unused: list[str]
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


def read_log(path: Path, given: Mapping[str, str], *, graphics: bool = False) -> Log:
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
    plan = plan_log(file, given, graphics=graphics)
    reader = _Rows(file, plan)
    every = [*plan.channels, *plan.throttles]
    points = _Points(1 + 2 * len(every))
    for lines, columns in file.chunks(plan.columns or [0]):
        points.add(reader.block(lines, columns))
    if not points.rows:
        raise UnreadableLog(f"No row of {path.name} has a time and a number.")
    return _log_of(file, plan, reader, points)


def _log_of(file: LogFile, plan: Plan, reader: "_Rows", points: _Points) -> Log:
    means, highest = points.finished()
    channels = len(plan.channels)
    every = channels + len(plan.throttles)
    notes = [*plan.notes, *reader.notes]
    notes += [
        f"The columns change at line {line}; they are found again by their names."
        for line in file.new_headers
    ]
    if points.of_a_point > 1:
        notes.append(f"{points.of_a_point} rows are averaged into one point.")
    seconds = means[:, 0] - means[0, 0]
    steps = np.diff(seconds)
    interval = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
    return Log(
        file.path,
        seconds,
        {
            one.quantity: _series(one, means[:, 1 + place], highest[:, 1 + every + place])
            for place, one in enumerate(plan.channels)
        },
        _throttled(plan, means[:, 1 + channels :]),
        plan.questions,
        list(dict.fromkeys(notes)),
        points.rows,
        points.of_a_point,
        file.dropped,
        file.dropped_lines,
        plan.unused,
        interval,
        int(np.sum(steps > _GAP * interval)),
    )


def _series(one: Channel, values: Floats, highest: Floats) -> Series:
    names = tuple(column.name for column in one.columns)
    lead = one.lead
    return Series(
        values, highest, names, one.unit, lead.confidence, one.reasons, lead.scope, one.missing
    )


def _throttled(plan: Plan, values: Floats) -> dict[str, Floats]:
    found: dict[str, Floats] = {}
    for place, one in enumerate(plan.throttles):
        share = np.nan_to_num(values[:, place]) / (100.0 if one.unit == "%" else 1.0)
        found[one.lead.scope] = np.maximum(found.get(one.lead.scope, 0.0), share)
    return found


class _Rows:
    """Rows of text as numbers, with a time that never goes back."""

    def __init__(self, file: LogFile, plan: Plan) -> None:
        self.notes: list[str] = []
        self._file, self._plan = file, plan
        self._shift = 0.0
        self._last = -np.inf
        self._count = 0

    def block(self, lines: Sequence[int], columns: Sequence[Cells]) -> Floats:
        """The rows that have a time: time, the value of each channel, the highest of each."""
        seconds, place = self._seconds(columns, len(lines))
        values, highest = [seconds], []
        for channel in (*self._plan.channels, *self._plan.throttles):
            width = len(channel.columns)
            value, most = channel.read(columns[place : place + width])
            values.append(value)
            highest.append(most)
            place += width
        block = np.column_stack([*values, *highest])
        has_no_time = np.isnan(seconds)
        has_no_number = np.isnan(block[:, 1:]).all(axis=1) & bool(highest)
        for row in np.flatnonzero(has_no_time | has_no_number).tolist():
            self._file.drop(lines[row], "has no time" if has_no_time[row] else "has no number")
        kept: Floats = block[~(has_no_time | has_no_number)]
        kept[:, 0] = self._forward(kept[:, 0])
        return kept

    def _seconds(self, columns: Sequence[Cells], count: int) -> tuple[Floats, int]:
        """The time of each row, and the number of columns that it took."""
        plan = self._plan
        if plan.time is None:
            self._count += count
            return np.arange(self._count - count, self._count, dtype=float), 0
        if plan.date is None:
            return plan.times.of(columns[0]) * plan.seconds_of_number, 1
        return plan.times.of(columns[0], columns[1]), 2

    def _forward(self, seconds: Floats) -> Floats:
        """Times after midnight get another day; a clock that was set back does not undo time."""
        if not len(seconds):
            return seconds
        moved = seconds + self._shift
        steps = np.diff(moved, prepend=self._last)
        forward = steps[(steps > 0) & np.isfinite(steps)]
        interval = float(np.median(forward)) if len(forward) else 1.0
        for place in np.flatnonzero(steps < 0).tolist():
            is_midnight = steps[place] < -DAY_S / 2 and seconds[place] < DAY_S / 2
            self._shift += DAY_S if is_midnight else interval - steps[place]
            moved[place:] = seconds[place:] + self._shift
            self.notes.append(
                "The log goes on after midnight."
                if is_midnight
                else "The clock was set back while the log was written."
            )
        self._last = float(moved[-1])
        return moved
