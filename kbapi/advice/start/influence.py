"""How far a start moves without one contributor, and what a curator should look at in its pool.

A screen orders the contributors by cheap numbers. The moves of the few that it names are
approximated. Where one may be large, the pool is checked and fitted again without the contributor:
that is exact.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from hashlib import blake2b
from typing import Final

import numpy as np
import orjson
from numpy.typing import NDArray

from kbapi.advice.evidence_found import EvidenceFound, contributors_in, setting_of
from kbapi.advice.start.query import Question
from kbapi.evidence.outlier_check import (
    OutlierReport,
    aged_stable_steps,
    limit_parts,
    standing_flags,
    weighed_intervals,
    weight_under,
)
from kbapi.evidence.pools import SCALES, PoolEvidence, evidence_from, floor_steps
from kbapi.evidence.small_cells import FEWEST_SHOWN
from kbapi.evidence.units import OTHERS_NEEDED, PoolUnits
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.start.pool import informative, without_some
from kbapi.stats.start.start import (
    NoStart,
    NoStartReason,
    Start,
    StartFit,
    pool_start,
    suggested_start,
)
from kbapi.storage.answers import PoolFinding
from kbapi.time_budget import check_time
from kbapi.vocabulary import PoolCode

MOST_MOVED: Final = {"voltage_offset": 10.0, "count_offset": 2.0, "fixed_clock_voltage": 10.0}
"""Beyond this, in mV or counts, an answer says that one contributor moves the start."""
CONTRIBUTORS_OF_A_SILENT_POOL: Final = 10
"""With as many, a pool without a start has a reason that a curator should look at."""
_SCREENED_FROM: Final = 100.0
"""Units of weight from which the screen can rule a refit out.

The model-free bound then has all of the weight; beside siblings 0.29 of it, and all from 200 on.
"""
_MISJUDGED: Final = 0.5
"""The part of that by which an approximated move may be wrong: 5 mV or 1 count."""
_LARGEST_PART: Final = 0.25
"""Of the pool's weight, for a contributor whose move can be approximated."""
_QUANTILE: Final = 1.2816
"""Standard deviations from the mean to the depth that 90 % of normal limits reach."""

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StartMove:
    """How far a start moves without its most influential contributor."""

    contributor: int
    moves_by: float
    """In mV or counts, negative is deeper; no start is 0."""
    is_exact: bool
    """Whether the pool was fitted again without the contributor; else the screen's own number."""

    def is_large(self, control: str) -> bool:
        """Whether an answer says so: beyond 10 mV or 2 counts."""
        return self.is_exact and abs(self.moves_by) > MOST_MOVED[control]


def start_fit(question: Question, found: EvidenceFound) -> StartFit:
    """The start of this evidence, or why there is none."""
    return pool_start(
        found.intervals,
        found.siblings,
        found.grid,
        SCALES[found.control],
        question.stable_share,
        question.confidence,
        found.guard,
    )


def setting_if_untold_failed(
    question: Question, found: EvidenceFound, fit: StartFit
) -> float | None:
    """The setting of the start if all stops without a stated end had failed soon, 0 for none.

    Never deeper than the start. None without such stops, or with too few units. This is the
    tipping point of the assumption that a part of them would have failed. Results that wait for
    others are left out: with the start this number would show more of the latest one.

    References
    ----------
    Scharfstein, Rotnitzky & Robins (1999), J. Am. Statist. Ass. 94:1096-1120 (how far an answer
    depends on what is assumed of those who dropped out).
    """
    own, now = found.own and found.own.released, fitted_setting(found, fit)
    if own is None or own.untold_stops.units == 0 or now is None:
        return None
    worst = weighed_intervals(own.asked, own.outlier_report, own.floor_steps, if_untold_failed=True)
    then = start_fit(question, replace(found, own=replace(own, intervals=worst)))
    check_time("start if stops without a stated end had failed")
    if isinstance(then.answer, NoStart):
        return None if then.answer.reason is NoStartReason.TOO_FEW_UNITS else 0.0
    # More failures can narrow the shape, and settings count as tried that no unit has reached.
    return max(now, setting_of(found.control, found.grid, then.answer.steps))


