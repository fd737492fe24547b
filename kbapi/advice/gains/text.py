"""The sentences about gains."""

import math
from collections.abc import Sequence
from typing import Final

from kbapi.advice.phrases import machines_text, shown_from_five, withheld_groups
from kbapi.evidence.gains import GainBlock, GainCell, MeasuredGain, fewest_to_compare
from kbapi.evidence.small_cells import FEWEST_SHOWN

UNITS: Final = {"temperature": "C", "temperature_free_fan": "C", "loudness": "dB(A)"}


def method() -> str:
    """How the numbers are computed."""
    return (
        "Each number compares stock and tuned readings of one document, under one load and one "
        "power limit. Each machine counts once, with the mean of its latest month. Rank tests "
        "cannot use fractional weights, so each contributor supplies at most three machines. "
        "Each estimate is the median machine; its interval holds whatever the shape of the "
        "differences (order statistics). Temperatures are above room temperature. Noise is how far "
        "repeated runs of one machine differ. A sign test compares the machines. Without an effect "
        "of tuning, at most 3 in 100 changes are called larger than the noise. Where the noise of "
        "runs is unknown, it is 5 in 100. The best of several runs counts only where stock and "
        "tuned are both the best of equally many."
    )


_NAMES: Final = {
    "performance": "performance",
    "power": "power",
    "performance_per_watt": "performance per watt",
    "clock": "clock",
    "temperature": "temperature (fan fixed)",
    "temperature_free_fan": "temperature (fan free)",
    "loudness": "loudness",
}
_HEAT: Final = ("C hotter", "C cooler")
_CHANGES: Final = {
    "temperature": _HEAT,
    "temperature_free_fan": _HEAT,
    "loudness": ("dB(A) louder", "dB(A) quieter"),
}
_RATIO: Final = ("% more", "% less")

_LEAST_SHOWN: Final = 0.05
"""Sentences round to a tenth of a percent, of a degree or of a decibel."""


def change_text(name: str, change: float) -> str:
    """A change: ratios in percent, differences in their unit.

    >>> change_text("power", math.log(0.88)), change_text("temperature", -6.52)
    ('12.0 % less', '6.5 C cooler')
    >>> change_text("clock", 0.0001)
    'no change'
    """
    more, less = _CHANGES.get(name, _RATIO)
    size = _size(name, change)
    if abs(size) < _LEAST_SHOWN:
        return "no change"
    return f"{abs(size):.1f} {more if size > 0 else less}"


def _size(name: str, change: float) -> float:
    return change if name in UNITS else 100 * (math.exp(change) - 1)


def gain_sentence(gain: MeasuredGain, equal: str = "") -> str:
    """The change of a measure, and whether it is more than the noise of repeated runs.

    `equal` is the measure that was equal at stock and tuned, if one was.
    """
    name, shift = gain.measure.name, gain.shift
    measure = _NAMES[name]
    if equal:
        measure = f"at equal {equal}, {measure}"
    measure = _capitalised(measure)
    if all(abs(_size(name, end)) < _LEAST_SHOWN for end in (shift.estimate, shift.low, shift.high)):
        return f"{measure}: unchanged."
    interval = (
        f"{change_text(name, shift.low)} to {change_text(name, shift.high)}, "
        f"{shift.attained_confidence * 100:.1f} % confidence"
    )
    if gain.significance == "none" and abs(_size(name, shift.estimate)) < _LEAST_SHOWN:
        return f"{measure}: unchanged, within the noise ({interval})."
    change = f"{measure}: {change_text(name, shift.estimate)}"
    if gain.significance == "none":
        return f"{change}, within the noise ({interval})."
    if gain.significance == "too_few":
        needed = fewest_to_compare(gain.noise)
        return f"{change} ({interval}); a comparison takes {machines_text(needed)}."
    if gain.significance == "unclear":
        return f"{change} ({interval}), not clearly above the noise."
    if gain.noise is None:
        return f"{change} ({interval}), beyond chance between machines (run-to-run noise unknown)."
    noise = _size_text(name, gain.noise)
    if gain.significance == "larger":
        return f"{change} ({interval}), more than repeated runs differ by ({noise})."
    return (
        f"{change} ({interval}). Repeated runs of one machine differ by {noise}, so one "
        "measurement may not show it."
    )


def _capitalised(text: str) -> str:
    return text[0].upper() + text[1:]


def _size_text(name: str, noise: float) -> str:
    if name in UNITS:
        return f"{noise:.1f} {UNITS[name]}"
    return f"{100 * (math.exp(noise) - 1):.1f} %"


def cell_text(
    cell: GainCell,
    overall: GainBlock,
    same_power: GainBlock | None,
    same_performance: GainBlock | None,
    at_power_or_heat_limit: int | None,
) -> str:
    """The gains of a cell: at equal power, at equal performance, and as clock at a limit."""
    place = f"{place_text(cell)}, {machines_text(overall.units)}"
    parts = [
        *_at_equal("power", same_power, "performance"),
        *_at_equal("performance", same_performance, "power"),
    ]
    if parts:
        sentences = [f"{place}: {parts[0]}."]
        sentences += [f"{_capitalised(part)}." for part in parts[1:]]
    else:
        sentences = [f"{place}: fewer than five ran at equal power, or at equal performance."]
        if (per_watt := overall.of("performance_per_watt")) is not None:
            sentences.append(f"{_capitalised(_short(per_watt))}.")
    if at_power_or_heat_limit is not None:
        sentences.append(
            f"{at_power_or_heat_limit} of them stayed at a limit of power or heat: the saving "
            "became clock, a good result."
        )
    return " ".join(sentences)


