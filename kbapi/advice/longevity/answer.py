"""How long settings stay stable in use: shares after 30, 90 and 365 days, margin, drift."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from kbapi.advice.cautions import Caution, cautions_about_time
from kbapi.advice.evidence_found import load_standing_in
from kbapi.advice.longevity import text as longevity_text
from kbapi.advice.longevity.query import LongevityQuestion
from kbapi.advice.stored_answers import answer_once
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName, ChipSummary
from kbapi.evidence.comparisons import PoolDrift, load_drift
from kbapi.evidence.longevity import (
    LongevityEvidence,
    grids_of,
    known_senders,
    longevity_evidence,
)
from kbapi.evidence.small_cells import FEWEST_SHOWN, shown_cells
from kbapi.instance.instance import Instance
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import Grid
from kbapi.stats.search.recommended_margin import CONFIDENCE as MARGIN_CONFIDENCE
from kbapi.stats.search.recommended_margin import WANTED_DAYS
from kbapi.stats.time.drift import DriftKind
from kbapi.storage import pools
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.follow_ups import FollowedRow, load_followed_of_series
from kbapi.storage.pools import LineRow, find_largest_pool
from kbapi.time_budget import check_time
from kbapi.vocabulary import LIMIT_CONTROLS, Domain, LimitControl, MarginSource

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
    """Share still stable after 90 days with this margin; null with fewer than five contributors
    of whom that is known."""
    text: str
    """The recommendation in one sentence."""


@dataclass(frozen=True, slots=True)
class DriftSummary:
    """Whether recent results of the chip differ from earlier ones beyond chance.

    Results of established contributors with a stated machine are compared.
    """

    is_drift: bool
    """Whether they differ beyond chance; if not, most fields are null."""
    is_mix_changed: bool
    """Whether, without a drift, results of all contributors and machines differ: the mix of
    machines may have changed, or new contributors differ."""
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


@dataclass(frozen=True, slots=True)
class SurvivalByMargin:
    """Settings in use with a similar margin to the deepest setting that had passed."""

    margin_above: float | None
    """Margins of this band are larger than this, in mV or counts; null for no margin at all."""
    margin_up_to: float | None
    """Margins of this band are at most this, in mV or counts; null for the widest band."""
    units: int
    """Number of units with such a margin."""
    failures: int
    """Number of these units whose setting failed in use."""
    survival: tuple[SurvivalShare, ...]
    """Share still stable after 30, 90 and 365 days, where five contributors or more are known."""


@dataclass(frozen=True, slots=True)
class LongevityAnswer:
    """How long settings of a chip stay stable in use, and which margin to keep."""

    chip: ChipSummary
    """The chip that was asked about."""
    domain: Domain
    """The supply rail that was asked about."""
    control: LimitControl
    """The control of the answer: the one asked for, else the one with most follow-ups."""
    level: Level
    """Whose units the shares are from: `chip`, `series` where the chip has too few, or `none`."""
    units: int
    """Number of units whose setting was followed in use."""
    failures: int
    """Number of these units whose setting failed in use."""
    survival: tuple[SurvivalShare, ...]
    """Share still stable after 30, 90 and 365 days over all margins."""
    by_margin: tuple[SurvivalByMargin, ...]
    """Share still stable after 30, 90 and 365 days, by margin to the deepest passed setting."""
    withheld_groups: int
    """Number of margins and days with fewer than five contributors, which are not shown."""
    withheld_text: str | None
    """What is withheld, and how many more machines it takes; null where nothing is."""
    recommended_margin: RecommendedMargin
    """The margin to keep."""
    drift: DriftSummary | None
    """Drift of the chip's largest pool on this control; null where it has none."""
    revision: str
    """Value of the answer's ETag: it changes when the answer does."""
    summary: str
    """The answer in one or two sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""


@dataclass(frozen=True)
class LongevityFound:
    """All evidence about settings over time, with the control and the grid that it is in."""

    line: LineRow | None
    control: LimitControl
    grid: Grid
    rows: tuple[FollowedRow, ...]
    """Follow-ups of the chip's series on this control, in pools that hold the domain."""
    evidence: LongevityEvidence
    """Settings in use of the chip, or of its series."""
    has_results: bool
    """Whether the chip itself has results in such a pool."""
    drift: PoolDrift | None
    """Of the chip's largest pool; None without one."""


