"""The sentences about what reports on locks differ by, since when, and where they contradict."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from kbapi.advice.time_wording import percent
from kbapi.vocabulary import PROTECTIONS

_WHY: Final = (
    "That does not say why. A control may be locked to close a security hole: follow the maker's "
    "instructions, and stay with the firmware and microcode that it advises."
)
_FILTERS: Final = ("machine", "firmware_month")
"""Conditions that a question about locks can ask for."""
_CONDITIONS: Final = {
    "machine": "machine class",
    "firmware_month": "firmware month",
    "microcode": "microcode",
}


@dataclass(frozen=True, slots=True)
class PartInWords:
    """A part of the units, as sentences tell of it."""

    value: str
    share_open: float
    interval: tuple[float, float]
    units: int

    @property
    def told(self) -> str:
        """How many of them are open.

        >>> PartInWords("0x2b", 0.9, (0.78, 0.96), 40).told
        'open on 90 % of 40 units (78 % to 96 %)'
        """
        low, high = self.interval
        share, units = percent(self.share_open), self.units
        return f"open on {share} of {units} units ({percent(low)} to {percent(high)})"


def change_in_short(since: str, before: PartInWords, after: PartInWords) -> str:
    """What reports say since when.

    >>> before, after = (PartInWords("", share, (0, 1), 40) for share in (0.9, 0.4))
    >>> change_in_short("2025-03", before, after)
    'reports since firmware month 2025-03 say locked'
    """
    way = "locked" if after.share_open < before.share_open else "open"
    is_most = (after.share_open < 0.5) == (way == "locked")
    return f"reports since firmware month {since} say {way}{'' if is_most else ' more often'}"


def change_in_words(
    since: str, between: tuple[str, str], before: PartInWords, after: PartInWords
) -> str:
    """Since when reports say something else, with both shares."""
    told = change_in_short(since, before, after)
    earliest, latest = between
    place = "" if earliest == latest else f" It may lie anywhere from {earliest} to {latest}."
    return f"{told[0].upper()}{told[1:]}: {after.told}, before {before.told}.{place} {_WHY}"


def no_change_in_words(can_tell: bool) -> str:
    """Why no change is told.

    >>> no_change_in_words(True)
    'From one firmware month to another the reports do not change beyond chance.'
    """
    if can_tell:
        return "From one firmware month to another the reports do not change beyond chance."
    return (
        "Whether a firmware changed this can't be said yet: it takes five units on either side "
        "of a firmware month, each of somebody who tried it and told the month."
    )


def split_in_words(by: str, clearest: PartInWords, others: Sequence[PartInWords]) -> str:
    """By what the reports differ, the clearest value first."""
    beside = "; ".join(f"{other.value} {other.told}" for other in others[:2])
    more = f"; and {len(others) - 2} more" if len(others) > 2 else ""
    ask = f" Ask again with {by}= for yours." if by in _FILTERS else ""
    if by in PROTECTIONS:
        ask = " Switching a protection off lowers security: this was seen, and is no advice."
    return (
        f"Reports differ by {_CONDITIONS.get(by, by)} more than chance explains: {clearest.value} "
        f"most clearly, {clearest.told}, beside {beside}{more}.{ask} {_WHY}"
    )


def no_split_in_words(units: int, compared_by: Sequence[str]) -> str:
    """Why nothing is told to differ."""
    if not compared_by:
        return (
            f"Units of {units} contributors were tried and read back: too few, or too much alike, "
            "to compare conditions. It takes five under each of two."
        )
    told = ", ".join(_CONDITIONS.get(by, by) for by in compared_by)
    return f"Reports do not differ beyond chance by {told}."


def contradiction_in_words(
    conditions: Sequence[tuple[str, str]], opened: int, locked: int, machines: int
) -> str:
    """That units alike are told of differently, and what may explain it."""
    told = " and ".join(f"{_CONDITIONS.get(name, name)} {value}" for name, value in conditions)
    classes = (
        f"They are of {machines} classes of machines, which may differ; a"
        if machines > 1
        else "They are of one class of machines. A"
    )
    return (
        f"Of {opened + locked} units with {told}, {opened} are open and {locked} locked. {classes} "
        "setting in the firmware's setup, something set or locked later, or a condition that "
        "nobody told may explain it."
    )


def changes_in_words(unchanged: int, changes: Sequence[tuple[str, int]]) -> str:
    """What had been changed where it was open; empty where it was open nowhere.

    >>> changes_in_words(9, [("firmware_setting", 3)])[:78]
    'Where it was open, 9 units told of no change; others of firmware_setting (3). '
    """
    if not unchanged and not changes:
        return ""
    others = ", ".join(f"{change} ({units})" for change, units in changes)
    told = f"{unchanged} unit{'' if unchanged == 1 else 's'} told of no change"
    return (
        f"Where it was open, {told}{'; others of ' + others if others else ''}. "
        "This is history, never advice."
    )
