"""The margin that is recommended for daily use: learned from follow-ups, or the default.

The least margin is learned whose lower bound reaches the wanted share. Without one, the first
margin that follow-ups do not rule out is taken: the default margin, or else a wider one.
"""

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
    """How far short of the limit to set for daily use, and the evidence for it.

    Parameters
    ----------
    margin : in the control's unit, mV or counts
    source : `learned` where the lower bound reaches the wanted share; `default` where nothing
        contradicts the default margin; `default_failed` where follow-ups rule that out, and
        `margin` is a wider one
    survival : share still stable after the wanted days with this margin; None without any
    """

    margin: float
    source: MarginSource
    survival: SurvivalShare | None


def recommended_margin(
    days: Days,
    failed: NDArray[np.bool_],
    weight: Vector,
    place: NDArray[np.int64],
    margins: Sequence[float],
    share: float = WANTED_SHARE,
    after_days: int = WANTED_DAYS,
) -> RecommendedMargin:
    """The least margin known to leave the wanted share stable, else one not ruled out.

    Parameters
    ----------
    days, failed, weight : arrays, shape (n,)
        As for `fit_survival`.
    place : int64 array, shape (n,)
        Index of each setting's margin: the narrowest of `margins` that is not smaller; -1 for none.
    margins
        Ascending, the default first; in the control's unit.
    share, after_days
        What the margin is to reach.

    >>> margins, place = (10.0, 20.0), np.repeat([0, 1], 70)
    >>> failed = np.arange(140) < 15
    >>> days = np.where(failed, 40, 100)
    >>> learned = recommended_margin(days, failed, np.ones(140), place, margins)
    >>> learned.margin, learned.source, round(learned.survival.low, 3)
    (20.0, 'learned', 0.958)
    """
    survivals = [
        _survival(days[place == p], failed[place == p], weight[place == p], after_days)
        for p in range(len(margins))
    ]
    for margin, found in zip(margins, survivals, strict=True):
        if found is not None and found.low >= share:
            return RecommendedMargin(margin, "learned", found)
    for position, (margin, found) in enumerate(zip(margins, survivals, strict=True)):
        if found is None or found.high >= share:
            return RecommendedMargin(margin, "default_failed" if position else "default", found)
    return RecommendedMargin(margins[-1], "default_failed", survivals[-1])


def _survival(
    days: Days, failed: NDArray[np.bool_], weight: Vector, after_days: int
) -> SurvivalShare | None:
    if len(days) == 0:
        return None
    found = fit_survival(days, failed, weight).after(after_days, CONFIDENCE)
    return found if found.known > 0 else None