def find_largest_move(question: Question, found: EvidenceFound, fit: StartFit) -> StartMove | None:
    """The move without the most influential contributor; None with too few units for a start.

    Nothing is fitted where limits around the start of 100 units or more lie close together, nor for
    contributors that the screen does not name. The pool is fitted again where an approximated move
    may be one that an answer reports, and larger than those found before. A
    contributor without whom too few units are left is skipped: every contributor of so small a pool
    decides whether it has a start.
    """
    own, now = found.own, fitted_setting(found, fit)
    if own is None or now is None or not own.asked.informative.any():
        return None
    if _is_steady(found, own, now):
        return _steady_move(found, own)
    near = approximated_moves(question, found, own, fit)
    order = sorted(near, key=lambda one: (-abs(near[one]), one))
    reported = MOST_MOVED[found.control]
    exact: list[StartMove] = []
    for contributor in order:
        largest = max([reported, *(abs(move.moves_by) for move in exact)])
        if abs(near[contributor]) + _MISJUDGED * reported <= largest:
            break
        then = fitted_setting(found, start_fit(question, without(question, found, contributor)))
        if then is not None:
            exact.append(StartMove(contributor, round(then - now, 2), is_exact=True))
        check_time("start without a contributor")
    steady = [StartMove(one, near[one], is_exact=False) for one in order if near[one] < np.inf]
    largest_first = sorted(exact or steady, key=lambda one: (-abs(one.moves_by), one.contributor))
    return next(iter(largest_first), None)


def _steady_move(found: EvidenceFound, own: PoolEvidence) -> StartMove:
    """The largest move by the screen alone."""
    about = own.asked, own.outlier_report, own.floor_steps
    moves = approximate_moves(*about) * -float(found.grid.step)
    place = int(np.abs(moves).argmax())
    contributor = int(np.unique(own.asked.contributor)[place])
    return StartMove(contributor, round(float(moves[place]), 2), is_exact=False)


def approximated_moves(
    question: Question, found: EvidenceFound, own: PoolEvidence, fit: StartFit
) -> dict[int, float]:
    """How far the start moves without each suspected contributor, in mV or counts.

    Nothing is checked again: the weights and the alarms of the others stay as they are. So a move
    is infinite where that is wrong, or where a contributor weighs too much. Without one who has
    flagged units nothing counts as flagged: the largest move that this can give.
    """
    units, about = own.asked, (own.asked, own.outlier_report, own.floor_steps)
    scale, step, now = SCALES[found.control], float(found.grid.step), fitted_setting(found, fit)
    weight = weight_under(units, own.outlier_report) * standing_flags(units, own.outlier_report)
    parts = limit_parts(*about)
    suspected = most_suspected(*about, approximate_moves(*about) * -step)
    flagged, may_find_more = _flagged_contributors(own), _checks_otherwise(own, fit)
    moves = {}
    for contributor in np.unique(units.contributor)[suspected].tolist():
        theirs = (units.contributor == contributor) & (weight > 0.0)
        left, gone = (
            informative(parts.some(which).intervals(weight[which])) for which in (~theirs, theirs)
        )
        moves[contributor] = np.inf
        if may_find_more or gone.total_weight > _LARGEST_PART * fit.own_units:
            continue
        pool = without_some(fit.pool, left, gone, step, scale)
        guard = replace(found.guard, flagged_share=0.0) if contributor in flagged else found.guard
        asked = question.stable_share, question.confidence, guard
        then = answered_setting(found, suggested_start(pool, found.grid, *asked))
        if now is not None and then is not None:
            moves[contributor] = round(then - now, 2)
    return moves


def _flagged_contributors(own: PoolEvidence) -> NDArray[np.int64]:
    """The contributors with units that are excluded or count in part."""
    units, report = own.whole, own.outlier_report
    flagged = np.isin(units.unit, np.union1d(report.outlier_deep, report.lone_failures))
    return np.union1d(units.contributor[flagged], report.differing)


def _checks_otherwise(own: PoolEvidence, fit: StartFit) -> bool:
    """Whether one contributor less may change the weight of all others.

    Six can establish one another, five cannot. Own units decide how much other lines count.
    """
    others = len(np.unique(own.rows.merged.contributor)) - 1
    is_last = others == OTHERS_NEEDED and len(own.rows.established) > 0
    return is_last or fit.level is Level.ALL_CHIPS


