"""One pool fitted: what its own units and its siblings say together."""

from dataclasses import dataclass

import numpy as np

from kbapi.stats.blend import BlendedBound, KnownShare, known_share
from kbapi.stats.first_failures import spread_first_failures
from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals
from kbapi.stats.npmle import fit_npmle
from kbapi.stats.scale import PriorScale
from kbapi.stats.siblings import SiblingPrior, Siblings, sibling_prior
from kbapi.stats.small_sample import fit_sev


@dataclass(frozen=True, slots=True)
class PoolFit:
    """The bounds of a pool, with the prior they lean on and the certificate they carry.

    Parameters
    ----------
    bound : depths of shares with their errors
    prior : what the siblings gave
    own_units : weight of the chip's own informative units
    kkt_gap, converged : certificate of the nonparametric fit; 0 and true without own units
    """

    bound: BlendedBound
    prior: SiblingPrior
    own_units: float
    kkt_gap: float
    converged: bool


def fit_pool(
    evidence: GroupedIntervals, siblings: Siblings, step: float, scale: PriorScale
) -> PoolFit:
    """The fit of a pool: prior, posterior, first failures placed, likelihood maximised.

    Parameters
    ----------
    evidence
        Distinct intervals of the chip's own units in grid steps; may be empty.
    siblings
        Summaries of the related chips.
    step
        The control's unit a grid step, mV or counts.
    scale
        Where means and spreads may lie, in the control's unit.

    >>> from kbapi.stats.scale import VOLTAGE_OFFSET
    >>> pool = GroupedIntervals(np.array([18, 0]), np.array([19, NEVER_FAILED]), np.ones(2))
    >>> fit_pool(pool, Siblings(), 5.0, VOLTAGE_OFFSET).own_units
    1.0
    """
    own = informative(evidence)
    prior = sibling_prior(siblings, own.total_weight, scale)
    posterior = fit_sev(own, step, scale, prior.prior)
    if len(own.weight) == 0:
        bound = BlendedBound(posterior, _NOTHING_KNOWN, 0.0)
        return PoolFit(bound, prior, own_units=0.0, kkt_gap=0.0, converged=True)
    placed = spread_first_failures(own, posterior)
    fit = fit_npmle(placed)
    bound = BlendedBound(posterior, known_share(placed, fit), own.total_weight)
    return PoolFit(bound, prior, own.total_weight, fit.kkt_gap, fit.converged)


def informative(evidence: GroupedIntervals) -> GroupedIntervals:
    """The evidence without units of which nothing is known: stable at stock, never failed.

    >>> pool = GroupedIntervals(np.array([18, 0]), np.array([19, NEVER_FAILED]), np.ones(2))
    >>> informative(pool).stable_steps.tolist()
    [18]
    """
    known = (evidence.stable_steps > 0) | (evidence.unstable_steps < NEVER_FAILED)
    return GroupedIntervals(
        evidence.stable_steps[known], evidence.unstable_steps[known], evidence.weight[known]
    )


_NOTHING_KNOWN = KnownShare(
    depths=np.zeros(0, dtype=np.int64),
    least=np.zeros(0),
    most=np.zeros(0),
    known_weight=np.zeros(0),
)
