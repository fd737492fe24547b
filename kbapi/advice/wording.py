"""The sentences of answers: numbers in, words for people out, and nowhere else."""

from collections.abc import Sequence
from typing import Final

from kbapi.advice.question import Question
from kbapi.vocabulary import OPEN_STATUSES


def share_in_words(stable_share: float) -> str:
    """The share that may fail, as people say it.

    >>> share_in_words(0.9), share_in_words(0.95), share_in_words(0.87)
    ('1 in 10', '1 in 20', '13 in 100')
    """
    failing = round((1 - stable_share) * 100)
    return f"1 in {100 // failing}" if 100 % failing == 0 else f"{failing} in 100"


def meaning_of(question: Question) -> str:
    """What a start stands for, and for whom it can't speak."""
    return (
        f"with {question.confidence * 100:.0f} % confidence at most "
        f"{share_in_words(question.stable_share)} reported units fails here or earlier; "
        "only people who report are counted"
    )


def setting_in_words(control: str, enter: int) -> str:
    """What a person types, or sets.

    The whole number lies toward stock of the grid step, so typing it is never deeper.
    """
    if control == "count_offset":
        return f"{enter} counts"
    if control == "fixed_clock_voltage":
        return f"{-enter} mV below your own stock voltage at that clock"
    return f"{enter} mV"


def rails_in_words(domain: str, others: tuple[str, ...]) -> str:
    """The domains that a number is for.

    >>> rails_in_words("core", ("ring",)), rails_in_words("core", ())
    ('core with ring', 'core')
    """
    return " with ".join([domain, " and ".join(others)]) if others else domain


def units_in_words(count: int) -> str:
    """How many units of the chip itself.

    >>> units_in_words(1), units_in_words(64)
    ('1 reported unit', '64 reported units')
    """
    return f"{count} reported unit{'' if count == 1 else 's'}"


def difference_in_words(name: str, leaning: Sequence[tuple[str, str]]) -> str:
    """How the values of a filter differ, and what to ask next; no cause is claimed."""
    told = ", ".join(f"{value} goes {leans}" for value, leans in leaning)
    return (
        f"Units differ by {name} more than chance explains: {told}. Ask again with {name}= for "
        "yours. That they differ together does not say why."
    )


def lock_lead(word: str, share_open: float) -> str:
    """What stands before a number that many machines can't be given; empty where they can.

    >>> lock_lead("open", 0.9)
    ''
    >>> lead = lock_lead("os_blocked", 0.02)
    >>> lead.startswith("the operating system does not let it through (open on 2 % of machines)")
    True
    """
    if word in OPEN_STATUSES:
        return ""
    told = f"{_STATUSES[word]} (open on {share_open * 100:.0f} % of machines)"
    return f"{told}. If yours is open, "


def summary_of_start(
    question: Question, lead: str, rails: str, setting: str, stands_on: str
) -> str:
    """One sentence or two: whether it can be set, where to begin, on how much that stands."""
    return f"{question.chip.name}: {lead}begin {rails} at {setting}, then test; {stands_on}."


def stricter_in_words(stable_share: float, served_at: float) -> str:
    """Why a start is served for a larger share than was asked for; empty where it is not.

    >>> stricter_in_words(0.9, 0.9)
    ''
    """
    if served_at <= stable_share:
        return ""
    return (
        f" Something about this pool is not yet looked at (deep results set aside, or a drift of "
        f"the recent ones), so it is served for {served_at:.0%} of units instead of "
        f"{stable_share:.0%}."
    )


def stands_on_own(units: int, failures: int) -> str:
    """What a start stands on that needs nobody else's units."""
    return f"this stands on {units_in_words(units)}, {failures} of them seen to fail"


def stands_on_related(units: int, failures: int, borrowed_units: float, level: str) -> str:
    """What a start stands on that leans on related chips as well."""
    related = f"{borrowed_units:.0f} units of related chips of its {level}"
    if units == 0:
        return f"nobody has sent a result of this chip, so this rests on {related} alone"
    return (
        f"this stands on {units_in_words(units)}, {failures} of them seen to fail, and leans on "
        f"{related}"
    )


def no_results(question: Question, control: str) -> str:
    """Why there is no start: nobody has sent anything that counts."""
    return (
        f"No result that counts for {question.chip.name} with {control} on "
        f"{question.domain} has been sent yet. Begin at stock with the smallest step, and send "
        "what you find: a failure is worth most."
    )


def too_few_units(question: Question, units: int) -> str:
    """Why there is no start: the evidence does not reach that far."""
    return (
        f"With {units_in_words(units)} of {question.chip.name} there is no honest "
        "number yet, and no related chip has enough either. Begin at stock with the smallest step, "
        "and send what you find: a failure is worth most."
    )


def fails_near_stock(question: Question) -> str:
    """Why there is no start: the bound lies at stock."""
    return (
        f"No setting below stock holds on {question.stable_share * 100:.0f} % of units of "
        f"{question.chip.name} with {question.confidence * 100:.0f} % confidence, as far as the "
        "reports can tell. A lower share or confidence may have an answer; else stay at stock."
    )


def summary_of_stability(question: Question, units: int, borrowed_units: float) -> str:
    """One sentence: whose units the curve rests on, and how to read it."""
    if units == 0 and borrowed_units == 0:
        return f"Nothing that counts for {question.chip.name} has been sent yet."
    related = f" and {borrowed_units:.0f} of related chips" if borrowed_units else ""
    return (
        f"The share of units of {question.chip.name} that hold each setting, from "
        f"{units_in_words(units)}{related}; a share is no promise for one machine."
    )


_STATUSES: Final = {
    "open": "it can be set",
    "firmware_only": "it can be set in the firmware's own menu only",
    "chip_locked": "the chip itself does not take it",
    "firmware_locked": "the firmware has locked it",
    "hypervisor_blocked": "a hypervisor keeps it from the operating system",
    "os_blocked": "the operating system does not let it through",
    "not_exposed": "nothing offers it",
    "mixed": "reports differ: it depends on machine, firmware and protections",
    "unknown": "nobody has reported yet whether it can be set",
}


def status_in_words(word: str) -> str:
    """A lock status as people say it."""
    return _STATUSES[word]


def summary_of_locks(chip_name: str, told: list[tuple[str, str, str]]) -> str:
    """One sentence for each control: whether it can be set."""
    if not told:
        return f"Nobody has reported yet what {chip_name} allows: {_STATUSES['unknown']}."
    parts = [f"{control} on {domain}: {words}" for domain, control, words in told]
    return f"{chip_name} - {'; '.join(parts)}."


def still_possible(kind: str) -> tuple[str, ...]:
    """What can be done where a control is locked, without opening it."""
    common = (
        "A lower power limit, where the system or the firmware offers one, trades little speed "
        "for much heat and noise.",
        "The platform profile (quiet, balanced) and a lower highest clock do the same without "
        "any voltage control.",
        "A clean fan, free vents and, by qualified hands, fresh thermal paste lower temperatures "
        "at the same voltage.",
    )
    if kind == "gpu":
        return (*common, "A limit on frames per second takes load off where nothing is lost by it.")
    return (*common, "Graphics in the same machine may still be open: ask for them separately.")
