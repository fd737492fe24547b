"""Charts of rows: what tuning changed, and where a control is open."""

from collections.abc import Iterable, Mapping
from typing import Any, Final

from kbapi.advice.phrases import machines_text, percent
from kbapi.pages.pictures.chart import (
    Axis,
    Chart,
    Ink,
    Mark,
    Marker,
    NothingToShow,
    Panel,
    Size,
    nice_ticks,
    number,
)

Answer = Mapping[str, Any]
_ROW: Final = 24
"""Height of a row on a page, in CSS pixels."""
_MEASURES: Final = {
    "performance": "performance",
    "power": "power",
    "performance_per_watt": "performance / watt",
    "clock": "clock",
    "temperature": "temp., fan fixed",
    "temperature_free_fan": "temp., fan free",
    "loudness": "loudness",
}
_UNITS: Final = {None: "Change in %", "C": "Change in \u00b0C", "dB(A)": "Change in dB(A)"}
_OWN_MEASURES: Final = ("performance", "power", "performance_per_watt")


def gains_chart(gains: Answer, size: Size, source: str) -> Chart | NothingToShow:
    """What tuning changed, a row a measure: at equal power and at equal performance apart."""
    if not gains["by_load"]:
        return NothingToShow(gains["reason"]["text"])
    shown = max(gains["by_load"], key=lambda one: one["units"])
    groups = _groups(shown, has_own=bool(gains["own_changes"]))
    own = {one["measure"]: one["ratio"] for one in gains["own_changes"]}
    panels = tuple(
        panel
        for unit in (_UNITS if size == "page" else (None,))
        if (panel := _gain_panel(groups, unit, own)) is not None
    )
    if not panels:
        panels = tuple(
            panel for unit in _UNITS if (panel := _gain_panel(groups, unit, own)) is not None
        )[:1]
    headline = _headline(groups)
    condition = "one power limit" if shown["condition"] == "equal_power_limit" else "no power limit"
    return Chart(
        title=headline["text"].partition(" (")[0].rstrip("."),
        subtitle=(
            gains["chip"]["name"],
            f"{shown['load']}, {condition}",
            machines_text(shown["units"]),
            f"{percent(headline['attained_confidence'])} intervals",
        ),
        panels=panels,
        source=source,
        rows=tuple(_gain_rows(groups, gains["own_changes"])),
    )


def _groups(shown: Answer, *, has_own: bool) -> list[tuple[str, Answer]]:
    """The groups of machines that are shown, the plainest comparison first."""
    equal = [
        ("At equal power", shown["at_equal_power"]),
        ("At equal performance", shown["at_equal_performance"]),
    ]
    found = [(name, group) for name, group in equal if group is not None and group["gains"]]
    if has_own or not found:
        found.append(("All machines", shown["overall"]))
    return found


def _headline(groups: list[tuple[str, Answer]]) -> Answer:
    """The first change beyond the noise, else the first of all."""
    every: list[Answer] = [gain for _, group in groups for gain in group["gains"]]
    return next((gain for gain in every if gain["is_larger_than_noise"]), every[0])


def _change(gain: Answer, value: float) -> float:
    """A change in the unit of its row: a ratio as per cent more."""
    return round(100 * (value - 1), 2) if gain["kind"] == "ratio" else value


def _gain_panel(
    groups: list[tuple[str, Answer]], unit: str | None, own: Mapping[str, float]
) -> Panel | None:
    row = 0
    names: list[tuple[float, str]] = []
    marks: list[Mark] = []
    ends = [0.0]
    for name, group in groups:
        gains = [gain for gain in group["gains"] if gain["measure_unit"] == unit]
        if not gains:
            continue
        heading = f"{name}, {machines_text(group['units'])}"
        marks.append(Mark("heading", "stock", (), (float(row),), text=heading))
        for gain in gains:
            row += 1
            names.append((float(row), _MEASURES[gain["measure"]]))
            marks += _gain_marks(gain, float(row), own)
            ends += [_change(gain, end) for end in gain["interval"]]
            ends += [_change(gain, own[gain["measure"]])] if gain["measure"] in own else []
        row += 1
    if not names:
        return None
    low, high = _rounded_ends(ends)
    ticks = tuple((place, _signed(place)) for place in nice_ticks(low, high, 6))
    x = Axis(low, high, ticks, _UNITS[unit])
    marks.insert(0, Mark("rule", "stock", (0.0,)))
    # The grey zones lie under everything else.
    ordered = sorted(marks, key=lambda mark: mark.shape != "zones")
    return Panel(
        x, Axis(row - 0.4, -0.6, tuple(names)), tuple(ordered), _ROW * row, is_by_rows=True
    )


def _rounded_ends(ends: list[float]) -> tuple[float, float]:
    """The ends of an axis with room around zero and the farthest values."""
    widest = max(abs(end) for end in ends)
    room = max(0.08 * widest, 0.5)
    return min(ends) - room, max(ends) + room


def _signed(value: float) -> str:
    return number(value) if value <= 0 else f"+{number(value)}"


