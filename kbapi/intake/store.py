"""A document on its way through one transaction: screened before it, stored and told within it."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import orjson
from sqlalchemy import Connection

from kbapi.evidence.book import book_evidence
from kbapi.intake.accepted import Accepted
from kbapi.intake.json_text import JsonReading
from kbapi.intake.new_rows import Sender, new_submission
from kbapi.intake.reader import ReadDocument, read_document
from kbapi.intake.receipts import unit_hash
from kbapi.intake.screening import ScreenedSetting, screen_setting
from kbapi.intake.telling import tell_repeated, tell_stored
from kbapi.storage import chip_rows, submissions
from kbapi.storage.instance import Instance
from kbapi.storage.secret import contributor_hash

_EARLIEST_ZONE: Final = timedelta(hours=14)


@dataclass(frozen=True, slots=True)
class Prepared:
    """A sound document, screened, and who sent it."""

    document: ReadDocument
    screened: tuple[ScreenedSetting, ...]
    sender: Sender


def prepare(instance: Instance, reading: JsonReading) -> Prepared:
    """The document, read and screened; touches no database.

    Raises
    ------
    DocumentRefused
        With every problem of the document.
    """
    # Somewhere on earth it is up to fourteen hours later than here.
    this_month = f"{instance.now() + _EARLIEST_ZONE:%Y-%m}"
    document = read_document(reading, this_month, instance.catalogue)
    return Prepared(document, screen(instance, document), _sender_of(instance, document))


def screen(instance: Instance, document: ReadDocument) -> tuple[ScreenedSetting, ...]:
    """Every setting of the document with its standing."""
    return tuple(
        screen_setting(
            setting,
            document.result,
            instance.catalogue.grid_for(document.chip, setting.control),
        )
        for setting in document.result.settings
    )


def _sender_of(instance: Instance, document: ReadDocument) -> Sender:
    result, secret = document.result, instance.secret
    who = contributor_hash(secret, result.contributor_token)
    which = unit_hash(secret, result.contributor_token, result.unit_token)
    content = None
    if which is not None:
        canonical = orjson.dumps(document.raw, option=orjson.OPT_SORT_KEYS)
        content = secret.keyed_hash("content", which + canonical)
    return Sender(who, which, content)


def store_once(
    instance: Instance, connection: Connection, prepared: Prepared
) -> tuple[int, Accepted]:
    """The stored submission's number and answer; a repeat answers with the first one."""
    sender = prepared.sender
    if sender.content_hash is not None:
        first = submissions.find_by_content(connection, sender.content_hash)
        if first is not None:
            return first.id, tell_repeated(instance, connection, first)
    new = new_submission(instance, connection, prepared.document, prepared.screened, sender)
    submission_id, places = submissions.save_submission(connection, new)
    book_evidence(connection, places, new.unit.contributor_id)
    stored = submissions.load_submission(connection, submission_id)
    chip_rows.raise_line_revision(connection, stored.line_id)
    return submission_id, tell_stored(instance, connection, stored)
