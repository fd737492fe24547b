"""The setting that is recommended for daily use, and its margin: learned from follow-ups, or not.

The least margin is learned whose lower bound reaches the wanted share. Without one, the first
margin that follow-ups do not rule out is taken: the default margin, or else a wider one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import ceil
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
# Fewer without any failure predict less than the wanted share for one more machine (Laplace).
_FEWEST_FOLLOWED: Final = 20.0


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
    curve: tuple[tuple[float, float], ...] = ()
    """Margins with follow-ups enough, ascending, each with the chance that one more machine is
    still stable after the wanted days."""
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
    days, failed, weight
        Arrays, shape (n,), as for `fit_survival`.
    place : int64 array, shape (n,)
        Index of each setting's margin: the narrowest of `margins` that is not smaller; -1 for none.
    margins, share, after_days
        Ascending, the default first; what the margin is to reach.

    >>> margins, place = (10.0, 20.0), np.repeat([0, 1], 70)
    >>> failed = np.arange(140) < 15
    >>> learned = recommended_margin(100 - 60 * failed, failed, np.ones(140), place, margins)
    >>> learned.margin, learned.source, round(learned.survival.low, 3)
    (20.0, 'learned', 0.958)
    """
    survivals = [
        _survival(days[place == p], failed[place == p], weight[place == p], after_days)
        for p in range(len(margins))
    ]
    curve = _longevity_curve(margins, survivals)
    for margin, found in zip(margins, survivals, strict=True):
        if found is not None and found.low >= share:
            return RecommendedMargin(margin, "learned", found, curve)
    for margin, found in zip(margins, survivals, strict=True):
        if found is None or found.high >= share:
            source: MarginSource = "default" if margin == margins[0] else "default_failed"
            return RecommendedMargin(margin, source, found, curve)
    return RecommendedMargin(margins[-1], "default_failed", survivals[-1], curve)


def _longevity_curve(
    margins: Sequence[float], survivals: Sequence[SurvivalShare | None]
) -> tuple[tuple[float, float], ...]:
    """The margins with follow-ups enough, each with the chance of one more machine (Laplace)."""
    return tuple(
        (margin, (found.share * found.known + 1.0) / (found.known + 2.0))
        for margin, found in zip(margins, survivals, strict=True)
        if found is not None and found.known >= _FEWEST_FOLLOWED
    )


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

    With too few follow-ups the margin is kept from the deepest pass. Else the survival of a setting
    grows with its distance from the limit as follow-ups show it. On average over the places where
    the limit may lie in the unit's bracket, the setting survives with the wanted share.

    Half of the deepest pass is always allowed, unless follow-ups of the chip itself ask for more.

    Parameters
    ----------
    chances
        Of the unit's limit. That its deepest pass was false is left to the run that confirms it.
    margin, grid
        From `recommended_margin`; of the control.

    >>> known = LimitChances(80, np.ones(5) / 5, is_open=False)
    >>> learned = RecommendedMargin(10.0, "learned", None, curve=((10.0, 0.98),))
    >>> found = setting_in_use(known, learned, Grid(Fraction(1)))
    >>> found.steps, round(found.survival, 3)
    (73, 0.966)
    """
    passed = chances.stable_steps
    if passed == 0:
        return SettingInUse(0, InUseReason.USUAL_MARGIN, None)
    # The whole number that a person types must not be less than half.
    half = min(ceil(ceil(passed * grid.step / 2) / grid.step), passed - 1)
    if not margin.curve:
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
    limits = chances.stable_steps + np.arange(len(mass))
    short = (limits - np.arange(chances.stable_steps + 1)[:, None]) * float(grid.step)
    return np.asarray(_survival_at(np.asarray(short), margin.curve) @ mass)


def _survival_at(distance: Vector, curve: Sequence[tuple[float, float]]) -> Vector:
    """The chance that a setting at these distances from the limit stays stable.

    None of them lasts at the limit itself. Between the margins of the curve, and beyond the last,
    failures fall exponentially with the distance; a wider margin never has more of them.
    """
    margins = np.array([0.0, *(margin for margin, _ in curve)])
    failing = np.log([1.0, *(1.0 - share for _, share in curve)])
    failing = np.minimum.accumulate(failing)
    beyond = failing[-1] / margins[-1] * np.maximum(distance - margins[-1], 0.0)
    return np.asarray(1.0 - np.exp(np.interp(distance, margins, failing) + beyond))
