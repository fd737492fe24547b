"""Sentences of a start and of stable shares."""

from collections.abc import Sequence
from math import ceil
from typing import Final

from kbapi.advice.documented import FactoryLockAnswer
from kbapi.advice.phrases import (
    amount_text,
    chance_text,
    counted,
    machines_text,
    percent,
    share_text,
    shown_from_five,
)
from kbapi.advice.start.query import Question
from kbapi.evidence.comparisons import FilterValue
from kbapi.evidence.locks import LockShares
from kbapi.stats.start.start import FEWEST_OWN_UNITS, Guard, reserve_for

_MOST_VALUES: Final = 5
_PROBABLY_LOCKED: Final = 0.5
"""Below this share of open machines a warning comes before the number."""


def meaning_of(question: Question) -> str:
    """What a start means: on how many machines it may fail."""
    failing = share_text(question.stable_share)
    confidence = percent(question.confidence)
    fail = "fails" if failing.startswith("1 ") else "fail"
    return (
        f"At most {failing} machines {fail} at this setting or before it ({confidence} "
        "confidence). Only reported machines are counted."
    )


def expected_to_hold(chance_stable: float, question: Question) -> str:
    """The best estimate for one more machine, and beside it what is sure of all of them."""
    failing = share_text(question.stable_share)
    confidence = percent(question.confidence)
    fails = "fails" if failing.startswith("1 ") else "fail"
    return (
        f"{round(100 * chance_stable)} of 100 machines like these are expected to hold it; with "
        f"{confidence} confidence at most {failing} {fails} here."
    )


def option(
    name: str, first: str, chance_fails: float, takes: tuple[float, float], reached: str
) -> str:
    """A search to choose: where it begins, how many fail there, what it takes and reaches.

    >>> option("bold", "-80 mV", 0.104, (4.4, 0.86), "-97 mV")
    'Bold: begin at -80 mV, where 10 in 100 fail; 4.4 trials and 0.9 failures reach -97 mV.'
    """
    trials, failures = takes
    fails = chance_text(chance_fails)
    fail = "fails" if fails == "1 in 100" else "fail"
    return (
        f"{name.capitalize()}: begin at {first}, where {fails} {fail}; {trials:.1f} trials and "
        f"{failures:.1f} failures reach {reached}."
    )


def least_cost(name: str, first: str) -> str:
    """Which search to choose by the values that were asked with.

    >>> least_cost("bold", "-80 mV")
    'The bold search costs you least: begin at -80 mV.'
    """
    return f"The {name} search costs you least: begin at {first}."


def difference_text(name: str, compared: Sequence[FilterValue]) -> str:
    """How the values of a filter differ, and what to ask next; no cause is named."""
    values = [f"{one.direction} with {one.value}" for one in compared[:_MOST_VALUES]]
    if len(compared) > _MOST_VALUES:
        values.append(f"and {len(compared) - _MOST_VALUES} more")
    return (
        f"Limits differ by {name} beyond chance: {', '.join(values)}. The cause is unknown. Ask "
        f"again with {name} set to yours."
    )


def lock_lead(share_open: float) -> str:
    """The warning before a number that most machines cannot use; empty where most can.

    >>> lock_lead(0.9)
    ''
    >>> lock_lead(0.02)
    'Probably locked: check this first. '
    """
    if share_open >= _PROBABLY_LOCKED:
        return ""
    return "Probably locked: check this first. "


def factory_lead(documented: FactoryLockAnswer, proven: int = 0) -> str:
    """What comes before everything else on a series that is locked at the factory; else empty.

    `proven` is the number of machines of the chip with results, all of which show an effect.
    """
    if documented.status != "locked":
        return ""
    left = f"; {' and '.join(documented.controls_left)} is left" if documented.controls_left else ""
    lead = f"{documented.in_short}{left}. "
    if documented.reports_against:
        of_all = machines_text(documented.reports)
        lead += f"{documented.reports_against} of {of_all} report otherwise. "
    elif proven:
        lead += f"Results of {machines_text(proven)} show otherwise. "
    return lead[0].upper() + lead[1:]


def lead(documented: FactoryLockAnswer, locks: LockShares | None, proven: int = 0) -> str:
    """What comes first in a summary: the documented lock, else that most reports are of one."""
    of_reports = "" if locks is None else lock_lead(locks.open.share)
    return factory_lead(documented, proven) or of_reports


_ACCEPT: Final = "Accept the lock: results of other chips do not open it."


def locked_at_factory(left: Sequence[str]) -> str:
    """Why there is no start on a locked series, and what is left."""
    return f"{_what_is_left(left)} {_ACCEPT}"


def locked_by_reports(control: str, domain: str, left: Sequence[str]) -> str:
    """Why there is no start where most machines report a lock, and what is left.

    >>> locked_by_reports("voltage_offset", "core", []).partition(". ")[0]
    'Most machines report that voltage_offset on core is locked, and no three show an effect'
    """
    why = f"Most machines report that {control} on {domain} is locked, and no three show an effect."
    yours = "If yours is open, send a result with proof of effect."
    return f"{why} {_what_is_left(left)} {yours}"


