"""How long settings stay stable: the share still stable over days in use, with its interval.

A setting that is followed to a day and no longer counts as at risk on that day (Kaplan & Meier
1958). Weights of at most 1 make the intervals wider than Kish's effective size would.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from kbapi.stats.intervals import frozen_array

Vector = NDArray[np.float64]
Days = NDArray[np.int64]

_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class SurvivalShare:
    """The share that was still stable after some days.

    Parameters
    ----------
    days : in use
    share : Kaplan-Meier estimate
    error : its standard error by Greenwood's formula
    low, high : pointwise interval
    confidence : of the interval, two-sided
    followed : weight of those followed to this day or longer that had not failed by then
    known : weight of `followed` and of those that had failed by then
    """

    days: int
    share: float
    error: float
    low: float
    high: float
    confidence: float
    followed: float
    known: float


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """Kaplan and Meier's estimate, from `fit_survival`.

    Parameters
    ----------
    days : int64 array, shape (k,)
        Each day on which something failed, ascending.
    share, greenwood, failed : float64 arrays, shape (k + 1,)
        Before the first of these days and after each: the share, the sum in Greenwood's formula,
        the weight that had failed.
    censored_days : int64 array, shape (m,), `censored_weight` : float64 array, shape (m,)
        Until when those that never failed were followed, and their weights.
    """

    days: Days
    share: Vector
    greenwood: Vector
    failed: Vector
    censored_days: Days
    censored_weight: Vector

    def after(self, days: int, confidence: float) -> SurvivalShare:
        """The share after so many days, with its interval.

        Raises
        ------
        ValueError
            When the confidence is not inside (0, 1).

        References
        ----------
        Kalbfleisch & Prentice (1980), The Statistical Analysis of Failure Time Data, section
        1.3: log(-log S) is nearer to normal than S, and its interval stays inside (0, 1). Where
        nothing has failed, or everything, it does not exist: Clopper & Pearson's takes its place.

        >>> curve = fit_survival(np.array([10, 40]), np.array([True, False]), np.ones(2))
        >>> found = curve.after(30, 0.95)
        >>> found.share, round(found.low, 3), round(found.high, 3), found.followed, found.known
        (0.5, 0.006, 0.91, 1.0, 2.0)
        """
        if not 0 < confidence < 1:
            raise ValueError("a confidence lies between 0 and 1")
        place = int(np.searchsorted(self.days, days, side="right"))
        share, greenwood = float(self.share[place]), float(self.greenwood[place])
        failed, all_failed = float(self.failed[place]), float(self.failed[-1])
        known = float(self.censored_weight[self.censored_days >= days].sum()) + all_failed
        low, high = _interval(share, greenwood, known, (1.0 - confidence) / 2.0)
        return SurvivalShare(
            days=days,
            share=share,
            error=share * float(np.sqrt(greenwood)) if share > 0 else 0.0,
            low=low,
            high=high,
            confidence=confidence,
            followed=known - failed,
            known=known,
        )


def fit_survival(days: Days, failed: NDArray[np.bool_], weight: Vector) -> SurvivalCurve:
    """The share still stable over days in use, from settings followed for different times.

    Parameters
    ----------
    days : int64 array, shape (n,)
        Until when each setting was followed: its failure, or else the last that is known of it.
    failed : bool array, shape (n,)
        Whether it failed on that day; the others may have failed later or never.
    weight : float64 array, shape (n,)
        Positive.

    Raises
    ------
    ValueError
        When shapes differ, a day is negative or a weight is not positive.

    References
    ----------
    Kaplan & Meier (1958), J. Am. Statist. Ass. 53:457-481; Greenwood (1926), Reports on Public
    Health 33.

    >>> curve = fit_survival(np.array([6, 6, 9, 10]), np.array([1, 0, 0, 1]) > 0, np.ones(4))
    >>> curve.days.tolist(), curve.share.tolist()
    ([6, 10], [1.0, 0.75, 0.0])
    """
    if not days.shape == failed.shape == weight.shape:
        raise ValueError("days, failed and weight must have one shape")
    if np.any(days < 0) or not np.all(weight > 0):
        raise ValueError("days are never negative and weights are positive")
    # Floating sums must not depend on the order sent.
    order = np.lexsort((weight, failed, days))
    return _kaplan_meier(days[order], failed[order], weight[order])


def _kaplan_meier(days: Days, failed: NDArray[np.bool_], weight: Vector) -> SurvivalCurve:
    """The estimate and Greenwood's sums, from settings in order of their days."""
    distinct, owner = np.unique(days[failed], return_inverse=True)
    fell = np.bincount(owner, weight[failed], minlength=len(distinct))
    followed = np.append(np.cumsum(weight[::-1])[::-1], 0.0)
    at_risk = np.maximum(followed[np.searchsorted(days, distinct)], fell)
    left = at_risk - fell
    left[left < _ROUNDING * at_risk] = 0.0
    # After the last failure of all none is left. Its term is never used: the share is zero there.
    terms = fell / (at_risk * np.where(left > 0, left, np.inf))
    return SurvivalCurve(
        days=frozen_array(distinct),
        share=frozen_array(np.append(1.0, np.cumprod(left / at_risk))),
        greenwood=frozen_array(np.append(0.0, np.cumsum(terms))),
        failed=frozen_array(np.append(0.0, np.cumsum(fell))),
        censored_days=frozen_array(days[~failed]),
        censored_weight=frozen_array(weight[~failed]),
    )


def _interval(share: float, greenwood: float, known: float, tail: float) -> tuple[float, float]:
    if known <= 0:
        return 0.0, 1.0
    if share >= 1.0:
        return tail ** (1.0 / known), 1.0
    if share <= 0.0:
        return 0.0, 1.0 - tail ** (1.0 / known)
    spread = -float(scipy.special.ndtri(tail)) * np.sqrt(greenwood) / -np.log(share)
    return float(share ** np.exp(spread)), float(share ** np.exp(-spread))
