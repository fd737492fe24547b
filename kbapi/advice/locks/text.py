"""The sentences about locks."""

from collections.abc import Sequence
from typing import Final

from kbapi.advice.phrases import (
    machines_text,
    percent,
    range_text,
    shown_from_five,
    withheld_groups,
)
from kbapi.evidence.locks import LockChangeCount, OpenShare
from kbapi.vocabulary import PROTECTIONS

NO_ESTABLISHED: Final = "All senders of these reports are new."


def based_on_reports(units: int, *, has_established: bool) -> str:
    """How many machines of the chip itself have reports, and whether old contributors sent any."""
    text = f"Estimated from lock reports of {machines_text(units)} and of related chips."
    return text if has_established else f"{text} {NO_ESTABLISHED}"


_MACHINES: Final = (
    (0.9, "nearly all machines"),
    (0.5, "most machines"),
    (0.1, "some machines"),
    (0.0, "almost no machine"),
)


def machines_open_text(
    control: str, domain: str, share_open: float, *, only_new_contributors: bool
) -> str:
    """On how many machines a control can be set, in a few words.

    >>> machines_open_text("voltage_offset", "core", 0.74, only_new_contributors=False)
    'voltage_offset on core can be set on most machines'
    """
    machines = next(machines for least, machines in _MACHINES if share_open >= least)
    text = f"{control} on {domain} can be set on {machines}"
    return f"{text} (all senders are new)" if only_new_contributors else text


def summary_of_locks(
    chip_name: str, controls: Sequence[str], documented: str, *, is_filtered: bool
) -> str:
    """One sentence for each control: on how many machines it can be set.

    Without reports: what is documented.
    """
    if controls:
        return f"{chip_name}: {' '.join(f'{control}.' for control in controls)}"
    if is_filtered:
        return f"{chip_name}: {documented}; no lock reports are shown for this filter."
    return f"{chip_name}: {documented}; there are no lock reports yet."


def withheld_locks(hidden: int, *, is_empty: bool, is_filtered: bool) -> str | None:
    """The number of withheld groups, and the number of machines that a group needs."""
    if is_empty and is_filtered:
        return shown_from_five()
    return withheld_groups(hidden)


_POSSIBLE: Final = (
    "A lower power limit costs little speed and saves much heat and noise.",
    "You can use a quiet platform profile or a lower maximum clock without any voltage control.",
    ("A clean fan and free vents lower temperatures. Leave new thermal paste to qualified people."),
)
_POSSIBLE_BY_KIND: Final = {
    "gpu": "A limit on frames per second lowers the load.",
    "cpu": "Graphics in the same machine may be open: ask for them separately.",
}


def alternatives(kind: str) -> tuple[str, ...]:
    """What can be done without a control that may be locked, and without opening it."""
    return (*_POSSIBLE, _POSSIBLE_BY_KIND[kind])


_FILTERS: Final = ("machine", "firmware_month")
"""Conditions that a question about locks can filter by."""
_CONDITION_PHRASES: Final = {
    "machine": "machine class",
    "firmware_month": "firmware month",
    "microcode": "microcode",
}
_MOST_OTHERS: Final = 2


def share_text(part: OpenShare) -> str:
    """The share of machines with a value that is open, with its interval.

    >>> share_text(OpenShare("0x2b", 0.9, (0.78, 0.96), 40))
    '90 % (78 % to 96 %, 40 machines)'
    """
    interval, machines = range_text(part.interval), machines_text(part.units)
    return f"{percent(part.share_open)} ({interval}, {machines})"


def change_in_short(since: str, before: OpenShare, after: OpenShare) -> str:
    """How the share of open machines has changed, and since when.

    >>> before, after = (OpenShare("", share, (0, 1), 40) for share in (0.9, 0.4))
    >>> change_in_short("2025-03", before, after)
    'locked on most machines since firmware month 2025-03'
    """
    way = "locked" if after.share_open < before.share_open else "open"
    is_most = (after.share_open < 0.5) == (way == "locked")
    return f"{way} {'on most machines' if is_most else 'more often'} since firmware month {since}"


def change_text(since: str, between: tuple[str, str], before: OpenShare, after: OpenShare) -> str:
    """Since when the share of open machines has changed, with both shares."""
    change = (
        f"Open since firmware month {since}: {share_text(after)}; before it: {share_text(before)}."
    )
    earliest, latest = between
    if earliest == latest:
        return change
    return f"{change} The change may lie anywhere from {earliest} to {latest}."


def no_change_text(can_compare: bool) -> str:
    """Why no change is named.

    >>> no_change_text(True)
    'No change beyond chance from one firmware month to another.'
    """
    if can_compare:
        return "No change beyond chance from one firmware month to another."
    return (
        "Firmware months cannot be compared yet: a machine class needs machines on each side, five "
        "in all, set and read back."
    )


def split_text(by: str, clearest: OpenShare, others: Sequence[OpenShare]) -> str:
    """The open share by one condition, the clearest value first."""
    values = [f"{other.value} {share_text(other)}" for other in others[:_MOST_OTHERS]]
    if len(others) > _MOST_OTHERS:
        values.append(f"and {len(others) - _MOST_OTHERS} more")
    sentences = [
        f"Open share by {_condition_text(by)}: {clearest.value} {share_text(clearest)}.",
        f"Others: {', '.join(values)}.",
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
    """The conditions by which reports differ, or that none does, and what that means."""
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
    """That no condition differs, or that none can be compared."""
    if not compared_by:
        return (
            "Conditions cannot be compared yet: each of two needs five machines of the same "
            f"machine classes, set and read back, of {machines_text(units)} in all."
        )
    conditions = ", ".join(map(_condition_text, compared_by))
    return f"No difference beyond chance by {conditions}."


def _condition_text(name: str) -> str:
    return _CONDITION_PHRASES.get(name, name)


def contradiction_text(
    conditions: Sequence[tuple[str, str]], opened: int, locked: int, machines: int
) -> str:
    """How many machines with equal conditions are open, and how many are locked.

    >>> contradiction_text([("microcode", "0x2b")], 6, 4, 1)
    'Microcode 0x2b: 6 of 10 machines open, 4 locked (one machine class).'
    """
    equal = ", ".join(f"{_condition_text(name)} {value}" for name, value in conditions)
    classes = "one machine class" if machines == 1 else f"{machines} machine classes"
    return (
        f"{equal[0].upper()}{equal[1:]}: {opened} of {machines_text(opened + locked)} open, "
        f"{locked} locked ({classes})."
    )


CHANGES_ARE_NO_ADVICE: Final = (
    "Changes that opened it were reported, not advised: follow the maker."
)


def changes_text(unchanged: int | None, changes: Sequence[LockChangeCount]) -> str:
    """What had been changed where the control is open; empty where that is withheld.

    >>> changes_text(9, [LockChangeCount("firmware_setting", 3)])
    'Open machines: 9 without a change, 3 with firmware_setting (history, not advice).'
    """
    if not unchanged and not changes:
        return ""
    most_first = sorted(changes, key=lambda one: -one.units)
    parts = [f"{change.units} with {change.value}" for change in most_first]
    if unchanged:
        parts.insert(0, f"{unchanged} without a change")
    return f"Open machines: {', '.join(parts)} (history, not advice)."


def changed_since(machines: str, change: str) -> str:
    """On how many machines a control can be set, and how that has changed."""
    return f"{machines} in all reports, but {change}"
