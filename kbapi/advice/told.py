"""Parts that every answer about a pool shares, as they go over the wire."""

from dataclasses import dataclass
from typing import Literal

from kbapi.advice.evidence_found import EvidenceFound
from kbapi.advice.question import Question
from kbapi.advice.wording.start import difference_in_words
from kbapi.evidence.differences import DifferingValue, FilterName, find_differences
from kbapi.stats.grid import Grid
from kbapi.stats.percentiles import ShareDepth
from kbapi.vocabulary import Domain

Direction = Literal["deeper", "shallower"]


@dataclass(frozen=True, slots=True)
class EvidenceSummary:
    """The evidence behind an answer: how many units, of which chips, and how reliable."""

    units: int
    """Units of the chip itself that are counted."""
    borrowed_units: int
    """Units of related chips that the answer uses, 0 where it uses none."""
    sibling_agreement: float | None
    """Share of related chips that would differ from the others as much as this chip, 0 to 1; null
    where no units are borrowed."""
    failures: int
    """Units of the chip itself that failed at some setting."""
    units_unverified: int
    """Units of the chip itself without proof that their setting had an effect; not counted."""
    units_excluded: int
    """Results of the chip itself that screening excluded, plus units that the outlier check did."""
    young_pool: bool
    """Whether too few contributors are established: then newcomers count in full."""
    drift_alarm: bool
    """Whether recent results differ from earlier ones beyond chance; /v1/longevity has details."""
    latest: str | None
    """Month of the latest counted measurement, as 2026-09; null without one."""
    optimality_gap: float
    """Upper bound on the log likelihood that a better fit could gain; near 0 is a good fit."""
    revision: str
    """Revision of the evidence of the chip's product line; it changes with each new result."""


@dataclass(frozen=True, slots=True)
class FilterValue:
    """One value of a filter and where its units lie among the units that were compared."""

    value: str
    """A value that the filter takes, or `without` and a value for units that lack it."""
    units: int
    """Number of units with this value."""
    direction: Direction
    """Whether their limits lie deeper or shallower than those of all units compared."""


@dataclass(frozen=True, slots=True)
class FilterDifference:
    """A filter whose values differ beyond chance, so that asking with it gives other numbers."""

    filter: FilterName
    """Name of the filter, as the query parameter of /v1/start."""
    p_value: float
    """Chance of a difference this large if the filter had no influence, corrected for the number of
    filters compared, 0 to 1."""
    values: tuple[FilterValue, ...]
    """The values that were compared, each with five units or more."""
    text: str
    """The difference in one sentence."""


@dataclass(frozen=True, slots=True)
class Percentile:
    """The deepest setting at which a share of the units is stable, with its interval."""

    share: float
    """Share of the units that are stable at this setting, 0 to 1."""
    setting_mv: float | None
    """The setting in mV with two decimals, negative is lower; null for count_offset."""
    setting_counts: int | None
    """The setting in counts, negative is lower; null except for count_offset."""
    interval: tuple[float, float]
    """Interval of the setting in its unit: deeper end, shallower end."""
    attained_confidence: float
    """Two-sided confidence that the interval attains, 0 to 1."""


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


def _leaning(value: DifferingValue) -> Direction:
    return "deeper" if value.goes_deeper else "shallower"


def moved_with(question: Question, found: EvidenceFound) -> tuple[Domain, ...]:
    """The domains that move together with the one asked for, in the pool answered from."""
    domains = () if found.pool is None else found.pool.key.rails
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
