"""The evidence behind an answer, found once: pool, relatives, outlier check, locks."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from sqlalchemy import Connection

from kbapi.advice.start.query import Question
from kbapi.advice.start.text import difference_text
from kbapi.chips.catalogue import Catalogue
from kbapi.evidence.comparisons import DifferingValue, FilterName, find_differences
from kbapi.evidence.locks import LockShares, least_open, lock_shares
from kbapi.evidence.pools import (
    PoolEvidence,
    PoolFound,
    PoolWanted,
    find_pool,
    floor_steps,
    load_pool,
    load_siblings,
    stored_outliers_of,
)
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN
from kbapi.evidence.units import UNITS_OF_FULL_WEIGHT, Standing, standing_on
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED, Grid, GroupedIntervals
from kbapi.stats.start.pool import StockLine, fit_stock_line, has_outgrown_siblings
from kbapi.stats.start.start import NO_GUARD, Guard, ShareDepth
from kbapi.storage import pools
from kbapi.storage.answers import save_peers
from kbapi.storage.locks import load_lock_groups
from kbapi.storage.outliers import save_outliers
from kbapi.storage.pools import LineRow, PoolSize, WhatIf, load_stock_points
from kbapi.vocabulary import LIMIT_CONTROLS, Domain, LimitControl


@dataclass(frozen=True, slots=True)
class PeersByDepth:
    """Units by depth in steps from 0 to just beyond everything seen, each counted whole."""

    known: tuple[int, ...]
    """Units whose status at the depth is known."""
    stable: tuple[int, ...]
    """Units stable there."""


def peers_of(pool: PoolEvidence) -> PeersByDepth:
    """The counts of a pool at every depth, at most a thousand of them."""
    intervals, units = pool.intervals, pool.unit_counts
    failed = intervals.unstable_steps < NEVER_FAILED
    deepest = max(
        int(intervals.stable_steps.max(initial=0)),
        int(intervals.unstable_steps[failed].max(initial=0)),
    )
    passed_at = np.bincount(intervals.stable_steps, weights=units, minlength=deepest + 2)
    failed_at = np.bincount(
        intervals.unstable_steps[failed], weights=units[failed], minlength=deepest + 2
    )
    # Stable at d: passed at d or deeper. Failed at d: failed at d or shallower.
    stable = np.cumsum(passed_at[::-1])[::-1].astype(int)
    gone = np.cumsum(failed_at).astype(int)
    return PeersByDepth(tuple((stable + gone).tolist()), tuple(stable.tolist()))


NO_INTERVALS = GroupedIntervals(
    stable_steps=np.zeros(0, dtype=np.int64),
    unstable_steps=np.zeros(0, dtype=np.int64),
    weight=np.zeros(0),
)


@dataclass(frozen=True)
class EvidenceFound:
    """Everything in the database that an answer stands on."""

    line: LineRow | None
    """None where no chip of the line has results."""
    pool: PoolFound | None
    own: PoolEvidence | None
    siblings: Siblings
    stock_line: StockLine | None
    """Of the chip's own reports, for fixed_clock_voltage."""
    nearest: tuple[str, ...]
    """Keys of the chips around this one that have results."""
    is_filtered: bool
    locks: LockShares | None
    """Of the control and the rails that were found, the least open one; None without reports."""

    @property
    def has_results(self) -> bool:
        """Whether the chip itself has any."""
        return self.own is not None

    @property
    def guard(self) -> Guard:
        """What stands against the pool."""
        if self.own is None:
            return NO_GUARD
        return Guard(self.own.outlier_report.flagged_share, self.own.drift.found.is_drift)

    @property
    def intervals(self) -> GroupedIntervals:
        """The chip's own evidence, empty where it has none."""
        return NO_INTERVALS if self.own is None else self.own.intervals

    @property
    def revision(self) -> str:
        """The line's revision, as answers tell it."""
        return pools.revision_text(self.line)


