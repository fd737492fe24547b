"""Plain, slow second implementations: what each method means, without any cleverness."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.stats
from numpy.typing import NDArray
from scipy.special import betainc, ndtr

from kbapi.stats.estimate.small_sample import FORMS, Form
from kbapi.stats.intervals import NEVER_FAILED
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
    mass /= mass.sum()  # rounded above one it would be likelier than any distribution
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


def sev_survival(depth: float, mean: float, sd: float) -> float:
    """Smallest extreme value: sd = pi / sqrt(6) spread, mean = location - 0.5772 spread."""
    if depth <= 0:
        return 1.0
    spread = sd * math.sqrt(6) / math.pi
    return math.exp(-math.exp(min((depth - mean) / spread - 0.5772156649015329, 50.0)))


def survival(shape: str, depth: float, mean: float, sd: float) -> float:
    """The three shapes; the largest extreme value is the smallest one mirrored at the mean."""
    if shape == "smallest_extreme_value":
        return sev_survival(depth, mean, sd)
    if depth <= 0:
        return 1.0
    if shape == "normal":
        return 0.5 * math.erfc((depth - mean) / sd / math.sqrt(2))
    u = (depth - mean) / (sd * math.sqrt(6) / math.pi) + 0.5772156649015329
    return 1.0 - math.exp(-math.exp(min(-u, 50.0)))


def sev_log_likelihood(
    reports: list[Report],
    step: float,
    mean: float,
    sd: float,
    contamination: float = 0.0,
    deepest=220.0,
) -> float:
    """Strays lie anywhere down to the deepest, in the control's unit."""
    total = 0.0
    for left, right, weight in reports:
        beyond = 0.0 if right == NEVER_FAILED else sev_survival(right * step, mean, sd)
        inside = sev_survival(left * step, mean, sd) - beyond
        anywhere = min(right * step, deepest) - min(left * step, deepest)
        inside = (1 - contamination) * inside + contamination * anywhere / deepest
        total += weight * math.log(max(inside, 1e-300))
    return total


Belief = list[tuple[float, float, float]]
"""Means, standard deviations and their probability."""


def sev_posterior(
    reports: list[Report], step: float, scale, density, cells=(90, 60), contamination: float = 0.0
) -> Belief:
    """The whole box at one fineness, `density(mean, log sd)` the prior in logs."""
    wide = (scale.mean_high - scale.mean_low) / cells[0]
    tall = math.log(scale.sd_high / scale.sd_low) / cells[1]
    points = []
    for i in range(cells[0]):
        for j in range(cells[1]):
            mean = scale.mean_low + (i + 0.5) * wide
            log_sd = math.log(scale.sd_low) + (j + 0.5) * tall
            height = sev_log_likelihood(
                reports, step, mean, math.exp(log_sd), contamination, scale.mean_high
            )
            points.append((mean, math.exp(log_sd), height + density(mean, log_sd)))
    highest = max(height for *_, height in points)
    total = sum(math.exp(height - highest) for *_, height in points)
    return [(mean, sd, math.exp(height - highest) / total) for mean, sd, height in points]


def sev_depth_quantile(limit_posterior: Belief, share_: float, level: float) -> float:
    """Posterior quantile of the depth, in the control's unit, that the share of units reaches."""
    depths = []
    for mean, sd, chance in limit_posterior:
        spread = sd * math.sqrt(6) / math.pi
        depths.append((mean + spread * (0.5772156649015329 + math.log(-math.log(share_))), chance))
    below = 0.0
    for depth, chance in sorted(depths):
        below += chance
        if below >= level:
            return depth
    raise AssertionError("a level is below one")


def form_share(form, depth, mean: float, sd: float):
    """The stable share under a form, by the distributions of a library, at each depth."""
    deviations = (np.asarray(depth) - mean) / sd
    if form.skewness == 0.0:
        body = ndtr(-deviations)
    else:
        law, centre, spread = _log_gamma(abs(form.skewness))
        body = law.sf(centre + spread * deviations * np.sign(form.skewness))
        body = body if form.skewness > 0 else 1.0 - body
    weak = ndtr(-(deviations + form.distance) / 0.3)
    return (1.0 - form.weak_share) * body + form.weak_share * weak


