"""A chart as plain data: what a picture draws and writes, made from the JSON of answers alone."""

import math
import struct
from dataclasses import dataclass, field
from typing import Final, Literal

HEAD: Final = struct.Struct("!I")
"""Before a request to the drawing process, and before its answer: the length of it."""
COST: Final = struct.Struct("!d?")
"""The first bytes of an answer: CPU seconds of the drawing, and whether it succeeded."""

Ink = Literal["tuned", "stock", "own", "failure", "start", "faint", "second", "third", "fourth"]
"""What a mark stands for; a theme gives each its colour."""
Shape = Literal[
    "line",
    "steps",
    "band",
    "step_band",
    "points",
    "bars",
    "zones",
    "sticks",
    "rule",
    "heading",
    "text",
]
Dash = Literal["solid", "dashed", "dotted", "dashdot"]
Marker = Literal["none", "disc", "ring", "square", "diamond", "triangle", "cross"]
Theme = Literal["light", "dark"]
Size = Literal["page", "preview"]


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing that is drawn in a panel, in the units of its axes.

    `to` has the other ends: of a band above `y`, of bars right of `x`, of sticks below `y`.
    """

    shape: Shape
    ink: Ink
    x: tuple[float, ...]
    y: tuple[float, ...] = ()
    to: tuple[float, ...] = ()
    dash: Dash = "solid"
    marker: Marker = "none"
    label: str = ""
    """What the mark is, in the key of the picture; empty where `text` says it or nothing need."""
    text: str = ""
    """What is written beside the mark."""


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis from its left or lower end to the other one; `low` may be the larger number."""

    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]
    label: str = ""


@dataclass(frozen=True, slots=True)
class Panel:
    """Axes with their marks; panels lie below each other."""

    x: Axis
    y: Axis
    marks: tuple[Mark, ...]
    height: int = 220
    """Height of the plot on a page, in CSS pixels; a preview divides what it has."""
    is_by_rows: bool = False
    """Whether the y axis has a row for each name: then it has no grid of its own."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture as data, with everything that its text alternative says."""

    title: str
    subtitle: tuple[str, ...]
    panels: tuple[Panel, ...]
    source: str
    rows: tuple[tuple[str, ...], ...] = field(default=())
    """The numbers of the picture as they are in the JSON, a line each, for the text alternative."""

    @property
    def description(self) -> str:
        """The finding with what it is about, in one line."""
        return f"{self.title}. {SEPARATOR.join(self.subtitle)}."

    @property
    def text(self) -> str:
        """The text alternative: the finding, what it is about, every number, the source."""
        head = [self.title, SEPARATOR.join(self.subtitle), ""]
        return "\n".join([*head, *map("  ".join, self.rows), "", self.source, ""])


SEPARATOR: Final = " \u00b7 "


@dataclass(frozen=True, slots=True)
class NothingToShow:
    """Why there is no picture."""

    text: str


def nice_ticks(end: float, other: float, most: int = 7) -> tuple[float, ...]:
    """Round numbers between two ends, at most about so many, zero among them where it fits.

    >>> nice_ticks(0.0, -147.5), nice_ticks(-0.8, 9.0, 5)
    ((-125.0, -100.0, -75.0, -50.0, -25.0, 0.0), (0.0, 2.5, 5.0, 7.5))
    """
    low, high = min(end, other), max(end, other)
    raw = max(high - low, 1e-9) / (most - 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(one * power for one in (1, 2, 2.5, 5, 10) if one * power >= raw * (1 - 1e-9))
    places = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return tuple(round(step * place, 6) + 0.0 for place in places)


def number(value: float) -> str:
    """A number as the JSON has it, without a fraction where it has none.

    >>> number(-103.52), number(0.0), number(75)
    ('-103.52', '0', '75')
    """
    return f"{value:.0f}" if float(value).is_integer() else repr(value)


def changes_only(x: tuple[float, ...], *series: tuple[float, ...]) -> tuple[tuple[float, ...], ...]:
    """The places where a step line changes, with the first and the last one.

    >>> changes_only((0, 1, 2, 3), (1.0, 1.0, 0.5, 0.5))
    ((0, 2, 3), (1.0, 0.5, 0.5))
    """
    last = len(x) - 1
    kept = [
        place
        for place in range(len(x))
        if place in (0, last) or any(one[place] != one[place - 1] for one in series)
    ]
    return tuple(tuple(one[place] for place in kept) for one in (x, *series))
