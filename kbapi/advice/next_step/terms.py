"""What a search wants and allows, from a control's own unit into whole grid steps."""

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import Final

from kbapi.advice.next_step.query import Search
from kbapi.bounds import DEPTH_BOUNDS, FIXED_CLOCK_LEAST_MV
from kbapi.errors import DocumentRefused, Problem
from kbapi.stats.intervals import Grid
from kbapi.stats.search.next_step import CustomarySearch, SearchTerms
from kbapi.vocabulary import Domain, LimitControl


@dataclass(frozen=True, slots=True)
class UsualWidths:
    """Widths of a control, in its own unit, where nothing else is wished for."""

    resolution: float
    max_step: float
    farthest_step: float
    """No wish goes beyond it."""
    careful: float
    """The step where nothing is known of a chip."""
    first: float
    """Of the fixed-step search: where it begins, its step, and its finer one."""
    step: float
    refine: float


_STEP_TOO_SHORT: Final = (
    "A step must be allowed to reach the wanted resolution, and the next setting of the control."
)
_MV: Final = UsualWidths(5, 20, 40, 5, 50, 10, 5)
_COUNTS: Final = UsualWidths(1, 4, 8, 1, 10, 2, 1)


def usual_widths(control: LimitControl) -> UsualWidths:
    """The usual widths of a control."""
    return _COUNTS if control == "count_offset" else _MV


def resolution_of(search: Search, control: LimitControl) -> float:
    """How finely the limit is wanted, in the control's unit."""
    told = search.resolution_counts if control == "count_offset" else search.resolution_mv
    return usual_widths(control).resolution if told is None else float(told)


def max_step_of(search: Search, control: LimitControl) -> float:
    """How far at most a step goes, in the control's unit."""
    return usual_widths(control).max_step if search.max_step is None else search.max_step


def terms_of(search: Search, control: LimitControl, grid: Grid, start: int) -> SearchTerms:
    """The terms in whole steps of the grid.

    Raises
    ------
    DocumentRefused
        When a wish has the unit of another control, or a step may not reach the resolution.
    """
    _require_unit(search, control)
    wanted, farthest = resolution_of(search, control), max_step_of(search, control)
    max_step = floor(_exact(farthest) / grid.step)
    if farthest < wanted or max_step < grid.least_gain():
        raise DocumentRefused(problems=[Problem("/max_step", "invalid", _STEP_TOO_SHORT)])
    # Rounded up: two settings typed a resolution apart are often that many steps and a bit.
    resolution = min(max(grid.least_gain(), ceil(_exact(wanted) / grid.step)), max_step)
    return SearchTerms(
        trial_minutes=search.trial_minutes,
        failure_minutes=search.failure_minutes,
        resolution_steps=resolution,
        max_risk=search.max_risk,
        max_step_steps=max_step,
        start_steps=start,
        least_gain_steps=grid.least_gain(),
    )


def _require_unit(search: Search, control: LimitControl) -> None:
    in_counts = control == "count_offset"
    wrong, right = ("mv", "counts") if in_counts else ("counts", "mv")
    problems = []
    if getattr(search, f"resolution_{wrong}") is not None:
        problems.append(
            Problem(f"/resolution_{wrong}", "invalid", f"{control} wants resolution_{right}.")
        )
    farthest = usual_widths(control).farthest_step
    if search.max_step is not None and search.max_step > farthest:
        problems.append(Problem("/max_step", "invalid", f"At most {farthest:g} with {control}."))
    if problems:
        raise DocumentRefused(problems=problems)


def deepest_steps(
    search: Search, control: LimitControl, domains: tuple[Domain, ...], grid: Grid
) -> int:
    """The deepest step that anybody is sent to: what screening still counts, on every rail."""
    allowed = float(min(DEPTH_BOUNDS[control, domain].soft for domain in domains))
    if search.stock_mv is not None and control == "fixed_clock_voltage":
        allowed = min(allowed, search.stock_mv - FIXED_CLOCK_LEAST_MV)
    return max(floor(_exact(allowed) / grid.step), 0)


def fixed_step_search(control: LimitControl, grid: Grid, deepest: int) -> CustomarySearch:
    """The fixed-step search on this grid, each setting the nearest step to what is typed."""
    usual = usual_widths(control)
    steps = (grid.stable_steps(width) for width in (usual.first, usual.step, usual.refine))
    first, step, refine = (max(1, one) for one in steps)
    return CustomarySearch(first, step, refine, deepest)


def careful_gain(control: LimitControl, grid: Grid, resolution_steps: int) -> int:
    """The step where nothing is known: as small as can be typed, and no finer than wanted."""
    smallest = max(grid.least_gain(), ceil(_exact(usual_widths(control).careful) / grid.step))
    return min(smallest, resolution_steps)


def usual_gain(control: LimitControl, grid: Grid) -> int:
    """How far to go on from a setting that has passed, where the search is not asked: grid steps.

    >>> from fractions import Fraction
    >>> usual_gain("voltage_offset", Grid(Fraction(125, 128)))
    5
    """
    return max(grid.least_gain(), floor(_exact(usual_widths(control).careful) / grid.step))


def settle_steps(stable_steps: int, margin: float, grid: Grid) -> int:
    """The step to live with: the deepest pass less a margin in the control's unit, or stock.

    >>> from fractions import Fraction
    >>> settle_steps(84, 10.0, Grid(Fraction(125, 128))), settle_steps(1, 2.0, Grid(Fraction(1)))
    (73, 0)
    """
    return max(0, stable_steps - ceil(_exact(margin) / grid.step))


def _exact(width: float) -> Fraction:
    """The decimal that was sent, so that 0.3 is three tenths."""
    return Fraction(repr(float(width)))
