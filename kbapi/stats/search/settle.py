"""Where to settle short of the limit: the margin that kept settings stable, learnt or by custom."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.time.survival import Days, SurvivalShare, Vector, fit_survival
from kbapi.vocabulary import MarginSource

WANTED_SHARE: Final = 0.95
WANTED_DAYS: Final = 90
CONFIDENCE: Final = 0.90
"""Of the two-sided interval, so that each of its ends holds with 95 %."""


@dataclass(frozen=True, slots=True)
class RecommendedMargin:
    """How far short of the limit to settle, and what that stands on.

    Parameters
    ----------
    margin : in the control's unit, mV or counts
    standing : `learned` where the lower bound reaches the wanted share; `default` where nothing
        speaks against the default margin; `default_failed` where follow-ups rule that out and
        a wider one, which they do not rule out, stands in its place
    kept : share still stable after the wanted days with this margin; None without any
    """

    margin: float
    standing: MarginSource
    kept: SurvivalShare | None


def recommended_margin(
    days: Days,
    failed: NDArray[np.bool_],
    weight: Vector,
    place: NDArray[np.int64],
    margins: Sequence[float],
    share: float = WANTED_SHARE,
    after_days: int = WANTED_DAYS,
) -> RecommendedMargin:
    """The least margin known to have kept the wanted share stable, else the fixed-step one.

    Parameters
    ----------
    days, failed, weight : arrays, shape (n,)
        As for `fit_survival`.
    place : int64 array, shape (n,)
        Which of `margins` a setting kept: at most that, more than the one before. Others are -1.
    margins
        Ascending, the fixed-step one first; in the control's unit.
    share, after_days
        What the margin is to have kept.

    >>> margins, place = (10.0, 20.0), np.repeat([0, 1], 70)
    >>> failed = np.arange(140) < 15
    >>> days = np.where(failed, 40, 100)
    >>> learnt = recommended_margin(days, failed, np.ones(140), place, margins)
    >>> learnt.margin, learnt.standing, round(learnt.kept.low, 3)
    (20.0, 'learned', 0.958)
    >>> recommended_margin(days[:0], failed[:0], np.ones(0), place[:0], margins).standing
    'default'
    """
    kept = [
        _kept(days[place == p], failed[place == p], weight[place == p], after_days)
        for p in range(len(margins))
    ]
    for margin, found in zip(margins, kept, strict=True):
        if found is not None and found.low >= share:
            return RecommendedMargin(margin, "learned", found)
    for position, (margin, found) in enumerate(zip(margins, kept, strict=True)):
        if found is None or found.high >= share:
            return RecommendedMargin(margin, "default_failed" if position else "default", found)
    return RecommendedMargin(margins[-1], "default_failed", kept[-1])


def _kept(
    days: Days, failed: NDArray[np.bool_], weight: Vector, after_days: int
) -> SurvivalShare | None:
    if len(days) == 0:
        return None
    found = fit_survival(days, failed, weight).after(after_days, CONFIDENCE)
    return found if found.known > 0 else None
