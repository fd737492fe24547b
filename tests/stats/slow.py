"""Plain, slow second implementations: what each method means, without any cleverness."""

import math

import numpy as np
from scipy.special import betainc

from kbapi.stats.interval import NEVER_FAILED
from tests.stats.makers import Report


def innermost(reports: list[Report]) -> list[tuple[int, int]]:
    """Turnbull's cells by their definition: [left, right) with no other end inside."""
    lefts = sorted({left for left, _, _ in reports})
    rights = sorted({right for _, right, _ in reports})
    cells = []
    for left in lefts:
        right = min(right for right in rights if right > left)
        if not any(left < other < right for other in lefts):
            cells.append((left, right))
    return cells


def em_masses(reports: list[Report], *, rounds: int) -> dict[tuple[int, int], float]:
    """Turnbull's self-consistency equation iterated: each unit shares itself out, over and over."""
    cells = innermost(reports)
    member = np.array(
        [[left <= a and b <= right for a, b in cells] for left, right, _ in reports], dtype=float
    )
    weight = np.array([w for _, _, w in reports])
    mass = np.full(len(cells), 1 / len(cells))
    for _ in range(rounds):
        shared = member * mass
        shared /= shared.sum(axis=1, keepdims=True)
        mass = weight @ shared / weight.sum()
    return dict(zip(cells, mass.tolist(), strict=True))


def log_likelihood(reports: list[Report], masses: dict[tuple[int, int], float]) -> float:
    total = 0.0
    for left, right, weight in reports:
        inside = sum(m for (a, b), m in masses.items() if left <= a and b <= right)
        total += weight * math.log(inside)
    return total


def share(masses: dict[tuple[int, int], float], depth: int) -> float:
    """The lower envelope: a cell's mass fails right after the cell's left end."""
    return sum(mass for (left, _), mass in masses.items() if left >= depth)


def known(reports: list[Report], depth: int) -> float:
    return sum(w for left, right, w in reports if left >= depth or right <= depth)


def binomial_lower(stable: int, failed: int, confidence: float) -> float:
    """Clopper & Pearson: the share at which `stable` or more of n has chance 1 - confidence."""
    n = stable + failed

    def chance(p: float) -> float:
        return sum(math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(stable, n + 1))

    return bisected(chance, 1 - confidence) if stable else 0.0


def beta_lower(stable: float, failed: float, confidence: float) -> float:
    """The same with fractions of units, by the incomplete beta function."""
    if stable <= 0:
        return 0.0
    return bisected(lambda p: float(betainc(stable, failed + 1, p)), 1 - confidence)


def bisected(rising, level: float) -> float:
    low, high = 0.0, 1.0
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < level else (low, middle)
    return (low + high) / 2


def deepest_start(
    reports: list[Report], masses: dict[tuple[int, int], float], stable_share: float, conf: float
) -> int:
    """Every whole depth from stock down, until one falls short; 0 when there is no start."""
    last = max(end for row in reports for end in row[:2] if end < NEVER_FAILED) + 1
    for depth in range(last + 1):
        s, n = share(masses, depth), known(reports, depth)
        if beta_lower(n * s, n * (1 - s), conf) < stable_share:
            return max(depth - 1, 0)
    raise AssertionError("beyond everything seen the share is 0")
