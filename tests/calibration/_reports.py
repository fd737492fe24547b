"""Units as people report them, and what the product answers to them."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from kbapi.bounds import ASSUMED_STEP_MV
from kbapi.evidence.outlier_check import (
    check_outliers,
    standing_flags,
    weighed_intervals,
    weight_under,
)
from kbapi.evidence.units import MILLION, ChosenRows, PoolUnits, weight_ppm_of
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.start import Guard, Start, fit_own_pool, start_of
from tests.calibration._rows import GRID
from tests.calibration.testers import STEP_MV

Steps = NDArray[np.int64]
NO_ROWS = ChosenRows(np.zeros(0, int), np.zeros(0, int), np.zeros(0, bool))

SOFT_BOUND_MV: Final = 160.0
"""Intake does not count a deeper pass."""
EARLY_STOP_STEPS: Final = round(ASSUMED_STEP_MV / STEP_MV)
FLOOR_STEPS: Final = VOLTAGE_OFFSET.least_spread / STEP_MV


@dataclass(frozen=True)
class Reports:
    """Units as they are reported, one entry each."""

    stable: Steps
    unstable: Steps
    contributor: Steps
    established: NDArray[np.bool_]
    honest: NDArray[np.bool_]
    stated: NDArray[np.bool_]
    """Whether the search reached its planned end and the result states that end."""

    def beside(self, other: "Reports") -> "Reports":
        """Both together; the contributors of the other are people of their own."""
        apart = other.contributor + self.contributor.max(initial=0) + 1
        added = replace(other, contributor=apart)
        return Reports(
            *(np.append(*pair) for pair in zip(_fields(self), _fields(added), strict=True))
        )

    def where(self, which: NDArray[np.bool_]) -> "Reports":
        """Some of them."""
        return Reports(*(values[which] for values in _fields(self)))

    def units(self) -> PoolUnits:
        """The units as storage would give them: stops without a stated end are 5 mV less deep."""
        count, no_one = len(self.stable), np.zeros(len(self.stable), dtype=np.bool_)
        untold = (self.unstable == NEVER_FAILED) & ~self.stated
        stable = np.where(untold, np.maximum(self.stable - EARLY_STOP_STEPS, 0), self.stable)
        return PoolUnits(
            unit=np.arange(count),
            contributor=self.contributor,
            established=self.established,
            confirmed_by_curator=no_one,
            stable_steps=stable,
            unstable_steps=self.unstable,
            untold_stop=untold & (stable > 0),
            failed_later=no_one,
            stock_unproven=no_one,
            weight_ppm=weight_ppm_of(
                self.contributor,
                self.established,
                (stable > 0) | (self.unstable < NEVER_FAILED),
            ),
            month=np.zeros(count, dtype=np.int64),
            chosen=NO_ROWS,
            conditions=(),
        )


def _fields(reports: Reports) -> list[NDArray[Any]]:
    return [getattr(reports, field.name) for field in fields(reports)]


def bracketed(limit_mv: NDArray[np.float64], *, established: bool = False) -> Reports:
    """Made-up units with a failure 5 mV past each limit, each from an account of its own."""
    stable = np.rint(np.maximum(limit_mv, 0.0) / STEP_MV).astype(np.int64)
    count = len(stable)
    return Reports(
        stable,
        stable + 5,
        np.arange(count),
        np.full(count, established),
        np.zeros(count, dtype=np.bool_),
        np.zeros(count, dtype=np.bool_),
    )


@dataclass(frozen=True)
class Answered:
    """Starts in mV (0 for none), one for each pair; which units the outlier check touched."""

    starts_mv: tuple[float, ...]
    loses: NDArray[np.bool_]
    """Units that are excluded, or weigh less than the others of people of their standing."""

    @property
    def start_mv(self) -> float:
        """The start of the first pair."""
        return self.starts_mv[0]


Pair = tuple[float, float]
"""A stable share and a confidence."""
USUAL: Final[Pair] = (0.90, 0.95)
"""Those of an answer to a question that states none."""


def answered(reports: Reports, siblings: Siblings, pairs: Sequence[Pair] = (USUAL,)) -> Answered:
    """The answer of the product (outlier check, guard, bound) for each share and confidence."""
    units = reports.units()
    outlier_report = check_outliers(units, FLOOR_STEPS)
    pool = weighed_intervals(units, outlier_report, FLOOR_STEPS)
    guard = Guard(outlier_report.flagged_share, drift_alarm=False)
    stands = standing_flags(units, outlier_report) | ~units.informative
    weight = units.weight_ppm / MILLION
    fair = weight * np.where(units.established, 1.0, outlier_report.newcomer_factor)
    less = weight_under(units, outlier_report) < fair * (1.0 - 1e-9)
    fit = fit_own_pool(pool, siblings, STEP_MV, VOLTAGE_OFFSET)
    found = [start_of(fit, GRID, share, confidence, guard) for share, confidence in pairs]
    return Answered(
        tuple(
            one.answer.steps * STEP_MV if isinstance(one.answer, Start) else 0.0 for one in found
        ),
        units.informative & (less | ~stands),
    )
