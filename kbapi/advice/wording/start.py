"""The sentences of a start, and of why there is none."""

from collections.abc import Sequence
from typing import Final

from kbapi.advice.question import Question
from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.locks import status_in_words
from kbapi.advice.wording.parts import percent, share_in_words, units_in_words
from kbapi.vocabulary import OPEN_STATUSES


def meaning_of(question: Question) -> str:
    """What a start stands for, and for whom it can't speak."""
    return say(
        "with {confidence} confidence at most {failing} reported units fails here or earlier; only "
        "people who report are counted",
        confidence=percent(question.confidence),
        failing=share_in_words(question.stable_share),
    )


_LEANINGS: Final = {
    "deeper": marked("{value} goes deeper"),
    "shallower": marked("{value} goes shallower"),
}


def difference_in_words(name: str, leaning: Sequence[tuple[str, str]]) -> str:
    """How the values of a filter differ, and what to ask next; no cause is unverified."""
    told = say(", ").join(say(_LEANINGS[leans], value=value) for value, leans in leaning)
    return say(
        "Units differ by {filter} more than chance explains: {told}. Ask again with {filter}= for "
        "yours. That they differ together does not say why.",
        filter=name,
        told=told,
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
    return say(
        "{status} (open on {share} of machines). If yours is open, ",
        status=status_in_words(word),
        share=percent(share_open),
    )


def summary_of_start(
    question: Question, lead: str, rails: str, setting: str, stands_on: str
) -> str:
    """One sentence or two: whether it can be set, where to begin, on how much that stands."""
    return say(
        "{chip}: {lead}begin {rails} at {setting}, then test; {stands_on}.",
        chip=question.chip.name,
        lead=lead,
        rails=rails,
        setting=setting,
        stands_on=stands_on,
    )


def stricter_in_words(stable_share: float, stable_share_used: float) -> str:
    """Why a start is served for a larger share than was asked for; empty where it is not.

    >>> stricter_in_words(0.9, 0.9)
    ''
    """
    if stable_share_used <= stable_share:
        return ""
    return say(
        " Something about this pool is not yet looked at (deep results set aside, or a drift of "
        "the recent ones), so it is served for {served} of units instead of {asked}.",
        served=percent(stable_share_used),
        asked=percent(stable_share),
    )


def stands_on_own(units: int, failures: int) -> str:
    """What a start stands on that needs nobody else's units."""
    return say(
        "this stands on {units}, {failures} of them seen to fail",
        units=units_in_words(units),
        failures=failures,
    )


_RELATED: Final = {
    "series": marked("{count} units of related chips of its series"),
    "line": marked("{count} units of related chips of its line"),
}


def stands_on_related(units: int, failures: int, borrowed_units: float, level: str) -> str:
    """What a start stands on that leans on related chips as well."""
    related = say(_RELATED[level], count=f"{borrowed_units:.0f}")
    if units == 0:
        return say(
            "nobody has sent a result of this chip, so this rests on {related} alone",
            related=related,
        )
    return say("{own}, and leans on {related}", own=stands_on_own(units, failures), related=related)


def no_results(question: Question, control: str) -> str:
    """Why there is no start: nobody has sent anything that counts."""
    return say(
        "No result that counts for {chip} with {control} on {rail} has been sent yet. Begin at "
        "stock with the smallest step, and send what you find: a failure is worth most.",
        chip=question.chip.name,
        control=control,
        rail=question.domain,
    )


def too_few_units(question: Question, units: int) -> str:
    """Why there is no start: the evidence does not reach that far."""
    return say(
        "With {units} of {chip} there is no honest number yet, and no related chip has enough "
        "either. Begin at stock with the smallest step, and send what you find: a failure is "
        "worth most.",
        units=units_in_words(units),
        chip=question.chip.name,
    )


def fails_near_stock(question: Question) -> str:
    """Why there is no start: the bound lies at stock."""
    return say(
        "No setting below stock holds on {share} of units of {chip} with {confidence} confidence, "
        "as far as the reports can tell. A lower share or confidence may have an answer; else stay "
        "at stock.",
        share=percent(question.stable_share),
        chip=question.chip.name,
        confidence=percent(question.confidence),
    )
