"""What the runs of one unit, in their order, show about its limit.

Pure, with the rule for merging results: a failure outweighs a pass. A pass at the depth of a
failure, or beyond a later one, is not used; a pass beyond an earlier failure is refused.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from kbapi.documents.measurements import InForce, Trial
from kbapi.documents.reader import refusal_of
from kbapi.documents.refusal_rules import refuse_value
from kbapi.documents.results import SubmittedResult, SubmittedSetting
from kbapi.documents.runs import is_failure_of, value_in
from kbapi.errors import Problem
from kbapi.stats.intervals import NEVER_FAILED, Grid

UnusedTrialCode = Literal["other_domains", "failure_not_isolated", "contradicted_by_failure"]


@dataclass(frozen=True, slots=True)
class OwnRun:
    """One run of the pool's domains alone, or with all else at stock or proven."""

    place: int
    """In the list that was sent, from 0."""
    below_stock: float
    """The setting, in mV or counts below stock."""
    is_stable: bool
    minutes: float | None = None
    """Its length; None where it was not sent."""
    load: str | None = None


@dataclass(frozen=True, slots=True)
class UnusedRun:
    """A run that shows nothing about the limit, and why."""

    place: int
    code: UnusedTrialCode


@dataclass(frozen=True, slots=True)
class OwnRuns:
    """What a unit's own runs show about its limit, in whole grid steps below stock."""

    stable_steps: int
    """The deepest that passed short of every failure; 0 is stock."""
    unstable_steps: int
    """The shallowest that failed, or `NEVER_FAILED`."""
    passes: int
    failures: int
    has_failed_at_stock: bool
    unused: tuple[UnusedRun, ...]
    used: tuple[OwnRun, ...] = ()
    """Every failure, and the passes short of all of them."""


def contradictions_in(runs: Sequence[OwnRun]) -> Iterator[tuple[OwnRun, OwnRun]]:
    """Each pass beyond an earlier failure, with the shallowest such failure.

    >>> failed, passed = OwnRun(0, 80.0, False), OwnRun(1, 90.0, True)
    >>> [(one.place, other.place) for one, other in contradictions_in([failed, passed])]
    [(1, 0)]
    >>> list(contradictions_in([passed, failed]))
    []
    """
    shallowest: OwnRun | None = None
    for run in runs:
        if run.is_stable:
            if shallowest is not None and run.below_stock > shallowest.below_stock:
                yield run, shallowest
        elif shallowest is None or run.below_stock < shallowest.below_stock:
            shallowest = run


def merge_runs(runs: Sequence[OwnRun], grid: Grid, unused: Sequence[UnusedRun] = ()) -> OwnRuns:
    """What runs without contradiction show; passes that a failure contradicts are unused.

    >>> from fractions import Fraction
    >>> runs = [OwnRun(0, 70.0, True), OwnRun(1, 80.0, True), OwnRun(2, 80.0, False)]
    >>> own = merge_runs(runs, Grid(Fraction(5)))
    >>> own.stable_steps, own.unstable_steps, own.unused
    (14, 16, (UnusedRun(place=1, code='contradicted_by_failure'),))
    """
    failed = [run.below_stock for run in runs if not run.is_stable]
    shallowest = min(failed, default=None)
    passed = [run for run in runs if run.is_stable]
    kept = [run for run in passed if shallowest is None or run.below_stock < shallowest]
    stable_steps = max((grid.stable_steps(run.below_stock) for run in kept), default=0)
    unstable_steps = NEVER_FAILED
    if shallowest is not None:
        # Two settings that share a grid step are still two: the failure lies deeper.
        unstable_steps = max(grid.unstable_steps(shallowest), stable_steps + 1)
    contradicted = [
        UnusedRun(run.place, "contradicted_by_failure") for run in passed if run not in kept
    ]
    return OwnRuns(
        stable_steps=stable_steps,
        unstable_steps=unstable_steps,
        passes=len(kept),
        failures=len(failed),
        has_failed_at_stock=shallowest == 0,
        unused=tuple(sorted([*unused, *contradicted], key=lambda one: one.place)),
        used=tuple(run for run in runs if run in kept or not run.is_stable),
    )


