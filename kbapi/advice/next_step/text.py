"""The sentences of an answer about the next step."""

from typing import Final

from kbapi.advice.phrases import (
    amount_text,
    chance_text,
    counted,
    setting_in_short,
    setting_text,
    toward_stock,
)
from kbapi.stats.search.next_step import Stop
from kbapi.stats.search.recommended_margin import InUseReason

_STOP_RULES: Final = (
    (
        "End a run at any failure: a wrong result, a corrected machine check, picture faults, a "
        "lost driver, a hang or a restart. A failure counts without a crash too."
    ),
    (
        "After a failure, set everything back to stock, check your files, and report the failure "
        "before you go on."
    ),
    "Never try a failed setting again, or a deeper one.",
    "End the search if stock itself fails.",
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


def fixed_step_search(
    control: str, widths: tuple[float, float, float], failures: tuple[float, float] | None
) -> str:
    """What a search by fixed steps costs and does.

    `widths` are its first setting, its step and its finer step. `failures` are those of the fixed
    steps and of this search, None where they are not known.

    >>> fixed_step_search("count_offset", (10, 2, 1), (1.47, 0.5))[:71]
    'From here, fixed steps fail 1.5 times on average, this search 0.5 times'
    >>> fixed_step_search("count_offset", (10, 2, 1), None)
    'Fixed steps go from 10 counts by 2 counts until a trial fails, then by 1 count.'
    """
    first, step, refine = (amount_text(control, width) for width in widths)
    how = f"go from {first} by {step} until a trial fails, then by {refine}."
    if failures is None:
        return f"Fixed steps {how}"
    fixed, planned = (counted(round(mean, 1), "time", "times") for mean in failures)
    return f"From here, fixed steps fail {fixed} on average, this search {planned}. They {how}"


def fails_at_stock() -> str:
    """What it means where stock itself has failed."""
    return (
        "A failure at stock is a fault of the machine, not a limit of tuning. Set everything back "
        "to stock."
    )


def why_stopped(stop: Stop, resolution: str, max_risk: float, *, has_runs: bool) -> str:
    """Why no further setting is proposed; `has_runs` is whether the chances count own runs."""
    if stop is Stop.BRACKETED:
        return f"Your limit is known to within {resolution}."
    if stop is Stop.TOO_RISKY:
        alike = "machines with runs like yours" if has_runs else "machines like yours"
        return f"Each further step fails on more than {max_risk * 100:g} in 100 {alike} (max_risk)."
    return "No deeper setting is proposed: results beyond this depth are usually mistakes."


def without_failure() -> str:
    """That the limit was not reached."""
    return "No setting has failed, so your limit lies deeper."


def where_the_limit_is(control: str, likely: float, interval: tuple[float, float]) -> str:
    """Where the limit lies: the likely setting, the shallowest and the deepest.

    >>> where_the_limit_is("voltage_offset", -112.3, (-91.79, -139.64))
    'Your limit is probably near -112 mV (-91 mV to -139 mV).'
    """
    near, low, high = (setting_in_short(control, toward_stock(one)) for one in (likely, *interval))
    return f"Your limit is probably near {near} ({low} to {high})."


def nothing_bolder(max_risk: float, most_risk: float) -> str:
    """That no risk that a search may take would go on, and why.

    >>> nothing_bolder(0.1, 0.25)
    'A higher max_risk ends here too: each step fails on more than 25 in 100.'
    """
    if max_risk >= most_risk:
        return "No higher max_risk is allowed."
    most = f"{most_risk * 100:g} in 100"
    return f"A higher max_risk ends here too: each step fails on more than {most}."


def what_going_on_takes(
    control: str, max_risk: float, takes: tuple[float, float, float], stable_at: float
) -> str:
    """What the rest of the search takes at a higher risk: failures, trials, minutes, end.

    >>> what_going_on_takes("voltage_offset", 0.25, (0.9, 3.2, 74.0), -112.3)[20:]
    'on average 0.9 failures in 3.2 trials (74 minutes), ending near -112 mV.'
    """
    failures, trials, minutes = takes
    return (
        f"With max_risk {max_risk:g}: on average "
        f"{counted(round(failures, 1), 'failure', 'failures')} in "
        f"{counted(round(trials, 1), 'trial', 'trials')} ({minutes:.0f} minutes), ending near "
        f"{setting_in_short(control, toward_stock(stable_at))}."
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


def chance_of_pass(
    control: str, chance: float, passed: int | None, failed: int | None, *, of_all_chips: bool
) -> str:
    """How many machines are stable at the setting to try: of those whose runs ended alike.

    `passed` and `failed` are the ends of the own bracket, as they were entered.

    >>> chance_of_pass("voltage_offset", 0.912, -25, None, of_all_chips=False)
    '91 in 100 machines that passed -25 mV as yours did are stable there.'
    >>> chance_of_pass("voltage_offset", 0.912, -25, -37, of_all_chips=False)
    '91 in 100 machines that passed -25 mV and failed at -37 mV are stable there.'
    """
    alike = _ended_alike(control, passed, failed)
    if of_all_chips:
        stable = f"{chance_text(chance)} machines {alike}are stable there."
        return f"Of all chips of this kind, {stable} No related chip has enough results."
    return f"{chance_text(chance)} machines {alike or 'like yours '}are stable there."


def _ended_alike(control: str, passed: int | None, failed: int | None) -> str:
    """Which machines a chance is of; empty without own runs."""
    ends = []
    if passed is not None:
        ends.append(f"passed {setting_in_short(control, passed)}")
    if failed is not None:
        ends.append(f"failed at {setting_in_short(control, failed)}")
    if not ends:
        return ""
    return f"that {' and '.join(ends)} {'as yours did ' if len(ends) == 1 else ''}"


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
    InUseReason.USUAL_MARGIN: "That is the usual margin: too few follow-ups show a better one.",
    InUseReason.WIDER_MARGIN: "With less, too many machines failed later.",
    InUseReason.SURVIVAL: "By follow-ups, 95 in 100 machines stay stable there for 90 days.",
    InUseReason.HALF_OF_PROVEN: "The whole margin would leave too little.",
}


def in_use_text(
    control: str,
    enter: int | None,
    passed: int | None,
    margin: str,
    reason: InUseReason,
    after: tuple[str, ...] | None,
) -> str:
    """What to use if the search ended after these outcomes, None where it is over.

    `passed` is the deepest pass as it was entered, `margin` what is kept from it. The plan gives
    no reasons: after other outcomes they would mostly be the same.

    >>> in_use_text("voltage_offset", None, None, "10 mV", InUseReason.USUAL_MARGIN, ())
    'If you stop now: stay at stock, because no setting has passed.'
    >>> in_use_text("voltage_offset", -59, -90, "30 mV", InUseReason.WIDER_MARGIN, None)
    'Use -59 mV, keeping 30 mV from your pass at -90 mV. With less, too many machines failed later.'
    >>> in_use_text("voltage_offset", -3, -6, "3 mV", InUseReason.HALF_OF_PROVEN, None)
    'Use -3 mV, half of your pass at -6 mV. The whole margin would leave too little.'
    """
    if passed is None:
        then = "stay at stock, because no setting has passed."
    elif enter is None:
        then = "stay at stock, because your deepest pass is too shallow for the margin."
    elif after:
        then = f"use {setting_in_short(control, enter)}."
    else:
        is_half = reason is InUseReason.HALF_OF_PROVEN
        how = "half of" if is_half else f"keeping {margin} from"
        at = setting_in_short(control, passed)
        then = f"use {setting_in_short(control, enter)}, {how} your pass at {at}. {_WHY[reason]}"
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

    `chance` is that of the machines with these outcomes.

    >>> plan_text(("stable", "failed"), "voltage_offset", (-80, 20.0), 0.914)
    'If it passes and the next one fails: try -80 mV (91 in 100 such machines are stable).'
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
            then += f" ({chance_text(chance)} such machines are stable)"
    return f"{_AFTER[after]}: {then}."


def summary_at_the_end(
    control: str, enter: int | None, passed: int | None, bolder: float | None
) -> str:
    """What to use where nothing more is to be tried, and the mean deepest pass at a higher risk.

    >>> summary_at_the_end("voltage_offset", -59, -90, -105.57)[32:]
    'At a higher risk, your deepest pass reaches about -105 mV, now -90 mV.'
    """
    use = "stay at stock" if enter is None else f"use {setting_text(control, enter)}"
    over = f"The search is over: {use}."
    if bolder is None:
        return over
    now = "stock" if passed is None else setting_in_short(control, passed)
    then = setting_in_short(control, toward_stock(bolder))
    return f"{over} At a higher risk, your deepest pass reaches about {then}, now {now}."


def summary_at_stock() -> str:
    """What to do where stock itself failed."""
    return "Stop: it fails at stock. Ask qualified people."
