"""The sentences about what a platform allows."""

from collections.abc import Collection, Sequence
from typing import Final

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import (
    machines_in_words,
    percent,
    range_in_words,
    shown_from_five,
    withheld_groups,
)
from kbapi.vocabulary import LOCKED_STATUSES

_OPEN: Final = {
    "chip": marked("Can be set on {share} of machines ({range})"),
    "series": marked("Can be set on {share} of machines of related chips ({range})"),
}
_CONDITIONS: Final = {
    "open": marked("{open}."),
    "firmware_only": marked("{open}, on most of them only in the firmware menu."),
    "chip_locked": marked("{open}: the chip refuses it on most of the others."),
    "firmware_locked": marked("{open}: the firmware locks it on most of the others."),
    "hypervisor_blocked": marked("{open}: a hypervisor blocks it on most of the others."),
    "os_blocked": marked("{open}: the operating system blocks it on most of the others."),
    "not_exposed": marked("{open}: no menu or driver offers it on most of the others."),
    "mixed": marked("{open}: machine model, firmware and protections decide."),
}
_MENU_OR_NOT: Final = marked("{open}, on some of them only in the firmware menu.")


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
    is_open = say(_OPEN[level], share=percent(share_open), range=range_in_words(interval))
    is_locked = any(status in LOCKED_STATUSES for status in statuses)
    if word == "mixed" and "firmware_only" in statuses and not is_locked:
        return say(_MENU_OR_NOT, open=is_open)
    return say(_CONDITIONS[word], open=is_open)


def unknown_in_words() -> str:
    """That there is no report of a control."""
    return say("It is unknown whether it can be set: there are no lock reports.")


def based_on_reports(units: int) -> str:
    """How many machines of the chip itself were reported on; few of them weigh less."""
    return say(
        "Estimated from lock reports of {machines} and of related chips.",
        machines=machines_in_words(units),
    )


_VERDICTS: Final = (
    (0.9, marked("{control} on {domain} can be set on nearly all machines")),
    (0.5, marked("{control} on {domain} can be set on most machines")),
    (0.1, marked("{control} on {domain} can be set on some machines")),
    (0.0, marked("{control} on {domain} can be set on almost no machine")),
)


def verdict_in_words(control: str, domain: str, share_open: float) -> str:
    """Whether a control can be set, in few words.

    >>> verdict_in_words("voltage_offset", "core", 0.74)
    'voltage_offset on core can be set on most machines'
    """
    verdict = next(verdict for least, verdict in _VERDICTS if share_open >= least)
    return say(verdict, control=control, domain=domain)


def summary_of_locks(chip_name: str, verdicts: Sequence[str], *, is_filtered: bool) -> str:
    """One sentence for each control: whether it can be set."""
    if verdicts:
        told = " ".join(say("{verdict}.", verdict=verdict) for verdict in verdicts)
        return say("{chip}: {verdicts}", chip=chip_name, verdicts=told)
    if is_filtered:
        return say("{chip}: no lock reports are shown for this filter.", chip=chip_name)
    return say("{chip}: there are no lock reports yet.", chip=chip_name)


def withheld_locks(hidden: int, *, is_empty: bool, is_filtered: bool) -> str | None:
    """What is withheld, and from how many machines on it is shown."""
    if is_empty and is_filtered:
        return shown_from_five()
    return withheld_groups(hidden)


_POSSIBLE: Final = (
    marked("A lower power limit costs little speed and saves much heat and noise."),
    marked("A quiet platform profile and a lower highest clock need no voltage control."),
    marked(
        "A clean fan and free vents lower temperatures. Leave new thermal paste to qualified "
        "people."
    ),
)
_POSSIBLE_BESIDE: Final = {
    "gpu": marked("A limit on frames per second lowers the load."),
    "cpu": marked("Graphics in the same machine may be open: ask for them separately."),
}


def alternatives(kind: str) -> tuple[str, ...]:
    """What can be done without a control that may be locked, and without opening it."""
    return tuple(say(text) for text in (*_POSSIBLE, _POSSIBLE_BESIDE[kind]))
