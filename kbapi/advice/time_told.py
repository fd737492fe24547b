"""Parts that answers about time share, as they go over the wire."""

from dataclasses import dataclass
from typing import Final

from kbapi.advice.wording import lasting as words
from kbapi.evidence.drift import PoolDrift
from kbapi.evidence.lasting import LastingEvidence, known_units
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN, shown_cells
from kbapi.stats.drift import DriftKind
from kbapi.stats.grid import Grid
from kbapi.stats.settle import CONFIDENCE as SETTLE_CONFIDENCE
from kbapi.stats.settle import WANTED_DAYS
from kbapi.vocabulary import MarginSource

CONFIDENCE: Final = 0.95
DAYS: Final = (30, WANTED_DAYS, 365)


@dataclass(frozen=True, slots=True)
class SurvivalShare:
    """The share of settings that were still stable after some days in use."""

    days: int
    """Number of days in use."""
    share: float
    """Share of settings that were still stable, 0 to 1."""
    interval: tuple[float, float]
    """Interval of the share: lower end, upper end."""
    confidence: float
    """Two-sided confidence of the interval, 0 to 1."""
    units: int
    """Units known to have failed by then, or followed for at least as long."""


@dataclass(frozen=True, slots=True)
class RecommendedMargin:
    """How far to stay from the deepest setting that passed, to remain stable in use."""

    margin: float
    """The margin in mV, or counts for count_offset; positive is toward stock."""
    margin_source: MarginSource
    """Where the margin comes from."""
    survival: SurvivalShare | None
    """Share still stable after 90 days with this margin; null where fewer than five units are
    known."""
    text: str
    """The recommendation in one sentence."""


@dataclass(frozen=True, slots=True)
class DriftSummary:
    """Whether recent results of the chip differ from earlier ones beyond chance."""

    is_drift: bool
    """Whether they differ beyond chance; if not, most fields are null."""
    kind: DriftKind | None
    """What recent results have in common: a later month, a firmware or a microcode; null without a
    drift."""
    since: str | None
    """Month of the first recent result, as 2026-09; null without a drift."""
    version: str | None
    """Firmware or microcode version of the recent results; null for a drift by month."""
    shift: float | None
    """How much deeper recent limits lie, in mV or counts; negative is shallower; null without a
    drift."""
    interval: tuple[float, float] | None
    """95 % interval of the shift: lower end, upper end; null without a drift."""
    units_before: int | None
    """Number of units with earlier results; null without a drift."""
    units_since: int | None
    """Number of units with recent results; null without a drift."""
    text: str
    """The drift in one sentence, or that there is none."""


def lasted_told(
    evidence: LastingEvidence, days: int, confidence: float = CONFIDENCE
) -> SurvivalShare | None:
    """The share still stable after so many days; None where fewer than five units tell."""
    units = known_units(evidence.settings, days)
    if units < FEWEST_UNITS_SHOWN:
        return None
    found = evidence.curve().after(days, confidence)
    if found.followed <= 0 < found.share:
        return None  # all that are left were lost sight of before that day
    return SurvivalShare(
        days=days,
        share=round(found.share, 4),
        interval=(round(found.low, 4), round(found.high, 4)),
        confidence=round(confidence, 4),
        units=units,
    )


def shown_bands(evidence: LastingEvidence) -> dict[int, frozenset[int]]:
    """The bands of margin that may be shown beside the sum over all, and of which days."""
    bands = sorted(evidence.bands.items())
    is_shown = shown_cells([band.units for _, band in bands])
    hidden = [number for number, shown in enumerate(is_shown) if not shown]
    by_day = {
        days: shown_cells([known_units(band.settings, days) for _, band in bands], withheld=hidden)
        for days in DAYS
    }
    return {
        place: frozenset(days for days in DAYS if by_day[days][number])
        for number, (place, _) in enumerate(bands)
        if is_shown[number]
    }


def settle_told(evidence: LastingEvidence, control: str) -> RecommendedMargin:
    """The margin to settle with."""
    found = evidence.settle()
    band = evidence.margins.index(found.margin)
    kept = None
    if WANTED_DAYS in shown_bands(evidence).get(band, ()):
        kept = lasted_told(evidence.bands[band], WANTED_DAYS, SETTLE_CONFIDENCE)
    return RecommendedMargin(
        margin=found.margin,
        margin_source=found.standing,
        survival=kept,
        text=words.settle_in_words(found.standing, control, found.margin),
    )


def drift_told(drift: PoolDrift | None, grid: Grid, control: str) -> DriftSummary | None:
    """The drift of a pool in the control's unit; None where there is no pool."""
    if drift is None:
        return None
    found = drift.found
    if not found.is_drift or found.kind is None:
        told = words.no_drift_in_words()
        return DriftSummary(False, None, None, None, None, None, None, None, told)
    step = float(grid.step)
    shift, error = found.shift_steps * step, 1.96 * found.error_steps * step
    return DriftSummary(
        is_drift=True,
        kind=found.kind,
        since=drift.since,
        version=drift.version or None,
        shift=round(shift, 1),
        interval=(round(shift - error, 1), round(shift + error, 1)),
        units_before=found.units_before,
        units_since=found.units_since,
        text=words.drift_in_words(found.kind, drift.since, drift.version, shift, control),
    )
