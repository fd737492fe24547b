"""What single runs say of a setting: whose failure it was, how well a pass was tested."""

from collections.abc import Iterator

from kbapi.bounds import QUICK_LEAST_MINUTES
from kbapi.intake.documents import InForce, SubmittedResult, SubmittedSetting, Trial


def value_in(trial: Trial, setting: SubmittedSetting) -> float | None:
    """The value that a run had this very setting at; None when it was not a run of it.

    A run of a joint setting has all of its domains at one value; more may be in force beside it.
    """
    told = {one.domain: one.value for one in trial.settings if one.control == setting.control}
    values = {told.get(domain) for domain in setting.domains}
    clocks = {clock for clock in (trial.clock_mhz, setting.clock_mhz) if clock is not None}
    if len(values) != 1 or (setting.control == "fixed_clock_voltage" and len(clocks) > 1):
        return None
    return values.pop()


def runs_of(
    result: SubmittedResult, setting: SubmittedSetting, outcome: str
) -> Iterator[tuple[int, Trial, float]]:
    """The runs of a setting that ended so: place in the document, run, value."""
    for place, trial in enumerate(result.trials):
        value = value_in(trial, setting)
        if value is not None and trial.outcome == outcome:
            yield place, trial, value


def is_failure_of(setting: SubmittedSetting, trial: Trial, result: SubmittedResult) -> bool:
    """Whether a failed run can be the setting's alone: all else was at stock or had passed."""
    return all(
        _is_at_stock(one, result) or _has_passed(one, result)
        for one in trial.settings
        if one.control != setting.control or one.domain not in setting.domains
    )


def failure_is_own(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    """Whether unstable_at bounds the setting's pool; without runs its own word holds."""
    if setting.unstable_at is None:
        return False
    failed = [
        trial
        for _, trial, value in runs_of(result, setting, "failed")
        if value == setting.unstable_at
    ]
    return not failed or any(is_failure_of(setting, trial, result) for trial in failed)


def runs_behind_pass(setting: SubmittedSetting, result: SubmittedResult) -> tuple[Trial, ...]:
    """The runs that passed at stable_at or deeper, short of the failure."""
    stable, unstable = setting.stable_at, setting.unstable_at
    if stable is None:
        return ()
    return tuple(
        trial
        for _, trial, value in runs_of(result, setting, "stable")
        if value <= stable and (unstable is None or value > unstable)
    )


def contradictions_of(
    setting: SubmittedSetting, result: SubmittedResult
) -> Iterator[tuple[int, str]]:
    """The places of runs that can't be right if the setting is, each with what is told of it.

    A pass at or beyond a failure is none: one load passed where another failed. A short pass
    deeper than stable_at is none either: the tester did not trust it.
    """
    shallowest = None
    for place, trial, value in runs_of(result, setting, "failed"):
        if not is_failure_of(setting, trial, result):
            continue
        shallowest = value if shallowest is None else max(value, shallowest)
        if setting.unstable_at is None or value > setting.unstable_at:
            yield (
                place,
                (
                    "The run failed at a shallower setting than unstable_at. Send that one "
                    "as unstable_at."
                ),
            )
    for place, trial, value in runs_of(result, setting, "stable"):
        if shallowest is not None and value <= shallowest:
            continue
        if setting.unstable_at is not None and value <= setting.unstable_at:
            yield (
                place,
                (
                    "The run passed where unstable_at reports a failure. Send the failed "
                    "run as well."
                ),
            )
        elif (trial.seconds or 0) >= 60 * QUICK_LEAST_MINUTES and (
            setting.stable_at is None or value < setting.stable_at
        ):
            yield place, "The run passed deeper than stable_at. Send that one as stable_at."


def _is_at_stock(one: InForce, result: SubmittedResult) -> bool:
    if one.control == "power_limit":
        return True  # it caps, and moves no voltage
    if one.control != "fixed_clock_voltage":
        return one.value == 0
    return any(
        setting.stock_mv is not None and one.value >= setting.stock_mv
        for setting in result.settings
        if setting.control == one.control and one.domain in setting.domains
    )


def _has_passed(one: InForce, result: SubmittedResult) -> bool:
    """Whether this value, or a deeper one, is known to have passed in this very document."""
    by_settings = (
        setting.stable_at
        for setting in result.settings
        if setting.control == one.control and one.domain in setting.domains
    )
    by_runs = (
        other.value
        for trial in result.trials
        if trial.outcome == "stable"
        for other in trial.settings
        if (other.domain, other.control) == (one.domain, one.control)
    )
    passed = [*by_settings, *by_runs]
    return any(value is not None and value <= one.value for value in passed)
