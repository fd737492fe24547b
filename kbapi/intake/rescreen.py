"""Stored results are screened again under new rules or a new chip grammar."""

from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

import orjson
from sqlalchemy import Connection

from kbapi.chips.naming import identify_chip
from kbapi.documents.personal_data import CODE
from kbapi.documents.reader import JsonReading, ReadDocument, read_document
from kbapi.errors import DocumentRefused, Problem, StorageBusy, StorageUnwritable
from kbapi.evidence.pools import OutlierComparison, compare_outliers
from kbapi.evidence.units import standing_on
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.intake.result_rows import new_setting, rows_of_locks, rows_of_readings
from kbapi.intake.screening import REFUSED_BY_CURRENT_RULES
from kbapi.intake.submit import document_hash, screen
from kbapi.storage import answers, pools, rescreening, results
from kbapi.storage import results as results_rows
from kbapi.storage.answers import save_outliers
from kbapi.storage.contributors import drop_unit_if_unused
from kbapi.storage.pools import PoolSize, StoredChip, drop_unused_places, load_all_pools
from kbapi.storage.results import StoredSubmission
from kbapi.storage.schema import count_older, has_older, load_mark, save_mark
from kbapi.storage.sqlite.whole_file import Progress, no_progress
from kbapi.versions import RULES_VERSION

_AT_ONCE: Final = 500
"""Results of one transaction: readers and writers go on between two of them."""


def rescreen(instance: Instance, progress: Progress = no_progress) -> int:
    """How many stored results were screened again; those under the current rules are not.

    A result that the current rules refuse is kept and excluded. Personal data that is found now is
    removed from the stored document. After an interruption, the next call continues.
    """
    done, total = 0, count_older(instance.settings.database_at, RULES_VERSION)
    while True:
        with instance.writing() as connection:
            ids = rescreening.find_screened_before(connection, RULES_VERSION, _AT_ONCE)
            for submission_id in ids:
                _rescreen_one(instance, connection, submission_id)
            if len(ids) < _AT_ONCE:
                save_mark(connection, RULES_VERSION)
        done += len(ids)
        progress("results screened again", done, max(done, total))
        if len(ids) < _AT_ONCE:
            return done


def is_rescreening_due(instance: Instance) -> bool:
    """Whether results were screened by earlier rules than this program's.

    The database stores the answer, so that the next call need not read every result; a database
    that accepts no writes keeps its old one.
    """
    is_due = instance.is_rescreening_due()
    with instance.reading() as connection:
        mark = load_mark(connection)
    right = min(mark, RULES_VERSION - 1) if is_due else RULES_VERSION
    if mark != right:
        with suppress(StorageBusy, StorageUnwritable), instance.writing() as connection:
            # Another host may have stored a result by older rules since then.
            if is_due or not has_older(connection, RULES_VERSION):
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
        _remove_personal_data(connection, stored, reading, refused.problems)
    else:
        again = screened_again(instance, stored, document)
        placed = stored
        if not stored.has_unit_token:
            sent = document_hash(instance, stored.contributor_hash, document)
            placed = rescreening.join_equal_documents(connection, stored, sent)
        places = rescreening.replace_screening(connection, placed, again)
        if placed is not stored:
            drop_unit_if_unused(connection, stored.unit)
    drop_unused_places(connection, places)
    answers.outdate_answers_of_line(connection, stored.line_id)


def screened_again(
    instance: Instance, stored: StoredSubmission, document: ReadDocument
) -> rescreening.Rescreened:
    """The rows of a stored document under the current rules, on the grids of its chip."""
    return rescreening.Rescreened(
        settings=tuple(new_setting(instance, document, one) for one in screen(instance, document)),
        locks=rows_of_locks(document.result, stored.measured_month),
        readings=rows_of_readings(document.result),
        reading_ignored=orjson.dumps(document.ignored).decode(),
        chip_conflict=document.chip_conflict or "",
        rules_version=RULES_VERSION,
    )


def _remove_personal_data(
    connection: Connection,
    stored: StoredSubmission,
    reading: JsonReading,
    problems: Iterable[Problem],
) -> None:
    """Remove personal data from the stored document, with its field."""
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
    """A new outlier check of a pool and the stored one; `keep` stores the new one.

    One transaction. None where the current grammar does not read the chip's key.
    """
    standing = standing_on(instance.today(), contributor_hash(instance.secret, None))
    with instance.writing() if keep else instance.reading() as connection:
        found = compare_outliers(connection, pool, instance.catalogue, standing)
        if keep and found is not None:
            save_outliers(connection, pool.id, found.now)
    return found


def check_pools(instance: Instance, progress: Progress = no_progress) -> int:
    """In how many pools other units or contributors are excluded now than was stored.

    The outcomes are stored for senders and curators, each pool in a transaction of its own.
    """
    with instance.reading() as connection:
        every = load_all_pools(connection)
    changed = 0
    for done, pool in enumerate(every, start=1):
        found = find_outliers(instance, pool, keep=False)
        if found is not None and found.has_changed:
            # Few pools change, and each of the others would cost a flush of the disk.
            find_outliers(instance, pool, keep=True)
            changed += 1
        progress("pools checked for outliers", done, len(every))
    return changed


@dataclass(frozen=True, slots=True)
class Move:
    """Results that are stored under one chip and belong to another."""

    from_key: str
    to_key: str
    results: int


@dataclass(frozen=True, slots=True)
class Placed:
    """A chip with another name, series or line by the current grammar."""

    key: str
    from_series: str
    to_series: str


@dataclass(frozen=True, slots=True)
class Reread:
    """What reading the chips again found, and whether it was applied."""

    results: int
    moves: tuple[Move, ...]
    placed: tuple[Placed, ...]
    unclear: int
    """Results that the current grammar or rules cannot read: they stay unchanged."""
    is_applied: bool


def reread_chips(
    instance: Instance, *, is_applied: bool, report: Callable[[int], None] = lambda _: None
) -> Reread:
    """How grammar and catalogue now read every stored chip; applied only if `is_applied`.

    Each result moves with its evidence, some hundreds in one transaction. `report` is called with
    the number of results read so far.
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
        results += len(ids)
        report(results)
        if len(ids) < _AT_ONCE:
            break
        last = ids[-1]
    placed = _place_again(instance, is_applied=is_applied)
    moved = tuple(Move(*pair, number) for pair, number in sorted(moves.items()))
    return Reread(results, moved, placed, unclear, is_applied)


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
    drop_unused_places(connection, places)
    for line_id in {stored.line_id, row.line_id}:
        answers.outdate_answers_of_line(connection, line_id)
    pools.drop_chip_if_unused(connection, stored.chip_id, stored.line_id)


def _read(instance: Instance, stored: StoredSubmission) -> ReadDocument | None:
    """The stored document; None where the current rules refuse it, as rescreening reports."""
    reading = JsonReading(orjson.loads(stored.document), ())
    try:
        return read_document(reading, f"{instance.today():%Y-%m}", instance.catalogue)
    except DocumentRefused:
        return None


def _place_again(instance: Instance, *, is_applied: bool) -> tuple[Placed, ...]:
    """Chips that their name now places in another series or line."""
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