_CONTRADICTION: Final = (
    "This run passed deeper than trial {other} failed before. Leave out the run that you do not "
    "trust."
)
_WITHOUT_STOCK: Final = (
    "A fixed voltage needs its clock and the stock voltage there. Send clock_mhz and stock_mv."
)


def find_own_runs(trials: tuple[Trial, ...], setting: SubmittedSetting, grid: Grid) -> OwnRuns:
    """What the trials of a search show about the limit of a setting's domains, moved together.

    Raises
    ------
    DocumentRefused
        When runs contradict each other, or a fixed voltage has no depth.
    """
    if setting.control == "fixed_clock_voltage":
        _require_below_stock(trials, setting)
    result = SubmittedResult(settings=(setting,), trials=trials)
    found = [_run_of(place, trial, setting, result) for place, trial in enumerate(trials)]
    runs = [one for one in found if isinstance(one, OwnRun)]
    if contradictions := list(contradictions_in(runs)):
        raise refusal_of(
            [
                Problem(
                    f"/trials/{run.place}",
                    "passes_beyond_failure",
                    _CONTRADICTION.format(other=failed.place),
                )
                for run, failed in contradictions
            ]
        )
    return merge_runs(runs, grid, [one for one in found if isinstance(one, UnusedRun)])


def _require_below_stock(trials: tuple[Trial, ...], setting: SubmittedSetting) -> None:
    """Nothing, if each fixed voltage has a possible depth."""
    problems = [
        Problem(f"/{name}", "required", _WITHOUT_STOCK)
        for name in ("clock_mhz", "stock_mv")
        if getattr(setting, name) is None
    ]
    if not problems:
        # Each domain by itself: a failure of some of them counts for all.
        problems = [
            problem
            for place, trial in enumerate(trials)
            for one in _own_in_force(trial, setting)
            for problem in refuse_value(
                replace(setting, stable_at=one.value), f"/trials/{place}/settings"
            )
        ]
    if problems:
        raise refusal_of(problems)


def _run_of(
    place: int, trial: Trial, setting: SubmittedSetting, result: SubmittedResult
) -> OwnRun | UnusedRun:
    has_passed = trial.outcome == "stable"
    below_stock = _passed_below(trial, setting) if has_passed else _failed_below(trial, setting)
    if below_stock is None:
        return UnusedRun(place, "other_domains")
    if not has_passed and not is_failure_of(setting, trial, result):
        return UnusedRun(place, "failure_not_isolated")
    minutes = None if trial.seconds is None else trial.seconds / 60
    return OwnRun(place, below_stock, has_passed, minutes, trial.load)


def _passed_below(trial: Trial, setting: SubmittedSetting) -> float | None:
    """How far below stock the domains passed; None where their values differed."""
    if not _own_in_force(trial, setting):
        return _at_stock(trial, setting)
    value = value_in(trial, setting)
    return None if value is None else setting.below_stock(value)


def _failed_below(trial: Trial, setting: SubmittedSetting) -> float | None:
    """The deepest value of any domain of the setting when it failed.

    A failure with some of the domains lowered is also one with all of them lowered.
    """
    own = _own_in_force(trial, setting)
    depths = [depth for one in own if (depth := setting.below_stock(one.value)) is not None]
    return max(depths) if depths else _at_stock(trial, setting)


def _own_in_force(trial: Trial, setting: SubmittedSetting) -> list[InForce]:
    """The values of the setting's own domains that were off stock."""
    clocks = {clock for clock in (trial.clock_mhz, setting.clock_mhz) if clock is not None}
    if setting.control == "fixed_clock_voltage" and len(clocks) > 1:
        return []
    return [
        one
        for one in trial.settings
        if _is_own(one, setting) and setting.below_stock(one.value) != 0
    ]


def _is_own(one: InForce, setting: SubmittedSetting) -> bool:
    return one.control == setting.control and one.domain in setting.domains


def _at_stock(trial: Trial, setting: SubmittedSetting) -> float | None:
    """Stock, if a run had nothing in force; a power limit moves no voltage."""
    has_others = any(
        one.value != 0 and one.control != "power_limit" and not _is_own(one, setting)
        for one in trial.settings
    )
    is_another_clock = setting.clock_mhz is not None and trial.clock_mhz not in (
        None,
        setting.clock_mhz,
    )
    return None if has_others or is_another_clock else 0.0
