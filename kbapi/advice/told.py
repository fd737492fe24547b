"""Parts that every answer about a pool shares, as they go over the wire."""

from dataclasses import dataclass

from kbapi.advice.evidence_found import EvidenceFound
from kbapi.advice.question import Question
from kbapi.advice.wording.start import difference_in_words
from kbapi.evidence.differences import DifferingValue, find_differences
from kbapi.stats.grid import Grid
from kbapi.stats.percentiles import ShareDepth


@dataclass(frozen=True, slots=True)
class EvidenceSummary:
    """What an answer stands on."""

    units: int
    """The chip's own units that are counted."""
    borrowed_units: int
    """Units of related chips that the answer leans on."""
    sibling_agreement: float | None
    """How often a chip among its related ones would lie as far from them, 0 to 1; None without."""
    failures: int
    """Own units that were seen to fail."""
    units_unverified: int
    """Own units without proof that their setting did anything."""
    units_excluded: int
    """Own results that screening, and units that judging, did not count."""
    young_pool: bool
    """Whether too few of those who reported are known for longer: anybody's word counts in full."""
    drift_alarm: bool
    """Whether recent results differ from earlier ones beyond chance: /v1/longevity tells how."""
    latest: str | None
    """Month of the latest counted measurement."""
    optimality_gap: float
    """Log likelihood that is at most left to gain: the certificate of the fit."""
    revision: str


@dataclass(frozen=True, slots=True)
class FilterValue:
    """Units found under one value of a filter, and where they lie among those compared."""

    value: str
    units: int
    direction: str
    """deeper or shallower than the units compared lie in the middle."""


@dataclass(frozen=True, slots=True)
class FilterDifference:
    """A filter whose values differ beyond chance: it is worth asking with."""

    filter: str
    p_value: float
    """Chance of a difference as large if the filter meant nothing, all filters considered."""
    values: tuple[FilterValue, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Percentile:
    """How deep a share of the units holds."""

    share: float
    setting_mv: float | None
    setting_counts: int | None
    interval: tuple[float, float]
    """Deeper end, shallower end."""
    attained_confidence: float
    """Of the interval, two-sided."""


def evidence_summary(
    found: EvidenceFound, borrowed_units: float, agreement: float, optimality_gap: float
) -> EvidenceSummary:
    """The counts and the certificate behind an answer."""
    own = found.own
    return EvidenceSummary(
        units=0 if own is None else own.units,
        borrowed_units=round(borrowed_units),
        sibling_agreement=round(agreement, 4) if borrowed_units > 0 else None,
        failures=0 if own is None else own.failures,
        units_unverified=0 if own is None else own.unverified,
        units_excluded=0 if own is None else own.excluded,
        young_pool=own is None or own.judgement.is_young,
        drift_alarm=own is not None and own.drift.found.is_drift,
        latest=None if own is None else own.latest_month,
        optimality_gap=optimality_gap,
        revision=found.revision,
    )


def differs_by(found: EvidenceFound) -> tuple[FilterDifference, ...]:
    """The filters that matter in the chip's own pool, whatever filter was asked with."""
    own = found.own
    return tuple(
        FilterDifference(
            filter=one.filter,
            p_value=round(one.p_value, 4),
            values=tuple(
                FilterValue(value.value, value.units, _leaning(value)) for value in one.values
            ),
            text=difference_in_words(
                one.filter, [(value.value, _leaning(value)) for value in one.values]
            ),
        )
        for one in (() if own is None else find_differences(own.whole, own.judgement))
    )


def _leaning(value: DifferingValue) -> str:
    return "deeper" if value.goes_deeper else "shallower"


def moved_with(question: Question, found: EvidenceFound) -> tuple[str, ...]:
    """The domains that move together with the one asked for, in the pool answered from."""
    domains = () if found.pool is None else tuple(found.pool.key.domains.split("+"))
    return tuple(code for code in domains if code != question.domain)


def setting_of(control: str, grid: Grid, steps: int) -> float:
    """The setting at a depth, negative: mV to two decimals, or whole counts."""
    # Adding zero keeps stock itself from being written -0.0.
    return (-grid.enter(steps) if control == "count_offset" else -grid.below_stock(steps)) + 0


def percentile_of(control: str, grid: Grid, depth: ShareDepth) -> Percentile:
    """A percentile with its interval in the control's own unit."""
    in_counts = control == "count_offset"
    setting = setting_of(control, grid, depth.steps)
    return Percentile(
        share=depth.share,
        setting_mv=None if in_counts else setting,
        setting_counts=int(setting) if in_counts else None,
        interval=(setting_of(control, grid, depth.deep), setting_of(control, grid, depth.shallow)),
        attained_confidence=round(depth.confidence, 4),
    )
