"""The sentences about gains."""

import math
from collections.abc import Sequence
from typing import Final

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import machines_in_words, shown_from_five, withheld_groups
from kbapi.evidence.gains import GainBlock, GainCell, MeasuredGain
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN

UNITS: Final = {"temperature": "C", "temperature_free_fan": "C", "loudness": "dB(A)"}


def method() -> str:
    """How the numbers are computed."""
    return say(
        "Each number compares stock and tuned readings of one document, under one load and one "
        "power limit. Each machine counts once, with the mean of its latest month. Rank tests "
        "cannot use fractional weights, so each contributor supplies at most three machines. "
        "Estimates are Hodges-Lehmann; intervals are from the Wilcoxon signed-rank distribution. "
        "Temperatures are above room temperature. Noise is how far repeated runs of one machine "
        "differ. With too few repeated runs, the differences between machines replace it."
    )


_NAMES: Final = {
    "performance": marked("performance"),
    "power": marked("power"),
    "performance_per_watt": marked("performance per watt"),
    "clock": marked("clock"),
    "temperature": marked("temperature (fan fixed)"),
    "temperature_free_fan": marked("temperature (fan free)"),
    "loudness": marked("loudness"),
}
_HEAT: Final = (marked("{size} C hotter"), marked("{size} C cooler"))
_CHANGES: Final = {
    "temperature": _HEAT,
    "temperature_free_fan": _HEAT,
    "loudness": (marked("{size} dB(A) louder"), marked("{size} dB(A) quieter")),
}
_RATIO: Final = (marked("{size} % more"), marked("{size} % less"))

_LEAST_SAID: Final = 0.05
"""A tenth of a percent, of a degree or of a decibel is the least that sentences say."""


def change_in_words(name: str, change: float) -> str:
    """A change as people say it: ratios in percent, differences in their unit.

    >>> change_in_words("power", math.log(0.88)), change_in_words("temperature", -6.52)
    ('12.0 % less', '6.5 C cooler')
    >>> change_in_words("clock", 0.0001)
    'no change'
    """
    more, less = _CHANGES.get(name, _RATIO)
    size = _size(name, change)
    if abs(size) < _LEAST_SAID:
        return say("no change")
    return say(more if size > 0 else less, size=f"{abs(size):.1f}")


def _size(name: str, change: float) -> float:
    return change if name in UNITS else 100 * (math.exp(change) - 1)


def gain_in_words(gain: MeasuredGain, held: str = "") -> str:
    """By how much, and whether that is more than the noise of repeated runs.

    `held` is the measure that was equal at stock and tuned, if one was.
    """
    name, shift = gain.measure.name, gain.shift
    measure = say(_NAMES[name])
    if held:
        measure = say(_WHERE_EQUAL[held], measure=measure)
    measure = measure[0].upper() + measure[1:]
    if all(abs(_size(name, end)) < _LEAST_SAID for end in (shift.estimate, shift.low, shift.high)):
        return say("{Measure}: unchanged.", Measure=measure)
    interval = say(
        "{low} to {high}, {confidence} % confidence",
        low=change_in_words(name, shift.low),
        high=change_in_words(name, shift.high),
        confidence=f"{shift.attained_confidence * 100:.1f}",
    )
    if gain.verdict == "none" and abs(_size(name, shift.estimate)) < _LEAST_SAID:
        return say(
            "{Measure}: unchanged, within the noise ({interval}).",
            Measure=measure,
            interval=interval,
        )
    noise = "" if gain.noise is None else _size_in_words(name, gain.noise)
    return say(
        _GAINS[gain.verdict, gain.noise is not None],
        Measure=measure,
        change=change_in_words(name, shift.estimate),
        interval=interval,
        noise=noise,
    )


_WHERE_EQUAL: Final = {
    "power": marked("at equal power, {measure}"),
    "performance": marked("at equal performance, {measure}"),
}
_WITHIN: Final = marked("{Measure}: {change}, within the noise ({interval}).")
_GAINS: Final = {
    ("none", False): _WITHIN,
    ("none", True): _WITHIN,
    ("larger", False): marked(
        "{Measure}: {change} ({interval}), more than the differences between machines."
    ),
    ("larger", True): marked(
        "{Measure}: {change} ({interval}), more than repeated runs differ by ({noise})."
    ),
    ("hidden", True): marked(
        "{Measure}: {change} ({interval}). Repeated runs of one machine differ by {noise}, so one "
        "measurement may not show it."
    ),
}


def _size_in_words(name: str, noise: float) -> str:
    if name in UNITS:
        return f"{noise:.1f} {UNITS[name]}"
    return f"{100 * (math.exp(noise) - 1):.1f} %"


