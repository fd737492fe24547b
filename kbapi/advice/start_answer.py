"""A start answer: its frozen parts as they go over the wire, and how a pool becomes one."""

from dataclasses import dataclass
from typing import Final

from kbapi.advice import wording
from kbapi.advice.cautions import Caution, cautions_for
from kbapi.advice.question import Question
from kbapi.evidence.pools import PoolEvidence
from kbapi.stats.bounds import DeepestStart, NoStart, deepest_start, sccp_lower_bound
from kbapi.stats.grid import Grid
from kbapi.stats.npmle import fit_npmle
from kbapi.vocabulary import Grade

_METHOD: Final = "npmle_sccp"


@dataclass(frozen=True, slots=True)
class ChipAnswered:
    """The chip as the question was understood."""

    key: str
    name: str
    kind: str
    series: str
    line: str


@dataclass(frozen=True, slots=True)
class Start:
    """The suggested first setting and what it stands for."""

    setting_mv: float | None
    """Two decimals, negative is lower; below the unit's own stock for fixed_clock_voltage."""
    setting_counts: int | None
    """Negative is lower; this instead of mV for count_offset."""
    steps: int
    """Grid steps below stock."""
    enter: int
    """The whole number toward stock that a person types."""
    stable_share: float
    confidence: float
    served_at: float
    """The share that the setting was looked up for; higher than asked while a guard stands."""
    lower_bound: float
    """Lower confidence bound of the stable share at this very setting."""
    level: str
    method: str


@dataclass(frozen=True, slots=True)
class NoStartReason:
    """Why there is no start."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Meaning:
    """What the number means: under which loads, after how much testing, for whom."""

    loads: tuple[str, ...]
    grade: Grade | None
    text: str


@dataclass(frozen=True, slots=True)
class EvidenceBehind:
    """What the answer stands on."""

    units: int
    failures: int
    claimed: int
    set_aside: int
    known_weight: float
    """Weight of the units whose status at the start is known."""
    kkt_gap: float | None
    """Log likelihood that is at most left to gain: the certificate of the fit."""
    latest: str | None
    revision: str


@dataclass(frozen=True, slots=True)
class StartAnswer:
    """The whole answer."""

    chip: ChipAnswered
    domain: str
    control: str
    moved_with: tuple[str, ...]
    clock_band_mhz: int | None
    """Lower end of the band that the results are from, with fixed_clock_voltage."""
    start: Start | None
    reason: NoStartReason | None
    nearest: tuple[str, ...]
    """Keys of related chips that have results, told when there is no start."""
    means: Meaning | None
    evidence: EvidenceBehind
    summary: str
    cautions: tuple[Caution, ...]


def answer_without_pool(
    question: Question,
    control: str,
    pool: PoolEvidence | None,
    relatives: tuple[str, ...],
    revision: str,
) -> StartAnswer:
    """The answer where nothing that counts has been sent."""
    return _compose(
        question,
        control,
        pool,
        start=None,
        reason=NoStartReason("no_results", wording.no_results(question, control)),
        nearest=relatives,
        means=None,
        evidence=_evidence_of(pool, 0.0, None, revision),
    )


def answer_with_pool(
    question: Question,
    pool: PoolEvidence,
    grid: Grid,
    relatives: tuple[str, ...],
    revision: str,
) -> StartAnswer:
    """The answer from a pool with evidence: its start, or why it doesn't reach that far."""
    fit = fit_npmle(pool.intervals)
    band = sccp_lower_bound(pool.intervals, fit, question.confidence)
    found = deepest_start(band, question.stable_share)
    control = pool.key.control
    start = _start_of(question, control, found, grid) if isinstance(found, DeepestStart) else None
    return _compose(
        question,
        control,
        pool,
        start=start,
        reason=_reason_of(question, pool, found) if isinstance(found, NoStart) else None,
        nearest=relatives if start is None else (),
        means=Meaning(pool.loads, pool.grade, wording.meaning_of(question)),
        evidence=_evidence_of(pool, found.known_weight, fit.kkt_gap, revision),
    )


def _start_of(question: Question, control: str, found: DeepestStart, grid: Grid) -> Start:
    in_counts = control == "count_offset"
    return Start(
        setting_mv=None if in_counts else -grid.below_stock(found.steps),
        setting_counts=-grid.enter(found.steps) if in_counts else None,
        steps=found.steps,
        enter=-grid.enter(found.steps),
        stable_share=question.stable_share,
        confidence=question.confidence,
        served_at=question.stable_share,
        lower_bound=round(found.lower, 4),
        level="chip",
        method=_METHOD,
    )


def _reason_of(question: Question, pool: PoolEvidence, found: NoStart) -> NoStartReason:
    # If even a clean sheet of this size would not do, it is the number of units that is missing.
    if question.stable_share > (1 - question.confidence) ** (1 / max(found.known_weight, 1e-9)):
        return NoStartReason("too_few_units", wording.too_few_units(question, pool))
    return NoStartReason("fails_near_stock", wording.fails_near_stock(question, pool))


def _evidence_of(
    pool: PoolEvidence | None, known_weight: float, kkt_gap: float | None, revision: str
) -> EvidenceBehind:
    if pool is None:
        return EvidenceBehind(0, 0, 0, 0, known_weight, kkt_gap, None, revision)
    return EvidenceBehind(
        units=pool.units,
        failures=pool.failures,
        claimed=pool.claimed,
        set_aside=pool.set_aside,
        known_weight=round(known_weight, 3),
        kkt_gap=kkt_gap,
        latest=pool.latest_month,
        revision=revision,
    )


def _compose(
    question: Question,
    control: str,
    pool: PoolEvidence | None,
    *,
    start: Start | None,
    reason: NoStartReason | None,
    nearest: tuple[str, ...],
    means: Meaning | None,
    evidence: EvidenceBehind,
) -> StartAnswer:
    chip = question.chip
    domains = () if pool is None else tuple(pool.key.domains.split("+"))
    if start is not None and pool is not None:
        summary = wording.summary_of_start(question, pool, start.enter)
    else:
        summary = "" if reason is None else reason.text
    return StartAnswer(
        chip=ChipAnswered(chip.key, chip.name, chip.kind, chip.series, chip.line),
        domain=question.domain,
        control=control,
        moved_with=tuple(code for code in domains if code != question.domain),
        clock_band_mhz=(pool.key.clock_band_mhz or None) if pool is not None else None,
        start=start,
        reason=reason,
        nearest=nearest,
        means=means,
        evidence=evidence,
        summary=summary,
        cautions=cautions_for(question),
    )
