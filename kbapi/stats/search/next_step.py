"""The next setting of a search that loses the least time within its risk, and what a search costs.

The state of a search is the bracket `stable <= T < unstable`. A trial inside costs its minutes, a
failure a restart as well. Either outcome leaves a smaller search of the same kind, so that dynamic
programming from the narrowest brackets up finds the best plan.

The plan takes the outcomes ahead as true. After each trial the chances are computed anew, with how
far its outcome can mislead, and the search is planned again.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.intervals import frozen_array
from kbapi.stats.search.chances import (
    FALSE_FAILURE,
    LimitChances,
    Run,
    chances_of_unit,
    confirming_minutes,
    missed_failure,
)

Vector = NDArray[np.float64]
Table = NDArray[np.int64]

# Where no trial is allowed any more, each resolution of depth left costs three trials. Without that
# price the cheapest end of a search is a wide bracket that no trial may enter. At two this still
# happened where failures are expensive (5/15 minutes, 1/1024 V); from five on small steps abound.
_TRIALS_FOR_DEPTH_LEFT: Final = 3.0
# A risk equal to the highest one allowed is allowed, in spite of rounding.
_ROUNDING: Final = 1e-12
# A course of outcomes that is less likely adds nothing to an expectation that shows.
_UNLIKELY: Final = 1e-5


class Stop(StrEnum):
    """Why no further setting is proposed."""

    BRACKETED = "bracketed"
    TOO_RISKY = "too_risky"
    DEEPEST_ALLOWED_REACHED = "deepest_allowed_reached"


@dataclass(frozen=True, slots=True)
class SearchTerms:
    """What trials cost, how finely the limit is wanted, and what is allowed.

    Parameters
    ----------
    trial_minutes, failure_minutes : of a trial, and more for one that fails
    resolution_steps : width of a bracket that is fine enough, whole grid steps
    max_risk : highest chance of failure of a proposed setting, in (0, 1]
    max_step_steps : farthest beyond the deeper of own stable setting and start; None for any
    start_steps : the pool's suggested start, 0 without one
    least_gain_steps : a setting nearer to the stable one is the same number when typed
    careful_from_steps : beyond it no setting gains more than one resolution; None for any gain
    """

    trial_minutes: float
    failure_minutes: float
    resolution_steps: int
    max_risk: float
    max_step_steps: int | None = None
    start_steps: int = 0
    least_gain_steps: int = 1
    careful_from_steps: int | None = None

    def __post_init__(self) -> None:
        if not 0 < self.max_risk <= 1:
            raise ValueError("a highest risk lies between 0 and 1")
        if self.trial_minutes <= 0 or self.failure_minutes < 0:
            raise ValueError("a trial takes time, and a failure gives none back")
        if not 1 <= self.least_gain_steps <= self.resolution_steps:
            raise ValueError("a resolution is one typed step or more")
        if self.max_step_steps is not None and self.max_step_steps < self.resolution_steps:
            raise ValueError("a step may be as wide as the resolution, else nothing is gained")


@dataclass(frozen=True, slots=True)
class SearchPlan:
    """The best setting to try in every bracket that lies within the unit's own.

    Parameters
    ----------
    chances : of the unit's limit
    terms : of the search
    gain : int64 array, shape (d + 1, d + 1)
        By steps from the unit's stable setting to the bracket's, and width of the bracket: how far
        beyond its stable end to go; 0 where the search ends.
    first_steps : the setting to begin with, whatever is cheapest; None for the cheapest
    """

    chances: LimitChances
    terms: SearchTerms
    gain: Table
    first_steps: int | None = None

    def next_from(self, stable_steps: int, unstable_steps: int) -> int | None:
        """The setting to try in this bracket, None where the search ends."""
        own = self.chances.stable_steps, self.chances.unstable_steps
        if self.first_steps is not None and own == (stable_steps, unstable_steps):
            return self.first_steps
        first = stable_steps - self.chances.stable_steps
        gain = int(self.gain[first, unstable_steps - stable_steps])
        return stable_steps + gain if gain else None

    def chance_stable(self, setting: int, stable_steps: int, unstable_steps: int) -> float:
        """The chance that a setting passes for a unit of which this bracket is known."""
        first, tried, last = (
            self.chances.failing[steps - self.chances.stable_steps]
            for steps in (stable_steps, setting, unstable_steps)
        )
        return float((last - tried) / (last - first)) if last > first else 0.0

    def stop_in(self, stable_steps: int, unstable_steps: int) -> Stop | None:
        """Why the search ends in this bracket, None where it goes on."""
        if self.next_from(stable_steps, unstable_steps) is not None:
            return None
        if unstable_steps - stable_steps > self.terms.resolution_steps:
            return Stop.TOO_RISKY
        is_end = unstable_steps == self.chances.unstable_steps
        return Stop.DEEPEST_ALLOWED_REACHED if self.chances.is_open and is_end else Stop.BRACKETED


def plan_search(chances: LimitChances, terms: SearchTerms) -> SearchPlan:
    """The plan of least expected cost among those with only allowed settings.

    A setting is proposed only if it gains a resolution or closes the bracket, and if the chance
    of its failure and its distance are allowed.

    Parameters
    ----------
    chances
        Of the unit's limit.
    terms
        Costs, resolution and what is allowed.

    References
    ----------
    Bellman (1957), Dynamic Programming, chapter 3, equation 3; Knuth (1971), Acta Informatica
    1:14-25 (optimum search trees; costs times probabilities, so that nothing is divided); Babb,
    Rogatko & Zacks (1998), Statist. Med. 17:1103-1120 (the chance of an overdose held below a
    bound at every step).

    >>> even = LimitChances(0, np.full(8, 1 / 8), is_open=False)
    >>> plan_search(even, SearchTerms(20, 0, 1, 1.0)).next_from(0, 8)
    4
    >>> plan_search(even, SearchTerms(20, 40, 1, 1.0)).next_from(0, 8)
    2
    >>> plan_search(even, SearchTerms(20, 0, 1, 0.1)).stop_in(0, 8).value
    'too_risky'
    """
    costs = _Costs.of(chances, terms)
    for width in range(terms.resolution_steps + 1, len(chances.mass) + 1):
        rows = costs.reachable(width)
        costs.fill(width, rows)
        if rows < len(costs.failing) - width:
            costs.fill_last(width)
    return SearchPlan(chances, terms, frozen_array(costs.gain))


@dataclass(frozen=True, slots=True)
class _Costs:
    """Expected costs of all brackets, each times the chance that the limit lies in it.

    The same costs are stored twice, by first and by last step of a bracket and its width, so that
    both halves of every split are contiguous in memory.
    """

    terms: SearchTerms
    failing: Vector
    reached: Vector
    """Sum of chance times steps up to each step."""
    farthest: Table
    """The most that may be gained from each step."""
    by_first: Vector
    by_last: Vector
    gain: Table

    @classmethod
    def of(cls, chances: LimitChances, terms: SearchTerms) -> "_Costs":
        ends = len(chances.mass) + 1
        steps = np.arange(ends)
        start = max(terms.start_steps - chances.stable_steps, 0)
        beyond = ends if terms.max_step_steps is None else terms.max_step_steps
        farthest = np.maximum(steps, start) - steps + beyond
        if terms.careful_from_steps is not None:
            left = terms.careful_from_steps - chances.stable_steps - steps
            farthest = np.minimum(farthest, np.maximum(left, terms.resolution_steps))
        return cls(
            terms,
            chances.failing,
            np.append(0.0, np.cumsum(chances.mass * steps[:-1])),
            farthest,
            np.zeros((ends, ends)),
            np.zeros((ends, ends)),
            np.zeros((ends, ends), dtype=np.int64),
        )

    def reachable(self, width: int) -> int:
        """From how many first steps on a search can come to a bracket of this width.

        A bracket that does not end where the unit's own does ends at a setting that failed, so
        near to what had passed before. Those that do end there are `fill_last`'s.
        """
        # The farthest gain never rises with the first step.
        rows = int((-self.farthest).searchsorted(-width, side="right"))
        return min(rows, len(self.failing) - width)

    def fill(self, width: int, rows: int) -> None:
        """Fill in the costs of the first brackets of this width; all narrower ones are there."""
        if rows == 0:
            return
        first = np.arange(rows)
        inside = self.failing[width : width + rows] - self.failing[:rows]
        cost = self._left(first, width, inside)
        gains = self._gains(width, int(self.farthest[:rows].max()))
        if len(gains):
            ways = self._ways(first, width, gains, inside)
            best = ways.argmin(axis=1)
            going = self.terms.trial_minutes * inside + ways[first, best]
            goes_on = np.isfinite(going)
            cost = np.where(goes_on, going, cost)
            self.gain[first, width] = np.where(goes_on, gains[best], 0)
        self.by_first[first, width] = self.by_last[first + width, width] = cost

    def fill_last(self, width: int) -> None:
        """Fill in the cost of the bracket of this width that ends where the unit's own does.

        The same as `fill` for one bracket, without the cost of arrays of one row.
        """
        end = len(self.failing) - 1
        first = end - width
        inside = self.failing[end] - self.failing[first]
        cost = self._left(first, width, inside)
        gains = self._gains(width, int(self.farthest[first]))
        least, most = (int(gains[0]), int(gains[-1])) if len(gains) else (1, 0)
        failing = self.failing[first + least : first + most + 1] - self.failing[first]
        # The chance of failure only grows with the gain.
        risk = (self.terms.max_risk + _ROUNDING) * inside if self.terms.max_risk < 1 else np.inf
        allowed = int(failing.searchsorted(risk, side="right"))
        if allowed:
            ways = self.terms.failure_minutes * failing[:allowed]
            ways += self.by_first[first, least : least + allowed]
            ways += self.by_last[end, width - least : width - least - allowed : -1]
            best = int(ways.argmin())
            cost = self.terms.trial_minutes * inside + ways[best]
            self.gain[first, width] = least + best
        self.by_first[first, width] = self.by_last[end, width] = cost

    def _left(self, first: Table | int, width: int, inside: Vector) -> Vector:
        """The price of the depth that is left where no trial is allowed."""
        price = _TRIALS_FOR_DEPTH_LEFT * self.terms.trial_minutes / self.terms.resolution_steps
        left = self.reached[first + width] - self.reached[first] - first * inside
        return np.asarray(price * left)

    def _gains(self, width: int, farthest: int) -> Table:
        """The gains worth a trial: a resolution or more, or what closes the bracket."""
        closes = width - self.terms.resolution_steps
        least = max(self.terms.least_gain_steps, min(self.terms.resolution_steps, closes))
        return np.arange(least, min(width, farthest + 1))

    def _ways(self, first: Table, width: int, gains: Table, inside: Vector) -> Vector:
        """Cost of what follows each gain, shape (first, gains); infinite where not allowed."""
        least, most = int(gains[0]), int(gains[-1])
        rows = slice(0, len(first))
        ends = slice(width, width + len(first))
        # A view of the settings from the nearest to the farthest gain; its checks would cost more.
        shape = len(first), most - least + 1
        width_of_one = self.failing.itemsize
        tried = np.ndarray(
            shape, np.float64, self.failing, least * width_of_one, (width_of_one, width_of_one)
        )
        failing = tried - self.failing[first][:, None]
        ways = self.terms.failure_minutes * failing
        ways += self.by_first[rows, least : most + 1]
        ways += self.by_last[ends, width - least : width - most - 1 : -1]
        if self.terms.max_risk < 1.0:
            ways[failing > (self.terms.max_risk + _ROUNDING) * inside[:, None]] = np.inf
        ways[gains > self.farthest[first][:, None]] = np.inf
        return ways


@dataclass(frozen=True, slots=True)
class NextRun:
    """The run to do next.

    Parameters
    ----------
    steps, minutes : of the run
    chance_stable : chance that the unit's limit lies at or beyond the setting
    is_confirmation : whether it only confirms the deepest pass, for longer
    """

    steps: int
    minutes: float
    chance_stable: float
    is_confirmation: bool


@dataclass(frozen=True, slots=True)
class UnitSearch:
    """A search of one unit, from all of its runs so far.

    Parameters
    ----------
    plan : of what follows, from the unit's own bracket on
    runs : those that count
    """

    plan: SearchPlan
    runs: tuple[Run, ...]

    @property
    def bracket(self) -> tuple[int, int]:
        """The deepest pass and the shallowest failure, no deeper than is proposed."""
        return self.plan.chances.stable_steps, self.plan.chances.unstable_steps

    def next_run(self) -> NextRun | None:
        """The run to do next, None where the search has ended and its end is confirmed."""
        chances = self.plan.chances
        steps = self.plan.next_from(*self.bracket)
        if steps is not None:
            chance = self.plan.chance_stable(steps, *self.bracket)
            return NextRun(steps, self.plan.terms.trial_minutes, chance, is_confirmation=False)
        steps = chances.stable_steps
        # Steps nearer than that are one number when typed.
        same = steps - self.plan.terms.least_gain_steps
        passed = sum(run.minutes for run in self.runs if run.is_stable and run.steps > same)
        minutes = confirming_minutes(chances, passed) if steps else None
        if minutes is None:
            return None
        return NextRun(steps, minutes, 1.0 - chances.false_pass, is_confirmation=True)


def search_unit(
    mass: Vector,
    terms: SearchTerms,
    bracket: tuple[int, int],
    runs: Sequence[Run] = (),
    *,
    begins_at_start: bool = True,
) -> UnitSearch:
    """The search of a unit with these runs, planned from its bracket on.

    A search without own runs begins at the start, unless that is riskier than allowed.

    Parameters
    ----------
    mass, terms
        Of one more unit's limit, from `limit_chances`; costs, resolution and what is allowed.
    bracket, runs
        The deepest pass and the shallowest failure; the runs that count.
    begins_at_start
        False for the cheapest beginning.

    >>> terms = SearchTerms(20, 10, 5, 0.25, 20, start_steps=4)
    >>> search_unit(np.full(41, 1 / 41), terms, (0, 1 << 30)).next_run().steps
    4
    >>> runs = Run(4, 20, True), Run(5, 2, False)
    >>> run = search_unit(np.full(41, 1 / 41), terms, (4, 5), runs).next_run()
    >>> run.steps, run.minutes, run.is_confirmation
    (4, 60.0, True)
    """
    chances = chances_of_unit(mass, *bracket, runs, terms.trial_minutes)
    plan = plan_search(chances, terms)
    start = terms.start_steps
    nearest = chances.stable_steps + terms.least_gain_steps
    if begins_at_start and not runs and nearest <= start < chances.unstable_steps:
        risk = float(chances.failing[start - chances.stable_steps])
        if risk <= terms.max_risk + _ROUNDING:
            plan = replace(plan, first_steps=start)
    return UnitSearch(plan, tuple(runs))


Choose = Callable[[int, int], int | None]
"""The setting to try in a bracket from stable to unstable step, None to end the search."""


@dataclass(frozen=True, slots=True)
class ExpectedSearch:
    """Expectations over the unit's limit.

    Parameters
    ----------
    trials, failures : how many of them
    minutes : of trials and failures together
    stable_steps : the deepest setting that has passed in the end
    left_steps : how much deeper than that the limit lies
    """

    trials: float
    failures: float
    minutes: float
    stable_steps: float
    left_steps: float


@dataclass(frozen=True, slots=True)
class RunErrors:
    """Chances that a run misleads: an unstable setting passes, a stable one fails."""

    missed: float = 0.0
    false_failure: float = 0.0

    @classmethod
    def of_length(cls, minutes: float) -> "RunErrors":
        """Those of a run of this length.

        >>> RunErrors.of_length(20.0).false_failure
        0.05
        """
        return cls(missed_failure(minutes), FALSE_FAILURE)


NO_ERRORS: Final = RunErrors()


def expected_search(
    chances: LimitChances,
    choose: Choose,
    trial_minutes: float,
    failure_minutes: float,
    errors: RunErrors = NO_ERRORS,
) -> ExpectedSearch:
    """The expected cost of a search; every bracket is reached in one way only.

    Parameters
    ----------
    chances, choose
        Of the unit's limit; the setting to try in each bracket.
    trial_minutes, failure_minutes, errors
        Of a trial, more for one that fails, and how it can mislead.

    >>> one_by_one = lambda stable, unstable: stable + 1 if unstable - stable > 1 else None
    >>> even = LimitChances(0, np.full(4, 0.25), is_open=False)
    >>> expected_search(even, one_by_one, 20, 10)
    ExpectedSearch(trials=2.25, failures=0.75, minutes=52.5, stable_steps=1.5, left_steps=0.0)
    """
    begin = chances.stable_steps
    trials = failures = stable_steps = 0.0
    brackets = [(begin, chances.unstable_steps, chances.mass)]
    while brackets:
        stable, unstable, likely = brackets.pop()
        inside = float(likely.sum())
        setting = choose(stable, unstable) if inside > _UNLIKELY else None
        if setting is None:
            stable_steps += stable * inside
            continue
        passed = likely * (1.0 - errors.false_failure)
        passed[: setting - begin] = likely[: setting - begin] * errors.missed
        failed = likely - passed
        trials += inside
        failures += float(failed.sum())
        brackets += [(stable, setting, failed), (setting, unstable, passed)]
    limit = begin + float(chances.mass @ range(len(chances.mass)))
    minutes = trials * trial_minutes + failures * failure_minutes
    return ExpectedSearch(trials, failures, minutes, stable_steps, limit - stable_steps)


def expected_of_plan(plan: SearchPlan, errors: RunErrors = NO_ERRORS) -> ExpectedSearch:
    """The expected cost of the planned search from the unit's own bracket on.

    The long run at its end comes on top.

    >>> import numpy as np
    >>> from kbapi.stats.search.next_step import SearchTerms, plan_search
    >>> even = LimitChances(0, np.full(4, 0.25), is_open=False)
    >>> expected_of_plan(plan_search(even, SearchTerms(20, 0, 1, 1.0))).trials
    2.0
    """
    terms = plan.terms
    return expected_search(
        plan.chances, plan.next_from, terms.trial_minutes, terms.failure_minutes, errors
    )


class Boldness(StrEnum):
    """How much risk a search takes, from the least to the most."""

    CAUTIOUS = "cautious"
    USUAL = "usual"
    BOLD = "bold"


OPTION_RISKS: Final = {Boldness.CAUTIOUS: 0.05, Boldness.USUAL: 0.10, Boldness.BOLD: 0.25}
"""The highest chance of failure of a proposed setting in each search."""
_CAUTIOUS_PART: Final = 0.5
"""Of the chance that the start fails: the cautious search begins where no more is left of it."""


@dataclass(frozen=True, slots=True)
class SearchOption:
    """A first setting that a person may choose, and the search that follows.

    Parameters
    ----------
    boldness : of the search
    first_steps : the first setting, in grid steps below stock
    max_risk : highest chance of failure of the settings after it
    expected : over the unit's limit, with runs that can mislead
    """

    boldness: Boldness
    first_steps: int
    max_risk: float
    expected: ExpectedSearch


def search_options(usual: SearchPlan) -> list[SearchOption]:
    """The searches to choose from, cautious to bold; the usual one begins at the pool's start.

    The cautious one begins at the deepest setting with half the chance of failure, at most
    `max_step_steps` before the start. The bold one begins where its plan costs the least. Each is
    a resolution at least from the start; without room for it there is none.

    Parameters
    ----------
    usual
        The plan of a unit without runs; its terms name the start.

    >>> bell = np.exp(-0.5 * ((np.arange(140) - 90) / 20) ** 2)
    >>> unit = LimitChances(0, bell / bell.sum(), is_open=True)
    >>> found = search_options(plan_search(unit, SearchTerms(20, 10, 6, 0.10, 20, 50, 2)))
    >>> [(one.boldness.value, one.first_steps) for one in found]
    [('cautious', 44), ('usual', 50), ('bold', 70)]
    >>> [(round(one.expected.failures, 2), round(one.expected.stable_steps)) for one in found]
    [(0.23, 60), (0.38, 69), (0.82, 81)]
    """
    start, errors = usual.terms.start_steps, RunErrors.of_length(usual.terms.trial_minutes)
    options = []
    for boldness, max_risk in OPTION_RISKS.items():
        plan, first = usual, start
        if max_risk != usual.terms.max_risk:
            plan = plan_search(usual.chances, replace(usual.terms, max_risk=max_risk))
        if boldness is Boldness.CAUTIOUS:
            first = _cautious_first(usual.chances, usual.terms)
        elif boldness is Boldness.BOLD:
            first = plan.next_from(usual.chances.stable_steps, usual.chances.unstable_steps) or 0
            first = first if first >= start + usual.terms.resolution_steps else 0
        if first >= usual.terms.least_gain_steps:
            expected = expected_of_plan(replace(plan, first_steps=first), errors)
            options.append(SearchOption(boldness, first, max_risk, expected))
    return options


def _cautious_first(chances: LimitChances, terms: SearchTerms) -> int:
    """The first setting of the cautious search; less than one step without room for it."""
    start, failing = terms.start_steps, chances.failing
    half = int(failing.searchsorted(_CAUTIOUS_PART * failing[start] + _ROUNDING, side="right")) - 1
    farthest = start if terms.max_step_steps is None else terms.max_step_steps
    return min(max(half, start - farthest), start - terms.resolution_steps)


@dataclass(frozen=True, slots=True)
class FixedStepSearch:
    """A search by fixed steps: down from a first setting until one fails, then finer once.

    Nothing is tried again, and nothing beyond `deepest`. Where the first setting fails it goes back
    toward stock by the same step until one passes.
    """

    first: int
    step: int
    refine: int
    deepest: int

    def __call__(self, stable: int, unstable: int) -> int | None:
        """The setting to try in a bracket, None where the search ends.

        >>> fixed = FixedStepSearch(first=10, step=2, refine=1, deepest=30)
        >>> fixed(0, 31), fixed(10, 31), fixed(10, 12), fixed(11, 12), fixed(0, 10)
        (10, 12, 11, None, 8)
        """
        if unstable > self.deepest:
            setting = self.first if stable < self.first else stable + self.step
            return setting if setting <= self.deepest else None
        if unstable - stable > self.step:
            return unstable - self.step
        return stable + self.refine if unstable - stable > self.refine else None
