"""Cells of a log as numbers, units and times."""

import re
from collections.abc import Sequence
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

UNITS: Final[dict[str, tuple[str, float]]] = {
    "kw": ("w", 1e3),
    "w": ("w", 1.0),
    "mw": ("w", 1e-3),
    "µw": ("w", 1e-6),
    "uw": ("w", 1e-6),
    "ghz": ("mhz", 1e3),
    "mhz": ("mhz", 1.0),
    "khz": ("mhz", 1e-3),
    "hz": ("mhz", 1e-6),
    "v": ("mv", 1e3),
    "mv": ("mv", 1.0),
    "µv": ("mv", 1e-3),
    "uv": ("mv", 1e-3),
    "°c": ("c", 1.0),
    "℃": ("c", 1.0),
    "ºc": ("c", 1.0),
    "degc": ("c", 1.0),
    "c": ("c", 1.0),
    "°f": ("f", 1.0),
    "℉": ("f", 1.0),
    "ºf": ("f", 1.0),
    "degf": ("f", 1.0),
    "f": ("f", 1.0),
    "k": ("k", 1.0),
    "m°c": ("c", 1e-3),
    "%": ("%", 1.0),
    "rpm": ("rpm", 1.0),
    "s": ("s", 1.0),
    "sec": ("s", 1.0),
    "ms": ("s", 1e-3),
    "µs": ("s", 1e-6),
    "us": ("s", 1e-6),
    "ns": ("s", 1e-9),
    "min": ("s", 60.0),
    "h": ("s", 3600.0),
    "fps": ("1/s", 1.0),
    "j": ("j", 1.0),
    "mj": ("j", 1e-3),
    "µj": ("j", 1e-6),
    "uj": ("j", 1e-6),
}
"""The unit that numbers are converted to, and the factor, by the unit that is written."""

_MISSING: Final = frozenset(
    {"", "-", "--", "—", "n/a", "na", "nan", "null", "none", "?", "n.a.", "inf", "-inf", "error"}
)
_NUMBER: Final = re.compile(r"\s*([-+−]?[\d.,'\u00a0\u202f ]*\d(?:[eE][-+]?\d+)?[.,]?)\s*(\D{0,8})\s*")
_YES: Final = frozenset({"yes", "true", "on", "ja", "oui", "sí", "si", "sì", "tak", "да", "是"})
_NO: Final = frozenset({"no", "false", "off", "nein", "non", "nie", "нет", "否", "não", "nee"})


def unit_of(text: str) -> str | None:
    """The unit that is written, in small letters, if it is known.

    A large M makes no other unit than a small one: mW and MW differ, but no chip takes a megawatt.

    >>> [unit_of(text) for text in ("MHz", " [°C]", "Watt", "furlong")]
    ['mhz', '°c', 'w', None]
    """
    plain = text.strip(" []()").replace("μ", "µ").replace("º", "°").lower()
    plain = {"watt": "w", "watts": "w", "milliwatt": "mw", "celsius": "°c", "fahrenheit": "°f"}.get(
        plain, plain
    )
    plain = {"milliwatts": "mw", "seconds": "s", "volt": "v", "volts": "v", "percent": "%"}.get(
        plain, plain
    )
    return plain if plain in UNITS else None


def number_in(cell: str, decimal: str) -> tuple[float, str]:
    """The number in a cell, NaN where there is none, and the text after it.

    A thousands separator is recognised where the decimal sign is known: it is followed by three
    digits.

    >>> number_in("1.234,5 MHz", ","), number_in("45.2W", "."), number_in("n/a", ".")
    ((1234.5, 'MHz'), (45.2, 'W'), (nan, ''))
    """
    text = cell.strip().strip('"')
    lowered = text.lower()
    if lowered in _MISSING:
        return np.nan, ""
    if lowered in _YES or lowered in _NO:
        return float(lowered in _YES), ""
    found = _NUMBER.fullmatch(text)
    if found is None:
        return np.nan, text
    digits = re.sub(r"['\u00a0\u202f ]", "", found[1]).replace("−", "-")
    other = "," if decimal == "." else "."
    if other in digits:
        if not re.fullmatch(rf"[-+]?\d{{1,3}}(?:\{other}\d{{3}})+(?:\{decimal}\d*)?", digits):
            return np.nan, text
        digits = digits.replace(other, "")
    try:
        return float(digits.replace(decimal, ".")), found[2].strip()
    except ValueError:
        return np.nan, text


