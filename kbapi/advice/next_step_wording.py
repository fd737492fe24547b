"""The sentences of an answer about the next step."""

from typing import Final

from kbapi.advice.wording import rails_in_words, setting_in_words
from kbapi.stats.next_step import Stop

STOP_RULES: Final = (
    "Stop at once at anything that fails: a wrong result, a corrected machine check, picture "
    "faults, a lost driver, a hang or a restart. It is a failure although nothing crashed.",
    "Set everything back to stock after a failure, check your files, and tell the failure before "
    "you go on.",
    "Never try again at or beyond a setting that failed.",
    "Stop for good where stock itself fails.",
)

UNUSED: Final = {
    "other_rails": "This run moved other rails than those asked about, or not all of them alike; "
    "it says nothing of them alone.",
    "failure_shared": "Something else was off stock that had not passed before: the failure may "
    "be its own. Test each group of rails by itself.",
    "beaten_by_failure": "It passed, but the same or a shallower setting failed: the failure "
    "counts.",
}

CUSTOMARY: Final = (
    "The search by fixed steps goes down from 50 mV by 10 mV until one fails, then by 5 mV "
    "(counts: from 10 by 2, then by 1), whatever the chance of a failure."
)

FAILS_AT_STOCK: Final = (
    "It failed with everything at stock. That is a fault of the machine and no limit of tuning: "
    "stop, set everything back, and ask qualified people."
)


def chance_in_words(chance: float) -> str:
    """A chance as people say it, never as if it were sure.

    >>> chance_in_words(0.914), chance_in_words(0.999), chance_in_words(0.004)
    ('91 in 100', 'more than 99 in 100', 'fewer than 1 in 100')
    """
    hundredths = round(chance * 100)
    if hundredths >= 100:
        return "more than 99 in 100"
    return f"{hundredths} in 100" if hundredths else "fewer than 1 in 100"


def why_stopped(stop: Stop, resolution: str, max_risk: float) -> str:
    """Why no further setting is proposed."""
    if stop is Stop.BRACKETED:
        return f"Your limit is known to within {resolution}: there is nothing left to look for."
    if stop is Stop.TOO_RISKY:
        return (
            "Every further setting that is worth a trial fails on more than "
            f"{max_risk * 100:.0f} in 100 units like yours: going on is not worth the failure."
        )
    return "Nobody is sent deeper than this: what lies beyond is more often a mistake than a chip."


def amount_in_words(control: str, amount: float) -> str:
    """A width or a margin in the control's unit.

    >>> amount_in_words("voltage_offset", 10.0), amount_in_words("count_offset", 1.0)
    ('10 mV', '1 count')
    """
    if control == "count_offset":
        return f"{amount:g} count{'' if amount == 1 else 's'}"
    return f"{amount:g} mV"


def try_in_words(control: str, enter: int, chance: float | None) -> str:
    """The setting to try, and its chance."""
    told = f"try {setting_in_words(control, enter)}"
    if chance is None:
        return told
    return f"{told} (passes on {chance_in_words(chance)} units like yours)"


def settle_in_words(control: str, enter: int | None, margin: str) -> str:
    """Where to settle if it ended now."""
    if enter is None:
        return "stay at stock: nothing has passed far enough from it"
    return f"settle at {setting_in_words(control, enter)}, {margin} short of your deepest pass"


def plan_in_words(after: tuple[str, ...], then: str) -> str:
    """A line of the plan.

    >>> plan_in_words(("stable", "failed"), "try -80 mV")
    'If it passes and the next one fails: try -80 mV.'
    """
    first, *second = ("passes" if outcome == "stable" else "fails" for outcome in after)
    told = f"If it {first}" + (f" and the next one {second[0]}" if second else "")
    return f"{told}: {then}."


def summary_of_next_step(
    chip: str, domain: str, others: tuple[str, ...], then: str, settle: str
) -> str:
    """One or two sentences: what to do next, and where one stands."""
    return f"{chip}, {rails_in_words(domain, others)}: {then}. If you stop now, {settle}."


def summary_at_the_end(chip: str, why: str, settle: str) -> str:
    """The same where nothing more is to be tried."""
    return f"{chip}: {why} Now {settle}."


def without_evidence(then: str) -> str:
    """What to do where nobody's results help."""
    return f"nobody's results tell where this chip fails, so go by the smallest steps: {then}"
