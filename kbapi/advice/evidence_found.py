"""The evidence behind an answer, read once: control, grid, pool, related chips, outliers, locks."""

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from math import floor
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.advice.documented import (
    FEWEST_REPORTS,
    FactoryLockAnswer,
    PublishedNote,
    factory_lock_of,
    notes_about,
    published,
)
from kbapi.advice.start.query import Question
from kbapi.advice.start.text import difference_text
from kbapi.advice.stored_answers import OutdatedBy
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.refusal_rules import Absence, find_absences
from kbapi.evidence.comparisons import FilterName, FilterValue, find_differences
from kbapi.evidence.locks import (
    LockShares,
    find_reporters,
    least_open,
    lock_shares,
    reported_controls,
)
from kbapi.evidence.outlier_check import standing_flags
from kbapi.evidence.pools import (
    Lenders,
    PoolEvidence,
    PoolFound,
    PoolWanted,
    RelatedChips,
    find_pool,
    floor_steps,
    load_all_chips,
    load_pool,
    load_related,
    stored_outliers_of,
)
from kbapi.evidence.small_cells import FEWEST_SHOWN, Cell
from kbapi.evidence.units import Standing, load_standing
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED, Grid, GroupedIntervals
from kbapi.stats.start.pool import (
    StockLine,
    fit_stock_line,
    has_outgrown_siblings,
    informative,
)
from kbapi.stats.start.start import FEW_OWN_UNITS, NO_GUARD, Guard, ShareDepth
from kbapi.storage import pools
from kbapi.storage.answers import Memory, save_outliers, save_peers
from kbapi.storage.locks import load_lock_groups
from kbapi.storage.pools import LineRow, WhatIf, find_peers_day, load_stock_points
from kbapi.time_budget import check_time
from kbapi.vocabulary import Domain, LimitControl


@dataclass(frozen=True, slots=True)
class PeersByDepth:
    """Unweighted numbers of units at each depth, from 0 steps to one beyond all results."""

    known: tuple[int, ...]
    """Units that are known to be stable or unstable at the depth."""
    stable: tuple[int, ...]
    """Units that are stable there."""


NO_PEERS: Final = PeersByDepth((), ())


def has_enough_known(pool: PoolEvidence) -> bool:
    """Whether enough contributors are known for numbers of single settings to be shown."""
    return len(np.intersect1d(pool.rows.known, pool.asked.contributor)) >= FEWEST_SHOWN


def peers_of(pool: PoolEvidence) -> PeersByDepth:
    """The numbers of a pool at each depth, at most a thousand depths; none of a small pool."""
    if len(np.intersect1d(pool.rows.known, pool.whole.contributor)) < FEWEST_SHOWN:
        return NO_PEERS
    intervals, units = pool.reported, pool.reported.weight
    failed = intervals.unstable_steps < NEVER_FAILED
    deepest = max(
        int(intervals.stable_steps.max(initial=0)),
        int(intervals.unstable_steps[failed].max(initial=0)),
    )
    passed_at = np.bincount(intervals.stable_steps, weights=units, minlength=deepest + 2)
    failed_at = np.bincount(
        intervals.unstable_steps[failed], weights=units[failed], minlength=deepest + 2
    )
    # Stable at d: passed at d or deeper. Unstable at d: failed at d or shallower.
    stable = np.cumsum(passed_at[::-1])[::-1].astype(int)
    unstable = np.cumsum(failed_at).astype(int)
    return PeersByDepth(tuple((stable + unstable).tolist()), tuple(stable.tolist()))


NO_INTERVALS = GroupedIntervals(
    stable_steps=np.zeros(0, dtype=np.int64),
    unstable_steps=np.zeros(0, dtype=np.int64),
    weight=np.zeros(0),
)


LockedBy = Literal["documents", "reports"]
_MOST_OPEN: Final = 0.5
"""Lock reports say `locked` where the whole interval of the open share lies below this."""


