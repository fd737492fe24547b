"""Cells of a log as numbers, units and times."""

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from typing import Final, NamedTuple

import numpy as np

from kbapi.telemetry.cell_block import ByteCells, Floats


class Unit(NamedTuple):
    """What a written unit measures, and how it is converted to the unit that kbapi uses."""

    kind: str
    factor: float = 1.0
    offset: float = 0.0


_FAHRENHEIT: Final = Unit("c", 1 / 1.8, -32 / 1.8)
UNITS: Final[dict[str, Unit]] = {
    "kw": Unit("w", 1e3),
    "w": Unit("w"),
    "mw": Unit("w", 1e-3),
    "µw": Unit("w", 1e-6),
    "uw": Unit("w", 1e-6),
    "ghz": Unit("mhz", 1e3),
    "mhz": Unit("mhz"),
    "khz": Unit("mhz", 1e-3),
    "hz": Unit("mhz", 1e-6),
    "v": Unit("mv", 1e3),
    "mv": Unit("mv"),
    "µv": Unit("mv", 1e-3),
    "uv": Unit("mv", 1e-3),
    "°c": Unit("c"),
    "℃": Unit("c"),
    "degc": Unit("c"),
    "c": Unit("c"),
    "°f": _FAHRENHEIT,
    "℉": _FAHRENHEIT,
    "degf": _FAHRENHEIT,
    "f": _FAHRENHEIT,
    "k": Unit("c", 1.0, -273.15),
    "dk": Unit("c", 0.1, -273.15),
    "m°c": Unit("c", 1e-3),
    "%": Unit("%"),
    "rpm": Unit("rpm"),
    "a": Unit("a"),
    "s": Unit("s"),
    "sec": Unit("s"),
    "ms": Unit("s", 1e-3),
    "µs": Unit("s", 1e-6),
    "us": Unit("s", 1e-6),
    "ns": Unit("s", 1e-9),
    "min": Unit("s", 60.0),
    "h": Unit("s", 3600.0),
    "fps": Unit("1/s"),
    "j": Unit("j"),
    "mj": Unit("j", 1e-3),
    "µj": Unit("j", 1e-6),
    "uj": Unit("j", 1e-6),
}
"""The units that are read, in small letters."""
_WRITTEN_OUT: Final = {
    "watt": "w",
    "watts": "w",
    "milliwatt": "mw",
    "milliwatts": "mw",
    "celsius": "°c",
    "fahrenheit": "°f",
    "volt": "v",
    "volts": "v",
    "percent": "%",
    "seconds": "s",
    "milliseconds": "ms",
    "вт": "w",
    "мвт": "mw",
    "ггц": "ghz",
    "мгц": "mhz",
}
_MISSING: Final = frozenset(
    {"", "-", "--", "—", "n/a", "na", "nan", "null", "none", "?", "n.a.", "inf", "-inf", "error"}
)
_NUMBER: Final = re.compile(
    r"\s*([-+−]?[\d.,'\u2019\u00a0\u202f ]*\d(?:[eE][-+]?\d+)?[.,]?)\s*(\D{0,12})\s*"
)
_YES: Final = frozenset({"yes", "true", "on", "ja", "oui", "sí", "si", "sì", "tak", "да", "是"})
_NO: Final = frozenset({"no", "false", "off", "nein", "non", "nie", "нет", "否", "não", "nee"})
_MOST_REMEMBERED: Final = 32_768


def unit_of(text: str) -> str | None:
    """The unit that is written, in small letters, if it is known.

    A large M makes no other unit than a small one: mW and MW differ, but no chip takes a megawatt.

    >>> [unit_of(text) for text in ("MHz", " [°C]", "Watt", "furlong")]
    ['mhz', '°c', 'w', None]
    """
    plain = text.strip(" []()").replace("μ", "µ").replace("º", "°").lower().replace("° ", "°")
    plain = _WRITTEN_OUT.get(plain, plain)
    return plain if plain in UNITS else None


def number_in(cell: str, decimal: str) -> tuple[float, str]:
    """The number in a cell, NaN where there is none, and the text after it.

    The other sign is a thousands separator where three digits follow it each time. A single one
    that is followed by another number of digits is a decimal sign.

    >>> number_in("1.234,5 MHz", ","), number_in("45.2W", "."), number_in("n/a", ".")
    ((1234.5, 'MHz'), (45.2, 'W'), (nan, ''))
    >>> number_in("4600,0000", "."), number_in("4,600", "."), number_in("4,600", ",")
    ((4600.0, ''), (4600.0, ''), (4.6, ''))
    """
    text = cell.strip(' "\t')
    lowered = text.lower()
    if lowered in _MISSING:
        return np.nan, ""
    if lowered in _YES or lowered in _NO:
        return float(lowered in _YES), ""
    found = _NUMBER.fullmatch(text)
    if found is None:
        return np.nan, text
    digits = re.sub(r"['\u2019\u00a0\u202f ]", "", found[1]).replace("−", "-")
    other = "," if decimal == "." else "."
    if other in digits:
        if re.fullmatch(rf"[-+]?\d{{1,3}}(?:\{other}\d{{3}})+(?:\{decimal}\d*)?", digits):
            digits = digits.replace(other, "")
        elif digits.count(other) == 1 and decimal not in digits:
            decimal = other
        else:
            return np.nan, text
    try:
        return float(digits.replace(decimal, ".")), found[2].strip()
    except ValueError:
        return np.nan, text


