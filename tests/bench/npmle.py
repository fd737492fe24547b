"""The likeliest stable share from counts, beside its peers on the same counts in the same run."""

import numpy as np

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.intervals import GroupedIntervals
from tests.bench._peers import PEERS, UNTRACED, Peer, PeerFit, PeerMissingError, rows_of, timed
from tests.calibration.testers import TRUTHS, a_tested_pool
from tests.report import Row, measured, not_measured

SEED = 20260905
SHORT_UNITS, FULL_UNITS = (10_000,), (10_000, 100_000, 1_000_000)


def measure(*, short: bool) -> list[Row]:
    """Median CPU, KKT gap, log-likelihood and memory at each n; then each peer's ratio to ours.

    A ratio is the median over the n of the ratio at the same n; at each n the four truths are
    fitted by everyone and their median is taken.
    """
    units = SHORT_UNITS if short else FULL_UNITS
    pools = {n: _pools(n, 1 if short else len(TRUTHS)) for n in units}
    ours = {n: [_our_fit(pool, 5 if short else 25) for pool in pools[n]] for n in units}
    rows = [row for n in units for row in _figures("kbapi", n, ours[n], ours[n], "<= 1e-9")]
    for peer in PEERS:
        rows += _beside(peer, pools, ours, short=short)
    return rows


def _pools(units: int, truths: int) -> list[GroupedIntervals]:
    """Counts by distinct interval of that many simulated testers, a few hundred rows each."""
    return [
        a_tested_pool(np.random.default_rng([SEED, place, units]), TRUTHS[place], units)
        for place in range(truths)
    ]


def _our_fit(pool: GroupedIntervals, repeats: int) -> PeerFit:
    cpu_s, memory_mb = timed(lambda: fit_npmle(pool), repeats)
    fit = fit_npmle(pool)
    return PeerFit(cpu_s, memory_mb, fit.log_likelihood, fit.optimality_gap)


def _beside(
    peer: Peer,
    pools: dict[int, list[GroupedIntervals]],
    ours: dict[int, list[PeerFit]],
    *,
    short: bool,
) -> list[Row]:
    wanted = f">= {peer.wanted_ratio:g}"
    what = f"npmle from counts, {peer.name} over kbapi, median CPU"
    repeats = 1 if short else peer.repeats
    try:
        theirs = {n: [_peer_fit(peer, p, repeats) for p in pools[n]] for n in pools}
    except PeerMissingError as missing:
        return [not_measured(what, "times", wanted, str(missing))]
    ratios = [_median_cpu(theirs[n]) / _median_cpu(ours[n]) for n in pools]
    rows = [row for n in pools for row in _figures(peer.name, n, theirs[n], ours[n], "")]
    each = ", ".join(f"{ratio:.0f}" for ratio in ratios)
    return [*rows, measured(what, float(np.median(ratios)), "times", wanted, f"at each n {each}")]


def _peer_fit(peer: Peer, pool: GroupedIntervals, repeats: int) -> PeerFit:
    return peer.fit(rows_of(pool.stable_steps, pool.unstable_steps, pool.weight), pool, repeats)


def _figures(
    name: str, units: int, fits: list[PeerFit], ours: list[PeerFit], wanted_gap: str
) -> list[Row]:
    where = f"{name}, n = {units}"
    gap = max(fit.optimality_gap for fit in fits) / units
    behind = max(
        our.log_likelihood - fit.log_likelihood for our, fit in zip(ours, fits, strict=True)
    )
    memory, peak_mb = f"peak memory, {where}", max(fit.peak_mb for fit in fits)
    rows = [
        measured(f"CPU, {where}", 1e3 * _median_cpu(fits), "ms", ""),
        not_measured(memory, "MB", "", UNTRACED)
        if np.isnan(peak_mb)
        else measured(memory, peak_mb, "MB", ""),
    ]
    if not np.isfinite(gap):
        why = "log-likelihood is -inf: an interval that was reported has no mass"
        return [*rows, not_measured(f"KKT gap / N, {where}", "", "", why)]
    likelihood = f"log-likelihood {', '.join(f'{fit.log_likelihood:.6f}' for fit in fits)}"
    return [
        *rows,
        measured(f"KKT gap / N, {where}", gap, "", wanted_gap),
        measured(f"log-likelihood below kbapi's, {where}", behind, "", "", likelihood),
    ]


def _median_cpu(fits: list[PeerFit]) -> float:
    return float(np.median([fit.cpu_s for fit in fits]))
