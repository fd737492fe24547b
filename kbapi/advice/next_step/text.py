"""The sentences of an answer about the next step."""

from typing import Final

from kbapi.advice.phrases import amount_text, chance_text, counted, setting_in_short, setting_text
from kbapi.stats.search.next_step import Stop
from kbapi.stats.search.recommended_margin import InUseReason

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


def without_failure() -> str:
    """That the limit was not reached."""
    return "No setting has failed, so your limit lies deeper."


def what_is_left(control: str, likely: float, interval: tuple[float, float]) -> str:
    """How much deeper than the deepest pass the limit lies.

    >>> what_is_left("voltage_offset", 22.46, (4.88, 60.55))
    'Your limit is probably 22 mV deeper than your deepest pass (5 to 61 mV).'
    """
    low, high = (round(end) for end in interval)
    most = amount_text(control, high)
    return (
        f"Your limit is probably {amount_text(control, round(likely))} deeper than your deepest "
        f"pass ({low} to {most})."
    )


def nothing_bolder() -> str:
    """That no risk that a search may take would go on."""
    return " A higher max_risk would not go on either."


def what_going_on_takes(
    control: str, max_risk: float, takes: tuple[float, float, float], stable_at: float
) -> str:
    """What the rest of the search takes at a higher risk: trials, failures, minutes, end.

    >>> what_going_on_takes("voltage_offset", 0.25, (3.2, 0.9, 74.0), -112.3)
    'With max_risk 0.25: about 3.2 trials, 0.9 failures, 74 minutes, ending near -112 mV.'
    """
    trials, failures, minutes = takes
    return (
        f"With max_risk {max_risk:g}: about {counted(round(trials, 1), 'trial', 'trials')}, "
        f"{counted(round(failures, 1), 'failure', 'failures')}, {minutes:.0f} minutes, ending near "
        f"{setting_in_short(control, round(stable_at))}."
    )


def confirm_text(control: str, enter: int, domains: str, minutes: float) -> str:
    """The long run that ends a search."""
    return (
        f"Run {setting_text(control, enter)} on {domains} for {minutes:.0f} minutes to confirm it. "
        "Use two load classes, with checked results."
    )


def passes_prove_nothing() -> str:
    """Why a pass says little where a control is known as locked."""
    return "On a locked machine every setting passes: read yours back first. "


def try_text(control: str, enter: int, domains: str) -> str:
    """The setting to try, and where."""
    return f"Try {setting_text(control, enter)} on {domains}."


def chance_of_pass(chance: float, *, of_all_chips: bool) -> str:
    """How many machines are stable at the setting to try: alike, or of all chips of the kind."""
    if of_all_chips:
        of_all = f"Of all chips of this kind, {chance_text(chance)} machines are stable there."
        return f"{of_all} No related chip has enough results."
    return f"{chance_text(chance)} machines like yours are stable there."


def without_evidence() -> str:
    """Why steps are short."""
    return "Steps are short, because no results show where this chip fails."


_WHEN: Final = {
    (): "If you stop now",
    ("stable",): "If it passes and you stop",
    ("failed",): "If it fails and you stop",
    ("stable", "stable"): "If two pass and you stop",
    ("stable", "failed"): "If one passes, the next fails and you stop",
    ("failed", "stable"): "If one fails, the next passes and you stop",
    ("failed", "failed"): "If two fail and you stop",
}
_WHY: Final = {
    InUseReason.USUAL_MARGIN: "That is the usual margin: too few follow-ups show another.",
    InUseReason.WIDER_MARGIN: "Follow-ups show too many failures with the usual margin.",
    InUseReason.SURVIVAL: "By follow-ups, 95 in 100 machines stay stable there for 90 days.",
    InUseReason.HALF_OF_PROVEN: "Half of your deepest pass is kept: more margin would leave less.",
}


def in_use_text(
    control: str,
    enter: int | None,
    margin: str,
    reason: InUseReason,
    after: tuple[str, ...] | None,
) -> str:
    """What to use if the search ended after these outcomes, None where it is over.

    The plan gives no reasons: after other outcomes they would mostly be the same.

    >>> in_use_text("voltage_offset", None, "10 mV", InUseReason.USUAL_MARGIN, ())
    'If you stop now: stay at stock, because no setting passed deep enough.'
    >>> wider = in_use_text("voltage_offset", -50, "30 mV", InUseReason.WIDER_MARGIN, ())
    >>> wider.partition(" pass. ")[2]
    'Follow-ups show too many failures with the usual margin.'
    """
    if enter is None:
        then = "stay at stock, because no setting passed deep enough."
    else:
        setting = setting_in_short(control, enter)
        why = "" if after else f" {_WHY[reason]}"
        then = f"use {setting}, about {margin} shallower than your deepest pass.{why}"
    return then[0].upper() + then[1:] if after is None else f"{_WHEN[after]}: {then}"


_AFTER: Final = {
    ("stable",): "If it passes",
    ("failed",): "If it fails",
    ("stable", "stable"): "If it passes and the next one passes",
    ("stable", "failed"): "If it passes and the next one fails",
    ("failed", "stable"): "If it fails and the next one passes",
    ("failed", "failed"): "If it fails and the next one fails",
}


def plan_text(
    after: tuple[str, ...],
    control: str,
    run: tuple[int, float] | None,
    chance: float | None,
    *,
    is_confirmation: bool = False,
) -> str:
    """A line of the plan; a run has the number to enter, and its minutes.

    >>> plan_text(("stable", "failed"), "voltage_offset", (-80, 20.0), 0.914)
    'If it passes and the next one fails: try -80 mV (91 in 100 machines like yours are stable).'
    >>> plan_text(("failed",), "voltage_offset", (-70, 30.0), None, is_confirmation=True)
    'If it fails: confirm -70 mV with a run of 30 minutes.'
    >>> plan_text(("failed",), "voltage_offset", None, None)
    'If it fails: the search ends.'
    """
    if run is None:
        then = "the search ends"
    elif is_confirmation:
        setting = setting_in_short(control, run[0])
        then = f"confirm {setting} with a run of {run[1]:.0f} minutes"
    else:
        then = f"try {setting_in_short(control, run[0])}"
        if chance is not None:
            then += f" ({chance_text(chance)} machines like yours are stable)"
    return f"{_AFTER[after]}: {then}."


def summary_at_the_end(control: str, enter: int | None, left: float | None) -> str:
    """What to use where nothing more is to be tried; `left` is how much a bolder search may gain.

    >>> summary_at_the_end("voltage_offset", -59, 22.46)
    'The search is over: use -59 mV. Left, at a higher risk: about 22 mV.'
    """
    use = "stay at stock" if enter is None else f"use {setting_text(control, enter)}"
    over = f"The search is over: {use}."
    if left is None:
        return over
    return f"{over} Left, at a higher risk: about {amount_text(control, round(left))}."


def summary_at_stock() -> str:
    """What to do where stock itself failed."""
    return "Stop: it fails at stock. Ask qualified people."