def find_evidence(
    connection: Connection,
    question: Question,
    instance: Instance,
    *,
    hears_all: bool = False,
    what_if: WhatIf | None = None,
) -> EvidenceFound:
    """What stands in the database for this question, judged today, or would if it were `supposed`.

    Siblings are not read where the chip has long outgrown them, unless `hears_all`.
    """
    chip, catalogue = question.chip, instance.catalogue
    line = pools.find_line(connection, chip.line)
    if line is None:
        return EvidenceFound(None, None, None, Siblings(), None, (), is_filtered=False, locks=None)
    wanted = PoolWanted(
        control=question.control,
        domain=question.domain,
        moved_with=question.moved_with,
        clock_band_mhz=catalogue.find_clock_band(chip, question.clock_mhz),
    )
    pool = find_pool(connection, line.id, chip, wanted, what_if)
    standing = standing_on(instance.today(), contributor_hash(instance.secret, None))
    own = None
    if pool is not None and pool.own is not None:
        own = _own(connection, pool.own, question, catalogue, standing, what_if)
    return EvidenceFound(
        line=line,
        pool=pool,
        own=own,
        siblings=(
            Siblings()
            if pool is None
            or (own is not None and has_outgrown_siblings(own.intervals) and not hears_all)
            else load_siblings(connection, pool, catalogue, standing)
        ),
        stock_line=_stock_line(connection, chip.key, pool, what_if),
        nearest=tuple(pools.find_relatives(connection, chip.key, chip.series, chip.line)),
        is_filtered=bool(question.filters_response),
        locks=_locks(connection, line.id, question, pool, catalogue),
    )


def _locks(
    connection: Connection,
    line_id: int,
    question: Question,
    pool: PoolFound | None,
    catalogue: Catalogue,
) -> LockShares | None:
    control = _control(question, pool, catalogue)
    domains = (question.domain,) if pool is None else pool.key.rails
    groups = load_lock_groups(connection, line_id, UNITS_OF_FULL_WEIGHT)
    chip = question.chip
    return least_open(
        lock_shares(groups, chip.key, chip.series, domain, control) for domain in domains
    )


def keep_findings(connection: Connection, found: EvidenceFound, instance: Instance) -> None:
    """Keep the spread of the chip's own units for those who send next, and its verdicts."""
    own = found.own
    if own is None:
        return
    save_outliers(connection, own.id, stored_outliers_of(own.outlier_report))
    if not found.is_filtered:
        spread = peers_of(own)
        save_peers(connection, own.id, spread.known, spread.stable)


def _own(
    connection: Connection,
    pool: PoolSize,
    question: Question,
    catalogue: Catalogue,
    standing: Standing,
    what_if: WhatIf | None,
) -> PoolEvidence | None:
    """The chip's own evidence; None where a filter leaves so few units that they could be known."""
    grid = catalogue.grid_for(question.chip, pool.key.control)
    floor = floor_steps(pool.key.control, grid)
    own = load_pool(connection, pool, standing, floor, question.filters, what_if)
    return None if question.filters_response and own.units < FEWEST_UNITS_SHOWN else own


def _stock_line(
    connection: Connection, chip_key: str, pool: PoolFound | None, what_if: WhatIf | None
) -> StockLine | None:
    if pool is None or pool.own is None or pool.key.control != "fixed_clock_voltage":
        return None
    points = load_stock_points(connection, chip_key, pool.key.domains, what_if)
    if not points:
        return None
    return fit_stock_line(
        np.array([point.clock_mhz for point in points]),
        np.array([point.stock_mv for point in points]),
    )


def control_of(question: Question, found: EvidenceFound, catalogue: Catalogue) -> LimitControl:
    """The control that the answer is about: asked for, found, or the chip's usual one."""
    return _control(question, found.pool, catalogue)


def _control(question: Question, pool: PoolFound | None, catalogue: Catalogue) -> LimitControl:
    if question.control is not None:
        return question.control
    if pool is not None:
        return pool.key.control
    usual = catalogue.controls_for(question.chip)
    return next((name for name in LIMIT_CONTROLS if name in usual), LIMIT_CONTROLS[0])


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
    mostly_new_contributors: bool
    """Whether too few contributors are established: then newcomers count in full."""
    drift_alarm: bool
    """Whether recent results differ from earlier ones beyond chance; /v1/longevity has details."""
    latest_month: str | None
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
        mostly_new_contributors=own is None or own.outlier_report.is_young,
        drift_alarm=own is not None and own.drift.found.is_drift,
        latest_month=None if own is None else own.latest_month,
        optimality_gap=optimality_gap,
        revision=found.revision,
    )


def differing_filters(found: EvidenceFound) -> tuple[FilterDifference, ...]:
    """The filters that matter in the chip's own pool, whatever filter was asked with."""
    own = found.own
    return tuple(
        FilterDifference(
            filter=one.filter,
            p_value=round(one.p_value, 4),
            values=tuple(
                FilterValue(value.value, value.units, _leaning(value)) for value in one.values
            ),
            text=difference_text(
                one.filter, [(value.value, _leaning(value)) for value in one.values]
            ),
        )
        for one in (() if own is None else find_differences(own.whole, own.outlier_report))
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
