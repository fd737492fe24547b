"""The sentences about gains: numbers in, plain words out."""

import math
from typing import Final

from kbapi.advice.wording import units_in_words
from kbapi.evidence.gains import GainBlock, GainCell, MeasuredGain

UNITS: Final = {"temperature": "C", "temperature_free_fan": "C", "loudness": "dB(A)"}
METHOD: Final = (
    "Pairs of readings of one document, stock and tuned under one load and one cap; each unit "
    "counts once, by the mean of its pairs of its latest month, and a contributor with three units "
    "at most, because ranks know no smaller weights. Hodges-Lehmann estimates, intervals of the "
    "Wilcoxon signed-rank distribution; temperatures are above the room's."
)
_NAMES: Final = {
    "performance": "performance",
    "power": "power",
    "performance_per_watt": "performance per watt",
    "clock": "clock",
    "temperature": "temperature at a fixed fan",
    "temperature_free_fan": "temperature while the fan followed it",
    "loudness": "loudness",
}
_UP_AND_DOWN: Final = {
    "temperature": ("hotter", "cooler"),
    "temperature_free_fan": ("hotter", "cooler"),
    "loudness": ("louder", "quieter"),
}


_LEAST_TOLD: Final = 0.05
"""A tenth of a percent, of a degree or of a decibel is what sentences tell at least."""


def change_in_words(name: str, change: float) -> str:
    """A change as people say it: ratios in percent, differences in their unit.

    >>> change_in_words("power", math.log(0.88)), change_in_words("temperature", -6.52)
    ('12.0 % less', '6.5 C cooler')
    >>> change_in_words("clock", 0.0001)
    'no change'
    """
    unit = UNITS.get(name)
    more, less = _UP_AND_DOWN.get(name, ("more", "less"))
    size = change if unit else 100 * (math.exp(change) - 1)
    if abs(size) < _LEAST_TOLD:
        return "no change"
    return f"{abs(size):.1f} {unit or '%'} {more if size > 0 else less}"


def gain_in_words(gain: MeasuredGain) -> str:
    """One sentence: by how much, and whether that is larger than the noise of repeated runs."""
    name, shift = gain.measure.name, gain.shift
    told = (
        f"{_NAMES[name].capitalize()}: {change_in_words(name, shift.estimate)} "
        f"({shift.attained_confidence * 100:.1f} % interval: {change_in_words(name, shift.low)} to "
        f"{change_in_words(name, shift.high)})"
    )
    return f"{told}; {_against_noise(gain)}."


def _against_noise(gain: MeasuredGain) -> str:
    if gain.verdict == "none":
        return "not larger than the noise: no change lies within the interval"
    if gain.noise is None:
        return (
            "larger than the noise, judged by the spread over units because too few told how far "
            "repeated runs differ"
        )
    noise = _size_in_words(gain.measure.name, gain.noise)
    if gain.verdict == "hidden":
        return (
            f"real over these units, but not larger than what repeated runs of one machine differ "
            f"by ({noise}): one measurement may not show it"
        )
    return f"larger than what repeated runs of one machine differ by ({noise})"


def _size_in_words(name: str, noise: float) -> str:
    unit = UNITS.get(name)
    return f"{noise if unit else 100 * (math.exp(noise) - 1):.1f} {unit or '%'}"


def cell_in_words(
    cell: GainCell,
    overall: GainBlock,
    same_power: GainBlock | None,
    same_performance: GainBlock | None,
    spent_on_clock: int | None,
) -> str:
    """What a cell says: at equal power, at equal performance, and where no thermometer shows it."""
    condition = "under an equal power limit" if cell.is_capped else "without a power limit told"
    parts = [
        *_at_equal(same_power, "power", "performance"),
        *_at_equal(same_performance, "performance", "power"),
    ]
    if not parts:
        per_watt = overall.of("performance_per_watt")
        parts = ["neither at equal power nor at equal performance are there five units"]
        if per_watt is not None:
            parts.append(_short(per_watt))
    told = f"{cell.load}, {condition}, {units_in_words(overall.units)}: {'; '.join(parts)}."
    if spent_on_clock is not None:
        told += (
            f" On {spent_on_clock} of them power or heat stayed at its limit and the saving became "
            "clock: a good result, even where no degree is won."
        )
    return told


def _at_equal(block: GainBlock | None, held: str, wanted: str) -> list[str]:
    gain = None if block is None else block.of(wanted)
    if block is None or gain is None:
        return []
    return [f"at equal {held} ({block.units} units) {_short(gain)}"]


def _short(gain: MeasuredGain) -> str:
    name = gain.measure.name
    seen = "within the noise" if gain.verdict == "none" else "beyond chance"
    if gain.verdict == "larger":
        seen = "more than noise"
    return f"{_NAMES[name]} {change_in_words(name, gain.shift.estimate)}, {seen}"


def summary_of_gains(chip_name: str, cell: str) -> str:
    """The best known cell in one sentence, and what it is not."""
    return f"{chip_name} - {cell} A temperature alone ranks nothing."


def nothing_to_tell(chip_name: str, *, any_pairs: bool) -> str:
    """Why there are no numbers."""
    if any_pairs:
        return (
            f"Fewer than five units of {chip_name} were measured at stock and tuned under one load "
            "and one condition: too few to tell without telling on somebody. Send your readings."
        )
    return (
        f"Nobody has sent readings of {chip_name} at stock and tuned under one load with a setting "
        "that counts. Measure both under equal conditions, and send them."
    )


def own_in_words(name: str, ratio: float, share_below: float, units: int) -> str:
    """Where one's own change lies among the units of the pool.

    >>> own_in_words("performance", 1.04, 0.62, 40)
    'your performance: 4.0 % more, a larger ratio than on 62 % of 40 units'
    """
    change = change_in_words(name, math.log(ratio))
    return (
        f"your {_NAMES[name]}: {change}, a larger ratio than on {share_below * 100:.0f} % of "
        f"{units} units"
    )
