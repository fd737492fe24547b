"""The setting that is recommended for daily use, and its margin: learned from follow-ups, or not.

The least margin is learned whose lower bound reaches the wanted share. Without one, the first
margin that follow-ups do not rule out is taken: the default margin, or else a wider one.

A wider margin never survives less often. Where follow-ups say so, chance is the cause, so the
margins together bound each of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from itertools import compress
from math import ceil
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.gains.power_curve import isotonic
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
# Fewer without any failure have a lower bound less than the wanted share (Clopper & Pearson).
_FEWEST_TO_LEARN: Final = 59.0
# Equal fits of one block differ by rounding only.
_ROUNDING: Final = 1e-9


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
    """Mean margins of bands with follow-ups enough, ascending, each with the chance that one more
    machine is still stable after the wanted days; few machines below a learned margin give a lower
    bound."""
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
    kept: Vector | None = None,
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
    kept : float64 array, shape (n,)
        The margin of each setting itself; None for that of its place.

    >>> margins, place = (10.0, 20.0), np.repeat([0, 1], 70)
    >>> failed = np.arange(140) < 15
    >>> learned = recommended_margin(100 - 60 * failed, failed, np.ones(140), place, margins)
    >>> learned.margin, learned.source, round(learned.survival.low, 3)
    (20.0, 'learned', 0.958)
    """
    bands = [place == p for p in range(len(margins))]
    found = [_survival(days[of], failed[of], weight[of], after_days) for of in bands]
    blocks = [
        _survival(days[of], failed[of], weight[of], after_days) for of in _blocks(bands, found)
    ]
    bounded = [_bounded(one, block) for one, block in zip(found, blocks, strict=True)]
    chosen, source = _first_margin(bounded, share)
    learned = margins[chosen] if source == "learned" else 0.0
    middles = margins if kept is None else _means(kept, weight, bands)
    curve = _longevity_curve(margins, middles, found, blocks, learned)
    return RecommendedMargin(margins[chosen], source, found[chosen], curve)


def _means(kept: Vector, weight: Vector, bands: Sequence[NDArray[np.bool_]]) -> list[float]:
    """The mean margin of the settings of each band, 0 for an empty one."""
    return [float(kept[of] @ weight[of] / max(weight[of].sum(), 1e-9)) for of in bands]


def _first_margin(bounded: Sequence[tuple[float, float]], share: float) -> tuple[int, MarginSource]:
    """The place of the first margin that is learned, or else not ruled out, or else the last."""
    for place, (low, _) in enumerate(bounded):
        if low >= share:
            return place, "learned"
    for place, (_, high) in enumerate(bounded):
        if high >= share:
            return place, "default_failed" if place else "default"
    return len(bounded) - 1, "default_failed"


def _blocks(
    bands: Sequence[NDArray[np.bool_]], survivals: Sequence[SurvivalShare | None]
) -> list[NDArray[np.bool_]]:
    """Which settings each band is pooled with, so that no wider margin survives less often.

    Bands whose isotonic fits are equal are one block. A band without a survival stays alone.
    """
    known = {p: one for p, one in enumerate(survivals) if one is not None}
    if not known:
        return list(bands)
    shares = np.array([[one.share for one in known.values()]])
    fitted = isotonic(shares, np.array([[one.known for one in known.values()]]))[0]
    blocks = list(bands)
    for p, fit in zip(known, fitted, strict=True):
        is_alike = np.abs(fitted - fit) <= _ROUNDING
        blocks[p] = np.any([bands[q] for q in compress(known, is_alike)], axis=0)
    return blocks


def _bounded(found: SurvivalShare | None, block: SurvivalShare | None) -> tuple[float, float]:
    """The lower and upper bound of a band's survival, by itself and with its block.

    Its own bound guards against many machines of a wider band, the block's against luck.
    """
    if found is None or block is None:
        return 0.0, 1.0
    return min(found.low, block.low), min(found.high, block.high)


