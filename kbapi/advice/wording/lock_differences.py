"""The sentences about what reports on locks differ by, since when, and where they contradict."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import machines_in_words, percent, range_in_words
from kbapi.vocabulary import PROTECTIONS

_FILTERS: Final = ("machine", "firmware_month")
"""Conditions that a question about locks can ask for."""
_CONDITIONS: Final = {
    "machine": marked("machine class"),
    "firmware_month": marked("firmware month"),
    "microcode": marked("microcode"),
}
_MOST_OTHERS: Final = 2


@dataclass(frozen=True, slots=True)
class PartInWords:
    """A part of the units, as sentences name it."""

    value: str
    share_open: float
    interval: tuple[float, float]
    units: int

    @property
    def share(self) -> str:
        """The estimated share of them that is open, with its interval.

        >>> PartInWords("0x2b", 0.9, (0.78, 0.96), 40).share
        '90 % (78 % to 96 %, 40 machines)'
        """
        return say(
            "{share} ({range}, {machines})",
            share=percent(self.share_open),
            range=range_in_words(self.interval),
            machines=machines_in_words(self.units),
        )


_SINCE: Final = {
    ("locked", True): marked("locked on most machines since firmware month {since}"),
    ("locked", False): marked("locked more often since firmware month {since}"),
    ("open", True): marked("open on most machines since firmware month {since}"),
    ("open", False): marked("open more often since firmware month {since}"),
}


def change_in_short(since: str, before: PartInWords, after: PartInWords) -> str:
    """How the share of open machines has changed, and since when.

    >>> before, after = (PartInWords("", share, (0, 1), 40) for share in (0.9, 0.4))
    >>> change_in_short("2025-03", before, after)
    'locked on most machines since firmware month 2025-03'
    """
    way = "locked" if after.share_open < before.share_open else "open"
    is_most = (after.share_open < 0.5) == (way == "locked")
    return say(_SINCE[way, is_most], since=since)


def change_in_words(
    since: str, between: tuple[str, str], before: PartInWords, after: PartInWords
) -> str:
    """Since when the share of open machines has changed, with both shares."""
    told = say(
        "Open since firmware month {since}: {after}; before it: {before}.",
        since=since,
        after=after.share,
        before=before.share,
    )
    earliest, latest = between
    if earliest == latest:
        return told
    return f"{told} " + say(
        "The change may lie anywhere from {earliest} to {latest}.", earliest=earliest, latest=latest
    )


def no_change_in_words(can_tell: bool) -> str:
    """Why no change is named.

    >>> no_change_in_words(True)
    'No change beyond chance from one firmware month to another.'
    """
    if can_tell:
        return say("No change beyond chance from one firmware month to another.")
    return say(
        "Firmware months cannot be compared yet: each side needs five machines that were set and "
        "read back."
    )


def split_in_words(by: str, clearest: PartInWords, others: Sequence[PartInWords]) -> str:
    """By what the reports differ, the clearest value first."""
    beside = [
        say("{value} {share}", value=other.value, share=other.share)
        for other in others[:_MOST_OTHERS]
    ]
    if len(others) > _MOST_OTHERS:
        beside.append(say("and {count} more", count=len(others) - _MOST_OTHERS))
    sentences = [
        say(
            "Open share by {condition}: {value} {share}.",
            condition=_condition_in_words(by),
            value=clearest.value,
            share=clearest.share,
        ),
        say("Others: {others}.", others=say(", ").join(beside)),
    ]
    if by in _FILTERS:
        sentences.append(say("Ask again with {filter}= for yours.", filter=by))
    return " ".join(sentences)


def differences_in_words(
    by: Sequence[str],
    units: int,
    compared_by: Sequence[str],
    *,
    has_change: bool,
    has_contradictions: bool,
) -> str:
    """By what the reports differ or why nothing is said to, and how to take that."""
    sentences = []
    if by:
        conditions = say(", ").join(map(_condition_in_words, by))
        sentences.append(
            say("Reports differ by {conditions} beyond chance.", conditions=conditions)
        )
    else:
        sentences.append(no_split_in_words(units, compared_by))
    if has_contradictions:
        sentences.append(
            say(
                "Some machines with equal conditions are open and others locked: a firmware "
                "setting or an unreported condition may explain it."
            )
        )
    if any(one in PROTECTIONS for one in by):
        sentences.append(
            say("A protection that is off lowers security: this is an observation, not advice.")
        )
    if by or has_change:
        sentences.append(
            say(
                "A lock may close a security hole: keep the firmware and microcode that the maker "
                "advises."
            )
        )
    return " ".join(sentences)


def no_split_in_words(units: int, compared_by: Sequence[str]) -> str:
    """Why nothing is said to differ."""
    if not compared_by:
        return say(
            "Conditions cannot be compared yet: each of two needs five machines that were set and "
            "read back, of {machines} in all.",
            machines=machines_in_words(units),
        )
    told = say(", ").join(map(_condition_in_words, compared_by))
    return say("No difference beyond chance by {conditions}.", conditions=told)


def _condition_in_words(name: str) -> str:
    return say(_CONDITIONS[name]) if name in _CONDITIONS else name


def contradiction_in_words(
    conditions: Sequence[tuple[str, str]], opened: int, locked: int, machines: int
) -> str:
    """That machines with equal conditions are open and locked.

    >>> contradiction_in_words([("microcode", "0x2b")], 6, 4, 1)
    'Microcode 0x2b: 6 of 10 machines open, 4 locked (one machine class).'
    """
    told = say(", ").join(
        say("{condition} {value}", condition=_condition_in_words(name), value=value)
        for name, value in conditions
    )
    return say(
        "{Conditions}: {opened} of {machines} open, {locked} locked ({classes}).",
        Conditions=told[0].upper() + told[1:],
        opened=opened,
        machines=machines_in_words(opened + locked),
        locked=locked,
        classes=say("one machine class")
        if machines == 1
        else say("{count} machine classes", count=machines),
    )


def changes_text(unchanged: int | None, changes: Sequence[tuple[str, int]]) -> str:
    """What had been changed where it was open; empty where nothing of it may be said.

    >>> changes_text(9, [("firmware_setting", 3)])
    'Open machines: 9 without a change, 3 with firmware_setting (history, not advice).'
    """
    if not unchanged and not changes:
        return ""
    parts = [
        say("{count} with {change}", change=change, count=units)
        for change, units in sorted(changes, key=lambda one: -one[1])
    ]
    if unchanged:
        parts.insert(0, say("{count} without a change", count=unchanged))
    return say("Open machines: {parts} (history, not advice).", parts=say(", ").join(parts))


def changed_since(verdict: str, change: str) -> str:
    """Whether it can be set, and how that has changed."""
    return say("{verdict} in all reports, but {change}", verdict=verdict, change=change)
