"""`python -m kbapi.pages.pictures.drawing`: draws charts in a process of its own, until idle.

Only this file imports matplotlib, and only this process runs it: a worker would keep its memory.
"""

import io
import os
import re
import select
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, BinaryIO, Final, Literal
from xml.sax.saxutils import escape

import orjson

from kbapi.pages.pictures.chart import COST, HEAD, SEPARATOR

# ruff: noqa: E402 - matplotlib reads its folder when it is imported.
_FOLDER: Final = tempfile.TemporaryDirectory(prefix="kbapi-drawing-")
os.environ["MPLCONFIGDIR"] = _FOLDER.name

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

IDLE_S: Final = 300.0
"""The process ends after so long without a request; the next request starts another."""
WIDTH: Final = 600
"""Width of a page's picture in CSS pixels; text has 11 points or more at this width."""
PREVIEW_HEIGHT: Final = 315
_DPI: Final = 96
_PREVIEW_SCALE: Final = 2
_TEXT_PT: Final = 11.0
_TITLE_PT: Final = 14.0
_LINE, _TITLE_LINE, _KEY_LINE = 19, 24, 22
_PAD: Final = 12
_BASELINE: Final = 1.4
"""From the top of a line to its baseline, in CSS pixels for a point of text."""
_SAMPLE, _SMALL_SAMPLE = 28, 12
"""Width of the sample of a line and of a point in the key."""
_GAP: Final = 16
"""Between two entries of the key."""
_FONTS: Final = Path(__file__).parent / "fonts"

mpl.rcdefaults()
mpl.rcParams.update(
    {
        "svg.hashsalt": "kbapi",
        "svg.fonttype": "path",
        "text.parse_math": False,
        "path.snap": True,
    }
)


@dataclass(frozen=True, slots=True)
class _Theme:
    paper: str
    text: str
    quiet: str
    grid: str
    inks: dict[str, str]


# Okabe and Ito's set; on dark paper its light blue, and white for black.
_THEMES: Final = {
    "light": _Theme(
        "#ffffff",
        "#1a1a1a",
        "#595959",
        "#dddddd",
        {
            "tuned": "#0072B2",
            "stock": "#1a1a1a",
            "own": "#E69F00",
            "failure": "#D55E00",
            "start": "#1a1a1a",
            "faint": "#d0d0d0",
            "second": "#009E73",
            "third": "#CC79A7",
            "fourth": "#56B4E9",
        },
    ),
    "dark": _Theme(
        "#121416",
        "#ececec",
        "#b4b4b4",
        "#3a3d40",
        {
            "tuned": "#56B4E9",
            "stock": "#ececec",
            "own": "#E69F00",
            "failure": "#D55E00",
            "start": "#ececec",
            "faint": "#4a4d50",
            "second": "#009E73",
            "third": "#CC79A7",
            "fourth": "#F0E442",
        },
    ),
}
_DASHES: Final[dict[str, Any]] = {
    "solid": "-",
    "dashed": (0, (5, 2.5)),
    "dotted": (0, (1, 1.8)),
    "dashdot": (0, (6, 2, 1.2, 2)),
}
_MARKERS: Final = {
    "none": "",
    "disc": "o",
    "ring": "o",
    "square": "s",
    "diamond": "D",
    "triangle": "^",
    "cross": "x",
}


@cache
def _font(points: float, *, is_bold: bool) -> FontProperties:
    name = "OpenSans-Semibold.ttf" if is_bold else "OpenSans-Regular.ttf"
    return FontProperties(fname=str(_FONTS / name), size=points)


@cache
def _measure() -> RendererAgg:
    return RendererAgg(WIDTH, WIDTH, _DPI)


@cache
def width_of(text: str, points: float = _TEXT_PT, *, is_bold: bool = False) -> float:
    """The width of a text in CSS pixels."""
    font = _font(points, is_bold=is_bold)
    return float(_measure().get_text_width_height_descent(text, font, ismath=False)[0])


