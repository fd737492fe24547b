"""Results stored under earlier rules, screened again under today's."""

from collections.abc import Iterable
from contextlib import suppress
from typing import Final

import orjson
from sqlalchemy import Connection

from kbapi.errors import DocumentRefused, Problem, StorageBusy, StorageUnwritable
from kbapi.evidence.book import book_evidence
from kbapi.evidence.units import standing_on
from kbapi.evidence.verdicts import Rejudged, rejudge_pool
from kbapi.intake.json_text import JsonReading
from kbapi.intake.new_rows import new_setting, rows_of_locks, rows_of_readings
from kbapi.intake.reader import ReadDocument, read_document
from kbapi.intake.screening import REFUSED_BY_CURRENT_RULES
from kbapi.intake.scrubber import CODE
from kbapi.intake.store import screen
from kbapi.storage import answers, read_again, submissions
from kbapi.storage.instance import Instance
from kbapi.storage.judging_rows import save_verdicts
from kbapi.storage.places import drop_unused_places
from kbapi.storage.pool_rows import PoolSize
from kbapi.storage.rules_mark import load_mark, save_mark
from kbapi.storage.secret import contributor_hash
from kbapi.storage.submissions import StoredSubmission
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
            ids = read_again.find_screened_before(connection, RULES_VERSION, _AT_ONCE)
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
    stored = submissions.load_submission(connection, submission_id)
    reading = JsonReading(orjson.loads(stored.document), ())
    try:
        document = read_document(reading, f"{instance.today():%Y-%m}", instance.catalogue)
    except DocumentRefused as refused:
        places = read_again.excluded(
            connection, stored.id, orjson.dumps([REFUSED_BY_CURRENT_RULES]).decode(), RULES_VERSION
        )
        _forget_identities(connection, stored, reading, refused.problems)
    else:
        again = screened_again(instance, stored, document)
        places = read_again.replace_screening(connection, stored, again)
    book_evidence(connection, places, stored.unit.contributor_id)
    drop_unused_places(connection, places)
    answers.outdate_answers_of_line(connection, stored.line_id)


def screened_again(
    instance: Instance, stored: StoredSubmission, document: ReadDocument
) -> read_again.Rescreened:
    """The rows of a stored document under today's rules, on the grids of the chip it is about."""
    return read_again.Rescreened(
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
    submissions.replace_document(connection, stored.id, orjson.dumps(document).decode())


def rejudge(instance: Instance, pool: PoolSize, *, keep: bool) -> Rejudged | None:
    """What checking a pool for outliers finds today beside what is stored; `keep` stores it.

    One transaction. None where today's grammar does not know the chip's key.
    """
    standing = standing_on(instance.today(), contributor_hash(instance.secret, None))
    with instance.writing() if keep else instance.reading() as connection:
        found = rejudge_pool(connection, pool, instance.catalogue, standing)
        if keep and found is not None:
            save_verdicts(connection, pool.id, found.now, instance.today(), RULES_VERSION)
    return found
