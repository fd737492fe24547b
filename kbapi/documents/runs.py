"""What the trials of a document show about its settings."""

from collections.abc import Iterator
from typing import Any

from kbapi.bounds import QUICK_LEAST_MINUTES
from kbapi.documents.measurements import InForce, Trial
from kbapi.documents.results import SubmittedResult, SubmittedSetting
from kbapi.vocabulary import Domain


def value_in(trial: Trial, setting: SubmittedSetting) -> float | None:
    """The value of this setting in a run; None if it was not a run of it.

    A run of a joint setting has all of its domains at one value; others can be in force too.
    """
    return _value_on(setting.domains, trial, setting)


def _value_on(domains: tuple[Domain, ...], trial: Trial, setting: SubmittedSetting) -> float | None:
    in_force = {one.domain: one.value for one in trial.settings if one.control == setting.control}
    values = {in_force.get(domain) for domain in domains}
    clocks = {clock for clock in (trial.clock_mhz, setting.clock_mhz) if clock is not None}
    if len(values) != 1 or (setting.control == "fixed_clock_voltage" and len(clocks) > 1):
        return None
    return values.pop()


def runs_of(
    result: SubmittedResult, setting: SubmittedSetting, outcome: str
) -> Iterator[tuple[int, Trial, float]]:
    """The runs of a setting with this outcome: place in the document, run, value."""
    domains = setting.domains
    for place, trial in enumerate(result.trials):
        if trial.outcome == outcome:
            value = _value_on(domains, trial, setting)
            if value is not None:
                yield place, trial, value


def is_failure_of(setting: SubmittedSetting, trial: Trial, result: SubmittedResult) -> bool:
    """Whether a failed run is one of this setting alone: all others were at stock or passed."""
    return all(
        _is_at_stock(one, result) or _has_passed(one, result)
        for one in trial.settings
        if one.control != setting.control or one.domain not in setting.domains
    )


def failure_is_own(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    """Whether unstable_at bounds the setting's pool; without failed runs it does."""
    if setting.unstable_at is None:
        return False
    failed = [
        trial
        for _, trial, value in runs_of(result, setting, "failed")
        if value == setting.unstable_at
    ]
    return not failed or any(is_failure_of(setting, trial, result) for trial in failed)


def runs_behind_pass(setting: SubmittedSetting, result: SubmittedResult) -> tuple[Trial, ...]:
    """The runs that passed at stable_at or deeper, shallower than the failure."""
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
    """The places of runs that contradict the setting, each with a hint for the sender.

    A pass at or beyond a failure is no contradiction: one load passed where another failed. A
    short pass deeper than stable_at is none either: the tester did not trust it.
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
        return True  # it moves no voltage
    if one.control != "fixed_clock_voltage":
        return one.value == 0
    stock_mv = result.lowest_stock_mv.get(one.domain)
    return stock_mv is not None and one.value >= stock_mv


def _has_passed(one: InForce, result: SubmittedResult) -> bool:
    """Whether this value, or a deeper one, passed in the same document."""
    deepest = result.deepest_passes.get((one.domain, one.control))
    return deepest is not None and deepest <= one.value


def setting_of_runs(trials: list[dict[str, Any]]) -> dict[str, Any]:
    """The ends of a setting, and the testing behind its pass, from the runs of a search as sent.

    A failure overrides a pass at its setting or deeper.
    """
    passed, failed = _ends_of(trials)
    setting: dict[str, Any] = {
        "first_tried": _value(trials[0]),
        "stable_at": None if passed is None else _value(passed),
        "unstable_at": None if failed is None else _value(failed),
    }
    if failed is not None:
        setting["failure"] = failed.get("failure")
    if passed is not None:
        setting |= _testing_behind(trials, setting["stable_at"])
    return setting


def _ends_of(trials: list[dict[str, Any]]) -> tuple[dict[str, Any] | None, dict[str, Any] | None]:
    """The deepest run that passed above every failure, and the shallowest that failed."""
    failed = max((run for run in trials if run["outcome"] == "failed"), key=_value, default=None)
    passed = [
        run
        for run in trials
        if run["outcome"] == "stable" and (failed is None or _value(run) > _value(failed))
    ]
    return min(passed, key=_value, default=None), failed


def _testing_behind(trials: list[dict[str, Any]], stable_at: float) -> dict[str, Any]:
    """Loads, minutes and checks of the runs at the deepest setting that passed."""
    behind = [run for run in trials if run["outcome"] == "stable" and _value(run) == stable_at]
    testing: dict[str, Any] = {"minutes": sum(run.get("seconds", 0) for run in behind) / 60}
    loads = sorted({run["load"] for run in behind if "load" in run})
    if loads:
        testing["loads"] = loads
    if any(run.get("checked_results") for run in behind):
        testing["checked_results"] = True
    return testing


def _value(run: dict[str, Any]) -> float:
    return float(run["settings"][0]["value"])
