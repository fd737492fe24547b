"""The sentences of a start, and of why there is none."""

from collections.abc import Sequence
from math import ceil
from typing import Final

from kbapi.advice.question import Question
from kbapi.advice.wording.language import marked, say, say_count
from kbapi.advice.wording.parts import (
    machines_in_words,
    percent,
    share_in_words,
    shown_from_five,
)
from kbapi.stats.start import FEWEST_OWN_UNITS

_MOST_VALUES: Final = 5
_PROBABLY_LOCKED: Final = 0.5
"""Below this share of open machines a number is led by a warning."""


def meaning_of(question: Question) -> str:
    """What a start stands for, and on how many machines it may fail."""
    failing = share_in_words(question.stable_share)
    confidence = percent(question.confidence)
    template = _FAILS if failing.startswith("1 ") else _FAIL
    return (
        say(template, failing=failing, confidence=confidence)
        + " "
        + say("Only reported machines are counted.")
    )


_FAILS: Final = marked(
    "At most {failing} machines fails at this setting or before it ({confidence} confidence)."
)
_FAIL: Final = marked(
    "At most {failing} machines fail at this setting or before it ({confidence} confidence)."
)


_LEANINGS: Final = {
    "deeper": marked("deeper with {value}"),
    "shallower": marked("shallower with {value}"),
}


def difference_in_words(name: str, leaning: Sequence[tuple[str, str]]) -> str:
    """How the values of a filter differ, and what to ask next; no cause is named."""
    values = [say(_LEANINGS[leans], value=value) for value, leans in leaning[:_MOST_VALUES]]
    if len(leaning) > _MOST_VALUES:
        values.append(say("and {count} more", count=len(leaning) - _MOST_VALUES))
    return say(
        "Limits differ by {filter} beyond chance: {values}. The cause is unknown. Ask again with "
        "{filter} set to yours.",
        filter=name,
        values=say(", ").join(values),
    )


def lock_lead(share_open: float) -> str:
    """What stands before a number that most machines can't use; empty where they can.

    >>> lock_lead(0.9)
    ''
    >>> lock_lead(0.02)
    'Probably locked: check this first. '
    """
    if share_open >= _PROBABLY_LOCKED:
        return ""
    return say("Probably locked: check this first.") + " "


def summary_of_start(lead: str, domains: str, setting: str, basis: str) -> str:
    """Where to start, and on how much that stands."""
    first = say("Start at {setting} on {domains}.", setting=setting, domains=domains)
    return f"{lead}{first} {basis}"


def stricter_in_words(stable_share: float, stable_share_used: float) -> str:
    """Why a start is looked up for a larger share than was asked for; empty where it is not.

    >>> stricter_in_words(0.9, 0.9)
    ''
    """
    if stable_share_used <= stable_share:
        return ""
    return " " + say(
        "The start is for {used} of machines instead of {asked}: deep results are excluded, or "
        "recent results drift.",
        used=percent(stable_share_used),
        asked=percent(stable_share),
    )


def based_on(
    question: Question, units: int, borrowed_units: float, failures: int | None = None
) -> str:
    """How many machines an answer stands on, of the chip itself and of related ones."""
    borrowed = round(borrowed_units)
    if units == 0:
        related = say("Based on {machines} of related chips.", machines=machines_in_words(borrowed))
        return f"{related} {_no_own(question)}"
    own = machines_in_words(units)
    which = _OWN_THAT_FIT if question.filters_told else _OWN
    of_own = say(which, machines=own)
    basis = (
        say("Based on {own} and {borrowed} of related chips", own=of_own, borrowed=borrowed)
        if borrowed
        else say("Based on {own}", own=of_own)
    )
    if failures is None:
        return say("{basis}.", basis=basis)
    failed = say("{count} of the {units} failed at some setting", count=failures, units=units)
    return say("{basis}; {failed}.", basis=basis, failed=failed)


_OWN: Final = marked("{machines} of this chip")
_OWN_THAT_FIT: Final = marked("{machines} of this chip that fit the filter")


def _no_own(question: Question) -> str:
    if question.filters_told:
        return say("Results for your filter are not used.") + " " + shown_from_five()
    return say("This chip has no counted results yet.")


_BEGIN: Final = marked(
    "Begin at stock with the smallest step, and send what you find: a failure helps most."
)


def no_start_yet() -> str:
    """The headline where there are too few results."""
    return say("No start yet: there are too few results.")


def no_results(question: Question, control: str) -> str:
    """Why there is no start: nothing that counts has been sent."""
    if question.filters_told:
        return say("No results are shown for this filter.") + " " + shown_from_five()
    none = say(
        "No counted results exist for {control} on {domain}.",
        control=control,
        domain=question.domain,
    )
    return f"{none} {say(_BEGIN)}"


def too_few_units(units: int) -> str:
    """Why there is no start: the evidence does not reach that far."""
    few = say(
        "{machines} of this chip, and no related chip with enough results.",
        machines=machines_in_words(units),
    )
    missing = ceil(FEWEST_OWN_UNITS) - units
    takes = (
        say_count(
            "A start takes three; {count} more is needed.",
            "A start takes three; {count} more are needed.",
            missing,
        )
        if missing > 0
        else say("A start takes three.")
    )
    return f"{few} {takes} {say(_BEGIN)}"


def no_start_here(question: Question) -> str:
    """The headline where no setting holds on enough machines."""
    return say(
        "No start: no setting below stock holds on {share} of machines with {confidence} "
        "confidence.",
        share=percent(question.stable_share),
        confidence=percent(question.confidence),
    )


def fails_near_stock(question: Question, units: int) -> str:
    """What to do where the bound lies at stock."""
    why = say(
        "The results allow no setting below stock for this share and confidence. Ask for a lower "
        "share or confidence, or stay at stock."
    )
    return f"{why} {_no_own(question)}" if units == 0 else why
