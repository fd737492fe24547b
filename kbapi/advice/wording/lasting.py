"""The sentences about settings over months, and about pools that drift."""

from typing import Final

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import amount_in_words, percent

_SETTLE: Final = {
    "learned": marked(
        "Follow-ups show that a margin of {margin} to the deepest setting that passed kept at "
        "least 95 % of settings stable for 90 days."
    ),
    "default": marked(
        "No follow-ups settle the margin yet: {margin} short of the deepest setting that passed is "
        "the custom."
    ),
    "default_failed": marked(
        "The default margin did not keep 95 % of settings stable for 90 days: settle {margin} "
        "short of the deepest setting that passed, or further."
    ),
}


def settle_in_words(standing: str, control: str, margin: float) -> str:
    """How far short of the limit to settle, and why."""
    return say(_SETTLE[standing], margin=amount_in_words(control, margin))


def no_drift_in_words() -> str:
    """That recent reports are like earlier ones."""
    return say("Recent reports do not differ from earlier ones beyond chance.")


_DRIFTED: Final = {
    (True, False): marked(
        "Limits reported since {since} lie about {amount} shallower than before."
    ),
    (True, True): marked("Limits reported since {since} lie about {amount} deeper than before."),
    (False, False): marked(
        "Limits reported with {kind} {version} (since {since}) lie about {amount} shallower than "
        "before."
    ),
    (False, True): marked(
        "Limits reported with {kind} {version} (since {since}) lie about {amount} deeper than "
        "before."
    ),
}


def drift_in_words(kind: str, since: str, version: str, shift: float, control: str) -> str:
    """Since when, or with what, limits have moved.

    >>> drift_in_words("microcode", "2026-05", "0x2c", -14.2, "voltage_offset")
    'Limits reported with microcode 0x2c (since 2026-05) lie about 14 mV shallower than before.'
    """
    return say(
        _DRIFTED[kind == "month", shift >= 0],
        kind=kind,
        version=version,
        since=since,
        amount=amount_in_words(control, round(abs(shift))),
    )


_WHOSE: Final = {
    "chip": marked("{chip}: {told}; this stands on {units} of its own units."),
    "series": marked("{chip}: {told}; this stands on {units} of its series' units."),
}


def summary_of_lasting(chip_name: str, level: str, units: int, told: str) -> str:
    """One sentence: how long settings lasted, on whose units that stands."""
    if level == "none":
        return say(
            "Too few follow-ups on {chip} or its series have been sent to say how long settings "
            "last. Follow up on your own: what holds for months is worth most.",
            chip=chip_name,
        )
    return say(_WHOSE[level], chip=chip_name, told=told, units=units)


def lasted_in_words(share: float, days: int) -> str:
    """How many settings were still stable.

    >>> lasted_in_words(0.953, 90)
    'after 90 days 95 % of settings were still stable'
    """
    return say(
        "after {days} days {share} of settings were still stable", days=days, share=percent(share)
    )


def not_long_enough() -> str:
    """Why there is no share."""
    return say("no setting has been followed long enough yet")