def wrapped(words: list[str], gap: str, most: float, points: float, *, is_bold: bool) -> list[str]:
    """The words in lines of at most so many CSS pixels, with `gap` between two words of a line."""
    lines: list[str] = []
    for word in words:
        longer = f"{lines[-1]}{gap}{word}" if lines else word
        if lines and width_of(longer, points, is_bold=is_bold) <= most:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


class Page:
    """One picture: places its parts from top to bottom, in CSS pixels."""

    def __init__(self, chart: dict[str, Any], theme: str, size: str) -> None:
        self._chart = chart
        self._theme = _THEMES[theme]
        self._is_preview = size == "preview"
        self._left = _PAD + self._widest_row()
        self._title = wrapped(
            chart["title"].split(), " ", WIDTH - 2 * _PAD, _TITLE_PT, is_bold=True
        )
        self._subtitle = self._subtitle_lines()
        self._keys = list(self._key_lines())
        self.height = PREVIEW_HEIGHT if self._is_preview else self._page_height()

    def figure(self) -> Figure:
        """The drawn picture."""
        figure = Figure(figsize=(WIDTH / _DPI, self.height / _DPI), dpi=_DPI)
        figure.set_facecolor(self._theme.paper)
        self._figure = figure
        top = float(_PAD)
        for line in self._title:
            self._write(_PAD, top, line, self._theme.text, _TITLE_PT, is_bold=True)
            top += _TITLE_LINE
        for line in self._subtitle:
            self._write(_PAD, top, line, self._theme.quiet)
            top += _LINE
        top += 6
        for marks in self._keys:
            self._draw_keys(marks, top)
            top += _KEY_LINE
        self._draw_panels(top + 6)
        self._write(_PAD, self.height - _PAD - _LINE + 3, self._chart["source"], self._theme.quiet)
        return figure

    def _subtitle_lines(self) -> list[str]:
        parts: list[str] = self._chart["subtitle"]
        lines = wrapped(parts, SEPARATOR, WIDTH - 2 * _PAD, _TEXT_PT, is_bold=False)
        return lines[:1] if self._is_preview else lines

    def _widest_row(self) -> float:
        labels = [label for panel in self._chart["panels"] for _, label in panel["y"]["ticks"]]
        has_label = any(panel["y"]["label"] for panel in self._chart["panels"])
        return max(map(width_of, labels), default=0.0) + 8 + (_LINE if has_label else 0)

    def _key_lines(self) -> Iterator[list[dict[str, Any]]]:
        line: list[dict[str, Any]] = []
        used = 0.0
        seen = {""}
        for panel in self._chart["panels"]:
            for mark in panel["marks"]:
                if mark["label"] in seen:
                    continue
                seen.add(mark["label"])
                width = _sample_of(mark) + 6 + width_of(mark["label"]) + _GAP
                if line and used + width > WIDTH - 2 * _PAD + _GAP:
                    yield line
                    line, used = [], 0.0
                line.append(mark)
                used += width
        if line:
            yield line

    def _head(self) -> float:
        lines = _TITLE_LINE * len(self._title) + _LINE * len(self._subtitle)
        return _PAD + lines + 6 + _KEY_LINE * len(self._keys) + 6

    def _below(self, panel: dict[str, Any]) -> float:
        """Height below the plot of a panel, with its ticks and its label."""
        ticks = _LINE + 4 if any(label for _, label in panel["x"]["ticks"]) else 4
        return ticks + (_LINE if panel["x"]["label"] else 0) + 6

    def _above(self, panel: dict[str, Any]) -> float:
        """Height above the plot of a panel, for the texts of its rules."""
        rows = {row for _, row in self._rule_texts(panel).values()}
        return 4 + _LINE * len(rows)

    def _rule_texts(self, panel: dict[str, Any]) -> dict[str, tuple[float, int]]:
        """The middle of each text above the plot, in CSS pixels, and its row from below."""
        plot = self._plot_width()
        left, right = panel["x"]["low"], panel["x"]["high"]
        ends: list[float] = []
        placed = {}
        for mark in sorted(panel["marks"], key=lambda one: abs(one["x"][0]) if one["x"] else 0.0):
            if mark["shape"] != "rule" or not mark["text"]:
                continue
            half = width_of(mark["text"], is_bold=True) / 2
            middle = (mark["x"][0] - left) / (right - left) * plot
            middle = min(max(middle, half - self._left + _PAD), plot + 10 - half)
            free = (row for row, end in enumerate(ends) if end <= middle - half)
            row = next(free, len(ends))
            ends[row : row + 1] = [middle + half + 8]
            placed[mark["text"]] = (middle, row)
        return placed

    def _plot_width(self) -> float:
        return WIDTH - self._left - _PAD - 10

    def _page_height(self) -> int:
        panels: float = sum(
            panel["height"] + self._below(panel) + self._above(panel)
            for panel in self._chart["panels"]
        )
        return round(self._head() + panels + _LINE + _PAD + 4)

    def _draw_panels(self, top: float) -> None:
        panels = self._chart["panels"]
        around = sum(self._below(panel) + self._above(panel) for panel in panels)
        room = self.height - top - around - _LINE - _PAD - 2
        wanted = sum(panel["height"] for panel in panels)
        for panel in panels:
            height = room * panel["height"] / wanted
            top += self._above(panel)
            self._draw_panel(panel, top, height)
            top += height + self._below(panel)

    def _draw_panel(self, panel: dict[str, Any], top: float, height: float) -> None:
        width = self._plot_width()
        axes = self._figure.add_axes(
            (
                self._left / WIDTH,
                1 - (top + height) / self.height,
                width / WIDTH,
                height / self.height,
            )
        )
        axes.set_facecolor(self._theme.paper)
        x, y = panel["x"], panel["y"]
        axes.set_xlim(x["low"], x["high"])
        axes.set_ylim(y["low"], y["high"])
        self._draw_frame(axes, panel)
        for mark in panel["marks"]:
            _DRAW[mark["shape"]](self, axes, mark)
        self._write_above(axes, panel)
        beside = y["label"]
        if width_of(beside) > height + _LINE:
            beside = beside.partition(",")[0]
        for axis, label in ((axes.xaxis, x["label"]), (axes.yaxis, beside)):
            axis.set_label_text(label, fontproperties=_font(_TEXT_PT, is_bold=False))
            axis.label.set_color(self._theme.text)

    def _draw_frame(self, axes: Axes, panel: dict[str, Any]) -> None:
        font = _font(_TEXT_PT, is_bold=False)
        for axis, ticks in ((axes.xaxis, panel["x"]["ticks"]), (axes.yaxis, panel["y"]["ticks"])):
            axis.set_ticks([place for place, _ in ticks])
            axis.set_ticklabels(
                [label for _, label in ticks], fontproperties=font, color=self._theme.text
            )
        axes.tick_params(length=0, pad=5)
        for side, spine in axes.spines.items():
            spine.set_visible(side == "bottom" and bool(panel["x"]["ticks"]))
            spine.set_color(self._theme.quiet)
            spine.set_linewidth(0.8)
        way: Literal["x", "both"] = "x" if panel["is_by_rows"] else "both"
        axes.grid(visible=True, axis=way, color=self._theme.grid, linewidth=0.8)
        axes.set_axisbelow(True)

    def _write(
        self,
        left: float,
        top: float,
        text: str,
        color: str,
        points: float = _TEXT_PT,
        *,
        is_bold: bool = False,
    ) -> None:
        baseline = top + points * _BASELINE
        font = _font(points, is_bold=is_bold)
        x, y = left / WIDTH, 1 - baseline / self.height
        self._figure.text(x, y, text, color=color, fontproperties=font, va="baseline")

    def _draw_keys(self, line: list[dict[str, Any]], top: float) -> None:
        left = float(_PAD)
        for mark in line:
            self._draw_sample(mark, left, top + _TEXT_PT * _BASELINE - 5)
            left += _sample_of(mark) + 6
            self._write(left, top, mark["label"], self._theme.text)
            left += width_of(mark["label"]) + _GAP

    def _draw_sample(self, mark: dict[str, Any], left: float, middle: float) -> None:
        figure, color, wide = self._figure, self.color(mark), _sample_of(mark) / WIDTH
        x, y, half = left / WIDTH, 1 - middle / self.height, 6 / self.height
        centre, shape = x + wide / 2, mark["shape"]
        if shape in ("band", "step_band", "zones"):
            box = Rectangle((x, y - half), wide, 2 * half, color=color)
            box.set(alpha=1.0 if shape == "zones" else _BAND_ALPHA, linewidth=0)
            figure.add_artist(box)
        elif shape == "sticks":
            ends = [y - half, y + half]
            figure.add_artist(Line2D([centre, centre], ends, color=color, linewidth=2.2))
        elif shape == "points":
            figure.add_artist(self.line(mark, [centre], [y]))
        else:
            line = self.line(mark, [x, x + wide], [y, y])
            line.set_marker("")
            figure.add_artist(line)
            figure.add_artist(self.line(mark, [centre], [y]))

    def color(self, mark: dict[str, Any]) -> str:
        """The colour of a mark on this paper."""
        return self._theme.inks[mark["ink"]]

    def line(self, mark: dict[str, Any], x: list[float], y: list[float]) -> Line2D:
        """A line with the dashes and markers of a mark."""
        color, is_faint = self.color(mark), mark["ink"] == "faint"
        has_line = mark["shape"] != "points" and len(x) > 1
        is_ring = mark["marker"] == "ring"
        return Line2D(
            x,
            y,
            color=color,
            linestyle=_DASHES[mark["dash"]] if has_line else "",
            linewidth=1.2 if is_faint else 2.0,
            marker=_MARKERS[mark["marker"]],
            markersize=7.0 if mark["ink"] != "own" else 9.0,
            markerfacecolor=self._theme.paper if is_ring else color,
            markeredgecolor=self._theme.text if mark["ink"] == "own" else color,
            markeredgewidth=1.4,
        )

    def draw_line(self, axes: Axes, mark: dict[str, Any]) -> None:
        """Draw a line through its points, or the points alone."""
        line = self.line(mark, mark["x"], mark["y"])
        if mark["shape"] == "steps":
            line.set_drawstyle("steps-post")
        axes.add_line(line)

    def draw_band(self, axes: Axes, mark: dict[str, Any]) -> None:
        """Fill between two lines."""
        step: Any = "post" if mark["shape"] == "step_band" else None
        axes.fill_between(
            mark["x"],
            mark["y"],
            mark["to"],
            step=step,
            color=self.color(mark),
            alpha=_BAND_ALPHA,
            linewidth=0,
        )

    def draw_bars(self, axes: Axes, mark: dict[str, Any]) -> None:
        """Draw an interval in each row, from `x` to `to`, without its dot."""
        for low, row, high in zip(mark["x"], mark["y"], mark["to"], strict=True):
            axes.add_line(
                Line2D(
                    [low, high],
                    [row, row],
                    color=self.color(mark),
                    linewidth=2.4,
                    linestyle=_DASHES[mark["dash"]],
                )
            )

    def draw_zones(self, axes: Axes, mark: dict[str, Any]) -> None:
        """Fill a part of each row, from `x` to `to`."""
        for low, row, high in zip(mark["x"], mark["y"], mark["to"], strict=True):
            zone = Rectangle((low, row - 0.36), high - low, 0.72, color=self.color(mark))
            zone.set(linewidth=0)
            axes.add_patch(zone)

    def draw_heading(self, axes: Axes, mark: dict[str, Any]) -> None:
        """Write the text of a group of rows, from the left edge of the picture on."""
        axes.annotate(
            mark["text"],
            ((_PAD - self._left) / self._plot_width(), mark["y"][0]),
            xycoords=axes.get_yaxis_transform(),
            va="center",
            annotation_clip=False,
            bbox={"facecolor": self._theme.paper, "edgecolor": "none", "pad": 1},
            color=self._theme.text,
            fontproperties=_font(_TEXT_PT, is_bold=True),
        )

    def draw_sticks(self, axes: Axes, mark: dict[str, Any]) -> None:
        """Draw a vertical stroke at each place, from `y` to `to`."""
        for place, low, high in zip(mark["x"], mark["y"], mark["to"], strict=True):
            axes.add_line(
                Line2D([place, place], [low, high], color=self.color(mark), linewidth=2.2)
            )

    def draw_rule(self, axes: Axes, mark: dict[str, Any]) -> None:
        """Draw a vertical line over the whole height, with its text above the plot."""
        (place,) = mark["x"]
        ends = mark["y"] or axes.get_ylim()
        width = 1.0 if mark["ink"] == "faint" else 2.0
        axes.add_line(
            Line2D(
                [place, place],
                list(ends),
                color=self.color(mark),
                linewidth=width,
                linestyle=_DASHES[mark["dash"]],
            )
        )

    def _write_above(self, axes: Axes, panel: dict[str, Any]) -> None:
        for text, (middle, row) in self._rule_texts(panel).items():
            axes.annotate(
                text,
                (middle / self._plot_width(), 1.0),
                xycoords="axes fraction",
                xytext=(0, 4 + row * _LINE * 72 / _DPI),
                textcoords="offset points",
                ha="center",
                va="baseline",
                color=self._theme.text,
                fontproperties=_font(_TEXT_PT, is_bold=True),
            )

    def draw_text(self, axes: Axes, mark: dict[str, Any]) -> None:
        """Write the text at its place."""
        axes.text(
            mark["x"][0],
            mark["y"][0],
            mark["text"],
            ha="center",
            va="center",
            color=self._theme.text,
            fontproperties=_font(_TEXT_PT, is_bold=False),
        )