@dataclass(frozen=True)
class EvidenceFound:
    """All evidence that an answer is computed from, with the control and the grid that it is in."""

    control: LimitControl
    """The control that was asked for, else that of the pool, else the usual one of the chip."""
    grid: Grid
    """The grid of the chip on this control."""
    factory_lock: FactoryLockAnswer
    """What is documented, compared with the lock reports."""
    is_ruled_out: bool = False
    """Whether the catalogue describes the chip and does not name this control on this domain."""
    notes: tuple[PublishedNote, ...] = ()
    """Notes of the catalogue and of curators on the chip and its series."""
    line: LineRow | None = None
    """None where no chip of the line has results."""
    pool: PoolFound | None = None
    own: PoolEvidence | None = None
    """Results of the chip itself; None without any."""
    related: RelatedChips = field(default_factory=RelatedChips)
    stock_line: StockLine | None = None
    """Stock voltage by clock, from results of the chip itself; for fixed_clock_voltage only."""
    related_chips: tuple[str, ...] = ()
    """Keys of the chips of the line that have results, those of the series first."""
    absences: tuple[Absence, ...] = ()
    """What the chip lacks of what was asked about; no evidence is read where that is certain."""
    peers: PeersByDepth | None = None
    """What senders are shown of the pool from now on; None where that stays as it is."""
    locks: LockShares | None = None
    """Lock reports on the control, of the domain that is least often open; None without reports."""
    locked_by: LockedBy | None = None
    """What says that the control is locked, so that nothing is borrowed; None where the results of
    three machines of the chip show an effect of it."""

    @property
    def absence_text(self) -> str | None:
        """What the chip lacks and what it has, if it has no results either; else None."""
        has_units = self.own is not None and self.own.units > 0
        return self.absences[0].text if self.absences and not has_units else None

    @property
    def siblings(self) -> Siblings:
        """What related chips lend."""
        return self.related.siblings

    @property
    def other_lines(self) -> int:
        """How many other lines lend; 0 where related chips do, or none does."""
        return len(self.siblings.all_chips)

    @property
    def has_results(self) -> bool:
        """Whether the chip itself has any."""
        return self.own is not None

    @property
    def guard(self) -> Guard:
        """What makes a start stricter: results that are excluded or count in part, and drift."""
        if self.own is None:
            return NO_GUARD
        return Guard(self.own.outlier_report.flagged_share, self.own.drift.found.is_drift)

    @property
    def intervals(self) -> GroupedIntervals:
        """The intervals of the chip itself, empty without results."""
        return NO_INTERVALS if self.own is None else self.own.intervals

    @property
    def clock_band_mhz(self) -> int | None:
        """Lower end of the clock band of the pool; None where its control has no clock."""
        return self.pool.key.clock_band_mhz or None if self.pool else None

    def domains_beside(self, domain: Domain) -> tuple[Domain, ...]:
        """The other domains that moved together with this one in the pool."""
        domains = () if self.pool is None else self.pool.key.rails
        return tuple(code for code in domains if code != domain)


def find_evidence(
    connection: Connection,
    question: Question,
    instance: Instance,
    *,
    with_all_siblings: bool = False,
    is_delayed: bool = False,
    what_if: WhatIf | None = None,
    memory: Memory | None = None,
) -> EvidenceFound:
    """The evidence for this question, where `is_delayed` without results of the day that wait.

    `what_if` is a decision of a curator that is taken as made. Siblings of a chip with many units
    are read only `with_all_siblings`. `memory` keeps what other chips lend; only with a connection
    of `Instance.reading`: a transaction that fails leaves a revision that comes again.
    """
    chip, catalogue = question.chip, instance.catalogue
    line = pools.find_line(connection, chip.line)
    standing = load_standing_in(connection, instance)
    kept = Memory() if memory is None else memory
    lenders = Lenders(connection, catalogue, standing, question.filters, is_delayed, kept)
    pool = None if line is None else _pool(line, question, lenders, what_if)
    base = _without_results(connection, question, line, pool, catalogue, standing)
    if any(absent.is_certain for absent in base.absences):
        return base
    own = None
    if pool is not None and pool.own is not None:
        asked = standing, floor_steps(base.control, base.grid), question.filters, what_if
        own = load_pool(connection, pool.own, *asked, is_delayed=is_delayed)
    related = _related(base, pool, question, lenders, own, is_wanted=with_all_siblings)
    if related.key is not None and (pool is None or pool.own is None):
        pool = PoolFound(related.key, None, (), ())
    return replace(
        base,
        pool=pool,
        own=own,
        related=related,
        stock_line=_stock_line(connection, chip.key, pool, what_if),
        related_chips=_relatives(connection, chip),
    )