def find_longevity(
    connection: Connection,
    chip: ChipName,
    domain: str,
    control: LimitControl | None,
    instance: Instance,
) -> LongevityFound:
    """The evidence about settings over time; without a control, on that with most follow-ups."""
    catalogue = instance.catalogue
    followed = [
        row
        for row in load_followed_of_series(connection, chip.series)
        if domain in row.domains.split("+")
    ]
    check_time("follow-ups")
    control = control or _usual_control(followed, chip, catalogue)
    rows = tuple(row for row in followed if row.control == control)
    standing = load_standing_in(connection, instance)
    known = known_senders(connection, rows, standing)
    evidence = longevity_evidence(rows, chip.key, control, grids_of(catalogue, control), known)
    check_time("settings in use")
    pool_id = find_largest_pool(connection, chip.key, control, domain)
    return LongevityFound(
        line=pools.find_line(connection, chip.line),
        control=control,
        grid=catalogue.grid_for(chip, control),
        rows=rows,
        evidence=evidence,
        has_results=pool_id is not None,
        drift=None if pool_id is None else load_drift(connection, pool_id, standing),
    )


def _usual_control(rows: list[FollowedRow], chip: ChipName, catalogue: Catalogue) -> LimitControl:
    units = {
        control: len({row.unit_id for row in rows if row.control == control})
        for control in LIMIT_CONTROLS
    }
    usual = catalogue.usual_control(chip)
    return max(LIMIT_CONTROLS, key=lambda control: (units[control], control == usual))


def advise_longevity(instance: Instance, question: LongevityQuestion) -> AnswerBytes:
    """How long settings stay stable, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """

    def find(connection: Connection) -> LongevityFound:
        return find_longevity(
            connection, question.chip, question.domain, question.control, instance
        )

    def compute(found: LongevityFound) -> LongevityAnswer:
        return _longevity_answer(question, found)

    return answer_once(instance, "longevity", question, find, compute)


def _longevity_answer(question: LongevityQuestion, found: LongevityFound) -> LongevityAnswer:
    evidence = found.evidence
    survival = _survival(evidence)
    check_time("survival")
    by_margin = _survival_by_margin(evidence)
    check_time("survival by margin")
    withheld = 0 if evidence.level == "none" else _withheld(evidence, survival, by_margin)
    return LongevityAnswer(
        chip=question.chip.summary,
        domain=question.domain,
        control=found.control,
        level=evidence.level,
        units=evidence.units,
        failures=_failures(evidence),
        survival=survival,
        by_margin=by_margin,
        withheld_groups=withheld,
        withheld_text=longevity_text.withheld_longevity(withheld, evidence.too_few),
        recommended_margin=margin_response(found),
        drift=drift_response(found),
        revision="",
        summary=_summary(evidence, survival),
        cautions=cautions_about_time(),
    )


def _survival(evidence: LongevityEvidence) -> tuple[SurvivalShare, ...]:
    shares = (survival_share(evidence, days) for days in DAYS)
    return tuple(share for share in shares if share is not None)


def survival_share(
    evidence: LongevityEvidence, days: int, confidence: float = CONFIDENCE
) -> SurvivalShare | None:
    """The share still stable after so many days; None with fewer than five contributors."""
    cell = evidence.cell(days)
    if len(cell.contributors) < FEWEST_SHOWN:
        return None
    found = evidence.curve().after(days, confidence)
    if found.followed <= 0 < found.share:
        return None  # no setting that is still stable was followed until that day
    return SurvivalShare(
        days=days,
        share=round(found.share, 4),
        interval=(round(found.low, 4), round(found.high, 4)),
        confidence=round(confidence, 4),
        units=cell.units,
    )