class _Remembered(dict[str, float]):
    """What a function returns for texts that recur."""

    def __init__(self, function: Callable[[str], float]) -> None:
        super().__init__()
        self._function = function

    def __missing__(self, text: str) -> float:
        value = self[text] = self._function(text)
        return value


class Numbers(_Remembered):
    """The number of each cell of a column in the unit of kbapi; remembers cells that recur.

    A unit in a cell holds for that cell. A cell with a unit of another kind counts as missing.

    >>> Numbers(".", "w", "w").of(["45.2", "45200 mW", "71 °C"]).tolist()
    [45.2, 45.2, nan]
    """

    def __init__(self, decimal: str, unit: str, kind: str) -> None:
        super().__init__(self._read)
        self._decimal = decimal
        self._unit = UNITS[unit] if unit else Unit(kind)
        self._kind = kind

    def of(self, cells: Iterable[str] | ByteCells) -> Floats:
        """The numbers of cells."""
        if isinstance(cells, ByteCells):
            found = cells.numbers(self._decimal) * self._unit.factor + self._unit.offset
            return _completed(found, cells, self.of)
        found = np.array(list(map(self.__getitem__, cells)))
        if len(self) > _MOST_REMEMBERED:
            self.clear()
        return found

    def _read(self, cell: str) -> float:
        value, after = number_in(cell, self._decimal)
        unit = self._unit
        if after:
            written = unit_of(after)
            if written is None or UNITS[written].kind != self._kind:
                return np.nan
            unit = UNITS[written]
        value = value * unit.factor + unit.offset
        return value if np.isfinite(value) else np.nan


def _completed(found: Floats, cells: ByteCells, read: Callable[[Sequence[str]], Floats]) -> Floats:
    """The numbers found, and where there is none what the first of a run of equal cells reads."""
    is_open = np.isnan(found)
    if is_open.any():
        begins = cells.begins_of_runs()
        first = np.flatnonzero(begins & is_open)
        # Equal cells are open together.
        found[is_open] = read(cells.texts(first))[(np.cumsum(begins & is_open) - 1)[is_open]]
    return found


_DATE: Final = re.compile(r"(\d{1,4})[-./年](\d{1,2}|[^\W\d]{3,9}\.?)[-./月](\d{1,4})日?")
_CLOCK: Final = re.compile(
    r"(上午|下午|午前|午後)?\s*(\d{1,3}):(\d{1,2})(?::(\d{1,2}(?:[.,]\d+)?|\d{1,2}:\d{1,6}))?"
    r"\s*([APap]\.?[Mm]\.?)?"
)
_ZONE: Final = re.compile(r"\s*(?:Z|UTC|GMT|[+-]\d{2}:?\d{2})$")
_MONTHS: Final = {
    name: month
    for month, names in enumerate(
        (
            ("jan",),
            ("feb", "fév"),
            ("mar", "mär", "mrz"),
            ("apr", "avr"),
            ("may", "mai", "mei"),
            ("jun", "juin"),
            ("jul", "juil"),
            ("aug", "aoû"),
            ("sep",),
            ("oct", "okt"),
            ("nov",),
            ("dec", "dez", "déc"),
        ),
        1,
    )
    for name in names
}
_SECONDS: Final = re.compile(r"\d{1,2}(?:\.\d+)?")
_PLAIN: Final = re.compile(r"\d+(?:\.\d+)?", re.ASCII)
_FRACTION: Final = re.compile(r"([^:]*:[^:]*):(\d{1,2}\.\d+)(\D*)", re.ASCII)
DAY_S: Final = 86_400.0


def _seconds_alone(text: str) -> float:
    return float(text) if _SECONDS.fullmatch(text) else np.nan