def _gain_marks(gain: Answer, row: float, own: Mapping[str, float]) -> Iterable[Mark]:
    low, high = (_change(gain, end) for end in gain["interval"])
    if gain["noise"] is not None:
        noise = 100 * gain["noise"] if gain["kind"] == "ratio" else gain["noise"]
        yield Mark("zones", "faint", (-noise,), (row,), (noise,), label="noise of single runs")
    yield Mark("bars", "tuned", (low,), (row,), (high,))
    is_larger = gain["is_larger_than_noise"]
    yield Mark(
        "points",
        "tuned",
        (_change(gain, gain["estimate"]),),
        (row,),
        marker="disc" if is_larger else "ring",
        label="beyond the noise" if is_larger else "within the noise, or too few to say",
    )
    if gain["measure"] in own:
        yield Mark(
            "points",
            "own",
            (_change(gain, own[gain["measure"]]),),
            (row,),
            marker="diamond",
            label="yours",
        )


def _gain_rows(
    groups: list[tuple[str, Answer]], own_changes: list[Answer]
) -> Iterable[tuple[str, ...]]:
    for name, group in groups:
        yield name, machines_text(group["units"])
        yield "measure", "estimate", "lower", "upper", "noise", "machines"
        for gain in group["gains"]:
            noise = "unknown" if gain["noise"] is None else number(gain["noise"])
            values = map(number, (gain["estimate"], *gain["interval"]))
            yield gain["measure"], *values, noise, number(gain["units"])
    for one in own_changes:
        yield "yours", one["measure"], number(one["ratio"])


_MOST_ROWS: Final[dict[Size, int]] = {"page": 14, "preview": 4}


def locks_chart(locks: Answer, size: Size, source: str) -> Chart | NothingToShow:
    """On what share of machines a control is open, by machine class and by firmware month."""
    if not locks["locks"]:
        return NothingToShow(locks["summary"])
    shown = max(locks["locks"], key=lambda one: one["units"])
    groups = [
        (name, shown[field])
        for name, field in (
            ("Machine class", "by_machine"),
            ("Firmware month", "by_firmware_month"),
        )
        if shown[field]
    ]
    control = f"{shown['control']} on {shown['domain']}"
    documented = locks["factory_lock"]["status"]
    return Chart(
        title=f"{control} can be set on {percent(shown['share_open'])} of machines",
        subtitle=(
            locks["chip"]["name"] if shown["level"] == "chip" else "Related chips",
            *(f"documented as {documented}" for _ in range(documented == "locked")),
            *(locks[name] for name in ("machine", "firmware_month") if locks[name]),
            machines_text(sum(one["units"] for one in shown["statuses"])),
            f"{percent(shown['confidence'])} intervals",
        ),
        panels=(_lock_panel(shown, groups, _MOST_ROWS[size]),),
        source=source,
        rows=tuple(_lock_rows(shown, groups)),
    )


def _lock_panel(shown: Answer, groups: list[tuple[str, list[Answer]]], most: int) -> Panel:
    whole = {"value": "all", "share_open": shown["share_open"], "interval": shown["interval"]}
    names = [(0.0, "all")]
    marks = [Mark("rule", "faint", (shown["share_open"],)), *_lock_marks(whole, 0.0, is_all=True)]
    row, left = 1, most
    for name, values in groups:
        kept = _most_reported(values, left)
        if not kept:
            break
        marks.append(Mark("heading", "stock", (), (float(row),), text=name))
        for value in kept:
            row += 1
            names.append((float(row), f"{value['value']} ({value['units']})"))
            marks += _lock_marks(value, float(row), is_all=False)
        row += 1
        left -= len(kept)
    ticks = tuple((share / 100, f"{share} %") for share in range(0, 101, 25))
    x = Axis(-0.02, 1.02, ticks, "Share of machines on which it can be set")
    y = Axis(row - 0.4, -0.6, tuple(names))
    return Panel(x, y, tuple(marks), _ROW * row, is_by_rows=True)


def _most_reported(values: list[Answer], most: int) -> list[Answer]:
    """The values with most machines, in their own order."""
    kept = sorted(values, key=lambda one: -one["units"])[: max(most, 0)]
    return [one for one in values if one in kept]


def _lock_marks(value: Answer, row: float, *, is_all: bool) -> Iterable[Mark]:
    low, high = value["interval"]
    ink: Ink = "stock" if is_all else "tuned"
    marker: Marker = "square" if is_all else "disc"
    yield Mark("bars", ink, (low,), (row,), (high,))
    yield Mark("points", ink, (value["share_open"],), (row,), marker=marker)


def _lock_rows(shown: Answer, groups: list[tuple[str, list[Answer]]]) -> Iterable[tuple[str, ...]]:
    yield shown["control"], shown["domain"]
    yield "all", *map(number, (shown["share_open"], *shown["interval"]))
    for name, values in groups:
        yield name, "share open", "lower", "upper", "machines"
        for one in values:
            numbers = one["share_open"], *one["interval"], one["units"]
            yield one["value"], *map(number, numbers)
