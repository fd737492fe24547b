"""Which column of a log is what: rules about words and units, each with its confidence."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, get_args

from kbapi.telemetry.cells import UNITS
from kbapi.telemetry.log_file import Layout
from kbapi.telemetry.words import unit_in, words_of

Quantity = Literal[
    "time",
    "date",
    "power_w",
    "power_cap_w",
    "clock_mhz",
    "temp_c",
    "ambient_c",
    "performance",
    "usage",
    "throttle",
]
"""What a column can be. `usage` is the share of time that the chip works."""
QUANTITIES: Final[tuple[Quantity, ...]] = (
    "power_w",
    "clock_mhz",
    "temp_c",
    "ambient_c",
    "performance",
)
"""The quantities that a reading tells."""


@dataclass(frozen=True)
class Candidate:
    """A column that may be a quantity."""

    index: int
    name: str
    quantity: Quantity
    unit: str
    """As written; empty where no unit is written."""
    confidence: float
    reasons: tuple[str, ...]
    group: str = ""
    """Columns of one group are parts of the same thing, such as the cores of a chip."""
    scope: str = ""
    """Of power: what it is measured of. Of a temperature: the sensor. Of a clock: its kind."""


@dataclass(frozen=True)
class Question:
    """What the log does not tell, with the columns that it may be."""

    quantity: str
    text: str
    columns: tuple[str, ...] = ()


def candidates(layout: Layout, *, graphics: bool) -> list[Candidate]:
    """Every column that may be a quantity of the chip, or of the graphics chip."""
    found = []
    for index, name in enumerate(layout.header):
        words = words_of(name)
        unit = unit_in(name, layout.units[index])
        quantity = _quantity_of(words, unit)
        if quantity is None or _is_of_another_part(words, quantity, graphics=graphics):
            continue
        confidence, reasons = _confidence(words, quantity, unit, graphics=graphics)
        group = _group_of(name) if "cores" in words else ""
        scope = _scope_of(words, quantity, graphics=graphics)
        found.append(
            Candidate(index, name, quantity, unit, confidence, tuple(reasons), group, scope)
        )
    return found


def _quantity_of(words: frozenset[str], unit: str) -> Quantity | None:
    kind = UNITS[unit].kind if unit else ""
    is_limit = bool(words & {"cap", "throttle"}) and "highest" not in words
    if "throttle" in words and kind in ("", "%") and not (kind == "" and "power" in words):
        return "throttle"
    if kind == "w" or (kind == "" and "power" in words):
        return "power_cap_w" if is_limit else "power_w"
    if kind == "mhz" or (kind == "" and "clock" in words):
        return None if is_limit and "average" not in words else "clock_mhz"
    if kind == "c" or (kind == "" and "temp" in words and "time" not in words):
        return None if is_limit else ("ambient_c" if "ambient" in words else "temp_c")
    if kind == "1/s" or (kind == "" and "performance" in words):
        return "performance"
    if kind == "%" and "usage" in words:
        return "usage"
    if kind in ("", "s") and "time" in words:
        return "time"
    return "date" if kind == "" and "date" in words else None


def _is_of_another_part(words: frozenset[str], quantity: Quantity, *, graphics: bool) -> bool:
    if quantity in ("time", "date", "ambient_c", "performance"):
        return False
    if words & {"memory", "other_part"} and not words & {"package", "cores"}:
        return True
    if "voltage" in words and quantity not in ("throttle", "power_w"):
        return True
    return ("graphics" in words) != graphics


def _group_of(name: str) -> str:
    """The name with each number replaced: the cores of a chip differ in that only."""
    return re.sub(r"\d+", "#", name.lower())


def _scope_of(words: frozenset[str], quantity: Quantity, *, graphics: bool) -> str:
    if quantity == "power_w":
        if "wall" in words and "package" not in words:
            return "wall"
        if graphics:
            return "core" if "cores" in words and "package" not in words else "board"
        return "core" if "cores" in words and "package" not in words else "package"
    if quantity == "clock_mhz":
        return "effective" if "effective" in words else ""
    if quantity == "temp_c":
        if "hotspot" in words:
            return "hotspot"
        if "package" in words:
            return "package"
        if "cores" in words:
            return "core_maximum" if "highest" in words else "core_average"
        return "edge" if graphics else "package"
    if quantity == "throttle":
        if "thermal" in words:
            return "thermal"
        if "current" in words:
            return "current"
        if "power" in words or words & {"long", "short"}:
            return "short_term_power" if "short" in words else "long_term_power"
        return "other"
    return ""


def _confidence(
    words: frozenset[str], quantity: Quantity, unit: str, *, graphics: bool
) -> tuple[float, list[str]]:
    """How sure it is that the column is this quantity of the whole chip; and why."""
    score, reasons = 0.4, []
    if unit:
        score += 0.2
        reasons.append(f"unit {unit}")
    part = "graphics" if graphics else "chip"
    if part in words:
        score += 0.15
        reasons.append("names the chip")
    if "package" in words and quantity in ("power_w", "temp_c"):
        score += 0.2
        reasons.append("names the package")
    if quantity == "clock_mhz" and words & {"effective", "average"}:
        score += 0.1 + 0.05 * ("effective" in words)
        reasons.append("a mean or reached clock")
    if "cores" in words and quantity in ("power_w", "temp_c"):
        score -= 0.1
    if words & {"lowest", "highest"}:
        score -= 0.05 if quantity == "temp_c" and "highest" in words else 0.3
        reasons.append("an extreme, not the value of the moment")
    if "wall" in words:
        score -= 0.15
    return round(min(score, 1.0), 2), reasons


def recognise(
    layout: Layout, given: Mapping[str, str], *, graphics: bool = False
) -> dict[Quantity, list[list[Candidate]]]:
    """The columns that may be each quantity, surest first, or the one that was `given` by name.

    Columns that differ only in a number, such as those of the cores of a chip, are one entry.

    Raises
    ------
    LookupError
        When no column has a name that was given.
    """
    groups: dict[tuple[Quantity, str], list[Candidate]] = {}
    for one in candidates(layout, graphics=graphics):
        if one.quantity not in given:
            groups.setdefault((one.quantity, one.group or str(one.index)), []).append(one)
    found: dict[Quantity, list[list[Candidate]]] = {}
    for (quantity, _), group in groups.items():
        found.setdefault(quantity, []).append(group)
    for every in found.values():
        every.sort(key=lambda group: -group[0].confidence)
    for quantity in get_args(Quantity):
        if quantity in given:
            found[quantity] = [[_given(layout, quantity, given[quantity], graphics=graphics)]]
    return found


def _given(layout: Layout, quantity: Quantity, name: str, *, graphics: bool) -> Candidate:
    if name not in layout.header:
        raise LookupError(name)
    index = layout.header.index(name)
    scope = _scope_of(words_of(name), quantity, graphics=graphics)
    unit = unit_in(name, layout.units[index])
    return Candidate(index, name, quantity, unit, 1.0, ("given",), "", scope)