def without(question: Question, found: EvidenceFound, contributor: int) -> EvidenceFound:
    """The evidence if this contributor had sent nothing to the pool; related chips stay."""
    if found.own is None:
        return found
    rows, floor = found.own.rows.without(contributor), floor_steps(found.control, found.grid)
    return replace(found, own=evidence_from(rows, found.own.id, floor, {}, question.filters))


def fitted_setting(found: EvidenceFound, fit: StartFit) -> float | None:
    """The setting of a start, 0 where an answer has none; None with too few units."""
    return answered_setting(found, fit.answer)


def answered_setting(found: EvidenceFound, answer: Start | NoStart) -> float | None:
    """The same of an answer without percentiles."""
    if isinstance(answer, NoStart):
        return 0.0 if answer.reason is NoStartReason.FAILS_NEAR_STOCK else None
    return setting_of(found.control, found.grid, answer.steps)


def most_suspected(
    units: PoolUnits, report: OutlierReport, floor_steps: float, moves: Vector
) -> list[int]:
    """The places of at most five contributors, in the order of `moves`, that may move a start most.

    The two largest approximated moves deeper, the largest one shallower, the deepest limit and the
    shallowest failure: a fitted shape gives far units more influence than their weight.
    """
    owner = np.unique(units.contributor, return_inverse=True)[1]
    weight = weight_under(units, report) * standing_flags(units, report)
    stands = np.flatnonzero(weight > 0.0)
    deepest, shallowest = np.full(len(moves), -1.0), np.full(len(moves), NEVER_FAILED)
    np.maximum.at(deepest, owner[stands], limits_of(units, floor_steps)[stands])
    np.minimum.at(shallowest, owner[stands], units.unstable_steps[stands])
    # Contributors that are equal in all of these are left out alike, so that numbers, which follow
    # the order of arrival, decide nothing.
    keys = (np.bincount(owner, weight).round(9), deepest, -shallowest, moves.round(9))
    by_move, by_depth = np.lexsort(keys), np.lexsort((*keys[2:], *keys[:2]))
    by_failure = np.lexsort((keys[3], *keys[:3]))
    named = (by_move[-1], by_depth[-1], by_failure[-1], by_move[-2:][0], by_move[0])
    return list(dict.fromkeys(int(place) for place in named))


def _is_steady(found: EvidenceFound, own: PoolEvidence, now: float) -> bool:
    """Whether the limits around the start lie so close that no contributor can move it far.

    A contributor changes the share that fails before the start by its weight over that of the pool.
    Twice as much each way must stay within the distance that an answer reports.
    """
    units, report = own.asked, own.outlier_report
    weight = weight_under(units, report) * standing_flags(units, report)
    total = float(weight.sum())
    if total < _SCREENED_FROM:
        return False
    owner = np.unique(units.contributor, return_inverse=True)[1]
    largest = 2.0 * float(np.bincount(owner, weight).max()) / total
    limits = limits_of(units, own.floor_steps) * float(found.grid.step)
    order = np.argsort(limits, kind="stable")
    before = float(weight[limits < abs(now)].sum()) / total
    # Rounded: sums in another order differ in the last digits.
    reached = np.round(np.cumsum(weight[order]) / total, 9)
    span = np.round([before - largest, before + largest], 9)
    ends = np.searchsorted(reached, span).clip(0, len(order) - 1)
    shallow, deep = limits[order[ends]]
    return bool(deep - shallow <= MOST_MOVED[found.control])


def approximate_moves(units: PoolUnits, report: OutlierReport, floor_steps: float) -> Vector:
    """How many steps deeper the start may be without each contributor, ascending by number.

    The quantile of a normal distribution of the limits moves with the weight of a contributor and
    with the distance of the units. Excluded units only make the start stricter: without them it is
    about a step deeper.
    """
    owner = np.unique(units.contributor, return_inverse=True)[1]
    weight = weight_under(units, report) * standing_flags(units, report)
    limit = limits_of(units, floor_steps)
    sums = [np.bincount(owner, weight * limit**power) for power in range(3)]
    with np.errstate(invalid="ignore", divide="ignore"):
        moves = _quantile(*(one.sum() - one for one in sums)) - _quantile(*(s.sum() for s in sums))
    flagged = np.bincount(owner, np.isin(units.unit, report.outlier_deep))
    if flagged.any():
        moves = moves + flagged / flagged.sum()
    return np.nan_to_num(moves)


