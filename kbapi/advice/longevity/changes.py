"""Settings over time: follow-ups of a chip and its series, and the drift of its results."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from kbapi.advice.longevity import text as longevity_text
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.evidence.comparisons import PoolDrift, load_drift
from kbapi.evidence.longevity import LongevityEvidence, grids_of, known_units, longevity_evidence
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN, shown_cells
from kbapi.stats.intervals import Grid
from kbapi.stats.search.recommended_margin import CONFIDENCE as MARGIN_CONFIDENCE
from kbapi.stats.search.recommended_margin import WANTED_DAYS
from kbapi.stats.time.drift import DriftKind
from kbapi.storage import pools
from kbapi.storage.evidence import find_largest_pool
from kbapi.storage.follow_ups import FollowedRow, load_followed_of_series
from kbapi.storage.pools import LineRow
from kbapi.vocabulary import LIMIT_CONTROLS, LimitControl, MarginSource


@dataclass(frozen=True)
class TimeFound:
    """Everything in the database that an answer about time stands on."""

    line: LineRow | None
    control: LimitControl
    rows: tuple[FollowedRow, ...]
    """Follow-ups of the chip's series on this control and on rails that hold the domain."""
    has_results: bool
    """Whether the chip itself has any in such a pool."""
    drift: PoolDrift | None
    """Of the chip's largest pool; None without one."""

    @property
    def revision(self) -> str:
        """The line's revision, as answers tell it."""
        return pools.revision_text(self.line)


def find_time(
    connection: Connection,
    chip: ChipName,
    domain: str,
    control: LimitControl | None,
    catalogue: Catalogue,
) -> TimeFound:
    """What stands in the database; a control that was not asked for is the one most followed."""
    line = pools.find_line(connection, chip.line)
    rows = [
        row
        for row in load_followed_of_series(connection, chip.series)
        if domain in row.domains.split("+")
    ]
    told = control or _usual_control(rows, chip, catalogue)
    pool_id = find_largest_pool(connection, chip.key, told, domain)
    return TimeFound(
        line=line,
        control=told,
        rows=tuple(row for row in rows if row.control == told),
        has_results=pool_id is not None,
        drift=None if pool_id is None else load_drift(connection, pool_id),
    )


def _usual_control(rows: list[FollowedRow], chip: ChipName, catalogue: Catalogue) -> LimitControl:
    units = {
        control: len({row.unit_id for row in rows if row.control == control})
        for control in LIMIT_CONTROLS
    }
    known = catalogue.controls_for(chip)
    return max(LIMIT_CONTROLS, key=lambda control: (units[control], control in known))


def longevity_of(found: TimeFound, chip: ChipName, catalogue: Catalogue) -> LongevityEvidence:
    """The settings in use of the chip, or of its series."""
    grid_of = grids_of(catalogue, found.control)
    return longevity_evidence(found.rows, chip.key, found.control, grid_of)


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


def lasted_response(
    evidence: LongevityEvidence, days: int, confidence: float = CONFIDENCE
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


def shown_bands(evidence: LongevityEvidence) -> dict[int, frozenset[int]]:
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


def settle_response(evidence: LongevityEvidence, control: str) -> RecommendedMargin:
    """The margin to settle with."""
    found = evidence.settle()
    band = evidence.margins.index(found.margin)
    kept = None
    if WANTED_DAYS in shown_bands(evidence).get(band, ()):
        kept = lasted_response(evidence.bands[band], WANTED_DAYS, MARGIN_CONFIDENCE)
    return RecommendedMargin(
        margin=found.margin,
        margin_source=found.source,
        survival=kept,
        text=longevity_text.settle_text(found.source, control, found.margin),
    )


def drift_response(drift: PoolDrift | None, grid: Grid, control: str) -> DriftSummary | None:
    """The drift of a pool in the control's unit; None where there is no pool."""
    if drift is None:
        return None
    found = drift.found
    if not found.is_drift or found.kind is None:
        told = longevity_text.no_drift_text()
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
        text=longevity_text.drift_text(found.kind, drift.since, drift.version, shift, control),
    )
