"""The sentences of the stable share over all settings."""

from kbapi.advice.wording.language import say
from kbapi.advice.wording.parts import units_in_words


def summary_of_stability(chip_name: str, units: int, borrowed_units: float) -> str:
    """One sentence: whose units the curve rests on, and how to read it."""
    if units == 0 and borrowed_units == 0:
        return say("Nothing that counts for {chip} has been sent yet.", chip=chip_name)
    own = units_in_words(units)
    if not borrowed_units:
        return say(
            "The share of units of {chip} that hold each setting, from {units}; a share is no "
            "promise for one machine.",
            chip=chip_name,
            units=own,
        )
    return say(
        "The share of units of {chip} that hold each setting, from {units} and {borrowed} of "
        "related chips; a share is no promise for one machine.",
        chip=chip_name,
        units=own,
        borrowed=f"{borrowed_units:.0f}",
    )
