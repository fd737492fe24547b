"""Is the smallest limit that keeps a share of performance found, and do its intervals hold it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.gains.power_curve import CurvePoints, PowerFit, fit_power_curves
from tests.report import Row, measured

SEED = 20261126
SHORT_RUNS, FULL_RUNS = 40, 1_000
UNITS, NOISE, STOCK_W, KEPT = 30, 0.03, 60.0, 0.95
CAPS = np.array([0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
TUNED_GAIN = 1.05
WITHIN_W = 2.0

Curve = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True)
class Truth:
    """A curve of performance over power, both as shares of uncapped stock."""

    name: str
    at: Curve

    @property
    def limit_w(self) -> float:
        """The smallest limit that keeps the wanted share."""
        power = np.linspace(0.01, 1.0, 200_001)
        return STOCK_W * float(power[np.searchsorted(self.at(power), KEPT)])


TRUTHS = (
    Truth("power to the 0.45", lambda power: power**0.45),
    Truth("flattening", lambda power: (1 - np.exp(-3 * power)) / (1 - np.exp(-3))),
    Truth("sharp knee at 45 W", lambda power: np.minimum(1.0, 0.25 + power)),
    Truth("idling costs a tenth", lambda power: np.sqrt(np.maximum(power - 0.1, 0) / 0.9)),
)


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """Error of the limit in W, how often it is within 2 W, coverage of limit and of the gain."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    return [row for truth in TRUTHS for row in _rows(truth, runs)]


def _rows(truth: Truth, runs: int) -> list[Row]:
    rng = np.random.default_rng([SEED, TRUTHS.index(truth)])
    fits = [_fit(rng, truth) for _ in range(runs)]
    limits = [fit.smallest_limit_w(fit.stock, KEPT) for fit in fits]
    errors = np.array([limit.value for limit in limits]) - truth.limit_w
    holds = [limit.low <= truth.limit_w <= limit.high for limit in limits]
    gains = [fit.gain_at(0.7) for fit in fits]
    gain_holds = [gain.low <= TUNED_GAIN <= gain.high for gain in gains]
    where = f"{truth.name}, true limit {truth.limit_w:.1f} W"
    return [
        measured(f"mean distance, {where}", float(np.abs(errors).mean()), "W", f"<= {WITHIN_W}"),
        measured(f"within 2 W, {where}", float(np.mean(np.abs(errors) <= WITHIN_W)), "share", ""),
        measured(f"mean error, {where}", float(errors.mean()), "W", ""),
        measured(
            f"coverage of the limit, nominal 0.95, {where}", float(np.mean(holds)), "share", ""
        ),
        measured(
            f"coverage of the gain at 42 W, nominal 0.95, {truth.name}",
            float(np.mean(gain_holds)),
            "share",
            "",
        ),
    ]


def _fit(rng: np.random.Generator, truth: Truth) -> PowerFit:
    """One club: each unit once at stock without a cap and once under each cap, stock and tuned."""
    stock_w = STOCK_W * rng.normal(1, 0.03, UNITS)
    own = 1 + NOISE * rng.normal(size=(UNITS, 1))
    stock, tuned = (_points(rng, gain * truth.at(CAPS) / own) for gain in (1.0, TUNED_GAIN))
    return fit_power_curves(stock, tuned, stock_w, rng)


def _points(rng: np.random.Generator, performance: NDArray[np.float64]) -> CurvePoints:
    shown = performance * (1 + NOISE * rng.normal(size=performance.shape))
    drawn = CAPS * rng.normal(1, 0.006, performance.shape)
    unit = np.repeat(np.arange(UNITS), len(CAPS))
    return CurvePoints(unit, drawn.ravel(), shown.ravel())
