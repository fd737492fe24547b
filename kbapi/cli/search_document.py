"""A finished search written up as a result, in the format of submissions."""

from typing import Any

from kbapi.cli.search_record import SearchRecord


def result_of(
    search: SearchRecord,
    answer: dict[str, Any],
    in_use: float | None,
    read_back: float | None,
) -> dict[str, Any]:
    """The document of a search with at least one run; tokens are not part of it.

    A failure wins over a pass at its setting or deeper. Where the plan itself ended the search
    without a failure, its end was planned: nobody stopped because it began to feel wrong.
    """
    passed, failed = _ends_of(search.trials)
    setting: dict[str, Any] = {
        "domain": answer["domain"],
        "control": answer["control"],
        "moved_with": answer["moved_with"],
        "first_tried": _value(search.trials[0]),
        "stable_at": None if passed is None else _value(passed),
        "unstable_at": None if failed is None else _value(failed),
    }
    if failed is not None:
        setting["failure"] = failed["failure"]
    elif answer["reason"] is not None:
        setting["planned_end"] = setting["stable_at"]
    if passed is not None:
        setting |= _testing_behind(search.trials, setting["stable_at"])
    if in_use is not None:
        setting["in_use"] = in_use
    if read_back is not None:
        setting |= {"read_back": read_back, "effect": {"shown_by": "read_back"}}
    setting |= {
        name: search.asked[name] for name in ("clock_mhz", "stock_mv") if name in search.asked
    }
    document: dict[str, Any] = {"chip": search.chip, "settings": [setting], "trials": search.trials}
    if search.stock_passed is not None:
        document["stock_passed"] = [search.stock_passed]
    return document


def _ends_of(trials: list[dict[str, Any]]) -> tuple[dict[str, Any] | None, dict[str, Any] | None]:
    """The deepest run that passed short of every failure, and the shallowest that failed."""
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
    told: dict[str, Any] = {"minutes": sum(run.get("seconds", 0) for run in behind) / 60}
    loads = sorted({run["load"] for run in behind if "load" in run})
    if loads:
        told["loads"] = loads
    if any(run.get("checked_results") for run in behind):
        told["checked_results"] = True
    return told


def _value(run: dict[str, Any]) -> float:
    return float(run["settings"][0]["value"])
