"""The sentences of an answer about the next step."""

from typing import Final

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import chance_in_words, setting_in_short, setting_in_words
from kbapi.stats.next_step import Stop

_STOP_RULES: Final = (
    marked(
        "Stop at any failure: a wrong result, a corrected machine check, picture faults, a lost "
        "driver, a hang or a restart. A failure counts without a crash too."
    ),
    marked(
        "After a failure, set everything back to stock, check your files, and report the failure "
        "before you go on."
    ),
    marked("Never try a failed setting again, or a deeper one."),
    marked("Stop for good if stock itself fails."),
)
_UNUSED: Final = {
    "other_domains": marked(
        "Trial {number} moved other domains than those asked about, so it is not used."
    ),
    "failure_not_isolated": marked(
        "Trial {number} had another untested setting, which may have failed: test each group of "
        "domains alone."
    ),
    "contradicted_by_failure": marked(
        "Trial {number} passed, but the same or a shallower setting failed: the failure counts."
    ),
}


def stop_rules() -> tuple[str, ...]:
    """When to stop, whatever is proposed."""
    return tuple(say(rule) for rule in _STOP_RULES)


def why_unused(code: str, place: int) -> str:
    """Why the trial at this place of those sent, from 0, is not used."""
    return say(_UNUSED[code], number=place + 1)


def fixed_step_search() -> str:
    """What the search by fixed steps does."""
    return say(
        "The fixed-step search starts at 50 mV and goes down by 10 mV until a trial fails, then by "
        "5 mV. With counts it starts at 10 and goes down by 2, then by 1."
    )


def fails_at_stock() -> str:
    """What it means where stock itself has failed."""
    return say(
        "A failure at stock is a fault of the machine, not a limit of tuning. Set everything back "
        "to stock."
    )


def why_stopped(stop: Stop, resolution: str, max_risk: float) -> str:
    """Why no further setting is proposed."""
    if stop is Stop.BRACKETED:
        return say("Your limit is known to within {resolution}.", resolution=resolution)
    if stop is Stop.TOO_RISKY:
        return say(
            "Each further step fails on more than {risk} in 100 machines like yours.",
            risk=f"{max_risk * 100:g}",
        )
    return say("No deeper setting is proposed: results beyond this depth are usually mistakes.")


def try_in_words(control: str, enter: int, domains: str) -> str:
    """The setting to try, and where."""
    return say(
        "Try {setting} on {domains}.", setting=setting_in_words(control, enter), domains=domains
    )


def chance_of_pass(chance: float) -> str:
    """How many machines pass the setting to try."""
    return say("{chance} machines like yours pass.", chance=chance_in_words(chance))


def without_evidence() -> str:
    """Why a step is small."""
    return say("The step is small, because no results show where this chip fails.")


_IN_USE: Final = marked("use {setting}, {margin} shallower than your deepest pass")
_STAY: Final = marked("stay at stock, because no setting passed deep enough")
_OVER: Final = marked("Use {setting}: {margin} shallower than your deepest pass.")
_WHEN: Final = {
    (): marked("If you stop now: {then}."),
    ("stable",): marked("If it passes and you stop: {then}."),
    ("failed",): marked("If it fails and you stop: {then}."),
    ("stable", "stable"): marked("If two pass and you stop: {then}."),
    ("stable", "failed"): marked("If one passes, the next fails and you stop: {then}."),
    ("failed", "stable"): marked("If one fails, the next passes and you stop: {then}."),
    ("failed", "failed"): marked("If two fail and you stop: {then}."),
}


def in_use_at_the_end(control: str, enter: int | None, margin: str) -> str:
    """What to use where the search is over."""
    if enter is None:
        return say("Stay at stock: no setting passed deep enough.")
    return say(_OVER, setting=setting_in_words(control, enter), margin=margin)


def in_use_in_words(control: str, enter: int | None, margin: str, after: tuple[str, ...]) -> str:
    """What to use if the search ended after these outcomes.

    >>> in_use_in_words("voltage_offset", None, "10 mV", ())
    'If you stop now: stay at stock, because no setting passed deep enough.'
    """
    if enter is None:
        then = say(_STAY)
    else:
        then = say(_IN_USE, setting=setting_in_short(control, enter), margin=margin)
    return say(_WHEN[after], then=then)


_AFTER: Final = {
    ("stable",): marked("If it passes: {then}."),
    ("failed",): marked("If it fails: {then}."),
    ("stable", "stable"): marked("If it passes and the next one passes: {then}."),
    ("stable", "failed"): marked("If it passes and the next one fails: {then}."),
    ("failed", "stable"): marked("If it fails and the next one passes: {then}."),
    ("failed", "failed"): marked("If it fails and the next one fails: {then}."),
}


def plan_in_words(
    after: tuple[str, ...], control: str, enter: int | None, chance: float | None
) -> str:
    """A line of the plan.

    >>> plan_in_words(("stable", "failed"), "voltage_offset", -80, 0.914)
    'If it passes and the next one fails: try -80 mV (91 in 100 machines like yours pass).'
    >>> plan_in_words(("failed",), "voltage_offset", None, None)
    'If it fails: the search ends.'
    """
    if enter is None:
        then = say("the search ends")
    elif chance is None:
        then = say("try {setting}", setting=setting_in_short(control, enter))
    else:
        then = say(
            "try {setting} ({chance} machines like yours pass)",
            setting=setting_in_short(control, enter),
            chance=chance_in_words(chance),
        )
    return say(_AFTER[after], then=then)


def summary_at_the_end(control: str, enter: int | None) -> str:
    """What to use where nothing more is to be tried."""
    if enter is None:
        return say("The search is over: stay at stock.")
    return say("The search is over: use {setting}.", setting=setting_in_words(control, enter))


def summary_at_stock() -> str:
    """What to do where stock itself failed."""
    return say("Stop: it fails at stock. Ask qualified people.")
