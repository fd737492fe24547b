"""What a question meets in the database: the pool, its relatives, and the line's revision."""

from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection

from kbapi.advice.peers import peers_of
from kbapi.advice.question import Question
from kbapi.chips.catalogue import Catalogue
from kbapi.evidence.locks import LockShares, least_open, lock_shares
from kbapi.evidence.pools import (
    PoolEvidence,
    PoolFound,
    PoolWanted,
    find_pool,
    load_pool,
)
from kbapi.evidence.related import floor_steps, load_siblings
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN
from kbapi.evidence.supposition import Supposition, word_of
from kbapi.evidence.units import UNITS_OF_FULL_WEIGHT, Standing, standing_on
from kbapi.evidence.verdicts import verdicts_of
from kbapi.stats.guard import NO_GUARD, Guard
from kbapi.stats.interval import GroupedIntervals
from kbapi.stats.pool import has_outgrown_siblings
from kbapi.stats.siblings import Siblings
from kbapi.stats.stock_line import StockLine, fit_stock_line
from kbapi.storage import chip_rows
from kbapi.storage.answers import save_peers
from kbapi.storage.chip_rows import LineRow
from kbapi.storage.instance import Instance
from kbapi.storage.judging_rows import save_verdicts
from kbapi.storage.lock_reports import load_lock_groups
from kbapi.storage.pool_rows import PoolSize, load_stock_points
from kbapi.storage.secret import contributor_hash
from kbapi.versions import RULES_VERSION
from kbapi.vocabulary import LIMIT_CONTROLS, LimitControl

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
        return Guard(self.own.judgement.flagged_share, self.own.drift.found.is_drift)

    @property
    def intervals(self) -> GroupedIntervals:
        """The chip's own evidence, empty where it has none."""
        return NO_INTERVALS if self.own is None else self.own.intervals

    @property
    def revision(self) -> str:
        """The line's revision, as answers tell it."""
        return chip_rows.revision_told(self.line)


def find_evidence(
    connection: Connection,
    question: Question,
    instance: Instance,
    *,
    hears_all: bool = False,
    supposed: Supposition | None = None,
) -> EvidenceFound:
    """What stands in the database for this question, judged today, or would if it were `supposed`.

    Siblings are not read where the chip has long outgrown them, unless `hears_all`.
    """
    chip, catalogue = question.chip, instance.catalogue
    line = chip_rows.find_line(connection, chip.line)
    if line is None:
        return EvidenceFound(None, None, None, Siblings(), None, (), is_filtered=False, locks=None)
    wanted = PoolWanted(
        control=question.control,
        domain=question.domain,
        moved_with=question.moved_with,
        clock_band_mhz=catalogue.find_clock_band(chip, question.clock_mhz),
    )
    pool = find_pool(connection, line.id, chip, wanted, supposed)
    standing = standing_on(instance.today(), contributor_hash(instance.secret, None))
    own = None
    if pool is not None and pool.own is not None:
        own = _own(connection, pool.own, question, catalogue, standing, supposed)
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
        stock_line=_stock_line(connection, chip.key, pool, supposed),
        nearest=tuple(chip_rows.find_relatives(connection, chip.key, chip.series, chip.line)),
        is_filtered=bool(question.filters_told),
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
    verdicts = verdicts_of(own.judgement)
    save_verdicts(connection, own.id, verdicts, instance.today(), RULES_VERSION)
    if not found.is_filtered:
        spread = peers_of(own)
        save_peers(connection, own.id, spread.known, spread.stable)


def _own(
    connection: Connection,
    pool: PoolSize,
    question: Question,
    catalogue: Catalogue,
    standing: Standing,
    supposed: Supposition | None,
) -> PoolEvidence | None:
    """The chip's own evidence; None where a filter leaves so few units that they could be known."""
    grid = catalogue.grid_for(question.chip, pool.key.control)
    floor = floor_steps(pool.key.control, grid)
    own = load_pool(connection, pool, standing, floor, question.filters, supposed)
    return None if question.filters_told and own.units < FEWEST_UNITS_SHOWN else own


def _stock_line(
    connection: Connection, chip_key: str, pool: PoolFound | None, supposed: Supposition | None
) -> StockLine | None:
    if pool is None or pool.own is None or pool.key.control != "fixed_clock_voltage":
        return None
    points = load_stock_points(connection, chip_key, pool.key.domains, word_of(supposed))
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
