"""One pool fitted: what its own units and its siblings say together."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from kbapi.stats.belief import fit_belief
from kbapi.stats.blend import ALONE, BESIDE_SIBLINGS, BlendedBound, KnownShare, known_share
from kbapi.stats.first_failures import spread_first_failures
from kbapi.stats.interval import NEVER_FAILED, GroupedIntervals
from kbapi.stats.limit_prior import VaguePrior
from kbapi.stats.npmle import fit_npmle
from kbapi.stats.scale import PriorScale
from kbapi.stats.siblings import (
    Level,
    SiblingPrior,
    Siblings,
    sibling_agreement,
    sibling_prior,
)
from kbapi.stats.small_sample import COARSE, fit_sev

_TRUSTED_UNITS: Final = 60.0
_TRUST_BESIDE_SIBLINGS: Final = 0.3
_OUTGROWN_UNITS: Final = 1_000.0
_STRAYS: Final = 0.03
_STRAYS_FROM: Final = 30.0
_STRAYS_IN_FULL_AT: Final = 60.0


@dataclass(frozen=True, slots=True)
class PoolFit:
    """The bounds of a pool, with the prior they lean on and the certificate they carry.

    Parameters
    ----------
    bound : depths of shares with their errors
    prior : what the siblings gave
    agreement : see `sibling_agreement`
    own_units : weight of the chip's own informative units
    deepest_tried : in grid steps, by its own units or its siblings'
    optimality_gap, converged : certificate of the nonparametric fit; 0 and true without own units
    """

    bound: BlendedBound
    prior: SiblingPrior
    agreement: float
    own_units: float
    deepest_tried: int
    optimality_gap: float
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
    prior = sibling_prior(siblings, scale)
    units = own.total_weight
    tried = max(own.deepest_tried, _whole_steps(prior.deepest_tried, step))
    belief = fit_belief(
        own,
        step,
        scale,
        prior.shapes,
        trust=likelihood_trust(units, prior),
        strays=stray_share(units, prior),
    )
    if len(own.weight) == 0:
        bound = BlendedBound(belief, _NOTHING_KNOWN, 0.0)
        return PoolFit(bound, prior, 1.0, 0.0, tried, optimality_gap=0.0, converged=True)
    alone = fit_sev(own, step, scale, VaguePrior(), COARSE)
    placed = spread_first_failures(own, alone)
    fit = fit_npmle(placed)
    handover = ALONE if prior.level is Level.NONE else BESIDE_SIBLINGS
    bound = BlendedBound(belief, known_share(placed, fit), own.total_weight, handover)
    agreement = sibling_agreement(prior, alone)
    return PoolFit(
        bound, prior, agreement, own.total_weight, tried, fit.optimality_gap, fit.converged
    )


def _whole_steps(depth: float, step: float) -> int:
    # A sibling's own step may be another: what lies between two steps counts as the shallower.
    return int(min(depth / step + 1e-9, NEVER_FAILED))


def likelihood_trust(own_units: float, prior: SiblingPrior) -> float:
    """Power of the own units' likelihood, as no shape is ever quite right.

    Alone 60 / (60 + n). Beside siblings 0.3 from the first unit on: few units of a weak chip look
    like those of its siblings, and a sharp likelihood would only confirm these.

    References
    ----------
    Miller & Dunson (2019), J. Am. Statist. Ass. 114:1113-1125, section 2.2: alpha / (alpha + n).

    >>> from kbapi.stats.limit_prior import NO_BELIEF
    >>> alone = SiblingPrior(NO_BELIEF, Level.NONE, 0, 0.0, 0.0)
    >>> round(likelihood_trust(30.0, alone), 3)
    0.667
    """
    alone = _TRUSTED_UNITS / (_TRUSTED_UNITS + own_units)
    return alone if prior.level is Level.NONE else min(_TRUST_BESIDE_SIBLINGS, alone)


def stray_share(own_units: float, prior: SiblingPrior) -> float:
    """The share of own reports that need not be of any shape: 3 % from 60 units beside siblings.

    There a few reports short of all others, too near for a fence, would turn a shape that siblings
    know well into another. Of fewer units it grows from nothing at 30: one
    weak chip of ten must not be explained away, nor any where no siblings know the shape.

    >>> from kbapi.stats.limit_prior import NO_BELIEF
    >>> alone = SiblingPrior(NO_BELIEF, Level.NONE, 0, 0.0, 0.0)
    >>> beside = SiblingPrior(NO_BELIEF, Level.SERIES, 4, 400.0, 0.0)
    >>> stray_share(100.0, alone), stray_share(45.0, beside), stray_share(100.0, beside)
    (0.0, 0.015, 0.03)
    """
    if prior.level is Level.NONE:
        return 0.0
    grown = (own_units - _STRAYS_FROM) / (_STRAYS_IN_FULL_AT - _STRAYS_FROM)
    return _STRAYS * min(max(grown, 0.0), 1.0)


def has_outgrown_siblings(evidence: GroupedIntervals) -> bool:
    """Whether a chip's own units are so many that siblings change nothing that is told of it.

    From 200 the model-free bound speaks alone (`BESIDE_SIBLINGS`); siblings would only still tell
    how deep it may go on where nobody failed.

    >>> pool = GroupedIntervals(np.array([18]), np.array([19]), np.array([999.0]))
    >>> has_outgrown_siblings(pool)
    False
    """
    return informative(evidence).total_weight >= _OUTGROWN_UNITS


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
