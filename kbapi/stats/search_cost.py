"""What a search can be expected to cost and to reach, a planned one or the fixed-step one."""

from collections.abc import Callable
from dataclasses import dataclass

from kbapi.stats.limit_chances import LimitChances
from kbapi.stats.next_step import SearchPlan

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


def expected_search(
    chances: LimitChances, choose: Choose, trial_minutes: float, failure_minutes: float
) -> ExpectedSearch:
    """What a way of searching is expected to cost; every bracket is met on one way only.

    Parameters
    ----------
    chances
        Of the unit's limit.
    choose
        The way of searching.
    trial_minutes, failure_minutes
        Of a trial, and more for one that fails.

    >>> import numpy as np
    >>> even = LimitChances(0, np.full(4, 0.25), is_open=False)
    >>> one_by_one = lambda stable, unstable: stable + 1 if unstable - stable > 1 else None
    >>> search = expected_search(even, one_by_one, 20, 10)
    >>> search.trials, search.failures, search.minutes, search.stable_steps
    (2.25, 0.75, 52.5, 1.5)
    """
    failing, begin = chances.failing, chances.stable_steps
    trials = failures = stable_steps = 0.0
    brackets = [(begin, chances.unstable_steps)]
    while brackets:
        stable, unstable = brackets.pop()
        inside = float(failing[unstable - begin] - failing[stable - begin])
        setting = choose(stable, unstable)
        if setting is None:
            stable_steps += stable * inside
            continue
        trials += inside
        failures += float(failing[setting - begin] - failing[stable - begin])
        brackets += [(stable, setting), (setting, unstable)]
    limit = begin + float(chances.mass @ range(len(chances.mass)))
    minutes = trials * trial_minutes + failures * failure_minutes
    return ExpectedSearch(trials, failures, minutes, stable_steps, limit - stable_steps)


def expected_of_plan(plan: SearchPlan) -> ExpectedSearch:
    """What the planned search is expected to cost from the unit's own bracket on.

    >>> import numpy as np
    >>> from kbapi.stats.next_step import SearchTerms, plan_search
    >>> even = LimitChances(0, np.full(4, 0.25), is_open=False)
    >>> expected_of_plan(plan_search(even, SearchTerms(20, 0, 1, 1.0))).trials
    2.0
    """
    terms = plan.terms
    return expected_search(plan.chances, plan.next_from, terms.trial_minutes, terms.failure_minutes)


@dataclass(frozen=True, slots=True)
class CustomarySearch:
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

        >>> fixed = CustomarySearch(first=10, step=2, refine=1, deepest=30)
        >>> fixed(0, 31), fixed(10, 31), fixed(10, 12), fixed(11, 12), fixed(0, 10)
        (10, 12, 11, None, 8)
        """
        if unstable > self.deepest:
            setting = self.first if stable < self.first else stable + self.step
            return setting if setting <= self.deepest else None
        if unstable - stable > self.step:
            return unstable - self.step
        return stable + self.refine if unstable - stable > self.refine else None