@lru_cache
def _log_gamma(skewness: float):
    law = scipy.stats.loggamma(skewness**-2)
    return law, float(law.mean()), float(law.std())


@dataclass(frozen=True)
class FormGrid:
    """Log likelihood and prior of all forms on one dense grid over the whole box."""

    forms: tuple[Form, ...]
    mean: NDArray[np.float64]
    sd: NDArray[np.float64]
    height: NDArray[np.float64]

    @classmethod
    def of(
        cls, rows, step: float, scale, trust: float, contamination: float, spread, cells=(80, 30)
    ):
        """`spread` is the centre and the width of the bell of the log standard deviation.

        Strays lie anywhere deeper than the median of the deepest passes.
        """
        wide = (scale.mean_high - scale.mean_low) / cells[0]
        tall = math.log(scale.sd_high / scale.sd_low) / cells[1]
        means = scale.mean_low + (np.arange(cells[0]) + 0.5) * wide
        sds = scale.sd_low * np.exp((np.arange(cells[1]) + 0.5) * tall)
        mean, sd = (each.ravel() for each in np.meshgrid(means, sds, indexing="ij"))
        prior = -0.5 * (np.log(sd / spread[0]) / spread[1]) ** 2
        height = np.tile(prior, (len(FORMS), 1))
        passes = sorted((left, weight) for left, _, weight in rows)
        half, middle = sum(weight for _, weight in passes) / 2, 0.0
        while half > 0:
            (left, weight), *passes = passes
            middle, half = left * step, half - weight
        for left, right, weight in rows:
            low, high = (max(min(end * step, scale.mean_high), middle) for end in (left, right))
            anywhere = contamination * (high - low) / (scale.mean_high - middle)
            for place, form in enumerate(FORMS):
                inside = form_share(form, left * step, mean, sd) if left > 0 else 1.0
                if right != NEVER_FAILED:
                    inside = inside - form_share(form, right * step, mean, sd)
                height[place] += (
                    trust
                    * weight
                    * np.log(np.maximum((1 - contamination) * inside + anywhere, 1e-30))
                )
        return cls(FORMS, mean, sd, height)

    def mass(self, chances):
        """Posterior probability of each form at each point."""
        mass = np.exp(self.height - self.height.max()) * np.asarray(chances)[:, None]
        return mass / mass.sum()

    def by_form(self, chances) -> list[float]:
        """Posterior probability of each form."""
        return self.mass(chances).sum(axis=1).tolist()

    def depth_mv(self, chances, share_: float, level: float) -> float:
        """Posterior quantile of the depth that the share of units reaches."""
        off = np.linspace(-12.0, 12.0, 4_801)
        at = [np.interp(-share_, -form_share(form, off, 0.0, 1.0), off) for form in self.forms]
        depths = np.concatenate([self.mean + one * self.sd for one in at])
        order = np.argsort(depths)
        below = np.cumsum(self.mass(chances).ravel()[order])
        return float(depths[order][np.searchsorted(below, level)])


def spread_first_failures(
    reports: list[Report], step: float, limit_posterior: Belief
) -> list[Report]:
    def chance(depth: int) -> float:
        return sum(
            p * (sev_survival(depth * step, m, sd) - sev_survival((depth + 1) * step, m, sd))
            for m, sd, p in limit_posterior
        )

    placed = []
    for left, right, weight in reports:
        if left > 0 or right == NEVER_FAILED:
            placed.append((left, right, weight))
            continue
        chances = [chance(depth) for depth in range(right)]
        placed += [(d, d + 1, weight * c / sum(chances)) for d, c in enumerate(chances)]
    return placed


def next_chip(
    values: list[float], errors: list[float], least_sd: float, excess: float
) -> tuple[float, float]:
    """Centre and standard deviation for the next of K values, by a fine sum over the spread.

    The spread is `least_sd` and an excess with the density of a half-t with 3 degrees of freedom.
    """
    total = first = second = 0.0
    for place in range(6_000):
        over = excess * math.exp(-7.0 + place / 500)
        spread = least_sd + over
        precisions = [1.0 / (spread**2 + error**2) for error in errors]
        centre = math.fsum(p * v for p, v in zip(precisions, values, strict=True)) / sum(precisions)
        # Marginal likelihood with a flat centre; the last factor is for points even in the log.
        density = math.exp(
            sum(
                0.5 * math.log(p) - 0.5 * p * (v - centre) ** 2
                for p, v in zip(precisions, values, strict=True)
            )
            - 0.5 * math.log(sum(precisions))
        )
        mass = density * (1.0 + (over / excess) ** 2 / 3.0) ** -2.0 * over
        total += mass
        first += mass * centre
        second += mass * (spread**2 + 1.0 / sum(precisions) + centre**2)
    mean = first / total
    return mean, math.sqrt(second / total - mean**2)


