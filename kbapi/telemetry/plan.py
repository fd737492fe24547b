"""How a log is read: its columns, units and times, decided on rows from all over it."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from kbapi import bounds
from kbapi.telemetry.cell_block import Floats
from kbapi.telemetry.cells import DAY_S, UNITS, Numbers, Times
from kbapi.telemetry.columns import Candidate, Quantity, Question, recognise
from kbapi.telemetry.log_file import Cells, Layout, LogFile
from kbapi.telemetry.words import unit_in, words_of

READ: Final[tuple[Quantity, ...]] = (
    "power_w",
    "clock_mhz",
    "temp_c",
    "ambient_c",
    "performance",
    "power_cap_w",
    "usage",
)
_TEMPERATURES: Final = ("temp_c", "ambient_c")
_MOST_COLUMNS: Final = 512
"""Columns that are read of a log; of cores there are no more."""


@dataclass(frozen=True)
class _Kind:
    """What numbers of a quantity can be."""

    kind: str
    low: float
    """What a running machine can report; anything else counts as missing."""
    high: float
    usual_low: float
    """Where the upper end of a log lies. A unit that puts it elsewhere is a question."""
    usual_high: float
    to_try: tuple[str, ...] = ()


_KINDS: Final[dict[Quantity, _Kind]] = {
    "power_w": _Kind("w", 0.05, bounds.MOST_POWER_W, 1.5, 800, ("w", "mw", "µw")),
    "power_cap_w": _Kind("w", 0.5, bounds.MOST_POWER_W, 1.5, 1_000, ("w", "mw", "µw")),
    "clock_mhz": _Kind(
        "mhz",
        bounds.CLOCK_LEAST_MHZ,
        bounds.CLOCK_MOST_MHZ,
        300,
        8_000,
        ("mhz", "ghz", "khz", "hz"),
    ),
    "temp_c": _Kind("c", 1, bounds.HOTTEST_C, 30, 106, ("°c", "m°c", "dk")),
    "ambient_c": _Kind("c", bounds.COLDEST_C, bounds.HOTTEST_ROOM_C, 5, 45, ("°c", "m°c", "dk")),
    "performance": _Kind("1/s", 1e-9, 1e12, 1e-9, 1e12),
    "usage": _Kind("%", 0, 100.5, 0, 100.5),
    "throttle": _Kind("%", 0, 100.5, 0, 100.5),
}
_HOTTEST_HOTSPOT_C: Final = 116
_UPPER: Final = 99.0
"""The percentile that stands for the load: it may be a small part of a log."""
_CONSTANT: Final = 0.98
"""A sensor that shows the same so often is constant; a few rows are faults."""
_SAME: Final = 0.005
"""Two columns are the same if they differ by no more than this share in the mean."""


@dataclass(frozen=True)
class Channel:
    """Columns of a log that are one quantity, and how their cells become numbers."""

    quantity: Quantity
    columns: tuple[Candidate, ...]
    unit: str
    reasons: tuple[str, ...]
    numbers: tuple[Numbers, ...]
    missing: Counter[str] = field(default_factory=Counter)
    """Cells that are left out, by reason."""

    @property
    def lead(self) -> Candidate:
        """The first column, which stands for all of them."""
        return self.columns[0]

    def read(self, cells: Sequence[Cells]) -> tuple[Floats, Floats]:
        """The value of each row, and the highest of its columns; NaN where there is none."""
        read = zip(self.numbers, cells, strict=True)
        values = np.column_stack([self._clean(one.of(column)) for one, column in read])
        if values.shape[1] == 1:
            return values[:, 0], values[:, 0]
        if self.quantity in ("power_w", "power_cap_w"):  # of all cores together
            return values.sum(axis=1), values.sum(axis=1)
        present = ~np.isnan(values)
        count = present.sum(axis=1)
        total = np.where(present, values, 0.0).sum(axis=1)
        highest = np.where(present, values, -np.inf).max(axis=1)
        is_there = count > 0
        mean = np.where(is_there, total / np.maximum(count, 1), np.nan)
        return mean, np.where(is_there, highest, np.nan)

    def _clean(self, values: Floats) -> Floats:
        """The values without those that no running machine reports."""
        kind = _KINDS[self.quantity]
        is_absent = _is_absent(self.quantity, self.unit, values)
        is_outside = ((values < kind.low) | (values > kind.high)) & ~is_absent
        if is_absent.any():
            self.missing["a number of an absent sensor"] += int(is_absent.sum())
        if is_outside.any():
            self.missing["outside the possible range"] += int(is_outside.sum())
        values[is_absent | is_outside] = np.nan
        return values


def _is_absent(quantity: Quantity, unit: str, values: Floats) -> np.ndarray:
    if quantity not in _TEMPERATURES or unit not in ("°c", "c", "℃", "degc", ""):
        return np.zeros(len(values), bool)
    return np.isin(values, list(bounds.ABSENT_SENSOR))


@dataclass
class Plan:
    """What is read of a log, and what it does not tell."""

    channels: list[Channel] = field(default_factory=list)
    throttles: list[Channel] = field(default_factory=list)
    time: Candidate | None = None
    date: Candidate | None = None
    times: Times = field(default_factory=lambda: Times("."))
    seconds_of_number: float = 1.0
    """What a time counts that is a number alone."""
    questions: list[Question] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    unused: list[str] = field(default_factory=list)

    @property
    def columns(self) -> list[int]:
        """The places of all columns that are read: time, date, then those of the channels."""
        clocks = [one.index for one in (self.time, self.date) if one is not None]
        every = [*self.channels, *self.throttles]
        return clocks + [one.index for channel in every for one in channel.columns]


def plan_log(file: LogFile, given: Mapping[str, str], *, graphics: bool = False) -> Plan:
    """How to read a log. `given` has the columns that a person named, as `name` or `name:unit`.

    Raises
    ------
    LookupError
        When no column has a name that was given.
    """
    names, units = _split_units(given, file.layout.header)
    found = recognise(file.layout, names, graphics=graphics)
    survey = file.survey
    decimal = _decimal(file.layout.decimal, found, survey, units)
    plan = Plan()
    _find_times(plan, found, survey, decimal)
    if plan.time is not None:
        place = plan.time.index
        seconds = plan.times.of([row[place] for row in survey])
        survey = [row for row, at in zip(survey, seconds, strict=True) if not np.isnan(at)]
    chooser = _Chooser(plan, survey, decimal, units)
    for quantity in READ:
        chooser.choose(quantity, found.get(quantity, []))
        if quantity in READ[:3] and not _is_settled(plan, quantity):
            chooser.ask_for_unnamed(quantity, file.layout)
    for one in [one for group in found.get("throttle", []) for one in group][:64]:
        channel = _channel("throttle", [one], one.unit, decimal, ())
        values = channel.read([[row[one.index] for row in survey]])[0]
        if not np.isnan(values).all() and (one.unit == "%" or np.nanmax(values) <= 1):
            plan.throttles.append(channel)
    used = set(plan.columns)
    plan.unused = [name for place, name in enumerate(file.layout.header) if place not in used]
    return plan


def _is_settled(plan: Plan, quantity: Quantity) -> bool:
    return quantity in {
        *(one.quantity for one in plan.channels),
        *(one.quantity for one in plan.questions),
    }


def _split_units(
    given: Mapping[str, str], header: Sequence[str]
) -> tuple[dict[str, str], dict[str, str]]:
    names, units = {}, {}
    for quantity, text in given.items():
        name, _, unit = text.rpartition(":")
        if text not in header and name in header and unit.lower() in UNITS:
            names[quantity], units[quantity] = name, unit.lower()
        else:
            names[quantity] = text
    return names, units


def _channel(
    quantity: Quantity,
    columns: Sequence[Candidate],
    unit: str,
    decimal: str,
    reasons: tuple[str, ...],
) -> Channel:
    kind = _KINDS[quantity].kind
    numbers = tuple(Numbers(decimal, unit, kind) for _ in columns)
    return Channel(quantity, tuple(columns), unit, reasons, numbers)


class _Chooser:
    """Chooses the columns and the unit of each quantity by what the numbers can be."""

    def __init__(
        self, plan: Plan, survey: list[list[str]], decimal: str, units: Mapping[str, str]
    ) -> None:
        self._plan, self._survey, self._decimal, self._units = plan, survey, decimal, units

    def choose(self, quantity: Quantity, groups: list[list[Candidate]]) -> None:
        """Add the channel of a quantity to the plan, or a question."""
        usable = [group for group in groups[:16] if self._has_numbers(quantity, group)]
        if not usable:
            return
        best = usable[0][0].confidence
        surest = [group for group in usable if group[0].confidence == best]
        channels = [self._channel_of(quantity, group) for group in surest]
        kept = [one for one in channels if one is not None]
        if len(kept) < len(channels):
            return  # a question was asked
        first, *others = kept
        values = self._values(first)
        if all(_are_the_same(values, self._values(other)) for other in others):
            for other in others:
                self._plan.notes.append(f"{other.lead.name} tells the same as {first.lead.name}.")
            self._plan.channels.append(first)
            return
        text = f"Several columns may be {quantity}, and their numbers differ. Which one is it?"
        names = tuple(one.lead.name for one in kept)
        self._plan.questions.append(Question(quantity, text, names))

    def ask_for_unnamed(self, quantity: Quantity, layout: Layout) -> None:
        """Ask for columns that name the chip but not what they measure, if the numbers fit."""
        names = []
        for index, name in enumerate(layout.header):
            words = words_of(name)
            if (
                words
                and words <= {"chip", "package", "cores", "graphics"}
                and not layout.units[index]
            ):
                one = Candidate(index, name, quantity, unit_in(name, ""), 0.0, ())
                raw = _raw(self._survey, [one], quantity, self._decimal)
                if not one.unit and any(
                    _is_usual(quantity, to, raw, "") for to in _KINDS[quantity].to_try
                ):
                    names.append(name)
        if names:
            text = f"No name tells what these columns measure. Is one of them {quantity}?"
            self._plan.questions.append(Question(quantity, text, tuple(names)))

    def _values(self, channel: Channel) -> Floats:
        cells = [[row[one.index] for row in self._survey] for one in channel.columns]
        values = channel.read(cells)[0]
        channel.missing.clear()
        return values

    def _has_numbers(self, quantity: Quantity, group: list[Candidate]) -> bool:
        """Whether there are numbers, other than those that firmware invents."""
        raw = _raw(self._survey, group, quantity, self._decimal)
        raw = raw[~_is_absent(quantity, group[0].unit, raw)]
        if not len(raw) or (quantity == "temp_c" and not raw.any()):
            return False
        usual = float(np.median(raw))
        is_constant = len(raw) > 1 and np.mean(raw == usual) > _CONSTANT
        dummies = {*bounds.DUMMY_C, *(round(10 * (one + 273.15)) for one in bounds.DUMMY_C)}
        if quantity == "temp_c" and is_constant and round(usual, 2) in dummies:
            self._plan.notes.append(f"{group[0].name} is always {usual:g}: no sensor measures it.")
            return False
        return True

    def _channel_of(self, quantity: Quantity, group: list[Candidate]) -> Channel | None:
        lead, kind = group[0], _KINDS[quantity]
        unit, reasons = self._units.get(quantity) or lead.unit, lead.reasons
        is_given = quantity in self._units
        if kind.to_try:
            raw = _raw(self._survey, group, quantity, self._decimal)
            fits = [one for one in kind.to_try if _is_usual(quantity, one, raw, lead.scope)]
            if not unit and len(fits) == 1:
                unit = fits[0]
                reasons = (*reasons, f"only {unit} gives possible numbers")
            elif not unit or not (is_given or _is_usual(quantity, unit, raw, lead.scope)):
                self._ask(quantity, lead, unit, raw, fits)
                return None
            if UNITS[unit].kind == "c" and unit not in kind.to_try:
                self._plan.notes.append(f"{lead.name}: converted from {unit} to °C.")
        return _channel(quantity, group, unit, self._decimal, reasons)

    def _ask(
        self, quantity: Quantity, lead: Candidate, unit: str, raw: Floats, fits: list[str]
    ) -> None:
        raw = raw[~_is_absent(quantity, unit, raw)]
        upper = float(np.percentile(raw, _UPPER)) if len(raw) else 0.0
        if quantity in _TEMPERATURES and _is_usual(quantity, "°f", raw, lead.scope):
            fits = [*fits, "°f"]
        others = [one for one in fits if one != unit]
        hint = f" Is the unit {' or '.join(others)}? " if others else " "
        name = others[0] if others else "UNIT"
        written = f" {unit}" if unit else ""
        text = (
            f"{lead.name} goes up to {upper:g}{written}.{hint}"
            f"Name the unit: --column {quantity}='{lead.name}:{name}'."
        )
        self._plan.questions.append(Question(quantity, text, (lead.name,)))


def _raw(
    survey: list[list[str]], group: Sequence[Candidate], quantity: Quantity, decimal: str
) -> Floats:
    """The numbers of all columns of a group, in the unit of the column."""
    found = []
    for one in group[:8]:
        unit = UNITS.get(one.unit)
        numbers = Numbers(decimal, one.unit, _KINDS[quantity].kind)
        values = numbers.of(row[one.index] for row in survey)
        found.append(values if unit is None else (values - unit.offset) / unit.factor)
    values = np.concatenate(found)
    return np.round(values[~np.isnan(values)], 9)


def _is_usual(quantity: Quantity, unit: str, raw: Floats, scope: str) -> bool:
    """Whether the upper end of numbers is what the quantity usually comes to, in this unit."""
    kind, found = _KINDS[quantity], UNITS[unit]
    raw = raw[~_is_absent(quantity, unit, raw)]
    values = raw * found.factor + found.offset
    inside = values[(values >= kind.low) & (values <= kind.high)]
    if 2 * len(inside) < np.count_nonzero(raw) or not len(inside):
        return False
    highest = _HOTTEST_HOTSPOT_C if scope == "hotspot" else kind.usual_high
    return bool(kind.usual_low <= np.percentile(inside, _UPPER) <= highest)


def _are_the_same(one: Floats, other: Floats) -> bool:
    both = ~np.isnan(one) & ~np.isnan(other)
    if both.sum() < 3:
        return False
    first, second = one[both], other[both]
    return bool(abs(first - second).mean() <= _SAME * abs(first).mean())


def _decimal(
    written: str,
    found: Mapping[Quantity, list[list[Candidate]]],
    survey: list[list[str]],
    units: Mapping[str, str],
) -> str:
    """The decimal sign with which more quantities have usual numbers; else that of the layout."""

    def fitting(decimal: str) -> Iterator[bool]:
        for quantity, groups in found.items():
            kind = _KINDS.get(quantity)
            if kind is not None and kind.to_try:
                unit = units.get(quantity) or groups[0][0].unit
                raw = _raw(survey, groups[0], quantity, decimal)
                tried = (unit,) if unit else kind.to_try
                yield any(_is_usual(quantity, one, raw, groups[0][0].scope) for one in tried)

    other = "," if written == "." else "."
    return other if sum(fitting(other)) > sum(fitting(written)) else written


def _find_times(
    plan: Plan,
    found: Mapping[Quantity, list[list[Candidate]]],
    survey: list[list[str]],
    decimal: str,
) -> None:
    """Put the columns of the time and of the date into a plan, and how they are read."""
    plan.times = Times(decimal)
    named = [group[0] for group in (*found.get("time", ()), *found.get("date", ()))]
    clocks = [one for one in named if _share_of_times(survey, one, decimal) >= 0.5]
    with_clock = [one for one in clocks if any(":" in row[one.index] for row in survey[:5])]
    dates = [one for one in clocks if one not in with_clock and _has_dates(survey, one)]
    numbers = [one for one in clocks if one not in with_clock and one not in dates]
    if with_clock:
        plan.time = with_clock[0]
        has_date = plan.times.seconds(survey[0][plan.time.index]) > 100 * DAY_S
        plan.date = dates[0] if dates and not has_date else None
    elif numbers:
        plan.time = numbers[0]
        plan.seconds_of_number = _seconds_of_number(plan, numbers[0], survey)
    else:
        text = "No column is a time: rows are taken to be one second apart."
        plan.questions.append(Question("time", text))
        return
    plan.times = Times(decimal, month_first=_is_month_first(plan, survey, decimal))


def _share_of_times(survey: list[list[str]], one: Candidate, decimal: str) -> float:
    cells = [row[one.index] for row in survey]
    orders = (Times(decimal, month_first=month_first).of(cells) for month_first in (False, True))
    return max(float(np.mean(~np.isnan(seconds))) for seconds in orders) if cells else 0.0


def _has_dates(survey: list[list[str]], one: Candidate) -> bool:
    return (
        Times(".").seconds(survey[0][one.index]) > 100 * DAY_S
        and not survey[0][one.index].strip().replace(".", "").isdigit()
    )


def _is_month_first(plan: Plan, survey: list[list[str]], decimal: str) -> bool:
    """Whether dates are written month, day, year: then they lie nearer together."""
    one = plan.date or plan.time
    if one is None:
        return False
    cells = [row[one.index] for row in survey]
    spans = []
    for month_first in (False, True):
        seconds = Times(decimal, month_first=month_first).of(cells)
        known = seconds[~np.isnan(seconds)]
        spans.append((np.isnan(seconds).sum(), np.ptp(known) if len(known) else 0.0))
    return spans[1] < spans[0]


_LONGEST_INTERVAL_S: Final = 90.0


def _seconds_of_number(plan: Plan, time: Candidate, survey: list[list[str]]) -> float:
    """What one counts in a column of times that are numbers: by its unit, or its usual step."""
    if time.unit and UNITS[time.unit].kind == "s":
        return UNITS[time.unit].factor
    values = plan.times.of([row[time.index] for row in survey[:_FIRST_ROWS]])
    steps = np.diff(values[~np.isnan(values)])
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
    if step < 1e-3:
        return DAY_S  # a spreadsheet counts days
    scale = next((one for one in (1.0, 1e-3, 1e-6, 1e-9) if step * one <= _LONGEST_INTERVAL_S), 1.0)
    if scale < 1:
        plan.notes.append(f"The time is taken to be in units of {scale:g} s.")
    return scale


_FIRST_ROWS: Final = 400
