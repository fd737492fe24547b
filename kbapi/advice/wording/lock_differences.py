"""The sentences about what reports on locks differ by, since when, and where they contradict."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from kbapi.advice.wording.language import marked, say, say_count
from kbapi.advice.wording.parts import percent
from kbapi.vocabulary import PROTECTIONS

_WHY: Final = marked(
    "That does not say why. A control may be locked to close a security hole: follow the maker's "
    "instructions, and stay with the firmware and microcode that it advises."
)
_FILTERS: Final = ("machine", "firmware_month")
"""Conditions that a question about locks can ask for."""
_CONDITIONS: Final = {
    "machine": marked("machine class"),
    "firmware_month": marked("firmware month"),
    "microcode": marked("microcode"),
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
        return say(
            "open on {share} of {units} units ({low} to {high})",
            share=percent(self.share_open),
            units=self.units,
            low=percent(low),
            high=percent(high),
        )


_SINCE: Final = {
    ("locked", True): marked("reports since firmware month {since} say locked"),
    ("locked", False): marked("reports since firmware month {since} say locked more often"),
    ("open", True): marked("reports since firmware month {since} say open"),
    ("open", False): marked("reports since firmware month {since} say open more often"),
}


def change_in_short(since: str, before: PartInWords, after: PartInWords) -> str:
    """What reports say since when.

    >>> before, after = (PartInWords("", share, (0, 1), 40) for share in (0.9, 0.4))
    >>> change_in_short("2025-03", before, after)
    'reports since firmware month 2025-03 say locked'
    """
    way = "locked" if after.share_open < before.share_open else "open"
    is_most = (after.share_open < 0.5) == (way == "locked")
    return say(_SINCE[way, is_most], since=since)


def change_in_words(
    since: str, between: tuple[str, str], before: PartInWords, after: PartInWords
) -> str:
    """Since when reports say something else, with both shares."""
    told = change_in_short(since, before, after)
    sentences = [
        say(
            "{Change}: {after}, before {before}.",
            Change=told[0].upper() + told[1:],
            after=after.told,
            before=before.told,
        )
    ]
    earliest, latest = between
    if earliest != latest:
        sentences.append(
            say(
                "It may lie anywhere from {earliest} to {latest}.", earliest=earliest, latest=latest
            )
        )
    return " ".join([*sentences, say(_WHY)])


def no_change_in_words(can_tell: bool) -> str:
    """Why no change is told.

    >>> no_change_in_words(True)
    'From one firmware month to another the reports do not change beyond chance.'
    """
    if can_tell:
        return say("From one firmware month to another the reports do not change beyond chance.")
    return say(
        "Whether a firmware changed this can't be said yet: it takes five units on either side of "
        "a firmware month, each of somebody who tried it and told the month."
    )


def split_in_words(by: str, clearest: PartInWords, others: Sequence[PartInWords]) -> str:
    """By what the reports differ, the clearest value first."""
    beside = [say("{value} {told}", value=other.value, told=other.told) for other in others[:2]]
    if len(others) > 2:
        beside.append(say("and {count} more", count=len(others) - 2))
    sentences = [
        say(
            "Reports differ by {condition} more than chance explains: {value} most clearly, "
            "{told}, beside {others}.",
            condition=_condition_in_words(by),
            value=clearest.value,
            told=clearest.told,
            others=say("; ").join(beside),
        )
    ]
    if by in _FILTERS:
        sentences.append(say("Ask again with {filter}= for yours.", filter=by))
    if by in PROTECTIONS:
        sentences.append(
            say("Switching a protection off lowers security: this was seen, and is no advice.")
        )
    return " ".join([*sentences, say(_WHY)])


def no_split_in_words(units: int, compared_by: Sequence[str]) -> str:
    """Why nothing is told to differ."""
    if not compared_by:
        return say(
            "Units of {count} contributors were tried and read back: too few, or too much alike, "
            "to compare conditions. It takes five under each of two.",
            count=units,
        )
    told = say(", ").join(_condition_in_words(by) for by in compared_by)
    return say("Reports do not differ beyond chance by {conditions}.", conditions=told)


def _condition_in_words(name: str) -> str:
    return say(_CONDITIONS[name]) if name in _CONDITIONS else name


def contradiction_in_words(
    conditions: Sequence[tuple[str, str]], opened: int, locked: int, machines: int
) -> str:
    """That units alike are told of differently, and what may explain it."""
    told = say(" and ").join(
        say("{condition} {value}", condition=_condition_in_words(name), value=value)
        for name, value in conditions
    )
    units = say(
        "Of {units} units with {conditions}, {opened} are open and {locked} locked.",
        units=opened + locked,
        conditions=told,
        opened=opened,
        locked=locked,
    )
    if machines > 1:
        why = say(
            "They are of {machines} classes of machines, which may differ; a setting in the "
            "firmware's setup, something set or locked later, or a condition that nobody told may "
            "explain it.",
            machines=machines,
        )
    else:
        why = say(
            "They are of one class of machines. A setting in the firmware's setup, something set "
            "or locked later, or a condition that nobody told may explain it."
        )
    return f"{units} {why}"


def changes_text(unchanged: int | None, changes: Sequence[tuple[str, int]]) -> str:
    """What had been changed where it was open; empty where nothing of it is told.

    >>> changes_text(9, [("firmware_setting", 3)])[:78]
    'Where it was open, 9 units told of no change; others of firmware_setting (3). '
    """
    if not unchanged and not changes:
        return ""
    others = say(", ").join(
        say("{change} ({count})", change=change, count=units) for change, units in changes
    )
    if unchanged is None:
        told = say("units told of {changes}", changes=others)
    else:
        told = say_count(
            "{count} unit told of no change", "{count} units told of no change", unchanged
        )
        if changes:
            told = say("{unchanged}; others of {changes}", unchanged=told, changes=others)
    return say("Where it was open, {told}. This is history, never advice.", told=told)


def changed_since(status: str, change: str) -> str:
    """Whether it can be set, and since when reports say so."""
    return say("{status}; {change}", status=status, change=change)