def _what_is_left(left: Sequence[str]) -> str:
    if "power_limit" in left:
        return "A lower power limit is what is left: ask /v1/power."
    return "No control is left on this chip."


def no_known_control(control: str, domain: str, left: Sequence[str]) -> str:
    """Why there is no start on a chip without a known control of voltage."""
    known = f"No source says that this chip has {control} on {domain}."
    is_left = " A lower power limit can help: ask /v1/power." if "power_limit" in left else ""
    return f"{known}{is_left} If yours has it, send a result with proof of effect."


_WITHOUT_CONTROL: Final = {
    None: "No start: no control of voltage is known.",
    "documents": "No start: voltage control is locked here.",
    "reports": "No start: most machines report that this control is locked.",
}


def no_start_without_control(locked_by: str | None) -> str:
    """The summary where there is no control to search with."""
    return _WITHOUT_CONTROL[locked_by]


def not_established() -> str:
    """That no contributor of the pool is established, and what that means."""
    return "No contributor here is established yet, so false results count in full."


def mostly_new() -> str:
    """That new contributors outweigh the established ones, and what that means."""
    return "New contributors outweigh the established ones here: false results may decide."


def moved_by_one(control: str, most: float, has_start: bool) -> str:
    """That one contributor has much influence; neither who nor which way.

    >>> moved_by_one("count_offset", 2.0, True)
    'One contributor moves this start by more than 2 counts: begin closer to stock.'
    """
    if not has_start:
        return "One contributor alone decides that there is no start."
    amount = amount_text(control, most)
    return f"One contributor moves this start by more than {amount}: begin closer to stock."


def if_untold_failed(setting: str | None) -> str:
    """How far the start depends on stops without a failure and without a stated plan.

    >>> if_untold_failed("-45 mV")
    'Some stops have no stated reason: if they were failures, the start would be -45 mV.'
    """
    then = "there would be no start" if setting is None else f"the start would be {setting}"
    return f"Some stops have no stated reason: if they were failures, {then}."


def summary_of_start(
    lead: str, domains: str, setting: str, expected: str, basis: str, lines: int = 0
) -> str:
    """The setting to start at, what it holds on, and the results behind it.

    It says whether these results are of other lines.
    """
    start = f"{lead}Start at {setting} on {domains}"
    if lines:
        start = f"{start}, from all chips of this kind"
        expected = f"No related chip has enough results. {expected}"
    return f"{start}. {expected} {basis}"


def stricter_text(stable_share: float, stable_share_used: float, guard: Guard, units: float) -> str:
    """Why a start is computed for a larger share than was asked for; empty where it is not.

    >>> stricter_text(0.9, 0.9, Guard(0.0, drift_alarm=False), 10.0)
    ''
    >>> stricter_text(0.9, 0.91, Guard(0.0, drift_alarm=False), 30.0)
    ' The start is for 91 % of machines instead of 90 %, because some results may be false.'
    """
    used, asked = (f"{100 * share:.3g} %" for share in (stable_share_used, stable_share))
    if used == asked:
        return ""
    reasons = {
        "some results may be false": reserve_for(units) > 0.0,
        "some results are excluded or count in part": guard.flagged_share > 0.0,
        "recent results drift": guard.drift_alarm,
    }
    why = " and ".join(reason for reason, applies in reasons.items() if applies)
    return f" The start is for {used} of machines instead of {asked}, because {why}."


def based_on(
    question: Question,
    units: int,
    borrowed_units: float,
    failures: int | None = None,
    lines: int = 0,
) -> str:
    """How many machines are behind an answer, of the chip itself and of related chips.

    With `lines`, of so many other lines instead of related chips.
    """
    borrowed = round(borrowed_units)
    others = counted(lines, "other line", "other lines") if lines else "related chips"
    fit = " that fit the filter" if question.filters_response else ""
    if units == 0:
        return f"Based on {machines_text(borrowed)} of {others}{fit}. {_no_own(question)}"
    basis = f"Based on {machines_text(units)} of this chip"
    if borrowed:
        basis += f" and {borrowed} of {others}"
    basis += fit
    if failures is None:
        return f"{basis}."
    return f"{basis}; {failures} of the {units} failed at some setting."


def _no_own(question: Question) -> str:
    if question.filters_response:
        return f"Results of this chip are not shown for the filter. {shown_from_five()}"
    return "This chip has no counted results yet."


_BEGIN: Final = (
    "Begin at stock with the smallest step, and send what you find: a failure helps most."
)


def no_start_yet() -> str:
    """The summary where there are too few results."""
    return "No start yet: there are too few results."


def no_results(question: Question, control: str, units: int, of_related: int) -> str:
    """Why there is no start: there are no counted results.

    With a filter, how many units this chip and related ones have without it.
    """
    if question.filters_response:
        return (
            f"No results are shown for this filter. {shown_from_five()} Without a filter there are "
            f"{machines_text(units)} of this chip and {of_related} of related chips."
        )
    return f"No counted results exist for {control} on {question.domain}. {_BEGIN}"