def _sample_of(mark: dict[str, Any]) -> int:
    return _SMALL_SAMPLE if mark["shape"] in ("points", "sticks") else _SAMPLE


_BAND_ALPHA: Final = 0.25
_DRAW: Final = {
    "line": Page.draw_line,
    "steps": Page.draw_line,
    "points": Page.draw_line,
    "band": Page.draw_band,
    "step_band": Page.draw_band,
    "bars": Page.draw_bars,
    "zones": Page.draw_zones,
    "sticks": Page.draw_sticks,
    "rule": Page.draw_rule,
    "heading": Page.draw_heading,
    "text": Page.draw_text,
}


def drawn(request: dict[str, Any]) -> bytes:
    """The picture that a request describes: `chart`, `description`, `theme`, `size`, `scale`.

    The same request gives the same bytes everywhere. With `scale` 0 it is an SVG.
    """
    page = Page(request["chart"], request["theme"], request["size"])
    figure = page.figure()
    file = io.BytesIO()
    if request["scale"]:
        scale = request["scale"] * (_PREVIEW_SCALE if request["size"] == "preview" else 1)
        figure.set_dpi(_DPI * scale)
        canvas = FigureCanvasAgg(figure)
        canvas.print_png(file, metadata={"Software": None}, pil_kwargs={"compress_level": 6})
        return file.getvalue()
    nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    FigureCanvasSVG(figure).print_svg(file, metadata=nothing)
    return _plain_svg(file.getvalue().decode(), request["description"]).encode()


