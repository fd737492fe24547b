"""A unit's own runs, in their order, become what is known of its limit.

Pure, like `merge`, and by the same rule: the failure wins. A pass at a setting that failed as
well, or that a later failure lies short of, counts for nothing; a pass beyond a failure that was
seen before it can't be right, and is reported.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from kbapi.chips.chip import ChipName
from kbapi.stats.intervals import NEVER_FAILED, Grid
from kbapi.vocabulary import Domain, LimitControl

UnusedTrialCode = Literal["other_domains", "failure_not_isolated", "contradicted_by_failure"]


@dataclass(frozen=True, slots=True)
class OwnRun:
    """One run of the pool's rails alone, or with all else at stock or proven."""

    place: int
    """In the list that was sent, from 0."""
    below_stock: float
    """The setting, in mV or counts below stock."""
    is_stable: bool


@dataclass(frozen=True, slots=True)
class UnusedRun:
    """A run that says nothing of the limit looked for, and why."""

    place: int
    code: UnusedTrialCode


@dataclass(frozen=True, slots=True)
class OwnRuns:
    """What a unit's own runs say of its limit, in whole grid steps below stock."""

    stable_steps: int
    """The deepest that passed short of every failure; 0 is stock."""
    unstable_steps: int
    """The shallowest that failed, or `NEVER_FAILED`."""
    passes: int
    failures: int
    has_failed_at_stock: bool
    unused: tuple[UnusedRun, ...]


@dataclass(frozen=True)
class OwnSearch:
    """A search for the limit of one unit: what was asked and tried so far.

    `resolution` and the like are in mV, or in counts for count_offset; None where untold.
    """

    chip: ChipName
    domain: Domain | None
    control: LimitControl | None
    moved_with: tuple[Domain, ...] | None
    clock_mhz: float | None
    stock_mv: float | None
    resolution_mv: float | None
    resolution_counts: int | None
    trial_minutes: float
    failure_minutes: float
    max_risk: float
    max_step: float | None
    domains_in_force: frozenset[Domain]
    """Rails that were off stock in any run."""
    runs_in: Callable[[LimitControl, tuple[Domain, ...], Grid], OwnRuns]
    """What the runs say of the limit of these rails moved together.

    Raises DocumentRefused where they can't be right, or lack what the control needs.
    """


def contradictions_in(runs: Sequence[OwnRun]) -> Iterator[tuple[OwnRun, OwnRun]]:
    """Each pass beyond a failure that was seen before it, with the shallowest such failure.

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
    """What runs without contradiction say, passes that a failure beats among the unused.

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
    beaten = [UnusedRun(run.place, "contradicted_by_failure") for run in passed if run not in kept]
    return OwnRuns(
        stable_steps=stable_steps,
        unstable_steps=unstable_steps,
        passes=len(kept),
        failures=len(failed),
        has_failed_at_stock=shallowest == 0,
        unused=tuple(sorted([*unused, *beaten], key=lambda one: one.place)),
    )
