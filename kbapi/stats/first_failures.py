"""Units whose first setting failed, placed where the rest of the pool makes them likely."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals, group_intervals
from kbapi.stats.small_sample import ShapePosterior

_NEGLECTED: Final = 1e-9


def spread_first_failures(
    evidence: GroupedIntervals, posterior: ShapePosterior
) -> GroupedIntervals:
    """The evidence with each `[0, unstable)` shared out over its steps like the posterior.

    Left as they are, the likelihood would put all of these units just before the shallowest first
    setting that failed, and every depth before it would look safe.

    Parameters
    ----------
    evidence
        Distinct intervals in grid steps.
    posterior
        Distribution of limits by whose expectation the units are shared out.

    >>> from kbapi.stats.small_sample import ShapePosterior
    >>> belief = ShapePosterior(np.array([10.0]), np.array([1.6]), np.ones(1), 1.0, 5.0)
    >>> pool = GroupedIntervals(np.array([0, 3]), np.array([2, 4]), np.array([4.0, 1.0]))
    >>> spread = spread_first_failures(pool, belief)
    >>> spread.stable_steps.tolist(), spread.weight.round(2).tolist()
    ([0, 1, 3], [1.33, 2.67, 1.0])
    """
    first = (evidence.stable_steps == 0) & (evidence.unstable_steps < NEVER_FAILED)
    if not first.any():
        return evidence
    shares = _shared_out(evidence.unstable_steps[first], evidence.weight[first], posterior)
    kept = np.flatnonzero(shares > _NEGLECTED * evidence.total_weight)
    return group_intervals(
        np.concatenate([evidence.stable_steps[~first], kept]),
        np.concatenate([evidence.unstable_steps[~first], kept + 1]),
        np.concatenate([evidence.weight[~first], shares[kept]]),
    )


def _shared_out(
    unstable: NDArray[np.int64], weight: NDArray[np.float64], posterior: ShapePosterior
) -> NDArray[np.float64]:
    """Weight at each whole step before the deepest of the failures, shape (max(unstable),)."""
    unstable = np.minimum(unstable, posterior.deepest())
    share = posterior.share_at(np.arange(int(unstable.max()) + 1)) @ posterior.weight
    # A floor keeps a belief that rules all these steps out from dividing nothing by nothing.
    chance = np.maximum(-np.diff(share), 1e-300)
    by_end = np.bincount(unstable - 1, weight / np.cumsum(chance)[unstable - 1])
    return np.asarray(chance * np.cumsum(by_end[::-1])[::-1])