_UNUSED: Final = re.compile(
    r"<\?xml.*?\?>|<!DOCTYPE[^>]*>|<!--.*?-->|<style [^>]*>.*?</style>|<metadata>.*?</metadata>",
    re.DOTALL,
)
_STYLE: Final = re.compile(r' style="([^"]*)"')
_PATH: Final = re.compile(r' d="([^"]*)"')
_GLYPH: Final = re.compile(r' d="([^"]*)" transform="scale\(0.015625\)"')
_COARSER: Final = 8
"""A glyph needs no finer grid than an 800th of its size."""
_DECIMALS: Final = re.compile(r"(?<=\d\.\d\d)\d+")
_MOVED: Final = re.compile(r'transform="translate\(([-0-9.]+) 0\)"')


def _plain_svg(svg: str, description: str) -> str:
    """The SVG with attributes instead of styles, which a strict policy refuses, and a title.

    What draws nothing is left out.
    """
    svg = _STYLE.sub(_attributes, _UNUSED.sub("", svg))
    svg = _GLYPH.sub(_short_glyph, svg)
    svg = _PATH.sub(lambda path: f' d="{_short_path(path[1])}"', _DECIMALS.sub("", svg))
    svg = _MOVED.sub(r'x="\1"', svg)
    svg = re.sub(r'<g id="[^"]*"', "<g", re.sub(r">\s+<", "><", svg))
    svg = re.sub(r"<g/>|<defs></defs>", "", svg)
    svg = svg.replace("OpenSans-Semibold-", "b").replace("OpenSans-", "r")
    head, _, rest = svg.strip().partition(">")
    about = 'role="img" stroke-linejoin="round" stroke-linecap="butt"'
    return f"{head} {about}><title>{escape(description)}</title>{rest}"


