"""The setting that is recommended for daily use, and its margin: learned from follow-ups, or not.

The least margin is learned whose lower bound reaches the wanted share. Without one, the first
margin that follow-ups do not rule out is taken: the default margin, or else a wider one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import ceil, log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.intervals import Grid
from kbapi.stats.search.chances import LimitChances
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
    is_of_chip: bool = False
    """Whether the follow-ups are of the chip itself, not of its series."""


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


class InUseReason(StrEnum):
    """Why a setting is recommended for daily use."""

    USUAL_MARGIN = "usual_margin"
    SURVIVAL = "survival"
    HALF_OF_PROVEN = "half_of_proven"


@dataclass(frozen=True, slots=True)
class SettingInUse:
    """The step for daily use, why, and the chance that it stays stable for the wanted days.

    `survival` is None where too few follow-ups show it.
    """

    steps: int
    reason: InUseReason
    survival: float | None


def setting_in_use(chances: LimitChances, margin: RecommendedMargin, grid: Grid) -> SettingInUse:
    """The deepest setting expected to stay stable, no deeper than the deepest pass.

    Without follow-ups that show more, the default margin is kept from the deepest pass. Else the
    survival of a setting grows with its distance from the limit, exponentially and through the
    survival that follow-ups show at the learned margin. Wherever the limit may lie in the unit's
    bracket, the setting must survive with the wanted share on average.

    Half of the deepest pass is always allowed, unless follow-ups of the chip itself ask for more.

    Parameters
    ----------
    chances
        Of the unit's limit. That its deepest pass was false is left to the run that confirms it.
    margin
        From `recommended_margin`.
    grid
        The grid of the control.

    >>> known = LimitChances(80, np.ones(5) / 5, is_open=False)
    >>> usual = RecommendedMargin(10.0, "default", None)
    >>> setting_in_use(known, usual, Grid(Fraction(1))).steps
    70
    >>> shown = SurvivalShare(90, 0.99, 0.0, 0.95, 1.0, 0.9, 99.0, 100.0)
    >>> found = setting_in_use(known, RecommendedMargin(10.0, "learned", shown), Grid(Fraction(1)))
    >>> found.steps, round(found.survival, 3)
    (75, 0.954)
    """
    passed = chances.stable_steps
    if passed == 0:
        return SettingInUse(0, InUseReason.USUAL_MARGIN, None)
    # The whole number that a person types must not be less than half.
    half = min(ceil(ceil(passed * grid.step / 2) / grid.step), passed - 1)
    if margin.source == "default":
        usual = passed - ceil(Fraction(repr(float(margin.margin))) / grid.step)
        is_half = usual < half
        reason = InUseReason.HALF_OF_PROVEN if is_half else InUseReason.USUAL_MARGIN
        return SettingInUse(max(usual, half), reason, None)
    survival = _survival_of_steps(chances, margin, grid)
    lasting = np.flatnonzero(survival >= WANTED_SHARE)
    steps, reason = int(lasting[-1]) if len(lasting) else 0, InUseReason.SURVIVAL
    if steps < half and not margin.is_of_chip:
        steps, reason = half, InUseReason.HALF_OF_PROVEN
    return SettingInUse(steps, reason, float(survival[steps]))


def _survival_of_steps(chances: LimitChances, margin: RecommendedMargin, grid: Grid) -> Vector:
    """The chance of each step 0..deepest pass to stay stable, shape (stable_steps + 1,)."""
    mass = chances.mass.copy()
    mass[0] = max(mass[0] - chances.false_pass, 0.0)
    mass /= mass.sum()
    step = float(grid.step)
    # One survivor and one failure more: what one more machine is expected to do (Laplace).
    found = margin.survival
    share = WANTED_SHARE
    if found is not None:
        share = (found.share * found.known + 1.0) / (found.known + 2.0)
    scale = margin.margin / -log(1.0 - share)
    beyond = float(mass @ np.exp(-step * np.arange(len(mass)) / scale))
    short = step * np.arange(chances.stable_steps, -1, -1)
    return np.asarray(1.0 - np.exp(-short / scale) * beyond)
