"""Sentences about locks: shares, and what changes go with an open control."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

from kbapi.advice.phrases import (
    machines_text,
    percent,
    range_text,
    shown_from_five,
    withheld_groups,
)
from kbapi.vocabulary import LOCKED_STATUSES, PROTECTIONS

_WHOSE: Final = {"chip": "machines", "series": "machines of related chips"}
_CONDITIONS: Final = {
    "open": "{open}.",
    "firmware_only": "{open}, on most of them only in the firmware menu.",
    "chip_locked": "{open}: the chip refuses it on most of the others.",
    "firmware_locked": "{open}: the firmware locks it on most of the others.",
    "hypervisor_blocked": "{open}: a hypervisor blocks it on most of the others.",
    "os_blocked": "{open}: the operating system blocks it on most of the others.",
    "not_exposed": "{open}: no menu or driver offers it on most of the others.",
    "mixed": "{open}: machine model, firmware and protections decide.",
}


def open_sentence(
    word: str,
    share_open: float,
    interval: tuple[float, float],
    level: str,
    statuses: Collection[str],
) -> str:
    """On how many machines a control is open, and what decides that.

    `word` is the status with the largest share, or `mixed`; `level`, chip or series, says whose
    reports these are; `statuses` are all that may be named.

    >>> open_sentence("mixed", 0.7358, (0.657, 0.803), "chip", ("open", "firmware_locked"))
    'Can be set on 74 % of machines (66 % to 80 %): machine model, firmware and protections decide.'
    """
    share, range_open = percent(share_open), range_text(interval)
    is_open = f"Can be set on {share} of {_WHOSE[level]} ({range_open})"
    is_locked = any(status in LOCKED_STATUSES for status in statuses)
    if word == "mixed" and "firmware_only" in statuses and not is_locked:
        return f"{is_open}, on some of them only in the firmware menu."
    return _CONDITIONS[word].format(open=is_open)


def unknown_text() -> str:
    """That there is no report of a control."""
    return "It is unknown whether it can be set: there are no lock reports."


def based_on_reports(units: int) -> str:
    """How many machines of the chip itself were reported on; few of them weigh less."""
    return f"Estimated from lock reports of {machines_text(units)} and of related chips."


_VERDICTS: Final = (
    (0.9, "nearly all machines"),
    (0.5, "most machines"),
    (0.1, "some machines"),
    (0.0, "almost no machine"),
)


def verdict_text(control: str, domain: str, share_open: float) -> str:
    """Whether a control can be set, in few words.

    >>> verdict_text("voltage_offset", "core", 0.74)
    'voltage_offset on core can be set on most machines'
    """
    machines = next(machines for least, machines in _VERDICTS if share_open >= least)
    return f"{control} on {domain} can be set on {machines}"


def summary_of_locks(chip_name: str, stored_outliers: Sequence[str], *, is_filtered: bool) -> str:
    """One sentence for each control: whether it can be set."""
    if stored_outliers:
        return f"{chip_name}: {' '.join(f'{verdict}.' for verdict in stored_outliers)}"
    if is_filtered:
        return f"{chip_name}: no lock reports are shown for this filter."
    return f"{chip_name}: there are no lock reports yet."


def withheld_locks(hidden: int, *, is_empty: bool, is_filtered: bool) -> str | None:
    """What is withheld, and from how many machines on it is shown."""
    if is_empty and is_filtered:
        return shown_from_five()
    return withheld_groups(hidden)


_POSSIBLE: Final = (
    "A lower power limit costs little speed and saves much heat and noise.",
    "A quiet platform profile and a lower highest clock need no voltage control.",
    ("A clean fan and free vents lower temperatures. Leave new thermal paste to qualified people."),
)
_POSSIBLE_BESIDE: Final = {
    "gpu": "A limit on frames per second lowers the load.",
    "cpu": "Graphics in the same machine may be open: ask for them separately.",
}


def alternatives(kind: str) -> tuple[str, ...]:
    """What can be done without a control that may be locked, and without opening it."""
    return (*_POSSIBLE, _POSSIBLE_BESIDE[kind])


_FILTERS: Final = ("machine", "firmware_month")
"""Conditions that a question about locks can ask for."""
_CONDITION_PHRASES: Final = {
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
        interval, machines = range_text(self.interval), machines_text(self.units)
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


def change_text(
    since: str, between: tuple[str, str], before: PartInWords, after: PartInWords
) -> str:
    """Since when the share of open machines has changed, with both shares."""
    change = f"Open since firmware month {since}: {after.share}; before it: {before.share}."
    earliest, latest = between
    if earliest == latest:
        return change
    return f"{change} The change may lie anywhere from {earliest} to {latest}."


def no_change_text(can_tell: bool) -> str:
    """Why no change is named.

    >>> no_change_text(True)
    'No change beyond chance from one firmware month to another.'
    """
    if can_tell:
        return "No change beyond chance from one firmware month to another."
    return (
        "Firmware months cannot be compared yet: each side needs five machines that were set and "
        "read back."
    )


def split_text(by: str, clearest: PartInWords, others: Sequence[PartInWords]) -> str:
    """By what the reports differ, the clearest value first."""
    beside = [f"{other.value} {other.share}" for other in others[:_MOST_OTHERS]]
    if len(others) > _MOST_OTHERS:
        beside.append(f"and {len(others) - _MOST_OTHERS} more")
    sentences = [
        f"Open share by {_condition_text(by)}: {clearest.value} {clearest.share}.",
        f"Others: {', '.join(beside)}.",
    ]
    if by in _FILTERS:
        sentences.append(f"Ask again with {by}= for yours.")
    return " ".join(sentences)


def differences_text(
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
        conditions = ", ".join(map(_condition_text, by))
        sentences.append(f"Reports differ by {conditions} beyond chance.")
    else:
        sentences.append(no_split_text(units, compared_by))
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


def no_split_text(units: int, compared_by: Sequence[str]) -> str:
    """Why nothing is said to differ."""
    if not compared_by:
        return (
            "Conditions cannot be compared yet: each of two needs five machines that were set and "
            f"read back, of {machines_text(units)} in all."
        )
    conditions = ", ".join(map(_condition_text, compared_by))
    return f"No difference beyond chance by {conditions}."


def _condition_text(name: str) -> str:
    return _CONDITION_PHRASES.get(name, name)


def contradiction_text(
    conditions: Sequence[tuple[str, str]], opened: int, locked: int, machines: int
) -> str:
    """That machines with equal conditions are open and locked.

    >>> contradiction_text([("microcode", "0x2b")], 6, 4, 1)
    'Microcode 0x2b: 6 of 10 machines open, 4 locked (one machine class).'
    """
    equal = ", ".join(f"{_condition_text(name)} {value}" for name, value in conditions)
    classes = "one machine class" if machines == 1 else f"{machines} machine classes"
    return (
        f"{equal[0].upper()}{equal[1:]}: {opened} of {machines_text(opened + locked)} open, "
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
