"""The sentences about longevity and drift."""

from typing import Final

from kbapi.advice.phrases import (
    amount_text,
    machines_text,
    percent,
    shown_from_five,
    withheld_groups,
)
from kbapi.evidence.small_cells import FEWEST_SHOWN

_MARGIN_TEXTS: Final = {
    "learned": (
        "Keep a margin of {margin} to the deepest setting that passed. At least 95 % of settings "
        "with this margin stayed stable for 90 days."
    ),
    "default": (
        "Keep a margin of {margin} to the deepest setting that passed. This is the default: "
        "follow-ups do not show a better one yet."
    ),
    "default_failed": (
        "Keep a margin of {margin} or more to the deepest setting that passed. With the default "
        "margin, fewer than 95 % of settings stayed stable for 90 days."
    ),
}


def margin_text(source: str, control: str, margin: float) -> str:
    """The margin to keep, and where it comes from."""
    return _MARGIN_TEXTS[source].format(margin=amount_text(control, margin))


def no_drift_text(*, is_mix_changed: bool) -> str:
    """That there is no drift, or that a difference may come from other machines."""
    if is_mix_changed:
        return "Recent results differ from earlier ones. The mix of machines may have changed."
    return "Recent results do not differ from earlier ones beyond chance."


def drift_text(kind: str, since: str, version: str, shift: float, control: str) -> str:
    """From which month or version on limits differ, and by how much.

    >>> drift_text("microcode", "2026-05", "0x2c", -14.2, "voltage_offset")
    'Limits with microcode 0x2c (since 2026-05) are about 14 mV shallower than before.'
    """
    amount = amount_text(control, round(abs(shift)))
    change = f"about {amount} {'deeper' if shift >= 0 else 'shallower'} than before"
    if kind == "month":
        return f"Limits since {since} are {change}."
    return f"Limits with {kind} {version} (since {since}) are {change}."


_WHOSE: Final = {"chip": "this chip", "series": "its series"}


def summary_of_longevity(level: str, units: int, survival: str) -> str:
    """How many settings stayed stable, and the units behind that."""
    if level == "none":
        return (
            "Too few follow-ups of this chip and its series. Follow up on your own setting: "
            "results over months help most."
        )
    return f"{survival} Based on {machines_text(units)} of {_WHOSE[level]}."


def withheld_longevity(hidden: int, followed: int | None) -> str | None:
    """What is withheld; `followed` is the number of contributors where it is too small."""
    if followed is not None:
        return shown_from_five(FEWEST_SHOWN - followed)
    return withheld_groups(hidden)


def survival_text(share: float, days: int) -> str:
    """How many settings were still stable.

    >>> survival_text(0.953, 90)
    '95 % of settings were still stable after 90 days.'
    """
    return f"{percent(share)} of settings were still stable after {days} days."


def not_long_enough() -> str:
    """That there is no share yet."""
    return "No setting has been followed long enough yet."