def find_asked_pool(connection: Connection, question: Question, instance: Instance) -> int | None:
    """The number of the chip's own pool that a question is about; None without one.

    No results are read.
    """
    chip, catalogue = question.chip, instance.catalogue
    line = pools.find_line(connection, chip.line)
    if line is None or any(absent.is_certain for absent in _absences(question, catalogue)):
        return None
    wanted = _wanted(question, catalogue, question.control)
    found = find_pool(connection, line.id, chip, wanted)
    return None if found is None or found.own is None else found.own.id


def _without_results(
    connection: Connection,
    question: Question,
    line: LineRow | None,
    pool: PoolFound | None,
    catalogue: Catalogue,
    standing: Standing,
) -> EvidenceFound:
    """What is known apart from results: control, grid, lock reports, the catalogue and notes."""
    chip, control = question.chip, _control(question, pool, catalogue)
    about = question, pool, control, standing
    locks = None if line is None else _locks(connection, line.id, *about)
    presence = catalogue.control_presence(chip, control, question.domain)
    factory_lock = factory_lock_of(catalogue, chip, [locks] if locks else ())
    return EvidenceFound(
        control=control,
        grid=catalogue.grid_for(chip, control),
        line=line,
        factory_lock=factory_lock,
        is_ruled_out=catalogue.is_described(chip) and presence.state != "present",
        notes=published(notes_about(connection, catalogue, chip), catalogue),
        absences=_absences(question, catalogue),
        locks=locks,
        locked_by=_locked_by(factory_lock, locks, pool),
    )


def _locked_by(
    factory_lock: FactoryLockAnswer, locks: LockShares | None, pool: PoolFound | None
) -> LockedBy | None:
    """What says that a control is locked; None where machines of the chip show otherwise."""
    if pool is not None and pool.own is not None and pool.own.units >= FEWEST_REPORTS:
        return None
    if factory_lock.status == "locked":
        return None if factory_lock.is_contradicted else "documents"
    return "reports" if locks is not None and locks.open.high < _MOST_OPEN else None


def _absences(question: Question, catalogue: Catalogue) -> tuple[Absence, ...]:
    """What the chip lacks of that which the question names."""
    domains = (question.domain, *(question.moved_with or ()))
    return tuple(find_absences(catalogue, question.chip, domains, question.control))


def _wanted(question: Question, catalogue: Catalogue, control: LimitControl | None) -> PoolWanted:
    return PoolWanted(
        control=control,
        domain=question.domain,
        moved_with=question.moved_with,
        clock_band_mhz=catalogue.find_clock_band(question.chip, question.clock_mhz),
    )


def _pool(
    line: LineRow, question: Question, lenders: Lenders, what_if: WhatIf | None
) -> PoolFound | None:
    wanted = _wanted(question, lenders.catalogue, question.control)
    found = find_pool(lenders.connection, line.id, question.chip, wanted, what_if, lenders)
    check_time("pools of the line")
    return found


def _control(question: Question, pool: PoolFound | None, catalogue: Catalogue) -> LimitControl:
    if question.control is not None:
        return question.control
    if pool is not None:
        return pool.key.control
    return catalogue.usual_control(question.chip)


def known_among(
    connection: Connection, instance: Instance, contributors: Collection[int]
) -> NDArray[np.int64]:
    """Those of the contributors whom small cells count."""
    numbers = np.unique(np.array(list(contributors), dtype=np.int64))
    return load_standing_in(connection, instance).known(connection, numbers)


def load_standing_in(connection: Connection, instance: Instance) -> Standing:
    """Which contributors of the instance are established and known today."""
    return load_standing(connection, instance.today(), contributor_hash(instance.secret, None))


def find_with_peers(
    connection: Connection,
    question: Question,
    instance: Instance,
    *,
    with_all_siblings: bool = False,
    is_delayed: bool,
) -> EvidenceFound:
    """The evidence, once a day with the peers of the pool, without results that wait."""
    found = find_evidence(
        connection,
        question,
        instance,
        with_all_siblings=with_all_siblings,
        is_delayed=is_delayed,
        memory=instance.lent,
    )
    own = found.own
    if own is None or question.filters_response:
        return found
    if find_peers_day(connection, own.id) == instance.today():
        return found
    return replace(found, peers=peers_of(own.released))


