"""Stored chip texts read again: a better grammar moves results to the chip that they are about."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import orjson
from sqlalchemy import Connection

from kbapi.chips.names import GRAMMAR_VERSION, identify_chip
from kbapi.errors import DocumentRefused
from kbapi.evidence.book import book_evidence
from kbapi.intake.json_text import JsonReading
from kbapi.intake.reader import ReadDocument, read_document
from kbapi.intake.rescreen import screened_again
from kbapi.storage import answers, chip_rows, read_again, submissions
from kbapi.storage.chip_rows import StoredChip
from kbapi.storage.instance import Instance
from kbapi.storage.places import drop_unused_places
from kbapi.storage.submissions import StoredSubmission

_AT_ONCE: Final = 500


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
            ids = read_again.find_ids_after(connection, last, _AT_ONCE)
            for submission_id in ids:
                stored = submissions.load_submission(connection, submission_id)
                document = _read(instance, stored)
                unclear += document is None
                if document is None:
                    continue
                if document.chip.key != stored.chip_key:
                    moves[stored.chip_key, document.chip.key] += 1
                    if is_applied:
                        _move(instance, connection, stored, document)
                if is_applied:
                    read_again.note_grammar(connection, stored.id, GRAMMAR_VERSION)
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
    row = chip_rows.find_chip(connection, chip.key) or chip_rows.add_chip(
        connection,
        key=chip.key,
        name=chip.name,
        kind=chip.kind,
        series=chip.series,
        line=chip.line,
    )
    again = screened_again(instance, stored, document)
    places = read_again.move_to_chip(connection, stored, row.id, again)
    book_evidence(connection, places, stored.unit.contributor_id)
    drop_unused_places(connection, places)
    for line_id in {stored.line_id, row.line_id}:
        answers.outdate_answers_of_line(connection, line_id)
    chip_rows.drop_chip_if_unused(connection, stored.chip_id, stored.line_id)


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
        for stored in chip_rows.load_chips(connection):
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
    old = chip_rows.find_line(connection, before.line)
    chip_rows.replace_chip(connection, again)
    new = chip_rows.find_line(connection, again.line)
    for line in {row.id for row in (old, new) if row is not None}:
        answers.outdate_answers_of_line(connection, line)
    if old is not None:
        chip_rows.drop_line_if_unused(connection, old.id)
