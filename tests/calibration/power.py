"""Is the smallest limit that keeps a share of performance found, and do its intervals hold it."""

from collections.abc import Callable, Sequence
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


def measure(*, short: bool, runs: int | None = None, seeds: Sequence[int] = (SEED,)) -> list[Row]:
    """Error of the limit in W, how often it is within 2 W, coverage of limit and of the gain."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    gains = [
        _gain_row(seeds[0], units, kind, truth, runs)
        for units in ((5, 8) if short else (5, 8, 12, 30))
        for kind in (list(KINDS)[2:4] if short else KINDS)
        for truth in (TRUTHS[2:3] if short else TRUTHS)
    ]
    return [*(row for truth in TRUTHS for row in _rows(seeds[0], truth, runs)), *gains]


def _rows(seed: int, truth: Truth, runs: int) -> list[Row]:
    rng = np.random.default_rng([seed, TRUTHS.index(truth)])
    fits = [_fit(rng, truth, UNITS, KINDS["equal caps"]) for _ in range(runs)]
    limits = [fit.smallest_limit_w(fit.stock, KEPT) for fit in fits]
    errors = np.array([limit.value for limit in limits]) - truth.limit_w
    holds = [limit.low <= truth.limit_w <= limit.high for limit in limits]
    where = f"{truth.name}, true limit {truth.limit_w:.1f} W"
    return [
        measured(f"mean distance, {where}", float(np.abs(errors).mean()), "W", f"<= {WITHIN_W}"),
        measured(f"within 2 W, {where}", float(np.mean(np.abs(errors) <= WITHIN_W)), "share", ""),
        measured(f"mean error, {where}", float(errors.mean()), "W", ""),
        measured(
            f"coverage of the limit, nominal 0.95, {where}", float(np.mean(holds)), "share", ""
        ),
    ]


@dataclass(frozen=True)
class Kind:
    """How units differ: their caps, and what tuning gains on each."""

    has_own_caps: bool
    gains: Callable[[np.random.Generator, int], NDArray[np.float64]]


KINDS = {
    "equal caps": Kind(False, lambda rng, n: np.full(n, TUNED_GAIN)),
    "gains differ": Kind(False, lambda rng, n: rng.normal(TUNED_GAIN, 0.03, n)),
    "gains differ, skewed": Kind(False, lambda rng, n: 1 + 0.05 * rng.exponential(1, n)),
    "gains differ, own caps": Kind(True, lambda rng, n: rng.normal(TUNED_GAIN, 0.03, n)),
    "skewed, own caps": Kind(True, lambda rng, n: 1 + 0.05 * rng.exponential(1, n)),
}
"""Their mean gain is the same."""


def _gain_row(seed: int, units: int, kind: str, truth: Truth, runs: int) -> Row:
    """How often the interval of the gain at 42 W holds, where one is given."""
    place = list(KINDS).index(kind), TRUTHS.index(truth)
    rng = np.random.default_rng([seed, units, *place])
    gains = [_fit(rng, truth, units, KINDS[kind]).gain_at(0.7) for _ in range(runs)]
    given = [gain for gain in gains if gain is not None]
    holds = [gain.low <= TUNED_GAIN <= gain.high for gain in given]
    width = np.mean([gain.high - gain.low for gain in given]) if given else 0.0
    where = f"{units} units, {kind}, {truth.name}"
    note = f"given in {len(given)} of {runs}, mean width {width:.3f}"
    if not given:
        return measured(f"gain given, {where}", 0.0, "share", "", note)
    what = f"coverage of the gain at 42 W, nominal 0.95, {where}"
    return measured(what, float(np.mean(holds)), "share", ">= 0.92", note)


def _fit(rng: np.random.Generator, truth: Truth, units: int, kind: Kind) -> PowerFit:
    """One club: each unit once at stock without a cap and once under each cap, stock and tuned."""
    stock_w = STOCK_W * rng.normal(1, 0.03, units)
    own = 1 + NOISE * rng.normal(size=(units, 1))
    gains = np.ones(units), kind.gains(rng, units)
    stock, tuned = (_points(rng, truth, gain[:, None] / own, kind) for gain in gains)
    return fit_power_curves(stock, tuned, stock_w, rng)


def _points(
    rng: np.random.Generator, truth: Truth, factor: NDArray[np.float64], kind: Kind
) -> CurvePoints:
    units = len(factor)
    caps = rng.uniform(0.4, 0.95, (units, 3)) if kind.has_own_caps else np.tile(CAPS, (units, 1))
    shown = factor * truth.at(caps) * (1 + NOISE * rng.normal(size=caps.shape))
    drawn = caps * rng.normal(1, 0.006, caps.shape)
    return CurvePoints(np.repeat(np.arange(units), caps.shape[1]), drawn.ravel(), shown.ravel())