class Times:
    """Texts as seconds, whatever the mix of formats; remembers each minute that it has read."""

    def __init__(self, decimal: str, *, month_first: bool = False) -> None:
        self._decimal = decimal
        self._month_first = month_first
        self._minutes = _Remembered(self._minute)
        self._rest = _Remembered(_seconds_alone)

    def of(self, cells: Sequence[str] | ByteCells, days: Sequence[str] | ByteCells = ()) -> Floats:
        """The seconds of each cell, after the days of another column, if given."""
        if isinstance(cells, ByteCells) and isinstance(days, ByteCells):
            found = self._of_runs(cells, days)
            is_open = np.flatnonzero(np.isnan(found))
            found[is_open] = self.of(cells.texts(is_open), days.texts(is_open))
            return found
        if isinstance(cells, ByteCells):
            found = self._of_runs(cells)
            is_number = np.isnan(found)
            found[is_number] = cells.numbers(self._decimal)[is_number]
            return _completed(found, cells, self.of)
        if days and not isinstance(days, ByteCells):
            cells = [f"{day} {time}" for time, day in zip(cells, days, strict=True)]
        return self._of_texts(cells)

    def _of_runs(self, cells: ByteCells, days: ByteCells | None = None) -> Floats:
        """The seconds of usual cells; the minute of cells that have it in common is read once."""
        seconds, tail, after = cells.seconds_after_minutes()
        begins = cells.begins_of_runs(tail)
        if days is not None:
            begins |= days.begins_of_runs()
        first = np.flatnonzero(begins)
        heads = [text.rpartition(":")[0] for text in cells.texts(first)]
        if days is not None:
            heads = [f"{day} {head}" for day, head in zip(days.texts(first), heads, strict=True)]
        minutes = np.array([self._minute(head, after) for head in heads])
        found: Floats = minutes[np.cumsum(begins) - 1] + seconds
        return found

    def _of_texts(self, texts: Sequence[str]) -> Floats:
        minutes, rest = self._minutes, self._rest
        parts = [text.rpartition(":") for text in texts]
        found = np.array([minutes[head] + rest[tail] for head, _, tail in parts])
        for place in np.flatnonzero(np.isnan(found)).tolist():
            found[place] = self.seconds(texts[place])
        for remembered in (minutes, rest):
            if len(remembered) > _MOST_REMEMBERED:
                remembered.clear()
        return found

    def _minute(self, head: str, after: str = "") -> float:
        return self.seconds(f"{head}:00{after}") if head.count(":") == 1 else np.nan

    def seconds(self, text: str) -> float:
        """Seconds since some moment, NaN where the text is no time.

        A time of day alone is below one day. A number alone is returned as it is.

        >>> times = Times(".")
        >>> times.seconds("01:00:00.5"), times.seconds("90"), times.seconds("Average")
        (3600.5, 90.0, nan)
        >>> times.seconds("2026-11-30T00:00:10Z") - times.seconds("29.11.2026 23:59:50")
        20.0
        """
        cleaned = text.strip(' "\t')
        if self._decimal == "." and _PLAIN.fullmatch(cleaned):
            return float(cleaned)
        if found := _FRACTION.fullmatch(cleaned):  # added to the minute, as for whole columns
            return self._minute(found[1], found[3]) + float(found[2])
        day, _, rest = re.sub(r"(?<=\d)T(?=\d)", " ", cleaned).partition(" ")
        if ":" not in cleaned:
            whole_day = self._day(day)
            if not np.isnan(whole_day):
                return whole_day * DAY_S if not rest else np.nan
            value, after = number_in(cleaned, self._decimal)
            return np.nan if after else value
        if ":" in day and not rest[:1].isdigit():
            return self._of_day(cleaned)
        if not day[:1].isdigit():  # a mark of the half day comes first
            return self._of_day(cleaned)
        if ":" in day:  # the time comes before the date
            marked, _, last = rest.rpartition(" ")
            day, rest = last, f"{day} {marked}"
        return self._day(day) * DAY_S + self._of_day(rest)

    def _of_day(self, text: str) -> float:
        found = _CLOCK.fullmatch(_ZONE.sub("", text.strip()).strip())
        if found is None:
            return np.nan
        before, hours, minutes, seconds, after = found.groups()
        hour = int(hours)
        if before or after:
            hour = hour % 12 + 12 * (before in ("下午", "午後") or (after or "")[:1] in ("p", "P"))
        second = (seconds or "0").replace(",", ".").replace(":", ".")
        return hour * 3600.0 + int(minutes) * 60.0 + float(second)

    def _day(self, text: str) -> float:
        found = _DATE.fullmatch(text)
        if found is None:
            return np.nan
        first, second, third = found.groups()
        named = _MONTHS.get(second[:3].lower()) or _MONTHS.get(second[:4].lower())
        if named is None and not second.isdigit():
            return np.nan
        month = named or int(second)
        year, day = int(third), int(first)
        if len(first) == 4:
            year, day = day, year
        elif named is None and self._month_first:
            month, day = day, month
        try:
            return float(date(year + (2000 if year < 100 else 0), month, day).toordinal())
        except ValueError:
            return np.nan