def too_few_units(units: int, weight: float) -> str:
    """Why there is no start: how many machines are missing; with less weight, what counts less."""
    few = f"{machines_text(units)} of this chip, and no related chip has enough results."
    if weight < units - 1e-6:
        few += (
            " Not all of them count in full: first failures, and several machines of one "
            "contributor, count in part."
        )
    missing = ceil(FEWEST_OWN_UNITS - weight - 1e-6)
    return f"{few} A start takes three; {counted(missing, 'more is', 'more are')} needed. {_BEGIN}"


def unused_related(chips: int) -> str:
    """Why related chips with results are not used; empty where there are none.

    >>> unused_related(0)
    ''
    """
    if chips == 0:
        return ""
    return (
        f" Not used: {counted(chips, 'related chip', 'related chips')}. Such a chip needs a series "
        "in the catalogue and ten machines of five contributors, most of them established."
    )


def few_lines(lines: int | None) -> str:
    """That too few other lines have results to use; empty where none was examined.

    >>> few_lines(None), few_lines(2)
    ('', ' Of other lines, 2 have enough results; a start takes three.')
    """
    if lines is None:
        return ""
    have = counted(lines, "has", "have")
    return f" Of other lines, {have} enough results; a start takes three."


def no_start_here(question: Question, units_needed: int | None) -> str:
    """The summary where no setting is known to hold on enough machines."""
    share, confidence = percent(question.stable_share), percent(question.confidence)
    wanted = f"{share} of machines with {confidence} confidence"
    if units_needed is not None:
        return f"No start: there are too few results for {wanted}."
    return f"No start: no setting below stock holds on {wanted}."


def share_out_of_reach(
    question: Question, units_needed: int, units: int, *, of_lines: bool = False
) -> str:
    """Why there is no start for so large a share: how many machines it takes.

    `of_lines` says that other lines lend; their machines do not count for it.
    """
    share, confidence = percent(question.stable_share), percent(question.confidence)
    return (
        f"{share} at {confidence} confidence takes results of {machines_text(units_needed)} or "
        f"more; {counted(units, 'is', 'are')} counted."
        + (" Machines of other lines do not count for it." if of_lines else "")
    )


def for_lower_share(question: Question, setting: str | None, share: float | None) -> str:
    """The setting for the largest usual share that has a start, or that none has.

    Without the setting, how to ask for it.
    """
    confidence = percent(question.confidence)
    if share is None:
        return " Lower shares have no start either: stay at stock."
    if setting is None:
        return f" A lower share has a start: ask with stable_share={share:g}."
    return f" For {percent(share)} of machines the start is {setting} ({confidence} confidence)."


def instead(setting: str | None, share: float | None) -> str:
    """The start that is given for a lower share; empty without any.

    >>> instead("-45 mV", 0.75)
    ' The start for 75 % is -45 mV.'
    """
    if setting is None or share is None:
        return ""
    return f" The start for {percent(share)} is {setting}."


def fails_near_stock(question: Question, units: int, failed: str, is_queued: bool) -> str:
    """What is known where the results allow no setting below stock.

    `failed` says how many contributors have failed, and where; empty without own results.
    """
    why = "The results allow no setting below stock for this share and confidence."
    if failed:
        why = f"{why} {failed}"
    if is_queued:
        why += " A curator of this instance is asked to look at them."
    return f"{why} {_no_own(question)}" if units == 0 else why


def failed_at_first(failed: int, units: int) -> str:
    """How many machines failed at their first setting.

    >>> failed_at_first(6, 40)
    ' 6 of 40 machines failed at their first setting.'
    """
    return f" {failed} of {machines_text(units)} failed at their first setting."


def failed_near_stock(contributors: int, setting: str, *, is_shown: bool) -> str:
    """How many contributors have failed near stock, and where; no number where few are known.

    >>> failed_near_stock(6, "-20 mV", is_shown=True)
    '6 contributors failed at -20 mV or closer to stock.'
    """
    if not is_shown:
        return "Fewer than five known contributors failed this close to stock."
    return f"{contributors} contributors failed at {setting} or closer to stock."


def summary_of_stability(
    question: Question, units: int, borrowed_units: float, lines: int, absence: str | None
) -> str:
    """Which units the curve is computed from, and how to read it."""
    if units == 0 and borrowed_units == 0 and absence:
        return f"No curve: {absence}"
    if units == 0 and borrowed_units == 0:
        return (
            "No curve yet: there are no counted results. Results of today wait for five others or "
            "for tomorrow."
        )
    return " ".join(
        [
            "The curve is the share of machines that hold each setting"
            + (", from all chips of this kind." if lines else "."),
            based_on(question, units, borrowed_units, lines=lines),
            "A share is no promise for one machine.",
        ]
    )