def limits_of(units: PoolUnits, floor_steps: float) -> Vector:
    """One depth for each unit: the middle of its interval, or the deepest pass."""
    stable, failed = aged_stable_steps(units, floor_steps), units.unstable_steps < NEVER_FAILED
    middle = (stable + np.where(failed, units.unstable_steps, 0)) / 2
    return np.where(failed, middle, stable)


def _quantile(weight: Vector, first: Vector, second: Vector) -> Vector:
    """The depth that 90 % of normal limits reach, from sums of their powers."""
    mean = first / weight
    return np.asarray(mean - _QUANTILE * np.sqrt(np.maximum(second / weight - mean**2, 0.0)))


@dataclass(frozen=True, slots=True)
class FailuresNearStock:
    """The shallowest failures that leave a pool without a start."""

    steps: int
    """The depth of the deepest of them."""
    contributors: int
    """How many contributors have failed there or before it."""
    is_shown: bool
    """Whether at least five of them are known, so that the number shows no one."""


def failures_near_stock(own: PoolEvidence, stable_share: float) -> FailuresNearStock | None:
    """The failures of as large a share of the weight as may fail; None where fewer have failed.

    Only units that the filter admits count.
    """
    units, report = own.asked, own.outlier_report
    weight = weight_under(units, report) * standing_flags(units, report)
    failed = np.flatnonzero((units.unstable_steps < NEVER_FAILED) & (weight > 0.0))
    order = failed[np.argsort(units.unstable_steps[failed], kind="stable")]
    reached = np.cumsum(weight[order]) >= (1.0 - stable_share) * weight.sum() - 1e-9
    if not reached.any():
        return None
    steps = int(units.unstable_steps[order[np.argmax(reached)]])
    who = np.unique(units.contributor[failed[units.unstable_steps[failed] <= steps]])
    known = int(np.isin(who, own.rows.known).sum())
    return FailuresNearStock(steps, len(who), is_shown=known >= FEWEST_SHOWN)


def finding_of(
    found: EvidenceFound, fit: StartFit, move: StartMove | None, had_start: bool
) -> PoolFinding:
    """What is stored of the pool for curators: why it needs a look, if it does.

    `had_start` is whether it had a start when it was checked before, or lost it since a curator
    looked.
    """
    own, now = found.own, fitted_setting(found, fit)
    is_silent = now == 0.0
    codes: list[PoolCode] = []
    if move is not None and move.is_large(found.control):
        codes.append("moved_by_one_contributor")
    if is_silent and had_start:
        codes.append("start_lost")
    if is_silent and contributors_in(own) >= CONTRIBUTORS_OF_A_SILENT_POOL:
        codes.append("fails_near_stock")
    is_moved = move is not None and "moved_by_one_contributor" in codes
    return PoolFinding(
        has_start=bool(now),
        codes=tuple(codes),
        contributor_id=move.contributor if move is not None and is_moved else None,
        moves_by=move.moves_by if move is not None and is_moved else None,
        evidence=_evidence_of(own, fit, codes, move if is_moved else None),
    )


def _evidence_of(
    own: PoolEvidence | None, fit: StartFit, codes: Sequence[str], move: StartMove | None
) -> str:
    """A short text of the units behind the codes; another one when any of these changes."""
    if own is None or not codes:
        return ""
    units = own.whole
    behind = np.zeros(len(units.unit), dtype=np.bool_)
    if move is not None:
        behind |= units.contributor == move.contributor
    if set(codes) != {"moved_by_one_contributor"}:
        near = failures_near_stock(own, fit.stable_share_used)
        if near is not None:
            behind |= units.unstable_steps <= near.steps
    rows = np.stack([units.unit, units.stable_steps, units.unstable_steps])[:, behind]
    return blake2b(orjson.dumps([codes, rows.T.tolist()]), digest_size=8).hexdigest()
