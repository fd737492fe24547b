"""The sentences about what reports on locks differ by, since when, and where they contradict."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from kbapi.advice.wording.parts import machines_in_words, percent, range_in_words
from kbapi.vocabulary import PROTECTIONS

_FILTERS: Final = ("machine", "firmware_month")
"""Conditions that a question about locks can ask for."""
_CONDITIONS: Final = {
    "machine": "machine class",
    "firmware_month": "firmware month",
    "microcode": "microcode",
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
        interval, machines = range_in_words(self.interval), machines_in_words(self.units)
        return f"{percent(self.share_open)} ({interval}, {machines})"


def change_in_short(since: str, before: PartInWords, after: PartInWords) -> str:
    """How the share of open machines has changed, and since when.

    >>> before, after = (PartInWords("", share, (0, 1), 40) for share in (0.9, 0.4))
    >>> change_in_short("2025-03", before, after)
    'locked on most machines since firmware month 2025-03'
    """
    way = "locked" if after.share_open < before.share_open else "open"
    is_most = (after.share_open < 0.5) == (way == "locked")
    return f"{way} {'on most machines' if is_most else 'more often'} since firmware month {since}"


def change_in_words(
    since: str, between: tuple[str, str], before: PartInWords, after: PartInWords
) -> str:
    """Since when the share of open machines has changed, with both shares."""
    change = f"Open since firmware month {since}: {after.share}; before it: {before.share}."
    earliest, latest = between
    if earliest == latest:
        return change
    return f"{change} The change may lie anywhere from {earliest} to {latest}."


def no_change_in_words(can_tell: bool) -> str:
    """Why no change is named.

    >>> no_change_in_words(True)
    'No change beyond chance from one firmware month to another.'
    """
    if can_tell:
        return "No change beyond chance from one firmware month to another."
    return (
        "Firmware months cannot be compared yet: each side needs five machines that were set and "
        "read back."
    )


def split_in_words(by: str, clearest: PartInWords, others: Sequence[PartInWords]) -> str:
    """By what the reports differ, the clearest value first."""
    beside = [f"{other.value} {other.share}" for other in others[:_MOST_OTHERS]]
    if len(others) > _MOST_OTHERS:
        beside.append(f"and {len(others) - _MOST_OTHERS} more")
    sentences = [
        f"Open share by {_condition_in_words(by)}: {clearest.value} {clearest.share}.",
        f"Others: {', '.join(beside)}.",
    ]
    if by in _FILTERS:
        sentences.append(f"Ask again with {by}= for yours.")
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
        conditions = ", ".join(map(_condition_in_words, by))
        sentences.append(f"Reports differ by {conditions} beyond chance.")
    else:
        sentences.append(no_split_in_words(units, compared_by))
    if has_contradictions:
        sentences.append(
            "Some machines with equal conditions are open and others locked: a firmware setting or "
            "an unreported condition may explain it."
        )
    if any(one in PROTECTIONS for one in by):
        sentences.append(
            "A protection that is off lowers security: this is an observation, not advice."
        )
    if by or has_change:
        sentences.append(
            "A lock may close a security hole: keep the firmware and microcode that the maker "
            "advises."
        )
    return " ".join(sentences)


def no_split_in_words(units: int, compared_by: Sequence[str]) -> str:
    """Why nothing is said to differ."""
    if not compared_by:
        return (
            "Conditions cannot be compared yet: each of two needs five machines that were set and "
            f"read back, of {machines_in_words(units)} in all."
        )
    conditions = ", ".join(map(_condition_in_words, compared_by))
    return f"No difference beyond chance by {conditions}."


def _condition_in_words(name: str) -> str:
    return _CONDITIONS.get(name, name)


def contradiction_in_words(
    conditions: Sequence[tuple[str, str]], opened: int, locked: int, machines: int
) -> str:
    """That machines with equal conditions are open and locked.

    >>> contradiction_in_words([("microcode", "0x2b")], 6, 4, 1)
    'Microcode 0x2b: 6 of 10 machines open, 4 locked (one machine class).'
    """
    equal = ", ".join(f"{_condition_in_words(name)} {value}" for name, value in conditions)
    classes = "one machine class" if machines == 1 else f"{machines} machine classes"
    return (
        f"{equal[0].upper()}{equal[1:]}: {opened} of {machines_in_words(opened + locked)} open, "
        f"{locked} locked ({classes})."
    )


def changes_text(unchanged: int | None, changes: Sequence[tuple[str, int]]) -> str:
    """What had been changed where it was open; empty where nothing of it may be said.

    >>> changes_text(9, [("firmware_setting", 3)])
    'Open machines: 9 without a change, 3 with firmware_setting (history, not advice).'
    """
    if not unchanged and not changes:
        return ""
    parts = [f"{units} with {change}" for change, units in sorted(changes, key=lambda one: -one[1])]
    if unchanged:
        parts.insert(0, f"{unchanged} without a change")
    return f"Open machines: {', '.join(parts)} (history, not advice)."


def changed_since(verdict: str, change: str) -> str:
    """Whether it can be set, and how that has changed."""
    return f"{verdict} in all reports, but {change}"
