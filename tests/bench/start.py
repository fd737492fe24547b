"""From a million raw rows in memory to a bound, beside what peers take to the bare estimate."""

from fractions import Fraction

import numpy as np

from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import Grid, GroupedIntervals, group_intervals
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.start import NO_GUARD, pool_start
from tests.bench._peers import PEERS, UNTRACED, Peer, PeerMissingError, rows_of, timed
from tests.calibration.testers import TRUTHS, a_tested_pool
from tests.report import Row, measured, not_measured

SEED = 20260906
SHORT_UNITS, FULL_UNITS = 100_000, 1_000_000
GRID = Grid(Fraction(125, 128))


def measure(*, short: bool) -> list[Row]:
    """CPU seconds and extra peak memory from rows to bound; peers get the same rows."""
    units = SHORT_UNITS if short else FULL_UNITS
    pool, raw = _raw_rows(units)
    cpu_s, memory_mb = timed(lambda: _bound(*raw), 3 if short else 9)
    rows = [
        measured(f"raw rows to bound, kbapi, n = {units}", cpu_s, "s CPU", "<= 0.3"),
        measured(f"extra memory at the peak, kbapi, n = {units}", memory_mb, "MB", "<= 100"),
    ]
    for peer in PEERS:
        rows += _beside(peer, pool, raw, cpu_s)
    return rows


def _bound(stable: np.ndarray, unstable: np.ndarray, weight: np.ndarray) -> None:
    pool = group_intervals(stable, unstable, weight)
    pool_start(pool, Siblings(), GRID, VOLTAGE_OFFSET, 0.90, 0.95, NO_GUARD)


def _raw_rows(units: int) -> tuple[GroupedIntervals, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """One row a unit, in no order."""
    rng = np.random.default_rng(SEED)
    pool = a_tested_pool(rng, TRUTHS[0], units)
    row = rng.permutation(np.repeat(np.arange(len(pool.weight)), pool.weight.astype(int)))
    return pool, (pool.stable_steps[row], pool.unstable_steps[row], np.ones(units))


def _beside(peer: Peer, pool: GroupedIntervals, raw: tuple, our_cpu_s: float) -> list[Row]:
    units = len(raw[0])
    what = f"raw rows to the estimate alone, {peer.name}, n = {units}"
    if peer.no_raw_rows:
        return [not_measured(what, "s CPU", "", peer.no_raw_rows)]
    try:
        fit = peer.fit(rows_of(*raw), pool, 1)
    except PeerMissingError as missing:
        return [not_measured(what, "s CPU", "", str(missing))]
    row = measured(what, fit.cpu_s, "s CPU", "", f"{fit.cpu_s / our_cpu_s:.0f} times kbapi")
    memory = f"extra memory at the peak, {peer.name}, n = {units}"
    if np.isnan(fit.peak_mb):
        return [row, not_measured(memory, "MB", "", UNTRACED)]
    return [row, measured(memory, fit.peak_mb, "MB", "")]
