"""The sentences of an answer about the next step."""

from typing import Final

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import (
    chance_in_words,
    rails_in_words,
    setting_in_words,
)
from kbapi.stats.next_step import Stop

_STOP_RULES: Final = (
    marked(
        "Stop at once at anything that fails: a wrong result, a corrected machine check, picture "
        "faults, a lost driver, a hang or a restart. It is a failure although nothing crashed."
    ),
    marked(
        "Set everything back to stock after a failure, check your files, and tell the failure "
        "before you go on."
    ),
    marked("Never try again at or beyond a setting that failed."),
    marked("Stop for good where stock itself fails."),
)
_UNUSED: Final = {
    "other_domains": marked(
        "This run moved other rails than those asked about, or not all of them alike; it says "
        "nothing of them alone."
    ),
    "failure_not_isolated": marked(
        "Something else was off stock that had not passed before: the failure may be its own. "
        "Test each group of rails by itself."
    ),
    "contradicted_by_failure": marked(
        "It passed, but the same or a shallower setting failed: the failure counts."
    ),
}


def stop_rules() -> tuple[str, ...]:
    """When to stop, whatever is proposed."""
    return tuple(say(rule) for rule in _STOP_RULES)


def why_unused(code: str) -> str:
    """Why a run of one's own says nothing here."""
    return say(_UNUSED[code])


def fixed_step_search() -> str:
    """What the search by fixed steps does."""
    return say(
        "The search by fixed steps goes down from 50 mV by 10 mV until one fails, then by 5 mV "
        "(counts: from 10 by 2, then by 1), whatever the chance of a failure."
    )


def fails_at_stock() -> str:
    """What it means where stock itself has failed."""
    return say(
        "It failed with everything at stock. That is a fault of the machine and no limit of "
        "tuning: stop, set everything back, and ask qualified people."
    )


def why_stopped(stop: Stop, resolution: str, max_risk: float) -> str:
    """Why no further setting is proposed."""
    if stop is Stop.BRACKETED:
        return say(
            "Your limit is known to within {resolution}: there is nothing left to look for.",
            resolution=resolution,
        )
    if stop is Stop.TOO_RISKY:
        return say(
            "Every further setting that is worth a trial fails on more than {risk} in 100 units "
            "like yours: going on is not worth the failure.",
            risk=f"{max_risk * 100:g}",
        )
    return say(
        "Nobody is sent deeper than this: what lies beyond is more often a mistake than a chip."
    )


def try_in_words(control: str, enter: int, chance: float | None) -> str:
    """The setting to try, and its chance."""
    setting = setting_in_words(control, enter)
    if chance is None:
        return say("try {setting}", setting=setting)
    return say(
        "try {setting} (passes on {chance} units like yours)",
        setting=setting,
        chance=chance_in_words(chance),
    )


def settle_in_words(control: str, enter: int | None, margin: str) -> str:
    """Where to settle if it ended now."""
    if enter is None:
        return say("stay at stock: nothing has passed far enough from it")
    return say(
        "settle at {setting}, {margin} short of your deepest pass",
        setting=setting_in_words(control, enter),
        margin=margin,
    )


_AFTER: Final = {
    ("stable",): marked("If it passes: {then}."),
    ("failed",): marked("If it fails: {then}."),
    ("stable", "stable"): marked("If it passes and the next one passes: {then}."),
    ("stable", "failed"): marked("If it passes and the next one fails: {then}."),
    ("failed", "stable"): marked("If it fails and the next one passes: {then}."),
    ("failed", "failed"): marked("If it fails and the next one fails: {then}."),
}


def plan_in_words(after: tuple[str, ...], then: str) -> str:
    """A line of the plan.

    >>> plan_in_words(("stable", "failed"), "try -80 mV")
    'If it passes and the next one fails: try -80 mV.'
    """
    return say(_AFTER[after], then=then)


def summary_of_next_step(
    chip: str, domain: str, others: tuple[str, ...], then: str, settle: str
) -> str:
    """One or two sentences: what to do next, and where one stands."""
    return say(
        "{chip}, {rails}: {then}. If you stop now, {settle}.",
        chip=chip,
        rails=rails_in_words(domain, others),
        then=then,
        settle=settle,
    )


def summary_at_the_end(chip: str, why: str, settle: str) -> str:
    """The same where nothing more is to be tried."""
    return say("{chip}: {why} Now {settle}.", chip=chip, why=why, settle=settle)


def without_evidence(then: str) -> str:
    """What to do where nobody's results help."""
    return say(
        "nobody's results tell where this chip fails, so go by the smallest steps: {then}",
        then=then,
    )
