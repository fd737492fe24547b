"""Other makers of the same estimate, timed on the same intervals and certified alike.

A peer is optional: `pip install -e .[peers]` for those on PyPI, and on Debian
`apt-get install --no-install-recommends r-base-core r-cran-survival r-cran-npsurv`.
"""

import gc
import importlib.util
import shutil
import subprocess
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kbapi.stats.intervals import NEVER_FAILED, CellLikelihood, GroupedIntervals, turnbull_cells

Vector = NDArray[np.float64]
Jumps = tuple[Vector, Vector]
"""Places of mass, on the doubled scale, and the masses."""


_SLOW_S = 1.0
UNTRACED = "tracing would take it ten times longer"


class PeerMissingError(Exception):
    """The peer is not installed here."""


@dataclass(frozen=True, slots=True)
class PeerFit:
    """One estimate, with its median CPU seconds and the extra memory at its peak, if measured."""

    cpu_s: float
    peak_mb: float
    log_likelihood: float
    optimality_gap: float


@dataclass(frozen=True, slots=True)
class Rows:
    """Intervals as peers take them: closed, on a doubled scale.

    The half-open [L, R) of whole steps is [2L, 2R - 1]. No left end ever equals a right end there,
    so that closed, open and half-open readings are one and the same problem.
    """

    left: Vector
    right: Vector
    weight: Vector


def rows_of(stable: NDArray[np.int64], unstable: NDArray[np.int64], weight: Vector) -> Rows:
    right = np.where(unstable < NEVER_FAILED, 2.0 * unstable - 1.0, np.inf)
    return Rows(2.0 * stable, right, weight)


def certificate(evidence: GroupedIntervals, jumps: Jumps) -> tuple[float, float]:
    """Log-likelihood and KKT gap of a peer's masses, by one ruler for all."""
    cells = turnbull_cells(evidence)
    at, mass = jumps
    place = np.clip(np.searchsorted(2 * cells.cell_left, at, side="right") - 1, 0, None)
    inside = (at >= 2 * cells.cell_left[place]) & (at <= 2 * cells.cell_right[place])
    on_cells = np.bincount(place[inside], np.maximum(mass[inside], 0.0), cells.cells)
    # The share left after the last jump of a survival curve belongs to the open cell.
    on_cells[-1] += max(1.0 - on_cells.sum(), 0.0)
    return _judged(cells, on_cells / on_cells.sum())


def _judged(cells: CellLikelihood, mass: Vector) -> tuple[float, float]:
    spans = np.array([mass[a:b].sum() for a, b in zip(cells.first, cells.past, strict=True)])
    if spans.min() <= 0:
        return -np.inf, np.inf
    gap = float(cells.gradient(spans).max()) - cells.total_weight
    return cells.log_likelihood(spans), max(gap, 0.0)


def timed(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median CPU seconds over the repetitions, and megabytes at the peak of one more."""
    spent = []
    for _ in range(repeats):
        gc.collect()
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return float(np.median(spent)), peak_mb(work)


def peak_mb(work: Callable[[], object]) -> float:
    """Megabytes that the work holds at its peak beyond what was held before."""
    gc.collect()
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def fit_surpyval(rows: Rows, evidence: GroupedIntervals, repeats: int) -> PeerFit:
    surpyval = _import("surpyval")

    def work():
        return surpyval.Turnbull.fit(
            xl=rows.left, xr=rows.right, n=rows.weight, turnbull_estimator="Kaplan-Meier"
        )

    return _python_fit(
        work, repeats, evidence, lambda model: (model.x, -np.diff(model.R, prepend=1.0))
    )


def fit_lifelines(rows: Rows, evidence: GroupedIntervals, repeats: int) -> PeerFit:
    npmle = _import("lifelines.fitters.npmle").npmle

    def work():
        return npmle(rows.left, rows.right, weights=rows.weight)

    def jumps(fit) -> Jumps:
        mass, places = fit
        return np.array([place.left for place in places]), np.asarray(mass)

    return _python_fit(work, repeats, evidence, jumps)


def _python_fit(work, repeats: int, evidence: GroupedIntervals, jumps) -> PeerFit:
    began = time.process_time()
    fit = work()
    cpu_s, memory_mb = time.process_time() - began, np.nan
    # What takes seconds is run once: again would change little, and traced takes ten times longer.
    if cpu_s < _SLOW_S:
        cpu_s, memory_mb = timed(work, repeats)
    return PeerFit(cpu_s, memory_mb, *certificate(evidence, jumps(fit)))


def _import(name: str):
    if importlib.util.find_spec(name.split(".")[0]) is None:
        raise PeerMissingError(f"{name.split('.')[0]} is not installed: pip install -e .[peers]")
    return importlib.import_module(name)


def fit_survival(rows: Rows, evidence: GroupedIntervals, repeats: int) -> PeerFit:
    return _r_fit("survival", rows, evidence, repeats)


def fit_npsurv(rows: Rows, evidence: GroupedIntervals, repeats: int) -> PeerFit:
    return _r_fit("npsurv", rows, evidence, repeats)


def _r_fit(package: str, rows: Rows, evidence: GroupedIntervals, repeats: int) -> PeerFit:
    runner = shutil.which("Rscript")
    if runner is None:
        raise PeerMissingError(f"R is not installed: apt-get install r-cran-{package}")
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "rows"
        np.savetxt(table, np.column_stack([rows.left, rows.right, rows.weight]), fmt="%.17g")
        script = Path(__file__).with_name("_peers.R")
        done = subprocess.run(
            [runner, script, package, table, str(repeats)], capture_output=True, text=True
        )
    if done.returncode != 0:
        raise PeerMissingError(f"{package}: {done.stderr.strip().splitlines()[-1]}")
    lines = [line.split() for line in done.stdout.splitlines()]
    cpu_s, memory_mb = float(lines[0][1]), float(lines[1][1])
    at, mass = np.array(lines[2:], dtype=np.float64).T
    return PeerFit(cpu_s, memory_mb, *certificate(evidence, (at, mass)))


@dataclass(frozen=True, slots=True)
class Peer:
    """One of the others: how it is run, how much slower it should be, how often it is run."""

    name: str
    fit: Callable[[Rows, GroupedIntervals, int], PeerFit]
    wanted_ratio: float
    repeats: int
    no_raw_rows: str = ""
    """Why it is not given a million rows one by one."""


PEERS = (
    Peer("lifelines", fit_lifelines, 1000.0, 1),
    Peer("survival", fit_survival, 1000.0, 1, "1 GB and unfinished after 5 minutes at 100,000"),
    Peer("npsurv", fit_npsurv, 40.0, 5),
    Peer("surpyval", fit_surpyval, 3.0, 9),
)
