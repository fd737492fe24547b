"""Charts of curves: stability over settings, power, longevity, and a search."""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from kbapi.advice.phrases import (
    amount_text,
    chance_text,
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
    Ink,
    Mark,
    Marker,
    NothingToShow,
    Panel,
    Size,
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
    ticks = tuple((place, number(place)) for place in nice_ticks(0.0, deepest))
    label = {
        "voltage_offset": "Offset in mV, deeper to the right",
        "count_offset": "Offset in counts, deeper to the right",
        "fixed_clock_voltage": f"mV against your own stock voltage at {clock_band_mhz} MHz",
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
        subtitle=_stability_subtitle(stability, start),
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
    # Once says against what.
    return f"Half of {who} hold {half}; 9 in 10 hold {most.removesuffix(' below stock')}"


def _typed(control: str, setting: Answer) -> str:
    value = (
        setting["setting_mv"] if setting["setting_mv"] is not None else setting["setting_counts"]
    )
    return setting_in_short(control, int(value))


def _stability_subtitle(stability: Answer, start: Answer) -> tuple[str, ...]:
    evidence, suggested = stability["evidence"], start["start"]
    borrowed = round(evidence["borrowed_units"])
    related = f", {borrowed} of related chips" if borrowed else ""
    loads = start["meaning"]["loads"] if start["meaning"] else []
    parts = (
        stability["chip"]["name"],
        machines_text(evidence["units"]) + related,
        domains_text(stability["domain"], stability["moved_with"]),
        *(f"{name} {value}" for name, value in stability["filters"].items()),
        _loads_text(loads),
        f"start with {percent(suggested['confidence'])} confidence" if suggested else "",
        f"up to {evidence['latest_month']}" if evidence["latest_month"] else "",
    )
    return tuple(filter(None, parts))


def _loads_text(loads: Sequence[str]) -> str:
    """The load classes behind a start; empty without any."""
    if len(loads) > _MOST_LOADS:
        return f"{len(loads)} load classes"
    return f"under {', '.join(loads)}" if loads else ""


_MOST_LOADS: Final = 2


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


def power_chart(power: Answer, source: str) -> Chart | NothingToShow:
    """Performance over the power limit, at stock and tuned, with the limits that keep enough."""
    curves = {state: power[state] for state in _STATES if power[state] is not None}
    if not curves:
        return NothingToShow(power["reason"]["text"])
    points = [point for curve in curves.values() for point in curve["points"]]
    marks = [Mark("rule", "faint", (1.0,))]
    for state, curve in curves.items():
        marks += _power_marks(state, curve)
    x = _share_axis([point["power_share"] for point in points], "Power limit, share of stock power")
    ends = [end for point in points for end in point["interval"]]
    y = _share_axis(ends, "Performance, share of stock")
    marks.insert(1, Mark("line", "faint", (x.low, x.high), (power["keep_share"],) * 2))
    marks += _own_limit_marks(power["at_limit"])
    return Chart(
        title=_power_title(power, curves),
        subtitle=(
            power["chip"]["name"],
            power["load"],
            machines_text(power["units"]),
            f"{percent(power['confidence'])} intervals",
            f"stock takes {number(power['stock_power_w']['value'])} W",
        ),
        panels=(Panel(x, y, tuple(marks), 250),),
        source=source,
        rows=tuple(_power_rows(power, curves)),
    )


def _share_axis(shares: list[float], label: str) -> Axis:
    """An axis of shares in tens of per cent, from below the smallest to above the largest."""
    low, high = math.floor(10 * min(shares)) / 10, math.ceil(10 * max(shares)) / 10
    ticks = range(round(10 * low), round(10 * high) + 1)
    return Axis(low - 0.01, high + 0.01, tuple((one / 10, f"{one * 10} %") for one in ticks), label)


def _power_marks(state: Ink, curve: Answer) -> Iterable[Mark]:
    points = curve["points"]
    x = tuple(point["power_share"] for point in points)
    low, high = (tuple(point["interval"][end] for point in points) for end in (0, 1))
    y = tuple(point["performance_share"] for point in points)
    dash: Dash = "dashed" if state == "stock" else "solid"
    marker: Marker = "square" if state == "stock" else "disc"
    yield Mark("band", state, x, low, high)
    yield Mark("line", state, x, y, dash=dash, marker=marker, label=_STATE_LABELS[state])
    if (limit := curve["smallest_limit"]) is not None:
        text = f"{state} {number(limit['limit_w']['value'])} W"
        yield Mark("rule", state, (limit["power_share"]["value"],), dash=dash, text=text)


_STATES: Final[tuple[Ink, ...]] = ("stock", "tuned")
_STATE_LABELS: Final = {"stock": "stock voltage", "tuned": "tuned"}


def _own_limit_marks(at_limit: Answer | None) -> Iterable[Mark]:
    if at_limit is None or at_limit["power_share"] is None:
        return
    share = at_limit["power_share"]
    yield Mark(
        "rule", "own", (share,), dash="dashdot", label=f"yours {number(at_limit['limit_w'])} W"
    )
    kept = [at_limit[f"{state}_performance"] for state in ("stock", "tuned")]
    values = tuple(one["value"] for one in kept if one is not None)
    if values:
        yield Mark("points", "own", (share,) * len(values), values, marker="diamond")


def _power_title(power: Answer, curves: Mapping[Ink, Answer]) -> str:
    kept = percent(power["keep_share"])
    limits = {
        state: f"{number(curve['smallest_limit']['limit_w']['value'])} W"
        for state, curve in curves.items()
        if curve["smallest_limit"] is not None
    }
    if "tuned" in limits and "stock" in limits:
        return (
            f"Tuned, {limits['tuned']} keeps {kept} of performance; stock needs {limits['stock']}"
        )
    if limits:
        ((state, limit),) = limits.items()
        return f"{_STATE_LABELS[state].capitalize()}: {limit} keeps {kept} of performance"
    return "What a lower power limit costs in performance"


def _power_rows(power: Answer, curves: Mapping[Ink, Answer]) -> Iterable[tuple[str, ...]]:
    yield "share to keep", number(power["keep_share"])
    yield "stock power (W)", *_with_interval(power["stock_power_w"])
    for state, curve in curves.items():
        yield state, machines_text(curve["units"])
        if (limit := curve["smallest_limit"]) is not None:
            yield "smallest limit (W)", *_with_interval(limit["limit_w"])
            yield "as a share of stock power", *_with_interval(limit["power_share"])
        yield "power share", "power (W)", "performance share", "lower", "upper"
        for point in curve["points"]:
            named = (point[name] for name in ("power_share", "power_w", "performance_share"))
            yield tuple(map(number, (*named, *point["interval"])))
    if (at_limit := power["at_limit"]) is not None:
        yield "your limit (W)", number(at_limit["limit_w"])
        for name in ("stock_performance", "tuned_performance", "gain"):
            if at_limit[name] is not None:
                yield name.replace("_", " "), *_with_interval(at_limit[name])


def _with_interval(value: Answer) -> tuple[str, ...]:
    return tuple(map(number, (value["value"], *value["interval"])))


_MARGIN_LOOKS: Final[tuple[tuple[Ink, Dash, Marker], ...]] = (
    ("tuned", "solid", "disc"),
    ("second", "dashed", "square"),
    ("third", "dotted", "triangle"),
    ("fourth", "dashdot", "ring"),
)
_SHIFT_DAYS: Final = 5.0
"""Intervals of several lines are drawn side by side."""
_DAYS: Final = (0, 30, 90, 365)


def longevity_chart(longevity: Answer, size: Size, source: str) -> Chart | NothingToShow:
    """The share of settings that are still stable over the days, by margin, with their numbers."""
    if not longevity["survival"]:
        return NothingToShow(" ".join(filter(None, _why_no_longevity(longevity))))
    lines = [("all margins", longevity)]
    lines += [
        (_margin_label(longevity["control"], band), band)
        for band in longevity["by_margin"]
        if band["survival"]
    ]
    looks: list[tuple[Ink, Dash, Marker]] = [("stock", "solid", "diamond"), *_MARGIN_LOOKS]
    marks = [
        mark
        for place, ((label, band), look) in enumerate(zip(lines, looks, strict=False))
        for mark in _survival_marks(label, band, look, place * _SHIFT_DAYS)
    ]
    days = tuple((float(day), str(day)) for day in _DAYS)
    x = Axis(-8.0, 385.0, days, "Days in use")
    return Chart(
        title=_longevity_title(longevity),
        subtitle=(
            longevity["chip"]["name"] if longevity["level"] == "chip" else "Related chips",
            longevity["domain"],
            f"{machines_text(longevity['units'])}, {longevity['failures']} failed in use",
            f"{percent(longevity['survival'][0]['confidence'])} intervals",
        ),
        panels=(
            Panel(x, Axis(0.0, 1.03, _PERCENT_TICKS), tuple(marks), 220),
            *([_numbers_at_risk(lines[: len(looks)])] if size == "page" else []),
        ),
        source=source,
        rows=tuple(_longevity_rows(longevity, lines)),
    )


def _why_no_longevity(longevity: Answer) -> tuple[str | None, ...]:
    return longevity["summary"], longevity["withheld_text"]


def _margin_label(control: str, band: Answer) -> str:
    """The margins of a band.

    >>> _margin_label("voltage_offset", {"margin_above": 10.0, "margin_up_to": 20.0})
    'margin over 10 to 20 mV'
    """
    above, up_to = band["margin_above"], band["margin_up_to"]
    if above is None:
        return "no margin"
    if up_to is None:
        return f"margin over {amount_text(control, above)}"
    return f"margin over {number(above)} to {amount_text(control, up_to)}"


def _survival_marks(
    label: str, band: Answer, look: tuple[Ink, Dash, Marker], shift: float
) -> Iterable[Mark]:
    ink, dash, marker = look
    shares = band["survival"]
    x = tuple(one["days"] + shift for one in shares)
    y = tuple(one["share"] for one in shares)
    low, high = (tuple(one["interval"][end] for one in shares) for end in (0, 1))
    yield Mark("sticks", ink, x, low, high)
    yield Mark("line", ink, (0.0, *x), (1.0, *y), dash=dash, marker=marker, label=label)


def _numbers_at_risk(lines: list[tuple[str, Answer]]) -> Panel:
    marks = [Mark("heading", "stock", (), (-1.0,), text="Machines known by that day")]
    for row, (_, band) in enumerate(lines):
        known = {0: band["units"], **{one["days"]: one["units"] for one in band["survival"]}}
        marks += [
            Mark("text", "stock", (float(day),), (float(row),), text=str(known[day]))
            for day in _DAYS
            if day in known
        ]
    names = tuple((float(row), _short(label)) for row, (label, _) in enumerate(lines))
    y = Axis(len(lines) - 0.5, -1.5, names)
    x = Axis(-8.0, 385.0, ())
    return Panel(x, y, tuple(marks), 20 * (len(lines) + 1), is_by_rows=True)


def _short(label: str) -> str:
    return label.removeprefix("margin ").replace("over ", ">").replace("all margins", "all")


def _longevity_title(longevity: Answer) -> str:
    known = {one["days"]: one for one in longevity["survival"]}
    usual = known.get(90) or longevity["survival"][-1]
    held = f"{percent(usual['share'])} of settings still hold after {usual['days']} days"
    margin = longevity["recommended_margin"]["margin"]
    return f"{held}; keep a margin of {amount_text(longevity['control'], margin)}"


def _longevity_rows(
    longevity: Answer, lines: list[tuple[str, Answer]]
) -> Iterable[tuple[str, ...]]:
    yield "recommended margin", number(longevity["recommended_margin"]["margin"])
    for label, band in lines:
        yield label, machines_text(band["units"]), f"{band['failures']} failed"
        yield "days", "share", "lower", "upper", "machines"
        for one in band["survival"]:
            named = one["days"], one["share"], *one["interval"], one["units"]
            yield tuple(map(number, named))


_MOST_ROW_LABELS: Final = 12


def search_chart(
    trials: Sequence[tuple[float, bool]], step: Answer, source: str
) -> Chart | NothingToShow:
    """The settings of a search in their order, the bracket that is left, and what to try next."""
    if not trials:
        return NothingToShow("The picture shows your runs: send at least one in `trials`.")
    proposed, bracket = step["next_step"], step["own_bracket"]
    last = len(trials) + (1 if proposed else 0)
    stable, unstable = (
        None if bracket[end] is None else _below_stock(bracket[end])
        for end in ("stable", "unstable")
    )
    settings = [setting for setting, _ in trials]
    settings += [_below_stock(proposed)] if proposed else []
    deepest = min(*settings, unstable or 0.0, stable or 0.0, -1.0)
    rows = (last + 0.6, 0.4)
    marks = [
        *_bracket_marks(stable, unstable, rows),
        *_trial_marks(trials),
        *_next_marks(step, last),
    ]
    every = max(1, math.ceil(last / _MOST_ROW_LABELS))
    names = tuple((float(row), str(row)) for row in range(1, len(trials) + 1, every))
    if proposed:
        names = (*(one for one in names if one[0] < last - every / 2), (float(last), "next"))
    x = setting_axis(step["control"], deepest, step["clock_band_mhz"])
    y = Axis(*rows, names)
    return Chart(
        title=_search_title(step),
        subtitle=(
            step["chip"]["name"],
            domains_text(step["domain"], step["moved_with"]),
            counted(len(trials), "run", "runs"),
            counted(bracket["failures"], "failure", "failures"),
        ),
        panels=(Panel(x, y, tuple(marks), min(60 + 24 * last, 340), is_by_rows=True),),
        source=source,
        rows=tuple(_search_rows(trials, step)),
    )


def _below_stock(setting: Answer) -> float:
    if setting["setting_mv"] is None:
        return float(setting["setting_counts"])
    return float(setting["setting_mv"])


def _bracket_marks(
    stable: float | None, unstable: float | None, rows: tuple[float, float]
) -> Iterable[Mark]:
    if unstable is not None:
        x, (low, high) = (stable or 0.0, unstable), rows
        yield Mark("band", "stock", x, (low, low), (high, high), label="your limit is in here")


def _trial_marks(trials: Sequence[tuple[float, bool]]) -> Iterable[Mark]:
    rows = range(1, len(trials) + 1)
    x = tuple(setting for setting, _ in trials)
    yield Mark("line", "faint", x, tuple(map(float, rows)))
    for is_pass, ink, marker, label in _OUTCOME_LOOKS:
        places = [
            (setting, float(row))
            for row, (setting, passed) in zip(rows, trials, strict=True)
            if passed is is_pass
        ]
        if places:
            x, y = zip(*places, strict=True)
            yield Mark("points", ink, x, y, marker=marker, label=label)


_OUTCOME_LOOKS: Final[tuple[tuple[bool, Ink, Marker, str], ...]] = (
    (True, "tuned", "disc", "passed"),
    (False, "failure", "cross", "failed"),
)


def _next_marks(step: Answer, row: int) -> Iterable[Mark]:
    if (proposed := step["next_step"]) is not None:
        place = (_below_stock(proposed),), (float(row),)
        yield Mark("points", "stock", *place, marker="ring", label="try next")
    if (in_use := step["recommended_in_use"]["setting"]) is not None:
        typed = setting_in_short(step["control"], in_use["value_to_enter"])
        yield Mark(
            "rule", "own", (_below_stock(in_use),), dash="dashdot", label=f"to use now: {typed}"
        )


def _search_title(step: Answer) -> str:
    proposed = step["next_step"]
    if proposed is None:
        return str(step["reason"]["text"]).rstrip(".")
    typed = setting_in_short(step["control"], proposed["value_to_enter"])
    what = "Confirm" if proposed["purpose"] == "confirm" else "Try"
    title = f"{what} {typed} for {number(proposed['minutes'])} minutes"
    if (chance := proposed["chance_stable"]) is not None:
        title += f"; {chance_text(chance)} like yours hold it"
    return title


def _search_rows(trials: Sequence[tuple[float, bool]], step: Answer) -> Iterable[tuple[str, ...]]:
    for row, (setting, passed) in enumerate(trials, 1):
        yield f"run {row}", number(setting), "passed" if passed else "failed"
    for end in ("stable", "unstable"):
        if (setting := step["own_bracket"][end]) is not None:
            yield end, number(_below_stock(setting))
    if (proposed := step["next_step"]) is not None:
        yield "next", number(_below_stock(proposed)), number(proposed["minutes"])
        if proposed["chance_stable"] is not None:
            yield "chance that it holds", number(proposed["chance_stable"])
    if (in_use := step["recommended_in_use"]["setting"]) is not None:
        yield "to use now", number(_below_stock(in_use))
