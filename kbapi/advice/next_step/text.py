"""The sentences of an answer about the next step."""

from typing import Final

from kbapi.advice.phrases import chance_text, setting_in_short, setting_text
from kbapi.stats.search.next_step import Stop

_STOP_RULES: Final = (
    (
        "Stop at any failure: a wrong result, a corrected machine check, picture faults, a lost "
        "driver, a hang or a restart. A failure counts without a crash too."
    ),
    (
        "After a failure, set everything back to stock, check your files, and report the failure "
        "before you go on."
    ),
    "Never try a failed setting again, or a deeper one.",
    "Stop for good if stock itself fails.",
)
_UNUSED: Final = {
    "other_domains": "moved other domains than those asked about, so it is not used.",
    "failure_not_isolated": (
        "had another untested setting, which may have failed: test each group of domains alone."
    ),
    "contradicted_by_failure": (
        "passed, but the same or a shallower setting failed: the failure counts."
    ),
}


def stop_rules() -> tuple[str, ...]:
    """When to stop, whatever is proposed."""
    return _STOP_RULES


def why_unused(code: str, place: int) -> str:
    """Why the trial at this place of those sent, from 0, is not used."""
    return f"Trial {place + 1} {_UNUSED[code]}"


def fixed_step_search() -> str:
    """What the search by fixed steps does."""
    return (
        "The fixed-step search starts at 50 mV and goes down by 10 mV until a trial fails, then by "
        "5 mV. With counts it starts at 10 and goes down by 2, then by 1."
    )


def fails_at_stock() -> str:
    """What it means where stock itself has failed."""
    return (
        "A failure at stock is a fault of the machine, not a limit of tuning. Set everything back "
        "to stock."
    )


def why_stopped(stop: Stop, resolution: str, max_risk: float) -> str:
    """Why no further setting is proposed."""
    if stop is Stop.BRACKETED:
        return f"Your limit is known to within {resolution}."
    if stop is Stop.TOO_RISKY:
        return (
            f"Each further step fails on more than {max_risk * 100:g} in 100 machines like yours "
            "(max_risk)."
        )
    return "No deeper setting is proposed: results beyond this depth are usually mistakes."


def try_text(control: str, enter: int, domains: str) -> str:
    """The setting to try, and where."""
    return f"Try {setting_text(control, enter)} on {domains}."


def chance_of_pass(chance: float, *, of_all_chips: bool) -> str:
    """How many machines pass the setting to try: like the asker's, or of all chips of its kind."""
    if of_all_chips:
        of_all = f"Of all chips of this kind, {chance_text(chance)} machines pass."
        return f"{of_all} No related chip has enough results."
    return f"{chance_text(chance)} machines like yours pass."


def without_evidence() -> str:
    """Why a step is small."""
    return "The step is small, because no results show where this chip fails."


_WHEN: Final = {
    (): "If you stop now",
    ("stable",): "If it passes and you stop",
    ("failed",): "If it fails and you stop",
    ("stable", "stable"): "If two pass and you stop",
    ("stable", "failed"): "If one passes, the next fails and you stop",
    ("failed", "stable"): "If one fails, the next passes and you stop",
    ("failed", "failed"): "If two fail and you stop",
}


def in_use_at_the_end(control: str, enter: int | None, margin: str) -> str:
    """What to use where the search is over."""
    if enter is None:
        return "Stay at stock: no setting passed deep enough."
    setting = setting_text(control, enter)
    return f"Use {setting}: {margin} shallower than your deepest pass."


def in_use_text(control: str, enter: int | None, margin: str, after: tuple[str, ...]) -> str:
    """What to use if the search ended after these outcomes.

    >>> in_use_text("voltage_offset", None, "10 mV", ())
    'If you stop now: stay at stock, because no setting passed deep enough.'
    """
    if enter is None:
        then = "stay at stock, because no setting passed deep enough"
    else:
        setting = setting_in_short(control, enter)
        then = f"use {setting}, {margin} shallower than your deepest pass"
    return f"{_WHEN[after]}: {then}."


_AFTER: Final = {
    ("stable",): "If it passes",
    ("failed",): "If it fails",
    ("stable", "stable"): "If it passes and the next one passes",
    ("stable", "failed"): "If it passes and the next one fails",
    ("failed", "stable"): "If it fails and the next one passes",
    ("failed", "failed"): "If it fails and the next one fails",
}


def plan_text(after: tuple[str, ...], control: str, enter: int | None, chance: float | None) -> str:
    """A line of the plan.

    >>> plan_text(("stable", "failed"), "voltage_offset", -80, 0.914)
    'If it passes and the next one fails: try -80 mV (91 in 100 machines like yours pass).'
    >>> plan_text(("failed",), "voltage_offset", None, None)
    'If it fails: the search ends.'
    """
    if enter is None:
        then = "the search ends"
    else:
        then = f"try {setting_in_short(control, enter)}"
        if chance is not None:
            then += f" ({chance_text(chance)} machines like yours pass)"
    return f"{_AFTER[after]}: {then}."


def summary_at_the_end(control: str, enter: int | None) -> str:
    """What to use where nothing more is to be tried."""
    if enter is None:
        return "The search is over: stay at stock."
    return f"The search is over: use {setting_text(control, enter)}."


def summary_at_stock() -> str:
    """What to do where stock itself failed."""
    return "Stop: it fails at stock. Ask qualified people."
