"""The sentences about gains."""

import math
from typing import Final

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import percent, units_in_words
from kbapi.evidence.gains import GainBlock, GainCell, MeasuredGain

UNITS: Final = {"temperature": "C", "temperature_free_fan": "C", "loudness": "dB(A)"}


def method() -> str:
    """How the numbers were come by."""
    return say(
        "Pairs of readings of one document, stock and tuned under one load and one cap; each unit "
        "counts once, by the mean of its pairs of its latest month, and a contributor with three "
        "units at most, because ranks know no smaller weights. Hodges-Lehmann estimates, intervals "
        "of the Wilcoxon signed-rank distribution; temperatures are above the room's."
    )


_NAMES: Final = {
    "performance": marked("performance"),
    "power": marked("power"),
    "performance_per_watt": marked("performance per watt"),
    "clock": marked("clock"),
    "temperature": marked("temperature at a fixed fan"),
    "temperature_free_fan": marked("temperature while the fan followed it"),
    "loudness": marked("loudness"),
}
_HEAT: Final = (marked("{size} C hotter"), marked("{size} C cooler"))
_CHANGES: Final = {
    "temperature": _HEAT,
    "temperature_free_fan": _HEAT,
    "loudness": (marked("{size} dB(A) louder"), marked("{size} dB(A) quieter")),
}
_RATIO: Final = (marked("{size} % more"), marked("{size} % less"))

_LEAST_TOLD: Final = 0.05
"""A tenth of a percent, of a degree or of a decibel is what sentences tell at least."""


def change_in_words(name: str, change: float) -> str:
    """A change as people say it: ratios in percent, differences in their unit.

    >>> change_in_words("power", math.log(0.88)), change_in_words("temperature", -6.52)
    ('12.0 % less', '6.5 C cooler')
    >>> change_in_words("clock", 0.0001)
    'no change'
    """
    more, less = _CHANGES.get(name, _RATIO)
    size = change if name in UNITS else 100 * (math.exp(change) - 1)
    if abs(size) < _LEAST_TOLD:
        return say("no change")
    return say(more if size > 0 else less, size=f"{abs(size):.1f}")


def gain_in_words(gain: MeasuredGain) -> str:
    """One sentence: by how much, and whether that is larger than the noise of repeated runs."""
    name, shift = gain.measure.name, gain.shift
    return say(
        "{Measure}: {change} ({confidence} % interval: {low} to {high}); {against_noise}.",
        Measure=say(_NAMES[name]).capitalize(),
        change=change_in_words(name, shift.estimate),
        confidence=f"{shift.attained_confidence * 100:.1f}",
        low=change_in_words(name, shift.low),
        high=change_in_words(name, shift.high),
        against_noise=_against_noise(gain),
    )


def _against_noise(gain: MeasuredGain) -> str:
    if gain.verdict == "none":
        return say("not larger than the noise: no change lies within the interval")
    if gain.noise is None:
        return say(
            "larger than the noise, judged by the spread over units because too few told how far "
            "repeated runs differ"
        )
    noise = _size_in_words(gain.measure.name, gain.noise)
    if gain.verdict == "hidden":
        return say(
            "real over these units, but not larger than what repeated runs of one machine differ "
            "by ({noise}): one measurement may not show it",
            noise=noise,
        )
    return say("larger than what repeated runs of one machine differ by ({noise})", noise=noise)


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
    parts = [
        *_at_equal(same_power, "performance", _AT_EQUAL_POWER),
        *_at_equal(same_performance, "power", _AT_EQUAL_PERFORMANCE),
    ]
    if not parts:
        parts.append(say("neither at equal power nor at equal performance are there five units"))
        if (per_watt := overall.of("performance_per_watt")) is not None:
            parts.append(_short(per_watt))
    template = _CAPPED if cell.is_capped else _UNCAPPED
    told = say(
        template,
        load=cell.load,
        units=units_in_words(overall.units),
        parts=say("; ").join(parts),
    )
    if at_power_or_heat_limit is None:
        return told
    return told + say(
        " On {units} of them power or heat stayed at its limit and the saving became clock: a good "
        "result, even where no degree is won.",
        units=at_power_or_heat_limit,
    )


_CAPPED: Final = marked("{load}, under an equal power limit, {units}: {parts}.")
_UNCAPPED: Final = marked("{load}, without a power limit told, {units}: {parts}.")
_AT_EQUAL_POWER: Final = marked("at equal power ({count} units) {gain}")
_AT_EQUAL_PERFORMANCE: Final = marked("at equal performance ({count} units) {gain}")
_SEEN: Final = {
    "none": marked("{measure} {change}, within the noise"),
    "hidden": marked("{measure} {change}, beyond chance"),
    "larger": marked("{measure} {change}, more than noise"),
}


def _at_equal(block: GainBlock | None, wanted: str, template: str) -> list[str]:
    gain = None if block is None else block.of(wanted)
    if block is None or gain is None:
        return []
    return [say(template, count=block.units, gain=_short(gain))]


def _short(gain: MeasuredGain) -> str:
    name = gain.measure.name
    return say(
        _SEEN[gain.verdict],
        measure=say(_NAMES[name]),
        change=change_in_words(name, gain.shift.estimate),
    )


def summary_of_gains(chip_name: str, cell: str) -> str:
    """The best known cell in one sentence, and what it is not."""
    return say("{chip} - {cell} A temperature alone ranks nothing.", chip=chip_name, cell=cell)


def nothing_to_tell(chip_name: str, *, any_pairs: bool) -> str:
    """Why there are no numbers."""
    if any_pairs:
        return say(
            "Fewer than five units of {chip} were measured at stock and tuned under one load and "
            "one condition: too few to tell without telling on somebody. Send your readings.",
            chip=chip_name,
        )
    return say(
        "Nobody has sent readings of {chip} at stock and tuned under one load with a setting that "
        "counts. Measure both under equal conditions, and send them.",
        chip=chip_name,
    )


def own_in_words(name: str, ratio: float, share_below: float, units: int) -> str:
    """Where one's own change lies among the units of the pool.

    >>> own_in_words("performance", 1.04, 0.62, 40)
    'your performance: 4.0 % more, a larger ratio than on 62 % of 40 units'
    """
    return say(
        "your {measure}: {change}, a larger ratio than on {share} of {units} units",
        measure=say(_NAMES[name]),
        change=change_in_words(name, math.log(ratio)),
        share=percent(share_below),
        units=units,
    )
