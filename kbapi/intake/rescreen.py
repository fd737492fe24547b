"""Stored results are screened again under new rules or a new chip grammar."""

from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

import orjson
from sqlalchemy import Connection

from kbapi.chips.naming import GRAMMAR_VERSION, identify_chip
from kbapi.documents.personal_data import CODE
from kbapi.documents.reader import JsonReading, ReadDocument, read_document
from kbapi.errors import DocumentRefused, Problem, StorageBusy, StorageUnwritable
from kbapi.evidence.pool_updates import book_evidence
from kbapi.evidence.pools import OutlierComparison, compare_outliers
from kbapi.evidence.units import standing_on
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.intake.result_rows import new_setting, rows_of_locks, rows_of_readings
from kbapi.intake.screening import REFUSED_BY_CURRENT_RULES
from kbapi.intake.submit import screen
from kbapi.storage import answers, pools, rescreening, results
from kbapi.storage import results as results_rows
from kbapi.storage.outliers import save_outliers
from kbapi.storage.pools import PoolSize, StoredChip, drop_unused_places
from kbapi.storage.results import StoredSubmission
from kbapi.storage.sqlite.schema import load_mark, save_mark
from kbapi.versions import RULES_VERSION

_AT_ONCE: Final = 500
"""Results of one transaction: readers and writers go on between two of them."""


def rescreen(instance: Instance) -> int:
    """How many stored results were screened again; those under today's rules are left alone.

    A result that would be refused today is kept and set aside. What identifies somebody is taken
    out of the stored document, because it should never have been kept. Stopped half-way, the
    next call goes on.
    """
    done = 0
    while True:
        with instance.writing() as connection:
            ids = rescreening.find_screened_before(connection, RULES_VERSION, _AT_ONCE)
            for submission_id in ids:
                _rescreen_one(instance, connection, submission_id)
            if len(ids) < _AT_ONCE:
                save_mark(connection, RULES_VERSION)
        done += len(ids)
        if len(ids) < _AT_ONCE:
            return done


def is_rescreening_due(instance: Instance) -> bool:
    """Whether results stand under earlier rules than this program's.

    The answer is noted in the database where it says otherwise, so that the next who asks need not
    look at every result; that of one that takes no writes stays as it is.
    """
    is_due = instance.rules.has_older()
    with instance.reading() as connection:
        mark = load_mark(connection)
    right = min(mark, RULES_VERSION - 1) if is_due else RULES_VERSION
    if mark != right:
        with suppress(StorageBusy, StorageUnwritable), instance.writing() as connection:
            save_mark(connection, right)
    return is_due


def _rescreen_one(instance: Instance, connection: Connection, submission_id: int) -> None:
    stored = results.load_submission(connection, submission_id)
    reading = JsonReading(orjson.loads(stored.document), ())
    try:
        document = read_document(reading, f"{instance.today():%Y-%m}", instance.catalogue)
    except DocumentRefused as refused:
        places = rescreening.exclude_all(
            connection, stored.id, orjson.dumps([REFUSED_BY_CURRENT_RULES]).decode(), RULES_VERSION
        )
        _forget_identities(connection, stored, reading, refused.problems)
    else:
        again = screened_again(instance, stored, document)
        places = rescreening.replace_screening(connection, stored, again)
    book_evidence(connection, places, stored.unit.contributor_id)
    drop_unused_places(connection, places)
    answers.outdate_answers_of_line(connection, stored.line_id)


def screened_again(
    instance: Instance, stored: StoredSubmission, document: ReadDocument
) -> rescreening.Rescreened:
    """The rows of a stored document under today's rules, on the grids of the chip it is about."""
    return rescreening.Rescreened(
        settings=tuple(new_setting(instance, document, one) for one in screen(instance, document)),
        locks=rows_of_locks(document.result, stored.measured_month),
        readings=rows_of_readings(document.result),
        reading_ignored=orjson.dumps(document.ignored).decode(),
        chip_conflict=document.chip_conflict or "",
        rules_version=RULES_VERSION,
    )


def _forget_identities(
    connection: Connection,
    stored: StoredSubmission,
    reading: JsonReading,
    problems: Iterable[Problem],
) -> None:
    """Take what the scrubber found out of the stored document, its field with it."""
    document = reading.value
    for pointer in {problem.pointer for problem in problems if problem.code == CODE}:
        *parents, name = pointer.split("/")[1:] or [""]
        holder = document
        for part in parents:
            holder = holder[int(part)] if isinstance(holder, list) else holder[part]
        if isinstance(holder, dict):
            holder.pop(name, None)
    results.replace_document(connection, stored.id, orjson.dumps(document).decode())


