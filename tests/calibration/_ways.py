"""Ways to a start that were tried beside the one that is served, each from the same evidence."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import bdtr, betainc

from kbapi.stats.estimate.npmle import fit_npmle
from kbapi.stats.estimate.siblings import Sibling, Siblings
from kbapi.stats.estimate.small_sample import (
    NO_POSTERIOR,
    Bell,
    MixedPrior,
    Shape,
    ShapePrior,
    VaguePrior,
    fit_sev,
)
from kbapi.stats.intervals import NEVER_FAILED, GroupedIntervals, group_intervals
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.stats.start.blend import (
    BlendedBound,
    KnownShare,
    LimitPosterior,
    fit_posterior,
    known_share,
)
from kbapi.stats.start.pool import fit_pool, spread_first_failures
from tests.calibration.testers import STEP_MV

SHARE, ERROR = 0.90, 0.05
CONCENTRATION = 16.0
EVERY_SHAPE = tuple(ShapePrior(shape, 1 / 3, VaguePrior()) for shape in Shape)


@dataclass(frozen=True)
class Scene:
    """One pool with its siblings, and the nonparametric share that all ways have in common."""

    pool: GroupedIntervals
    siblings: Siblings
    known: KnownShare

    @property
    def units(self) -> float:
        return self.pool.total_weight


def a_scene(pool: GroupedIntervals, siblings: Siblings) -> Scene:
    alone = fit_sev(pool, STEP_MV, VOLTAGE_OFFSET, VaguePrior())
    placed = spread_first_failures(pool, alone)
    return Scene(pool, siblings, known_share(placed, fit_npmle(placed)))


def served(scene: Scene) -> float:
    """A shape's likelihood trusted as 60 / (60 + n), shapes from the siblings, then model-free."""
    bound = fit_pool(scene.pool, scene.siblings, STEP_MV, VOLTAGE_OFFSET).bound
    return float(bound.ends(SHARE, np.array([ERROR])).shallow[0])


def blend(scene: Scene) -> float:
    """The rule to beat: full trust, the long weak tail alone, error 5 % falling to 2 %."""
    priors = _sev_prior(scene.siblings, scene.units)
    limit_posterior = fit_posterior(scene.pool, STEP_MV, VOLTAGE_OFFSET, priors, 1.0)
    return _blended(
        scene, limit_posterior, ERROR * np.interp(scene.units, [10.0, 40.0], [1.0, 0.4])
    )


def averaged_shapes(scene: Scene) -> float:
    """The blend with three shapes averaged by their evidence, equally likely before."""
    priors = _sev_prior(scene.siblings, scene.units) if scene.siblings.series else EVERY_SHAPE
    limit_posterior = fit_posterior(scene.pool, STEP_MV, VOLTAGE_OFFSET, priors, 1.0)
    return _blended(
        scene, limit_posterior, ERROR * np.interp(scene.units, [10.0, 40.0], [1.0, 0.4])
    )


def shape_of_the_tail(scene: Scene) -> float:
    """Semi-parametric: the shape must fit the weaker half only, all beyond is `not failed`."""
    half = int(scene.known.depths[np.argmax(scene.known.least < 0.5)])
    deeper = scene.pool.unstable_steps > half
    tail = group_intervals(
        np.where(deeper, np.minimum(scene.pool.stable_steps, half), scene.pool.stable_steps),
        np.where(deeper, NEVER_FAILED, scene.pool.unstable_steps),
        scene.pool.weight,
    )
    priors = _sev_prior(scene.siblings, scene.units)
    return _blended(scene, fit_posterior(tail, STEP_MV, VOLTAGE_OFFSET, priors, 1.0), ERROR)


def dirichlet_process(scene: Scene) -> float:
    """A Dirichlet process of concentration 16 centred on the posterior: no weight depends on n."""
    priors = _sev_prior(scene.siblings, scene.units)
    limit_posterior = fit_posterior(scene.pool, STEP_MV, VOLTAGE_OFFSET, priors, 1.0)
    weight, low, high = limit_posterior.weight, 0, 256
    likely = weight > 1e-5
    while high - low > 1:
        depth = (low + high) // 2
        run = int(np.searchsorted(scene.known.depths, depth, side="right")) - 1
        units, share = scene.known.known_weight[run], scene.known.least[run]
        expected = limit_posterior.share_at([depth])[0][likely]
        stable = CONCENTRATION * expected + units * share
        failed = CONCENTRATION * (1.0 - expected) + units * (1.0 - share)
        below = betainc(np.maximum(stable, 1e-9), np.maximum(failed, 1e-9), SHARE)
        chance = float(weight[likely] @ below) / float(weight[likely].sum())
        low, high = (depth, high) if chance <= ERROR else (low, depth)
    return float(low)


def order_statistic(scene: Scene) -> float:
    """Distribution-free: of the depths known stable, the one whose rank the binomial allows."""
    units = round(scene.units)
    ranks = np.flatnonzero(bdtr(np.arange(units), units, 1.0 - SHARE) <= ERROR)
    if len(ranks) == 0:
        return 0.0
    stable = np.repeat(scene.pool.stable_steps, np.rint(scene.pool.weight).astype(int))
    return float(np.sort(stable)[ranks[-1]])


def _blended(scene: Scene, limit_posterior: LimitPosterior, error: float) -> float:
    bound = BlendedBound(limit_posterior, scene.known, scene.units)
    modelled = limit_posterior.depth_at(SHARE, np.array([error]))[0]
    weight = bound.model_free_weight
    free = (
        BlendedBound(limit_posterior, scene.known, 100.0).ends(SHARE, np.array([ERROR])).shallow[0]
    )
    return float((1.0 - weight) * modelled + weight * free)


def _sev_prior(siblings: Siblings, units: float) -> tuple[ShapePrior, ...]:
    """The prior before the race: no least spread, 10 % vague mass, 30 % without own units."""
    if not siblings.series:
        return NO_POSTERIOR
    prior = MixedPrior(
        mean=_next_of(siblings.series, "mean", 12.0),
        log_sd=_next_of(siblings.series, "log_sd", 0.2),
        vague_mass=0.10 if units > 0 else 0.30,
    )
    return (ShapePrior(Shape.SMALLEST_EXTREME, 1.0, prior),)


def _next_of(chips: tuple[Sibling, ...], what: str, expected_sd: float) -> Bell:
    values = np.array([getattr(chip, what) for chip in chips])
    squares = float(((values - values.mean()) ** 2).sum())
    tau2 = (squares + 3 * expected_sd**2) / (len(values) + 2)
    return Bell(float(values.mean()), float(np.sqrt(tau2 * (1 + 1 / len(values)))))


WAYS: dict[str, Callable[[Scene], float]] = {
    "served": served,
    "blend": blend,
    "averaged shapes": averaged_shapes,
    "shape of the tail": shape_of_the_tail,
    "Dirichlet process": dirichlet_process,
    "order statistic": order_statistic,
}