def place_text(cell: GainCell) -> str:
    """The load and the condition of a cell."""
    condition = "equal power limit" if cell.is_capped else "without a lowered power limit"
    return f"{cell.load}, {condition}"


_NOISE_TEXTS: Final = {
    "none": "within the noise",
    "hidden": "less than repeated runs differ by",
    "unclear": "not clearly above the noise",
    "too_few": "too few machines to compare with noise",
    "larger": "above the noise",
}


def _at_equal(equal: str, block: GainBlock | None, wanted: str) -> list[str]:
    gain = None if block is None else block.of(wanted)
    if block is None or gain is None:
        return []
    return [f"at equal {equal} ({machines_text(block.units)}), {_short(gain)}"]


def _short(gain: MeasuredGain) -> str:
    name = gain.measure.name
    change = change_text(name, gain.shift.estimate)
    return f"{_NAMES[name]} {change}, {_NOISE_TEXTS[gain.significance]}"


_HEADLINES: Final = {
    ("power", "performance"): "performance at equal power",
    ("performance", "power"): "power at equal performance",
    ("", "performance_per_watt"): "performance per watt",
}


def headline_of_gains(
    cell: GainCell,
    overall: GainBlock,
    same_power: GainBlock | None,
    same_performance: GainBlock | None,
) -> str:
    """The clearest gain of a cell, the number first."""
    blocks = {"power": same_power, "performance": same_performance, "": overall}
    place = place_text(cell)
    for (equal, name), measure in _HEADLINES.items():
        block = blocks[equal]
        if block is not None and (gain := block.of(name)) is not None:
            change = _capitalised(change_text(name, gain.shift.estimate))
            return f"{change} {measure} ({place}, {machines_text(block.units)})."
    return f"Measured on {machines_text(overall.units)} ({place})."


def withheld_gains(
    withheld: int, too_small: Sequence[GainCell], *, is_filtered: bool
) -> str | None:
    """What is withheld, and how many more contributors each load needs.

    Where a load was asked for, that number would reveal how many machines were measured under it.
    """
    text = withheld_groups(withheld)
    if text is None or is_filtered:
        return text
    missing = [
        f"More contributors needed for {place_text(cell)}: "
        f"{FEWEST_SHOWN - cell.gains.contributors}."
        for cell in too_small
    ]
    return " ".join([text, *missing])


def why_nothing(largest: int | None, *, is_filtered: bool) -> str:
    """Why there are no numbers.

    `largest` is how many contributors the largest load under one condition has, None without any
    machine.
    """
    if largest is None:
        return (
            "No machine was measured at stock and tuned under one load. Measure both under equal "
            "conditions, and send the readings."
        )
    return shown_from_five(None if is_filtered else FEWEST_SHOWN - largest)


def own_text(name: str, ratio: float, share_below: float, units: int) -> str:
    """The own change, and on how many machines of the pool the ratio is lower.

    >>> own_text("performance", 1.04, 0.62, 40)
    'Your performance: 4.0 % more; the ratio is lower on 25 of 40 machines.'
    """
    return (
        f"Your {_NAMES[name]}: {change_text(name, math.log(ratio))}; the ratio is lower on "
        f"{round(share_below * units)} of {machines_text(units)}."
    )


def own_change_text(name: str, ratio: float, noise: float | None, *, is_larger: bool | None) -> str:
    """The own change beside the noise of one's own runs, or what is needed to know that.

    >>> own_change_text("power", 0.88, 0.012, is_larger=True)
    'Your power: 12.0 % less, above the noise of your own runs (1.2 %).'
    >>> own_change_text("performance", 1.01, 0.026, is_larger=False)
    'Your performance: 1.0 % more, within the noise of your own runs (2.6 %).'
    >>> own_change_text("performance", 1.04, None, is_larger=None)[:43]
    'Your performance: 4.0 % more; to compare it'
    """
    change = f"Your {_NAMES[name]}: {change_text(name, math.log(ratio))}"
    if noise is None:
        return (
            f"{change}; to compare it with noise, send three runs or more at stock and tuned, in "
            "turn."
        )
    place = "above" if is_larger else "within"
    return f"{change}, {place} the noise of your own runs ({100 * noise:.1f} %)."


_OWN_NOISE_TEXTS: Final = {
    True: "Above the noise of your own runs",
    False: "Within the noise of your own runs",
    None: "Your own change, not yet compared with noise",
}


def summary_of_gains(own: Sequence[tuple[str, float, bool | None]], headline: str | None) -> str:
    """The own changes first, then the clearest gain of other machines.

    Each own change is its measure, its ratio, and whether it is larger than the noise.

    >>> summary_of_gains((), None)
    'No gains can be shown yet.'
    >>> summary_of_gains((("power", 0.88, True), ("performance", 1.02, True)), "More.")
    'Above the noise of your own runs: power 12.0 % less, performance 2.0 % more. More.'
    """
    sentences = []
    for wanted, lead in _OWN_NOISE_TEXTS.items():
        changes = [
            f"{_NAMES[name]} {change_text(name, math.log(ratio))}"
            for name, ratio, is_larger in own
            if is_larger is wanted
        ]
        if changes:
            sentences.append(f"{lead}: {', '.join(changes)}.")
    if headline is None:
        headline = "No other gains can be shown yet." if own else "No gains can be shown yet."
    return " ".join([*sentences, headline])


SELF_SELECTED: Final = (
    "People chose to send, and tuned readings exist only where tuning worked. On all machines the "
    "gains are probably smaller."
)
"""That people chose to send, and in which direction that moves gains."""