def find_outliers(instance: Instance, pool: PoolSize, *, keep: bool) -> OutlierComparison | None:
    """What checking a pool for outliers finds today beside what is stored; `keep` stores it.

    One transaction. None where today's grammar does not know the chip's key.
    """
    standing = standing_on(instance.today(), contributor_hash(instance.secret, None))
    with instance.writing() if keep else instance.reading() as connection:
        found = compare_outliers(connection, pool, instance.catalogue, standing)
        if keep and found is not None:
            save_outliers(connection, pool.id, found.now, instance.today(), RULES_VERSION)
    return found


@dataclass(frozen=True, slots=True)
class Move:
    """Results that were booked to one chip and are about another."""

    from_key: str
    to_key: str
    results: int


@dataclass(frozen=True, slots=True)
class Placed:
    """A chip whose name, series or line is read differently now."""

    key: str
    from_series: str
    to_series: str


@dataclass(frozen=True, slots=True)
class Reread:
    """What reading again found, and whether it was carried out."""

    results: int
    moves: tuple[Move, ...]
    placed: tuple[Placed, ...]
    unclear: int
    """Results that today's grammar or rules can't read: they stay where they are."""
    is_applied: bool


def reread_chips(
    instance: Instance, *, is_applied: bool, tell: Callable[[int], None] = lambda _: None
) -> Reread:
    """What today's grammar and catalogue make of every stored chip; moved only if `is_applied`.

    Each result moves with its evidence in one transaction of a few hundred. `tell` is called with
    how many results were read so far.
    """
    moves: Counter[tuple[str, str]] = Counter()
    results = unclear = last = 0
    while True:
        opened = instance.writing() if is_applied else instance.reading()
        with opened as connection:
            ids = rescreening.find_ids_after(connection, last, _AT_ONCE)
            for submission_id in ids:
                stored = results_rows.load_submission(connection, submission_id)
                document = _read(instance, stored)
                unclear += document is None
                if document is None:
                    continue
                if document.chip.key != stored.chip_key:
                    moves[stored.chip_key, document.chip.key] += 1
                    if is_applied:
                        _move(instance, connection, stored, document)
                if is_applied:
                    rescreening.note_grammar(connection, stored.id, GRAMMAR_VERSION)
        results += len(ids)
        tell(results)
        if len(ids) < _AT_ONCE:
            break
        last = ids[-1]
    placed = _place_again(instance, is_applied=is_applied)
    told = tuple(Move(*pair, number) for pair, number in sorted(moves.items()))
    return Reread(results, told, placed, unclear, is_applied)


def _move(
    instance: Instance,
    connection: Connection,
    stored: StoredSubmission,
    document: ReadDocument,
) -> None:
    chip = document.chip
    row = pools.find_chip(connection, chip.key) or pools.add_chip(
        connection,
        key=chip.key,
        name=chip.name,
        kind=chip.kind,
        series=chip.series,
        line=chip.line,
    )
    again = screened_again(instance, stored, document)
    places = rescreening.move_to_chip(connection, stored, row.id, again)
    book_evidence(connection, places, stored.unit.contributor_id)
    drop_unused_places(connection, places)
    for line_id in {stored.line_id, row.line_id}:
        answers.outdate_answers_of_line(connection, line_id)
    pools.drop_chip_if_unused(connection, stored.chip_id, stored.line_id)


def _read(instance: Instance, stored: StoredSubmission) -> ReadDocument | None:
    """The stored document; None where today's rules would refuse it, which rescreening tells."""
    reading = JsonReading(orjson.loads(stored.document), ())
    try:
        return read_document(reading, f"{instance.today():%Y-%m}", instance.catalogue)
    except DocumentRefused:
        return None


def _place_again(instance: Instance, *, is_applied: bool) -> tuple[Placed, ...]:
    """Chips whose own name puts them into another series or line than it did."""
    placed = []
    opened = instance.writing() if is_applied else instance.reading()
    with opened as connection:
        for stored in pools.load_chips(connection):
            chip = identify_chip(stored.key).chip
            if chip is None:
                continue
            now = instance.catalogue.placed(chip)
            again = StoredChip(now.key, now.name, now.kind, now.series, now.line)
            if again == stored:
                continue
            placed.append(Placed(stored.key, stored.series, again.series))
            if is_applied:
                _place(connection, stored, again)
    return tuple(placed)


def _place(connection: Connection, before: StoredChip, again: StoredChip) -> None:
    old = pools.find_line(connection, before.line)
    pools.replace_chip(connection, again)
    new = pools.find_line(connection, again.line)
    for line in {row.id for row in (old, new) if row is not None}:
        answers.outdate_answers_of_line(connection, line)
    if old is not None:
        pools.drop_line_if_unused(connection, old.id)
