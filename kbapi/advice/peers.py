"""How a pool's units spread over the settings: what a sender sees of it beside their own result."""

from dataclasses import dataclass

import numpy as np

from kbapi.evidence.pools import PoolEvidence
from kbapi.stats.interval import NEVER_FAILED


@dataclass(frozen=True, slots=True)
class PeersByDepth:
    """Units by depth in steps from 0 to just beyond everything seen, each counted whole."""

    known: tuple[int, ...]
    """Units whose status at the depth is known."""
    stable: tuple[int, ...]
    """Units stable there."""


def peers_of(pool: PoolEvidence) -> PeersByDepth:
    """The counts of a pool at every depth, at most a thousand of them."""
    intervals, units = pool.intervals, pool.unit_counts
    failed = intervals.unstable_steps < NEVER_FAILED
    deepest = max(
        int(intervals.stable_steps.max(initial=0)),
        int(intervals.unstable_steps[failed].max(initial=0)),
    )
    passed_at = np.bincount(intervals.stable_steps, weights=units, minlength=deepest + 2)
    failed_at = np.bincount(
        intervals.unstable_steps[failed], weights=units[failed], minlength=deepest + 2
    )
    # Stable at d: passed at d or deeper. Failed at d: failed at d or shallower.
    stable = np.cumsum(passed_at[::-1])[::-1].astype(int)
    gone = np.cumsum(failed_at).astype(int)
    return PeersByDepth(tuple((stable + gone).tolist()), tuple(stable.tolist()))