def _longevity_curve(
    margins: Sequence[float],
    middles: Sequence[float],
    survivals: Sequence[SurvivalShare | None],
    blocks: Sequence[SurvivalShare | None],
    learned: float,
) -> tuple[tuple[float, float], ...]:
    """The middles of bands with follow-ups enough, each with the chance of one more machine.

    The chance is Laplace's. Below a learned margin few machines count by their lower bound: they
    could be lucky. Failures fall ever slower with the margin, so that a band has at least as many
    as its middle.
    """
    curve = []
    for margin, middle, found, block in zip(margins, middles, survivals, blocks, strict=True):
        if found is None or block is None or found.known < _FEWEST_FOLLOWED:
            continue
        is_thin = margin < learned and found.known < _FEWEST_TO_LEARN
        chance = min(_chance_of_one_more(found), _chance_of_one_more(block))
        curve.append((middle, _bounded(found, block)[0] if is_thin else chance))
    return tuple(curve)


def _chance_of_one_more(found: SurvivalShare) -> float:
    return (found.share * found.known + 1.0) / (found.known + 2.0)


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
    WIDER_MARGIN = "wider_margin"
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

    Follow-ups show how the survival of a setting grows with its distance from the limit. On average
    over the places where the limit may lie, the setting survives with the wanted share. Unless
    the margin is learned, it is kept from the deepest pass at least.

    Half of the deepest pass is always allowed, unless follow-ups of the chip itself rule that out.

    Parameters
    ----------
    chances
        Of the unit's limit, also of a limit before the deepest pass.
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
    survival = _survival_of_steps(chances, margin, grid) if margin.curve else None
    steps, reason = _with_margin(passed, margin, grid, survival)
    if steps < half and not (margin.is_of_chip and margin.source != "default"):
        steps, reason = half, InUseReason.HALF_OF_PROVEN
    steps = max(steps, 0)
    return SettingInUse(steps, reason, None if survival is None else float(survival[steps]))


def _with_margin(
    passed: int, margin: RecommendedMargin, grid: Grid, survival: Vector | None
) -> tuple[int, InUseReason]:
    """The step that keeps the margin or survives with the wanted share, and which of the two."""
    steps = passed - ceil(Fraction(repr(float(margin.margin))) / grid.step)
    if survival is not None:
        stable = int((survival[1:] >= WANTED_SHARE).sum())
        if stable < steps or margin.source == "learned":
            return stable, InUseReason.SURVIVAL
    is_ruled_out = margin.source == "default_failed"
    return steps, InUseReason.WIDER_MARGIN if is_ruled_out else InUseReason.USUAL_MARGIN


def _survival_of_steps(chances: LimitChances, margin: RecommendedMargin, grid: Grid) -> Vector:
    """The chance of each step 0..deepest pass to stay stable, shape (stable_steps + 1,).

    It never grows with the step.
    """
    beyond = chances.mass.copy()
    beyond[0] = max(beyond[0] - chances.false_pass, 0.0)
    mass = np.append(chances.before, beyond)
    limits = np.append(
        np.arange(len(chances.before)), chances.stable_steps + np.arange(len(beyond))
    )
    short = (limits - np.arange(chances.stable_steps + 1)[:, None]) * float(grid.step)
    return np.asarray(_survival_at(np.asarray(short), margin.curve) @ (mass / mass.sum()))


def _survival_at(distance: Vector, curve: Sequence[tuple[float, float]]) -> Vector:
    """The chance that a setting at these distances from the limit stays stable.

    At the limit, and beyond it, every setting is expected to fail. Between the margins of the
    curve, and past the last, failures fall exponentially with the distance. A wider margin never
    has more of them.
    """
    margins = np.array([0.0, *(margin for margin, _ in curve)])
    failing = np.log([1.0, *(1.0 - share for _, share in curve)])
    failing = np.minimum.accumulate(failing)
    beyond = failing[-1] / margins[-1] * np.maximum(distance - margins[-1], 0.0)
    return np.asarray(1.0 - np.exp(np.interp(distance, margins, failing) + beyond))
