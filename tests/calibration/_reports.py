"""Units as people report them, and what the product answers to them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

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
from kbapi.stats.start.start import Guard, Start, pool_start
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
        return Reports(
            np.append(self.stable, other.stable),
            np.append(self.unstable, other.unstable),
            np.append(self.contributor, apart),
            np.append(self.established, other.established),
            np.append(self.honest, other.honest),
            np.append(self.stated, other.stated),
        )

    def where(self, which: NDArray[np.bool_]) -> "Reports":
        """Some of them."""
        return Reports(
            self.stable[which],
            self.unstable[which],
            self.contributor[which],
            self.established[which],
            self.honest[which],
            self.stated[which],
        )

    def units(self) -> PoolUnits:
        """The units as storage would give them: an untold stop counts a step of 5 mV shallower."""
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


def bracketed(
    limit_mv: NDArray[np.float64], *, one_account: bool = False, established: bool = False
) -> Reports:
    """Made-up units with a failure 5 mV past each limit; from one account, or from one each."""
    stable = np.rint(np.maximum(limit_mv, 0.0) / STEP_MV).astype(np.int64)
    count = len(stable)
    return Reports(
        stable,
        stable + 5,
        np.zeros(count, dtype=np.int64) if one_account else np.arange(count),
        np.full(count, established),
        np.zeros(count, dtype=np.bool_),
        np.zeros(count, dtype=np.bool_),
    )


@dataclass(frozen=True)
class Answered:
    """A start (0 for none) and the likeliest depth of 90 % of units, in mV; units included."""

    start_mv: float
    depth_mv: float
    stands: NDArray[np.bool_]
    loses: NDArray[np.bool_]
    """Units that are excluded, or weigh less than the others of people of their standing."""


def answered(reports: Reports, siblings: Siblings, share: float = 0.90) -> Answered:
    """The answer of the product: outlier check, guard, bound."""
    return answers(reports, siblings, (share,))[0]


def answers(reports: Reports, siblings: Siblings, shares: Sequence[float]) -> list[Answered]:
    """The answer for each stable share."""
    units = reports.units()
    outlier_report = check_outliers(units, FLOOR_STEPS)
    pool = weighed_intervals(units, outlier_report, FLOOR_STEPS)
    guard = Guard(outlier_report.flagged_share, drift_alarm=False)
    stands = standing_flags(units, outlier_report) | ~units.informative
    weight = units.weight_ppm / MILLION
    fair = weight * np.where(units.established, 1.0, outlier_report.newcomer_factor)
    less = weight_under(units, outlier_report) < fair * (1.0 - 1e-9)
    loses = units.informative & (less | ~stands)
    found = []
    for share in shares:
        fit = pool_start(pool, siblings, GRID, VOLTAGE_OFFSET, share, 0.95, guard)
        start_mv = fit.answer.steps * STEP_MV if isinstance(fit.answer, Start) else 0.0
        depth_mv = fit.percentiles[0].steps * STEP_MV if fit.percentiles else 0.0
        found.append(Answered(start_mv, depth_mv, stands, loses))
    return found
