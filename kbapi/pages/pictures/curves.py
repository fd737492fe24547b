"""Charts of curves: stability over settings, power, longevity, and a search."""

from collections.abc import Iterable, Mapping
from typing import Any, Final

from kbapi.advice.phrases import (
    counted,
    domains_text,
    machines_text,
    percent,
    setting_in_short,
)
from kbapi.pages.pictures.chart import (
    Axis,
    Chart,
    Dash,
    Mark,
    NothingToShow,
    Panel,
    changes_only,
    nice_ticks,
    number,
)

Answer = Mapping[str, Any]
_FEWEST_SHOWN: Final = 5
_STICK: Final = 0.045
"""Length of the stroke of one failure, as a share."""
_LONGEST_STICK: Final = 3
_PERCENT_TICKS: Final = tuple((share / 100, f"{share} %") for share in range(0, 101, 25))


def setting_axis(control: str, deepest: float, clock_band_mhz: int | None) -> Axis:
    """The axis of settings: zero at the left, deeper to the right."""
    ticks = tuple((place, number(place)) for place in nice_ticks(deepest))
    label = {
        "voltage_offset": "Offset in mV, deeper to the right",
        "count_offset": "Offset in counts, deeper to the right",
        "fixed_clock_voltage": f"mV below your own stock voltage at {clock_band_mhz} MHz",
    }[control]
    return Axis(0.0, 1.02 * deepest, ticks, label)


def stability_chart(
    stability: Answer, start: Answer, own: float | None, source: str
) -> Chart | NothingToShow:
    """The share of machines that hold each setting, with the start and one's own setting."""
    own_units = stability["evidence"]["units"]
    has_own = stability["own_curve"] is not None and own_units >= _FEWEST_SHOWN
    curve = stability["own_curve"] if has_own else stability["borrowed_curve"]
    if curve is None:
        return NothingToShow(_too_few_units(stability, own_units))
    deepest = min(curve["setting"][-1], *([own] if own is not None else []), -1.0)
    marks = (
        *_curve_marks(curve, stability["confidence"], is_own=has_own),
        *_tick_marks(stability),
        *_start_mark(start),
        *_own_marks(curve, own, stability["control"]),
    )
    y = Axis(-0.24, 1.03, _PERCENT_TICKS)
    x = setting_axis(stability["control"], deepest, stability["clock_band_mhz"])
    return Chart(
        title=_stability_title(stability, has_own),
        subtitle=_stability_subtitle(stability, own_units, curve),
        panels=(Panel(x, y, marks, 250),),
        source=source,
        rows=tuple(_stability_rows(stability, start, own, curve)),
    )


def _too_few_units(stability: Answer, units: int) -> str:
    if units == 0:
        return str(stability["summary"])
    return f"The curve is shown from five machines on; so far {units}. Send yours."


def _stability_title(stability: Answer, has_own: bool) -> str:
    settings = {one["share"]: _typed(stability["control"], one) for one in stability["percentiles"]}
    half, most = settings.get(0.5), settings.get(0.9)
    units = stability["evidence"]["units"]
    who = f"{machines_text(units)}" if has_own else "machines like these"
    if half is None or most is None:
        return f"What share of {who} hold each setting"
    return f"Half of {who} hold {half}; 9 in 10 hold {most}"


def _typed(control: str, setting: Answer) -> str:
    value = (
        setting["setting_mv"] if setting["setting_mv"] is not None else setting["setting_counts"]
    )
    return setting_in_short(control, int(value))


def _stability_subtitle(stability: Answer, units: int, curve: Answer) -> tuple[str, ...]:
    evidence = stability["evidence"]
    borrowed = round(evidence["borrowed_units"])
    parts = [
        stability["chip"]["name"],
        domains_text(stability["domain"], stability["moved_with"]),
        *(f"{name} {value}" for name, value in stability["filters"].items()),
        machines_text(units) + (f", {borrowed} of related chips" if borrowed else ""),
    ]
    if evidence["latest_month"]:
        parts.append(f"up to {evidence['latest_month']}")
    return tuple(parts)


def _curve_marks(curve: Answer, confidence: float, *, is_own: bool) -> Iterable[Mark]:
    x, share, lower, upper = changes_only(
        *(tuple(curve[name]) for name in ("setting", "share", "lower", "upper"))
    )
    band = f"{percent(2 * confidence - 1)} band"
    label = "machines that hold it" if is_own else "expected from related chips"
    dash: Dash = "solid" if is_own else "dashed"
    yield Mark("steps", "tuned", x, share, dash=dash, label=label)
    yield Mark("step_band", "tuned", x, lower, upper, label=band)


def _tick_marks(stability: Answer) -> Iterable[Mark]:
    yield Mark("rule", "faint", (0.0,))
    if failed := stability["failed"]:
        lengths = [min(one["units"], _LONGEST_STICK) * _STICK for one in failed]
        yield Mark(
            "sticks",
            "failure",
            tuple(one["setting"] for one in failed),
            (-0.03,) * len(failed),
            tuple(-0.03 - length for length in lengths),
            label="failed here",
        )
    if stopped := stability["stopped"]:
        places = tuple(one["setting"] for one in stopped)
        level = (-0.03 - _LONGEST_STICK * _STICK,) * len(places)
        yield Mark("points", "stock", places, level, marker="ring", label="stopped, no failure")


def _start_mark(start: Answer) -> Iterable[Mark]:
    if (suggested := start["start"]) is not None:
        typed = setting_in_short(start["control"], suggested["value_to_enter"])
        yield Mark(
            "rule",
            "start",
            (float(suggested["value_to_enter"]),),
            (0.0, 1.03),
            text=f"start {typed}",
        )


def _own_marks(curve: Answer, own: float | None, control: str) -> Iterable[Mark]:
    if own is None:
        return
    share = next(
        (
            share
            for setting, share in zip(
                reversed(curve["setting"]), reversed(curve["share"]), strict=True
            )
            if setting >= own
        ),
        1.0,
    )
    yield Mark(
        "rule", "own", (own,), (0.0, 1.03), dash="dashdot", text=f"yours {_amount(control, own)}"
    )
    yield Mark("points", "own", (own,), (share,), marker="diamond")


def _amount(control: str, own: float) -> str:
    return f"{number(own)} {'counts' if control == 'count_offset' else 'mV'}"


def _stability_rows(
    stability: Answer, start: Answer, own: float | None, curve: Answer
) -> Iterable[tuple[str, ...]]:
    if (suggested := start["start"]) is not None:
        yield "start", number(suggested["value_to_enter"])
    if own is not None:
        yield "yours", number(own)
    yield "confidence", number(stability["confidence"])
    for one in stability["percentiles"]:
        value = one["setting_mv"] if one["setting_mv"] is not None else one["setting_counts"]
        yield "share", number(one["share"]), "setting", number(value)
    yield "setting", "share", "lower", "upper"
    columns = (curve[name] for name in ("setting", "share", "lower", "upper"))
    for row in zip(*columns, strict=True):
        yield tuple(map(number, row))
    for name in ("failed", "stopped"):
        for one in stability[name]:
            yield name, number(one["setting"]), counted(one["units"], "machine", "machines")