def _related(
    base: EvidenceFound,
    pool: PoolFound | None,
    question: Question,
    lenders: Lenders,
    own: PoolEvidence | None,
    *,
    is_wanted: bool,
) -> RelatedChips:
    """What other chips lend; unless wanted, nothing to a chip with enough units of its own.

    All chips of its kind lend only where no related one does, and beside few units of its own.
    Nothing is borrowed for a locked control: others are open, or their results would not count.
    """
    if base.locked_by is not None:
        return RelatedChips()
    is_enough = own is not None and has_outgrown_siblings(own.intervals)
    related = RelatedChips()
    if pool is not None and (is_wanted or not is_enough):
        related = load_related(pool, lenders, own)
    has_few = own is None or informative(own.intervals).total_weight < FEW_OWN_UNITS
    if related.siblings != Siblings() or not has_few or base.is_ruled_out:
        return related
    line_id = None if base.line is None else base.line.id
    wanted = _wanted(question, lenders.catalogue, base.control)
    key = None if pool is None or pool.own is None else pool.key
    everywhere = load_all_chips(question.chip, line_id, wanted, key, lenders, own)
    return replace(everywhere, unused=related.unused)


def _relatives(connection: Connection, chip: ChipName) -> tuple[str, ...]:
    return tuple(pools.find_relatives(connection, chip.key, chip.series, chip.line))


def _stock_line(
    connection: Connection, chip_key: str, pool: PoolFound | None, what_if: WhatIf | None
) -> StockLine | None:
    if pool is None or pool.own is None or pool.key.control != "fixed_clock_voltage":
        return None
    points = load_stock_points(connection, chip_key, pool.key.domains, what_if)
    check_time("stock voltages")
    if not points:
        return None
    return fit_stock_line(
        np.array([point.clock_mhz for point in points]),
        np.array([point.stock_mv for point in points]),
    )


def _locks(
    connection: Connection,
    line_id: int,
    question: Question,
    pool: PoolFound | None,
    control: LimitControl,
    standing: Standing,
) -> LockShares | None:
    chip = question.chip
    domains = (question.domain,) if pool is None else pool.key.rails
    groups = load_lock_groups(connection, line_id)
    check_time("lock reports")
    reporters = find_reporters(connection, standing, groups)
    reported = reported_controls(groups, chip.key, chip.series)
    return least_open(
        lock_shares(groups, chip.key, chip.series, domain, control, reporters, in_parts=False)
        for domain in domains
        if (domain, control) in reported
    )


def outdated_by(found: EvidenceFound) -> OutdatedBy:
    """What outdates an answer from this evidence: any line, where other lines lend or may."""
    return OutdatedBy.ALL_LINES if found.related.follows_other_lines else OutdatedBy.OWN_LINE


def keep_findings(connection: Connection, found: EvidenceFound, instance: Instance) -> None:
    """Store the peers and the outliers of the chip's pool, for contributors and curators."""
    own = found.own
    if own is None:
        return
    stored_outliers = stored_outliers_of(own.outlier_report)
    save_outliers(connection, own.id, stored_outliers)
    if found.peers is not None:
        peers = found.peers
        save_peers(connection, own.id, instance.today(), peers.known, peers.stable)


@dataclass(frozen=True, slots=True)
class EvidenceSummary:
    """The evidence behind an answer: how many units, of which chips, and how reliable."""

    units: int
    """Units of the chip itself that are counted."""
    contributors: int | None
    """Contributors who sent these units; null where they are fewer than five."""
    borrowed_units: int
    """Units of related chips that the answer uses, 0 where it uses none."""
    related_chips_unused: int
    """Related chips with results that are not used. A used one has a series in the catalogue and
    ten units of five contributors, most of them established."""
    sibling_agreement: float | None
    """Share of related chips that would differ from the others as much as this chip, 0 to 1; null
    where no units are borrowed."""
    failures: int
    """Units of the chip itself that failed at some setting."""
    failures_at_first_setting: int | None
    """Units of the chip itself whose first setting failed: nothing shows how far before it their
    limit lies. It waits like percentiles; null where fewer than five known contributors have one.
    """
    untold_stops: float | None
    """Share of all counted units of the chip itself that never failed and state no planned end, 0
    to 1. They may have stopped because the next setting would have failed. It waits like
    percentiles; null where fewer than five known contributors have one."""
    units_unverified: int
    """Units of the chip itself without proof that their setting had an effect; not counted."""
    units_excluded: int
    """Results of the chip itself that screening excluded, plus units that the outlier check did."""
    mostly_new_contributors: bool
    """Whether new contributors together weigh more than the established ones, or none is."""
    drift_alarm: bool
    """Whether recent results differ from earlier ones beyond chance; /v1/longevity has details."""
    latest_month: str | None
    """Month of the latest counted measurement, as 2026-09; null without one."""
    optimality_gap: float
    """Upper bound on the log likelihood that a better fit could gain; near 0 is a good fit."""
    revision: str
    """Value of the answer's ETag: it changes when the answer does."""