def cell_in_words(
    cell: GainCell,
    overall: GainBlock,
    same_power: GainBlock | None,
    same_performance: GainBlock | None,
    at_power_or_heat_limit: int | None,
) -> str:
    """What a cell says: at equal power, at equal performance, and where no thermometer shows it."""
    place = say(
        "{place}, {machines}", place=place_in_words(cell), machines=machines_in_words(overall.units)
    )
    parts = [
        *_at_equal(same_power, "performance", _AT_EQUAL_POWER),
        *_at_equal(same_performance, "power", _AT_EQUAL_PERFORMANCE),
    ]
    if parts:
        sentences = [say("{place}: {part}.", place=place, part=parts[0])]
        sentences += [f"{part[0].upper()}{part[1:]}." for part in parts[1:]]
    else:
        sentences = [
            say(
                "{place}: fewer than five ran at equal power, or at equal performance.",
                place=place,
            )
        ]
        if (per_watt := overall.of("performance_per_watt")) is not None:
            short = _short(per_watt)
            sentences.append(f"{short[0].upper()}{short[1:]}.")
    if at_power_or_heat_limit is not None:
        sentences.append(
            say(
                "{count} of them stayed at a limit of power or heat: the saving became clock, a "
                "good result.",
                count=at_power_or_heat_limit,
            )
        )
    return " ".join(sentences)


_CAPPED: Final = marked("{load}, equal power limit")
_UNCAPPED: Final = marked("{load}, without a lowered power limit")


def place_in_words(cell: GainCell) -> str:
    """The load and the condition of a cell."""
    return say(_CAPPED if cell.is_capped else _UNCAPPED, load=cell.load)


_AT_EQUAL_POWER: Final = marked("at equal power ({machines}), {gain}")
_AT_EQUAL_PERFORMANCE: Final = marked("at equal performance ({machines}), {gain}")
_SEEN: Final = {
    "none": marked("{measure} {change}, within the noise"),
    "hidden": marked("{measure} {change}, less than repeated runs differ by"),
    "larger": marked("{measure} {change}, above the noise"),
}


def _at_equal(block: GainBlock | None, wanted: str, template: str) -> list[str]:
    gain = None if block is None else block.of(wanted)
    if block is None or gain is None:
        return []
    return [say(template, machines=machines_in_words(block.units), gain=_short(gain))]


def _short(gain: MeasuredGain) -> str:
    name = gain.measure.name
    return say(
        _SEEN[gain.verdict],
        measure=say(_NAMES[name]),
        change=change_in_words(name, gain.shift.estimate),
    )


_HEADLINES: Final = {
    ("power", "performance"): marked("{Change} performance at equal power"),
    ("performance", "power"): marked("{Change} power at equal performance"),
    ("", "performance_per_watt"): marked("{Change} performance per watt"),
}


def headline_of_gains(
    cell: GainCell,
    overall: GainBlock,
    same_power: GainBlock | None,
    same_performance: GainBlock | None,
) -> str:
    """The clearest gain of a cell, the number first."""
    blocks = {"power": same_power, "performance": same_performance, "": overall}
    place = place_in_words(cell)
    for (held, name), template in _HEADLINES.items():
        block = blocks[held]
        if block is not None and (gain := block.of(name)) is not None:
            change = change_in_words(name, gain.shift.estimate)
            return say(
                "{headline} ({place}, {machines}).",
                headline=say(template, Change=change[0].upper() + change[1:]),
                place=place,
                machines=machines_in_words(block.units),
            )
    return say(
        "Measured on {machines} ({place}).",
        machines=machines_in_words(overall.units),
        place=place,
    )


def withheld_gains(
    withheld: int, too_small: Sequence[GainCell], *, is_filtered: bool
) -> str | None:
    """What is withheld, and how many more machines each load takes.

    Where a load was asked for, the number would say how many machines were measured under it.
    """
    text = withheld_groups(withheld)
    if text is None or is_filtered:
        return text
    missing = [
        say(
            "More machines needed for {place}: {count}.",
            place=place_in_words(cell),
            count=FEWEST_UNITS_SHOWN - cell.told.units,
        )
        for cell in too_small
    ]
    return " ".join([text, *missing])


def nothing_measured() -> str:
    """The headline where there are no numbers."""
    return say("No gains can be shown yet.")


def why_nothing(largest: int, *, is_filtered: bool) -> str:
    """Why there are no numbers.

    `largest` is how many units the largest load under one condition has.
    """
    if not largest:
        return say(
            "No machine was measured at stock and tuned under one load. Measure both under equal "
            "conditions, and send the readings."
        )
    return shown_from_five(None if is_filtered else FEWEST_UNITS_SHOWN - largest)


def own_in_words(name: str, ratio: float, share_below: float, units: int) -> str:
    """Where one's own change lies among the units of the pool.

    >>> own_in_words("performance", 1.04, 0.62, 40)
    'Your performance: 4.0 % more; the ratio is lower on 25 of 40 machines.'
    """
    return say(
        "Your {measure}: {change}; the ratio is lower on {below} of {machines}.",
        measure=say(_NAMES[name]),
        change=change_in_words(name, math.log(ratio)),
        below=round(share_below * units),
        machines=machines_in_words(units),
    )
