"""A unit's counted settings under one set of conditions become evidence rows.

Pure, and blind to order: the same outcomes in any order give the same rows.
"""

from collections.abc import Iterable

from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.evidence_rows import EvidenceLevel, OutcomeRow


def merge_outcomes(outcomes: Iterable[OutcomeRow]) -> tuple[EvidenceLevel, ...]:
    """One row for each depth that passed short of the shallowest failure, shallow to deep.

    Shallower passes are kept beside the deepest one: a failure under other conditions may beat
    the deep one, and then the shallower one is what the unit still holds. A unit that failed and
    passed nowhere short of that has one row with `stable_steps = 0`.
    """
    seen = list(outcomes)
    unstable = min((o.unstable_steps for o in seen if o.unstable_steps), default=NEVER_FAILED)
    latest_month = max((o.measured_month for o in seen), default="")
    early_stops: dict[int, int] = {}
    for outcome in seen:
        depth = outcome.stable_steps
        if depth is not None and depth < unstable:
            early_stops[depth] = min(
                outcome.early_stop_steps, early_stops.get(depth, outcome.early_stop_steps)
            )
    if not early_stops and unstable < NEVER_FAILED:
        early_stops[0] = 0
    # A word for a pass or a failure is one for the rows that hold it, not for what else is there.
    spoken_for = [outcome for outcome in seen if outcome.confirmed_by_curator]
    passes = {outcome.stable_steps for outcome in spoken_for}
    failure = any(outcome.unstable_steps == unstable for outcome in spoken_for)
    return tuple(
        EvidenceLevel(
            depth, unstable, early_stops[depth], latest_month, int(failure or depth in passes)
        )
        for depth in sorted(early_stops)
    )
