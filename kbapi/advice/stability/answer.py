"""The stable share at every setting, with its band."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.advice.cautions import Caution, cautions_for
from kbapi.advice.evidence_found import (
    NO_INTERVALS,
    EvidenceFound,
    EvidenceSummary,
    Percentile,
    evidence_summary,
    find_with_peers,
    has_enough_known,
    keep_findings,
    outdated_by,
    percentile_of,
    setting_of,
)
from kbapi.advice.start.query import Question
from kbapi.advice.start.text import summary_of_stability
from kbapi.advice.stored_answers import answer_once
from kbapi.chips.chip import ChipSummary
from kbapi.evidence.pools import SCALES
from kbapi.instance.instance import Instance
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import NEVER_FAILED, Grid, GroupedIntervals
from kbapi.stats.start.stability import ShareBand, stability_curve
from kbapi.stats.start.start import pool_start
from kbapi.storage.answers import AnswerBytes
from kbapi.time_budget import check_time
from kbapi.vocabulary import Domain, LimitControl


@dataclass(frozen=True, slots=True)
class Curve:
    """The stable share with its band: lists of equal length, one entry a grid step from stock."""

    units: float
    """Total weight of the units behind the curve; a unit weighs 1 at most."""
    setting: tuple[float, ...]
    """Settings below stock in mV, or counts for count_offset; the first is 0, negative is lower."""
    share: tuple[float, ...]
    """Share of units that are stable at each setting, 0 to 1."""
    lower: tuple[float, ...]
    """Lower end of the band at each setting, 0 to 1."""
    upper: tuple[float, ...]
    """Upper end of the band at each setting, 0 to 1."""


@dataclass(frozen=True, slots=True)
class UnitsAtSetting:
    """How many units ended at one setting."""

    setting: float
    """The setting below stock in mV, or counts for count_offset; negative is lower."""
    units: int
    """Number of units, each counted once."""


@dataclass(frozen=True, slots=True)
class StabilityAnswer:
    """The share of units that are stable at each setting, from stock down."""

    chip: ChipSummary
    """The chip that was asked about."""
    domain: Domain
    """The supply rail that was asked about."""
    control: LimitControl
    """The control that the answer is about: the one asked for, else the one with most results."""
    moved_with: tuple[Domain, ...]
    """Domains that moved together with the one asked about; empty where it moved alone."""
    filters: dict[str, str]
    """Filters that were asked with, value by name; empty for all results. Both curves are of
    results that fit them."""
    clock_band_mhz: int | None
    """Lower end of the clock band of the results in MHz, with fixed_clock_voltage; else null."""
    confidence: float
    """One-sided confidence of each end of the bands, 0 to 1."""
    own_curve: Curve | None
    """The curve of the chip's own units, without a model; null where it has none."""
    borrowed_curve: Curve | None
    """The curve that related chips, or else other lines, alone predict; null without any."""
    failed: tuple[UnitsAtSetting, ...]
    """The chip's own units that failed, by the failing setting nearest to stock; empty with fewer
    than five known contributors."""
    stopped: tuple[UnitsAtSetting, ...]
    """Own units without a failure, by the deepest setting that counts as passed; empty with fewer
    than five known contributors."""
    level: Level
    """Whose units are borrowed: `series`, `line`, `all_chips` of the same kind, or `none`."""
    percentiles: tuple[Percentile, ...]
    """Settings at which 90, 75, 50, 25 and 10 % of units are stable; empty where too few."""
    evidence: EvidenceSummary
    """The evidence behind the answer."""
    summary: str
    """The answer in one or two sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""


def advise_stability(instance: Instance, question: Question) -> AnswerBytes:
    """The stable share at every setting, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """

    def find(connection: Connection) -> EvidenceFound:
        return find_with_peers(
            connection, question, instance, with_all_siblings=True, is_delayed=True
        )

    def compute(found: EvidenceFound) -> StabilityAnswer:
        return _stability_answer(question, found)

    def keep(connection: Connection, found: EvidenceFound) -> None:
        keep_findings(connection, found, instance)

    texts = question.filter_texts
    return answer_once(instance, "stability", question, find, compute, keep, texts, outdated_by)


def _stability_answer(question: Question, found: EvidenceFound) -> StabilityAnswer:
    control, grid, siblings = found.control, found.grid, found.siblings
    scale = SCALES[control]
    curve = stability_curve(found.intervals, siblings, grid, scale, question.confidence)
    check_time("curve")
    fit = pool_start(
        found.intervals,
        siblings,
        grid,
        scale,
        question.stable_share,
        question.confidence,
        found.guard,
    )
    check_time("fit")
    units = 0 if found.own is None else found.own.units
    return StabilityAnswer(
        chip=question.chip.summary,
        domain=question.domain,
        control=control,
        moved_with=found.domains_beside(question.domain),
        filters=question.filters_response,
        clock_band_mhz=found.clock_band_mhz,
        confidence=question.confidence,
        own_curve=_curve(control, grid, curve.own),
        borrowed_curve=_curve(control, grid, curve.borrowed),
        failed=_failed(found),
        stopped=_stopped(found),
        level=curve.level,
        percentiles=tuple(percentile_of(control, grid, depth) for depth in fit.percentiles),
        evidence=evidence_summary(
            found, curve.borrowed.units, fit.sibling_agreement, curve.optimality_gap
        ),
        summary=summary_of_stability(
            question, units, curve.borrowed.units, found.other_lines, found.absence_text
        ),
        cautions=cautions_for(question, control),
    )


def _curve(control: str, grid: Grid, band: ShareBand) -> Curve | None:
    if len(band.share) == 0:
        return None
    return Curve(
        units=round(band.units, 1),
        setting=tuple(setting_of(control, grid, steps) for steps in range(len(band.share))),
        share=_rounded(band.share),
        lower=_rounded(band.lower),
        upper=_rounded(band.upper),
    )


def _failed(found: EvidenceFound) -> tuple[UnitsAtSetting, ...]:
    reported = _reported(found)
    has_failed = reported.unstable_steps < NEVER_FAILED
    return _by_setting(found, reported.unstable_steps[has_failed], reported.weight[has_failed])


def _stopped(found: EvidenceFound) -> tuple[UnitsAtSetting, ...]:
    reported = _reported(found)
    has_stopped = reported.unstable_steps == NEVER_FAILED
    return _by_setting(found, reported.stable_steps[has_stopped], reported.weight[has_stopped])


def _reported(found: EvidenceFound) -> GroupedIntervals:
    """The own units, each with weight one; none where few contributors are known."""
    if found.own is None or not has_enough_known(found.own):
        return NO_INTERVALS
    return found.own.reported


def _by_setting(
    found: EvidenceFound, steps: NDArray[np.int64], units: NDArray[np.float64]
) -> tuple[UnitsAtSetting, ...]:
    counts = np.bincount(steps, weights=units)
    return tuple(
        UnitsAtSetting(setting_of(found.control, found.grid, depth), round(counts[depth]))
        for depth in np.flatnonzero(counts).tolist()
    )


def _rounded(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(round(value, 3) for value in values.tolist())
