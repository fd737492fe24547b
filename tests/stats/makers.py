"""Evidence for tests: published vectors, random pools, simulated testers."""

import json
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import strategies as st

from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, group_intervals

VECTORS: dict[str, dict[str, Any]] = {
    vector["id"]: vector
    for vector in json.loads(
        (Path(__file__).parent / "data" / "reference_vectors.json").read_text("utf-8")
    )
}
NPMLE_VECTORS = [
    name
    for name, vector in VECTORS.items()
    if vector["kind"] == "npmle_interval_censored" and "(L,R]" in vector["convention"]
]

Report = tuple[int, int, float]


def a_pool(reports: list[Report]) -> GroupedIntervals:
    stable, unstable, weight = zip(*reports, strict=True)
    return group_intervals(
        np.array(stable, dtype=np.int64),
        np.array(unstable, dtype=np.int64),
        np.array(weight, dtype=np.float64),
    )


def a_vector_pool(name: str, *, mirrored: bool) -> tuple[GroupedIntervals, list[Report]]:
    """A published (L, R] vector on whole steps, and its cells with masses.

    Only the order of the ends matters to the likelihood. In place, ranks of the ends stand for
    steps: touching intervals share nothing in either convention. Mirrored, depth runs backwards.
    """
    vector = VECTORS[name]
    ends = sorted({end for row in vector["data"] for end in row if end is not None})
    rank = {end: place for place, end in enumerate(ends)}

    def ends_of(left: float, right: float | None) -> tuple[int, int]:
        if not mirrored:
            return rank[left], NEVER_FAILED if right is None else rank[right]
        return 0 if right is None else len(ends) - rank[right], len(ends) - rank[left]

    counts = vector.get("counts") or [1] * len(vector["data"])
    reports = [(*ends_of(*row), float(n)) for row, n in zip(vector["data"], counts, strict=True)]
    cells = [(*ends_of(*cell[:2]), cell[2]) for cell in vector["answer"]["cells"]]
    return a_pool(reports), sorted(cells)


@st.composite
def reports(
    draw: st.DrawFn, *, deepest: int = 12, most: int = 12, weights: tuple[float, ...] = (1.0,)
) -> list[Report]:
    """A small random pool: intervals, open ends and exact limits on a short grid."""

    def a_report() -> Report:
        stable = draw(st.integers(0, deepest - 1))
        failed = draw(st.one_of(st.integers(stable + 1, deepest), st.just(NEVER_FAILED)))
        return stable, failed, draw(st.sampled_from(weights))

    return [a_report() for _ in range(draw(st.integers(1, most)))]
