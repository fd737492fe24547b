"""The start of a pool as a host sees it: now, and after a change."""

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection

from kbapi.advice.evidence_found import EvidenceFound, find_evidence
from kbapi.advice.start.answer import NoStartReason, StartAnswer, SuggestedStart, start_answer
from kbapi.advice.start.query import Question, parse_question
from kbapi.bounds import CLOCK_LEAST_MHZ
from kbapi.chips.catalogue import Catalogue
from kbapi.errors import QueryInvalid
from kbapi.instance.instance import Instance
from kbapi.storage.pools import PoolSize
from kbapi.vocabulary import Domain, LimitControl


@dataclass(frozen=True, slots=True)
class PoolName:
    """A pool: results of a chip that are counted together."""

    chip: str
    """Catalogue key of the chip."""
    domain: Domain
    """The first of the domains that moved together."""
    control: LimitControl
    """The control of these results."""
    moved_with: tuple[Domain, ...]
    """The other domains that moved together with it; empty for the domain alone."""
    clock_band_mhz: int | None
    """Lower end of the clock band in MHz, with fixed_clock_voltage; else null."""


def name_of(pool: PoolSize) -> PoolName:
    """The name of a stored pool."""
    first, *others = pool.key.rails
    band = pool.key.clock_band_mhz or None
    return PoolName(pool.chip_key, first, pool.key.control, tuple(others), band)


def question_about(
    pool: PoolName, catalogue: Catalogue, clock_mhz: float | None = None, detail: str = "start"
) -> Question | None:
    """The question that this pool answers; None if the catalogue does not know the chip."""
    asked = {
        "chip": pool.chip,
        "domain": pool.domain,
        "control": pool.control,
        "moved_with": ",".join(pool.moved_with),
        "detail": detail,
    }
    if pool.control == "fixed_clock_voltage":
        asked["clock_mhz"] = f"{clock_mhz or max(pool.clock_band_mhz or 0, CLOCK_LEAST_MHZ)}"
    try:
        return parse_question({name: [value] for name, value in asked.items()}, catalogue)
    except QueryInvalid:
        return None


@dataclass(frozen=True, slots=True)
class StartOutcome:
    """The start that a pool gives, or why it gives none."""

    start: SuggestedStart | None
    """The suggested first setting; null where `reason` says why there is none."""
    reason: NoStartReason | None
    """Why there is no start; null where there is one."""
    units: int
    """Units in the pool."""
    failures: int
    """How many of them have failed at some setting."""


def outcome_of(answer: StartAnswer) -> StartOutcome:
    """The start of an answer, with the units behind it."""
    evidence = answer.evidence
    return StartOutcome(answer.start, answer.reason, evidence.units, evidence.failures)


@dataclass(frozen=True, slots=True)
class StartChange:
    """The start of one pool before and after a change."""

    pool: PoolName
    """The pool."""
    before: StartOutcome
    """Its start before the change."""
    after: StartOutcome
    """Its start after the change."""


Found = dict[PoolName, tuple[Question, EvidenceFound]]
"""The evidence of pools, by their names."""


def find_pools(connection: Connection, instance: Instance, pools: Iterable[PoolName]) -> Found:
    """The present evidence of these pools, those of unknown chips left out."""
    asked = {pool: question_about(pool, instance.catalogue) for pool in pools}
    return {
        pool: (question, find_evidence(connection, question, instance))
        for pool, question in asked.items()
        if question is not None
    }


def changes_between(before: Found, after: Found) -> tuple[StartChange, ...]:
    """The start of each pool before and after a change, in the order of the pools."""
    return tuple(
        StartChange(pool, _outcome(before[pool]), _outcome(after[pool]))
        for pool in before
        if pool in after
    )


def _outcome(found: tuple[Question, EvidenceFound]) -> StartOutcome:
    return outcome_of(start_answer(*found))