def _attributes(style: re.Match[str]) -> str:
    pairs = (one.split(":", 1) for one in style[1].split(";") if one.strip())
    return "".join(f' {name.strip()}="{value.strip()}"' for name, value in pairs)


def _short_glyph(glyph: re.Match[str]) -> str:
    """The outline of a letter in steps from point to point, on a coarser grid."""
    x = y = 0
    begin = (0, 0)
    parts = []
    for command, numbers in re.findall(r"([MLQz])([^MLQz]*)", glyph[1]):
        places = [round(float(one) / _COARSER) for one in numbers.split()]
        ends = list(zip(places[::2], places[1::2], strict=True))
        steps = (f"{step:+d}" for end in ends for step in (end[0] - x, end[1] - y))
        parts.append(command.lower() + "".join(steps).replace("+", " ").lstrip())
        begin = ends[0] if command == "M" else begin
        x, y = ends[-1] if ends else begin
    # Without a zero before the dot: what shortens decimals later leaves it as it is.
    return f' d="{"".join(parts)}" transform="scale(.125)"'


def _short_path(path: str) -> str:
    return re.sub(r"\s*([A-Za-z])\s*", r"\1", path.strip())


def main() -> None:
    """Answer requests on standard input with pictures on standard output, until idle."""
    # The worker decides when this process ends: by closing the pipe, or by killing it.
    for one in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(one, signal.SIG_IGN)
    requests, answers = sys.stdin.buffer, sys.stdout.buffer
    while select.select([requests], [], [], IDLE_S)[0] and (head := requests.read(HEAD.size)):
        _answer(requests.read(*HEAD.unpack(head)), answers)


def _answer(request: bytes, answers: BinaryIO) -> None:
    begun = time.process_time()
    try:
        body, is_drawn = drawn(orjson.loads(request)), True
    except Exception as error:  # noqa: BLE001 - the worker logs it, and this process goes on
        body, is_drawn = f"{type(error).__name__}".encode(), False
    cost = COST.pack(time.process_time() - begun, is_drawn)
    answers.write(HEAD.pack(len(cost) + len(body)) + cost + body)
    answers.flush()


if __name__ == "__main__":
    main()
