"""The picture of one machine's own runs: before and after over time, with the differences."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Final, Literal

import numpy as np

from kbapi.pages.pictures.chart import Axis, Chart, Mark, Panel, Size, Theme, nice_ticks
from kbapi.telemetry.before_after import BeforeAfter, Change
from kbapi.telemetry.cell_block import Floats
from kbapi.telemetry.load_phase import smoothed
from kbapi.telemetry.reading import LogReading

_POINTS: Final = 200
_PANELS: Final = (("temp_c", "Temp. (°C)"), ("power_w", "Power (W)"), ("clock_mhz", "Clock (MHz)"))
_RIGHT: Final = 0.42
"""Width of the differences, as a share of the time axis."""
_HEIGHT: Final = 150
_SOURCE: Final = "One machine's own runs. Measured by its owner."


def chart_of_runs(
    result: BeforeAfter, stock: Sequence[LogReading], tuned: Sequence[LogReading]
) -> Chart:
    """The chart of runs at stock and tuned on one time axis."""
    sides = stock, tuned
    minutes = min(_minutes_of(one) for side in sides for one in side)
    names = [
        (name, label)
        for name, label in _PANELS
        if all(name in one.summaries for side in sides for one in side)
    ]
    panels = tuple(
        _panel(result, sides, name, label, minutes, is_last=place == len(names) - 1)
        for place, (name, label) in enumerate(names)
    )
    runs = "run" if len(stock) == 1 else "runs"
    subtitle = f"{len(stock)} {runs} at stock, {len(tuned)} tuned", "warm-up shown, not counted"
    rows = tuple((one.text,) for one in result.changes)
    return Chart(_title(result), subtitle, panels, _SOURCE, rows)


def picture_of_runs(chart: Chart, theme: Theme, size: Size, scale: int) -> bytes:
    """The picture as PNG, or as SVG with scale 0."""
    # It imports matplotlib, which only pictures need.
    from kbapi.pages.pictures.drawing import drawn

    return drawn(
        {
            "chart": asdict(chart),
            "description": chart.description,
            "theme": theme,
            "size": size,
            "scale": scale,
        }
    )


def _title(result: BeforeAfter) -> str:
    found = [one for one in result.changes if one.stands_out]
    shown = found[:2] if result.knows_noise else list(result.changes[:2])
    if not result.changes:
        return "The logs have no measure in common"
    if not shown:
        return "No difference stands out from noise"
    text = ", ".join(f"{one.name.lower()} {one.in_unit(one.change)}" for one in shown)
    return f"Tuned: {text}" if result.knows_noise else f"Tuned: {text}, noise unknown"


def _begin_of(one: LogReading) -> float:
    return one.phase.begins_s - one.phase.warm_up_s


def _minutes_of(one: LogReading) -> float:
    return (one.phase.ends_s - _begin_of(one)) / 60


def _panel(
    result: BeforeAfter,
    sides: tuple[Sequence[LogReading], Sequence[LogReading]],
    quantity: str,
    label: str,
    minutes: float,
    *,
    is_last: bool,
) -> Panel:
    grid = np.linspace(0, minutes, _POINTS)
    marks = [
        *_course(sides[0], quantity, grid, "stock"),
        *_course(sides[1], quantity, grid, "tuned"),
    ]
    values = [value for mark in marks for value in (*mark.y, *mark.to)]
    low, high = min(values), max(values)
    room = max(0.08 * (high - low), 0.01 * high)
    y_ticks = tuple((tick, f"{tick:g}") for tick in nice_ticks(low - room, high + room, 6))
    x_ticks = tuple((tick, f"{tick:g}" if is_last else "") for tick in nice_ticks(0, minutes, 6))
    # Lines of the grid end where time ends: the differences stand beside them.
    lines = [Mark("line", "faint", (0.0, minutes), (tick, tick)) for tick, _ in y_ticks]
    change = next((one for one in result.changes if one.quantity == quantity), None)
    if change is not None:
        marks += _difference(change, minutes, low, high)
    x = Axis(0, minutes * (1 + _RIGHT), x_ticks, "Minutes under load" if is_last else "")
    y = Axis(low - room, high + room, y_ticks, label)
    return Panel(x, y, (*lines, *marks), _HEIGHT, is_by_rows=True)


def _course(
    side: Sequence[LogReading], quantity: str, grid: Floats, ink: Literal["stock", "tuned"]
) -> Iterator[Mark]:
    """The mean of the runs of a side over time, and a band that holds all of them."""
    runs = np.stack([_on_grid(one, quantity, grid) for one in side])
    x, mean = tuple(grid.tolist()), tuple(runs.mean(axis=0).tolist())
    if len(side) > 1:
        low, high = tuple(runs.min(axis=0).tolist()), tuple(runs.max(axis=0).tolist())
        yield Mark("band", ink, x, low, high)
    is_first = quantity == _PANELS[0][0]
    label = f"{ink}, {'mean of runs' if len(side) > 1 else 'one run'}" if is_first else ""
    yield Mark("line", ink, x, mean, dash="dashed" if ink == "stock" else "solid", label=label)


def _on_grid(one: LogReading, quantity: str, grid: Floats) -> Floats:
    minutes = (one.log.seconds[: one.phase.last] - _begin_of(one)) / 60
    is_load = minutes >= 0
    width = max(1, round(60 * float(grid[1]) / max(one.log.interval_s, 1e-9)))
    values = smoothed(one.log.series[quantity].values[: one.phase.last][is_load], width)
    is_there = ~np.isnan(values)
    return np.interp(grid, minutes[is_load][is_there], values[is_there])


def _difference(change: Change, minutes: float, low: float, high: float) -> Iterator[Mark]:
    """The change and its interval, at the right of the time axis."""
    middle = minutes * (1 + _RIGHT / 2)
    lines = [change.in_unit(change.change)]
    if change.low is not None:
        low_end = change.in_unit(change.low).removesuffix(" °C").removesuffix(" %")
        lines.append(f"{low_end} to {change.in_unit(change.high)}")
    else:
        lines.append("noise unknown")
    yield Mark("rule", "faint", (minutes,))
    for place, text in enumerate(lines):
        y = high - (high - low) * (0.35 + 0.2 * place)
        yield Mark("text", "stock", (middle,), (y,), text=text)
