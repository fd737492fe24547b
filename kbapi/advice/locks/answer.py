"""What a platform allows: lock status by control and domain, notes, and alternatives."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from kbapi.advice.cautions import Caution, cautions_about_locks
from kbapi.advice.documented import (
    FactoryLockAnswer,
    PublishedNote,
    factory_lock_of,
    notes_about,
    published,
)
from kbapi.advice.evidence_found import load_standing_in
from kbapi.advice.locks import text as lock_text
from kbapi.advice.locks.query import LockQuestion
from kbapi.advice.locks.shares import ControlLocks, control_response, in_short, suggests_lock
from kbapi.advice.phrases import nothing_for
from kbapi.advice.stored_answers import answer_once
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipSummary
from kbapi.documents.refusal_rules import find_absences
from kbapi.evidence.lock_differences import LockDifferences, find_lock_differences
from kbapi.evidence.locks import (
    LockReporters,
    LockShares,
    find_reporters,
    lock_shares,
    reported_controls,
)
from kbapi.instance.instance import Instance
from kbapi.stats.estimate.siblings import Level
from kbapi.storage import pools
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.locks import LockGroup, TriedLock, load_lock_groups, load_tried_locks
from kbapi.storage.notes import Note
from kbapi.storage.pools import LineRow
from kbapi.time_budget import check_time
from kbapi.vocabulary import Control, Domain

_MOSTLY: Final = 0.5
"""A control that is open on a smaller share of machines is mostly locked."""


@dataclass(frozen=True, slots=True)
class LocksAnswer:
    """Which controls of a chip can be used, on which platforms, and what is known about it."""

    chip: ChipSummary
    """The chip that was asked about."""
    machine: str | None
    """The machine class that was asked for; null for all."""
    firmware_month: str | None
    """The firmware month that was asked for, as 2026-03; null for all."""
    factory_lock: FactoryLockAnswer
    """What is documented about the series, beside what was reported."""
    locks: tuple[ControlLocks, ...]
    """What is known, one entry for each domain and control with reports."""
    alternatives: tuple[str, ...]
    """What can be done without voltage control; empty where nothing suggests a lock."""
    absent_text: str | None
    """Which domain or control of the question the chip lacks, and what it has; null otherwise."""
    withheld_text: str | None
    """What is withheld, and from how many machines on it is shown; null where nothing is."""
    notes: tuple[PublishedNote, ...]
    """Notes on the chip, its series or its machine classes, of the catalogue and of curators."""
    revision: str
    """Value of the answer's ETag: it changes when the answer does."""
    summary: str
    """The answer in one or two sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""


@dataclass(frozen=True)
class LocksFound:
    """All evidence that an answer about locks is computed from."""

    line: LineRow | None
    has_results: bool
    groups: list[LockGroup]
    tried: list[TriedLock]
    """Reports of the chip itself by people who wrote a value and read it back."""
    reporters: LockReporters
    """The standing of everyone who reported on the chip or its line."""
    notes: list[Note]
    absent_text: str | None
    """What the chip lacks of the question, and what it has."""


def advise_locks(instance: Instance, question: LockQuestion) -> AnswerBytes:
    """What the platform allows, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """

    def find(connection: Connection) -> LocksFound:
        return _find_locks(connection, instance, question)

    def compute(found: LocksFound) -> LocksAnswer:
        return _locks_answer(question, found, instance.catalogue)

    texts = {"machine": question.machine} if question.machine else {}
    return answer_once(instance, "locks", question, find, compute, texts=texts)


def _find_locks(connection: Connection, instance: Instance, question: LockQuestion) -> LocksFound:
    chip = question.chip
    line = pools.find_line(connection, chip.line)
    filters = question.machine, question.firmware_month
    groups: list[LockGroup] = []
    tried: list[TriedLock] = []
    if line is not None:
        groups = load_lock_groups(connection, line.id, *filters)
        check_time("lock reports")
        tried = load_tried_locks(connection, chip.key, *filters)
    own = [group for group in groups if group.chip_key == chip.key]
    machines = sorted({group.machine for group in own} | {question.machine})
    return LocksFound(
        line=line,
        has_results=bool(own),
        groups=groups,
        tried=tried,
        reporters=find_reporters(connection, load_standing_in(connection, instance), groups),
        notes=notes_about(connection, instance.catalogue, chip, machines),
        absent_text=_absent_text(question, instance.catalogue),
    )


def _absent_text(question: LockQuestion, catalogue: Catalogue) -> str | None:
    domains = (question.domain,) if question.domain else ()
    absent = find_absences(catalogue, question.chip, domains, question.control or None)
    return next((one.text for one in absent), None)


def _locks_answer(question: LockQuestion, found: LocksFound, catalogue: Catalogue) -> LocksAnswer:
    chip, shares = question.chip, _shares(question, found)
    # A few machines behind a filter would be recognised by what their reports contradict.
    compared = () if _is_filtered(question) else shares
    factory_lock = factory_lock_of(catalogue, chip, compared)
    locks = _responses(question, found, shares)
    return LocksAnswer(
        chip=chip.summary,
        machine=question.machine or None,
        firmware_month=question.firmware_month or None,
        factory_lock=factory_lock,
        locks=locks,
        alternatives=lock_text.alternatives(chip.kind)
        if not locks or any(map(suggests_lock, locks))
        else (),
        absent_text=found.absent_text,
        withheld_text=lock_text.withheld_locks(
            sum(one.withheld_groups for one in locks),
            is_empty=not locks,
            is_filtered=_is_filtered(question),
        ),
        notes=published((n for n in found.notes if _concerns(n, question)), catalogue),
        revision="",
        summary=_summary(question, found, locks, factory_lock),
        cautions=cautions_about_locks(
            [change.value for one in locks for change in one.changes],
            is_mostly_locked=factory_lock.status == "locked"
            or any(one.share_open < _MOSTLY for one in locks),
        ),
    )


def _summary(
    question: LockQuestion,
    found: LocksFound,
    locks: tuple[ControlLocks, ...],
    factory_lock: FactoryLockAnswer,
) -> str:
    if found.absent_text and not locks:
        return nothing_for("reports", found.absent_text)
    return lock_text.summary_of_locks(
        question.chip.name,
        [in_short(one) for one in locks],
        factory_lock.in_short,
        is_filtered=_is_filtered(question),
    )


def _shares(question: LockQuestion, found: LocksFound) -> list[LockShares]:
    chip = question.chip
    shares = [
        lock_shares(found.groups, chip.key, chip.series, domain, control, found.reporters)
        for domain, control in _matching_controls(question, found)
    ]
    check_time("shares of locks")
    # Related chips with few reports lend nothing: then no report is about this chip.
    return [one for one in shares if one.level is not Level.NONE]


def _responses(
    question: LockQuestion, found: LocksFound, shares: list[LockShares]
) -> tuple[ControlLocks, ...]:
    return tuple(
        control_response(
            one.without_small_cells() if _is_filtered(question) else one,
            _differences(one, found),
        )
        for one in shares
        if not _has_too_few_units(one, question)
    )


def _differences(shares: LockShares, found: LocksFound) -> LockDifferences:
    place = (shares.domain, shares.control)
    reports = (report for report in found.tried if (report.domain, report.control) == place)
    return find_lock_differences(reports, shares.open.share, found.reporters)


def _has_too_few_units(shares: LockShares, question: LockQuestion) -> bool:
    """Whether a filter leaves so few contributors that a person could be recognised."""
    return _is_filtered(question) and shares.level == "chip" and shares.whole.is_small


def _is_filtered(question: LockQuestion) -> bool:
    return bool(question.machine or question.firmware_month)


def _matching_controls(question: LockQuestion, found: LocksFound) -> list[tuple[Domain, Control]]:
    reported = reported_controls(found.groups, question.chip.key, question.chip.series)
    return [
        (domain, control)
        for domain, control in reported
        if question.domain in ("", domain) and question.control in ("", control)
    ]


def _concerns(note: Note, question: LockQuestion) -> bool:
    return all(
        "" in (noted, asked) or noted == asked
        for noted, asked in ((note.domain, question.domain), (note.control, question.control))
    )