def numbers(cells: Sequence[str], decimal: str, scale_to: str | None) -> Floats:
    """The numbers of a column, NaN where a cell has none; a unit in a cell holds for that cell.

    With `scale_to`, a unit in a cell is converted to that one; a cell with a unit of another kind
    counts as missing.
    """
    try:
        plain = [cell.replace(",", ".") for cell in cells] if decimal == "," else cells
        found = np.fromiter(map(float, plain), float, len(cells))
    except ValueError:
        found = np.array([_scaled(cell, decimal, scale_to) for cell in cells])
    found[np.isinf(found)] = np.nan
    return found


def _scaled(cell: str, decimal: str, scale_to: str | None) -> float:
    value, after = number_in(cell, decimal)
    unit = unit_of(after) if after else None
    if unit is None or scale_to is None:
        return value if not after or unit is not None else np.nan
    kind, factor = UNITS[unit]
    wanted_kind, wanted_factor = UNITS[scale_to]
    if wanted_kind == "c" and kind in _TO_CELSIUS:
        value, kind, factor = _TO_CELSIUS[kind](value), "c", 1.0
    return value * factor / wanted_factor if kind == wanted_kind else np.nan


_TO_CELSIUS: Final = {"f": lambda value: (value - 32) / 1.8, "k": lambda value: value - 273.15}
_DATE: Final = re.compile(r"(\d{1,4})[-./年](\d{1,2}|[A-Za-z]{3,9})[-./月](\d{1,4})日?")
_CLOCK: Final = re.compile(
    r"(\d{1,3}):(\d{1,2})(?::(\d{1,2}(?:[.,]\d+)?|\d{1,2}:\d{1,6}))?\s*([APap]\.?[Mm]\.?)?"
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
_DAY_S: Final = 86_400.0


class Times:
    """Texts as seconds, whatever the mix of formats; remembers each date it has read."""

    def __init__(self, decimal: str, *, month_first: bool) -> None:
        self._decimal = decimal
        self._month_first = month_first
        self._days: dict[str, float] = {}

    def seconds(self, text: str) -> float:
        """Seconds since some moment, NaN where the text is no time.

        A time of day alone is below one day. A number alone is returned as it is.

        >>> times = Times(".", month_first=False)
        >>> times.seconds("01:00:00.5"), times.seconds("90"), times.seconds("Average")
        (3600.5, 90.0, nan)
        >>> times.seconds("2026-11-30T00:00:10Z") - times.seconds("29.11.2026 23:59:50")
        20.0
        """
        cleaned = text.strip().strip('"')
        day, _, rest = cleaned.replace("T", " ", 1).partition(" ")
        if ":" not in cleaned:
            whole_day = self._day(day)
            if not np.isnan(whole_day):
                return whole_day * _DAY_S if not rest else np.nan
            return number_in(cleaned, self._decimal)[0]
        if ":" in day and not rest[:1].isdigit():
            return self._of_day(cleaned)
        if ":" in day:  # the time comes before the date
            day, rest = rest, day
        return self._day(day) * _DAY_S + self._of_day(rest)

    def _of_day(self, text: str) -> float:
        plain = _ZONE.sub("", text.strip())
        found = _CLOCK.fullmatch(plain)
        if found is None:
            return np.nan
        hours = int(found[1])
        if found[4]:
            hours = hours % 12 + (12 if found[4][0] in "pP" else 0)
        seconds = (found[3] or "0").replace(",", ".").replace(":", ".")
        return hours * 3600.0 + int(found[2]) * 60.0 + float(seconds)

    def _day(self, text: str) -> float:
        if text not in self._days:
            if len(self._days) > 10_000:
                self._days.clear()
            self._days[text] = self._read_day(text)
        return self._days[text]

    def _read_day(self, text: str) -> float:
        found = _DATE.fullmatch(text)
        if found is None:
            return np.nan
        first, second, third = found.groups()
        month = _MONTHS.get(second[:3].lower()) or _MONTHS.get(second[:4].lower())
        if month is None and not second.isdigit():
            return np.nan
        if len(first) == 4:
            year, month, day = int(first), month or int(second), int(third)
        elif month is None and self._month_first:
            year, month, day = int(third), int(first), int(second)
        else:
            year, month, day = int(third), month or int(second), int(first)
        try:
            return float(date(year + (2000 if year < 100 else 0), month, day).toordinal())
        except ValueError:
            return np.nan