@dataclass(frozen=True, slots=True)
class FilterDifference:
    """A filter whose values differ beyond chance, so that asking with it gives other numbers."""

    filter: FilterName
    """Name of the filter, as the query parameter of /v1/start."""
    p_value: float
    """Chance of a difference this large if the filter had no influence, corrected for the number of
    filters compared, 0 to 1."""
    values: tuple[FilterValue, ...]
    """The values that were compared, each of five known contributors or more."""
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
    """The counts behind an answer, and how good its fit is."""
    own = found.own
    released = None if own is None else own.released
    at_first = None if released is None else released.failures_at_first_setting.shown
    untold = None if released is None else _share_shown(released.untold_stops, released.units)
    return EvidenceSummary(
        units=0 if own is None else own.units,
        contributors=_contributors_shown(own),
        borrowed_units=round(borrowed_units),
        related_chips_unused=found.related.unused,
        sibling_agreement=round(agreement, 3) if borrowed_units > 0 else None,
        failures=0 if own is None else own.failures,
        failures_at_first_setting=at_first,
        untold_stops=untold,
        units_unverified=0 if own is None else own.unverified,
        units_excluded=0 if own is None else own.excluded,
        mostly_new_contributors=own is None
        or own.outlier_report.is_young
        or own.outlier_report.is_mostly_new,
        drift_alarm=own is not None and own.drift.found.is_drift,
        latest_month=None if own is None else own.latest_month,
        # Two digits: the rest is rounding of the fit.
        optimality_gap=float(f"{optimality_gap:.1e}"),
        revision="",
    )


def _contributors_shown(own: PoolEvidence | None) -> int | None:
    """How many sent the counted units that the filter admits."""
    if own is None:
        return None
    count = len(np.unique(own.asked.contributor[standing_flags(own.asked, own.outlier_report)]))
    return count if count >= FEWEST_SHOWN else None


def contributors_in(own: PoolEvidence | None) -> int:
    """How many contributors have a unit with a limit in the pool."""
    return 0 if own is None else len(np.unique(own.whole.contributor[own.whole.informative]))


def _share_shown(some: Cell, units: int) -> float | None:
    """The share of so many units with two digits; None where it would show few contributors."""
    return None if some.shown is None else round(some.shown / units, 2)


def differing_filters(found: EvidenceFound) -> tuple[FilterDifference, ...]:
    """The filters that make a difference in the chip's own pool, with all of its results."""
    own = found.own
    differences = (
        () if own is None else find_differences(own.whole, own.outlier_report, own.rows.known)
    )
    return tuple(
        FilterDifference(
            filter=one.filter,
            p_value=round(one.p_value, 4),
            values=one.values,
            text=difference_text(one.filter, one.values),
        )
        for one in differences
    )


def setting_of(control: str, grid: Grid, steps: int) -> float:
    """The setting at a depth, negative is lower: mV with two decimals, or whole counts."""
    # Adding zero turns -0.0, which stock would be, into 0.0.
    return (-grid.enter(steps) if control == "count_offset" else -grid.below_stock(steps)) + 0


def rounded_down(confidence: float) -> float:
    """A confidence with three digits, never more than was attained, nor 1.

    >>> rounded_down(0.95), rounded_down(0.9998)
    (0.95, 0.999)
    """
    # Without the small part 0.95 could come out as 0.949.
    return floor(1_000 * confidence + 1e-6) / 1_000


def percentile_of(control: str, grid: Grid, depth: ShareDepth) -> Percentile:
    """A percentile with its interval, in the unit of the control."""
    in_counts = control == "count_offset"
    setting = setting_of(control, grid, depth.steps)
    return Percentile(
        share=depth.share,
        setting_mv=None if in_counts else setting,
        setting_counts=int(setting) if in_counts else None,
        interval=(setting_of(control, grid, depth.deep), setting_of(control, grid, depth.shallow)),
        attained_confidence=rounded_down(depth.confidence),
    )