def theil_sen(points: list[tuple[float, float]]) -> tuple[float, float]:
    """Median slope of all pairs, and the median level at clock zero."""
    slopes = [
        (y2 - y1) / (x2 - x1)
        for i, (x1, y1) in enumerate(points)
        for x2, y2 in points[i + 1 :]
        if x1 != x2
    ]
    slope = median(slopes) if slopes else 0.0
    return slope, median([y - slope * x for x, y in points])


def median(values: list[float]) -> float:
    values, half = sorted(values), len(values) // 2
    return values[half] if len(values) % 2 else (values[half - 1] + values[half]) / 2


def blended_weight(units: float) -> float:
    """0 to 30 units, 1 from 100: for a stable share of 0.90 at confidence 0.95."""
    return min(max((units - 30) / 70, 0.0), 1.0)


def trust(units: float, *, siblings: bool) -> float:
    """Power of the likelihood: half for 300 units; beside siblings for 60, and 0.3 at most."""
    return min(60 / (60 + units), 0.3) if siblings else 300 / (300 + units)


def effective_weight(reports: list[Report], depth: int, stable_share: float) -> float:
    """The known weight, over what straddling units add to the variance of the share."""
    straddling = sum(w for left, right, w in reports if left < depth < right < NEVER_FAILED)
    n, s = known(reports, depth), max(stable_share, 0.5)
    if n == 0 or straddling == 0:
        return n
    return n / max(1.0, 0.6 * (straddling**2 / (n * s * (1 - s))) ** (1 / 3))


def model_free_start(reports: list[Report], masses, stable_share: float) -> int:
    """Every whole depth from stock down, with its effective weight, until one falls short."""
    depth = 0
    while True:
        s, n = share(masses, depth), effective_weight(reports, depth, stable_share)
        if beta_lower(n * s, n * (1 - s), 0.95) < stable_share:
            return max(depth - 1, 0)
        depth += 1


def pooled_shift(
    values: list[float], confidence: float
) -> tuple[float, float, float, float, float]:
    """Estimate, low, high, attained confidence, p-value, from counts of coins."""
    ordered, units = sorted(values), len(values)
    estimate = (ordered[(units - 1) // 2] + ordered[units // 2]) / 2

    def chance(heads: int) -> float:
        return sum(math.comb(units, k) for k in range(heads + 1)) / 2**units

    place = 1
    while 2 * place < units and 1 - 2 * chance(place) >= confidence - 1e-12:
        place += 1
    against = min(sum(value <= 0 for value in values), sum(value >= 0 for value in values))
    attained = 1 - 2 * chance(place - 1)
    return estimate, ordered[place - 1], ordered[-place], attained, min(1, 2 * chance(against))


def never_falling(heights: list[float], weights: list[float]) -> list[float]:
    """Pool adjacent violators, block by block."""
    blocks: list[list[float]] = []
    for height, weight in zip(heights, weights, strict=True):
        blocks.append([height, weight, 1])
        while len(blocks) > 1 and blocks[-2][0] >= blocks[-1][0]:
            height, weight, points = blocks.pop()
            before = blocks[-1]
            total = before[1] + weight
            before[0] = (before[0] * before[1] + height * weight) / total
            before[1:] = [total, before[2] + points]
    return [height for height, _, points in blocks for _ in range(int(points))]


def concave_over(at: list[float], heights: list[float]) -> list[float]:
    """The least concave majorant: the highest chord of two points over each point."""
    points = range(len(at))
    return [
        max(
            heights[i]
            + (0.0 if i == j else (heights[j] - heights[i]) * (at[k] - at[i]) / (at[j] - at[i]))
            for i in points
            for j in points
            if i <= k <= j
        )
        for k in points
    ]
