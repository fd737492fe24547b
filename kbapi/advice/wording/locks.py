"""The sentences about what a platform allows."""

from collections.abc import Collection, Sequence
from typing import Final

from kbapi.advice.wording.parts import (
    machines_in_words,
    percent,
    range_in_words,
    shown_from_five,
    withheld_groups,
)
from kbapi.vocabulary import LOCKED_STATUSES

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


def open_in_words(
    word: str,
    share_open: float,
    interval: tuple[float, float],
    level: str,
    statuses: Collection[str],
) -> str:
    """On how many machines a control is open, and what decides that.

    `word` is the status with the largest share, or `mixed`; `level`, chip or series, says whose
    reports these are; `statuses` are all that may be named.

    >>> open_in_words("mixed", 0.7358, (0.657, 0.803), "chip", ("open", "firmware_locked"))
    'Can be set on 74 % of machines (66 % to 80 %): machine model, firmware and protections decide.'
    """
    share, range_open = percent(share_open), range_in_words(interval)
    is_open = f"Can be set on {share} of {_WHOSE[level]} ({range_open})"
    is_locked = any(status in LOCKED_STATUSES for status in statuses)
    if word == "mixed" and "firmware_only" in statuses and not is_locked:
        return f"{is_open}, on some of them only in the firmware menu."
    return _CONDITIONS[word].format(open=is_open)


def unknown_in_words() -> str:
    """That there is no report of a control."""
    return "It is unknown whether it can be set: there are no lock reports."


def based_on_reports(units: int) -> str:
    """How many machines of the chip itself were reported on; few of them weigh less."""
    return f"Estimated from lock reports of {machines_in_words(units)} and of related chips."


_VERDICTS: Final = (
    (0.9, "nearly all machines"),
    (0.5, "most machines"),
    (0.1, "some machines"),
    (0.0, "almost no machine"),
)


def verdict_in_words(control: str, domain: str, share_open: float) -> str:
    """Whether a control can be set, in few words.

    >>> verdict_in_words("voltage_offset", "core", 0.74)
    'voltage_offset on core can be set on most machines'
    """
    machines = next(machines for least, machines in _VERDICTS if share_open >= least)
    return f"{control} on {domain} can be set on {machines}"


def summary_of_locks(chip_name: str, verdicts: Sequence[str], *, is_filtered: bool) -> str:
    """One sentence for each control: whether it can be set."""
    if verdicts:
        return f"{chip_name}: {' '.join(f'{verdict}.' for verdict in verdicts)}"
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