def _survival_by_margin(evidence: LongevityEvidence) -> tuple[SurvivalByMargin, ...]:
    bands, ends = evidence.bands, (None, *evidence.margins, None)
    return tuple(
        SurvivalByMargin(
            margin_above=ends[place],
            margin_up_to=ends[place + 1],
            units=bands[place].units,
            failures=_failures(bands[place]),
            survival=tuple(one for one in _survival(bands[place]) if one.days in days),
        )
        for place, days in _shown_bands(evidence).items()
    )


def _shown_bands(evidence: LongevityEvidence) -> dict[int, frozenset[int]]:
    """The bands of margin that may be shown beside the total, each with its days."""
    bands = sorted(evidence.bands.items())
    is_shown = shown_cells([band.cell() for _, band in bands])
    hidden = [number for number, shown in enumerate(is_shown) if not shown]
    by_day = {
        days: shown_cells([band.cell(days) for _, band in bands], withheld=hidden) for days in DAYS
    }
    return {
        place: frozenset(days for days in DAYS if by_day[days][number])
        for number, (place, _) in enumerate(bands)
        if is_shown[number]
    }


def _withheld(
    evidence: LongevityEvidence,
    survival: tuple[SurvivalShare, ...],
    by_margin: tuple[SurvivalByMargin, ...],
) -> int:
    days_shown = len(survival) + sum(len(band.survival) for band in by_margin)
    return len(DAYS) * (1 + len(by_margin)) - days_shown + len(evidence.bands) - len(by_margin)


def _failures(evidence: LongevityEvidence) -> int:
    return len({one.unit_id for one in evidence.settings if one.failed})


def margin_response(found: LongevityFound) -> RecommendedMargin:
    """The margin to keep, with the share of settings that stayed stable with it."""
    evidence = found.evidence
    recommended = evidence.settle()
    band = evidence.margins.index(recommended.margin)
    survival = None
    if WANTED_DAYS in _shown_bands(evidence).get(band, ()):
        survival = survival_share(evidence.bands[band], WANTED_DAYS, MARGIN_CONFIDENCE)
    return RecommendedMargin(
        margin=recommended.margin,
        margin_source=recommended.source,
        survival=survival,
        text=longevity_text.margin_text(recommended.source, found.control, recommended.margin),
    )


def drift_response(found: LongevityFound) -> DriftSummary | None:
    """The drift of the pool in the unit of the control; None where there is no pool."""
    if found.drift is None:
        return None
    since, version, drift = found.drift.since, found.drift.version, found.drift.found
    if not drift.is_drift or drift.kind is None:
        is_mix_changed = found.drift.is_mix_changed
        text = longevity_text.no_drift_text(is_mix_changed=is_mix_changed)
        return DriftSummary(False, is_mix_changed, None, None, None, None, None, None, None, text)
    step = float(found.grid.step)
    shift, error = drift.shift_steps * step, 1.96 * drift.error_steps * step
    return DriftSummary(
        is_drift=True,
        is_mix_changed=False,
        kind=drift.kind,
        since=since,
        version=version or None,
        shift=round(shift, 1),
        interval=(round(shift - error, 1), round(shift + error, 1)),
        units_before=drift.units_before,
        units_since=drift.units_since,
        text=longevity_text.drift_text(drift.kind, since, version, shift, found.control),
    )


def _summary(evidence: LongevityEvidence, survival: tuple[SurvivalShare, ...]) -> str:
    stable = longevity_text.not_long_enough()
    if survival:
        usual = next((one for one in survival if one.days == DAYS[1]), survival[-1])
        stable = longevity_text.survival_text(usual.share, usual.days)
    return longevity_text.summary_of_longevity(evidence.level, evidence.units, stable)
