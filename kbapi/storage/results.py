"""Submissions with their settings, and the answers to repeated requests.

Hot path, so written out: each stored result runs these statements, 2.1 ms CPU in all (2.8 ms with
an Idempotency-Key). Through a session, the two statements of the key alone added 0.8 ms.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from sqlalchemy import Connection
from sqlmodel import col, delete, select, update

from kbapi.errors import StorageBroken
from kbapi.storage.contributors import UnitRow, mark_withdrawn, no_answer
from kbapi.storage.pools import (
    CHIP_NUMBER,
    ConditionsKey,
    EvidenceKey,
    PoolKey,
    find_or_add_places,
    find_places,
)
from kbapi.storage.readings import LOCK_ROWS, READING_ROWS, NewLock, NewReading
from kbapi.storage.sql import (
    Find,
    Rows,
    add_if_missing,
    add_parts,
    add_row,
    change_rows,
    checksum_of,
    find_firsts,
    find_number,
    find_row,
    find_rows,
    insert_statement,
    number_by,
    session_on,
)
from kbapi.storage.tables import Contributor, IdempotencyRecord, SettingResult, Submission, Unit
from kbapi.storage.tables_reports import FollowUp
from kbapi.vocabulary import (
    ChipKind,
    Domain,
    Grade,
    KeyedEndpoint,
    LimitControl,
    ScreeningStatus,
)


@dataclass(frozen=True, slots=True)
class StoredOutcome:
    """The first answer under a key, and a fingerprint of the request it answered."""

    fingerprint: bytes
    public_id: str | None
    """None where the result was withdrawn."""
    answer: str
    """`NO_ANSWER` where the result was corrected or withdrawn."""


_OUTCOME: Final = """
    SELECT record.fingerprint, submission.public_id, record.answer
    FROM idempotency_record AS record
    LEFT JOIN submission ON submission.id = record.submission_id
    WHERE record.scope_hash = ? AND record.expires_at > ?
    """
_ADD_OUTCOME: Final = insert_statement(
    IdempotencyRecord,
    (
        "scope_hash",
        "fingerprint",
        "endpoint",
        "submission_id",
        "expires_at",
        "answer",
        "answer_checksum",
    ),
)


def find_outcome(connection: Connection, scope_hash: bytes, now_s: int) -> StoredOutcome | None:
    """The stored answer under this key, unless it has expired."""
    row = find_row(connection, _OUTCOME, (scope_hash, now_s))
    return None if row is None else StoredOutcome(*row)


def save_outcome(
    connection: Connection,
    *,
    scope_hash: bytes,
    fingerprint: bytes,
    endpoint: KeyedEndpoint,
    submission_id: int,
    expires_at: int,
    answer: str,
    now_s: int,
) -> None:
    """Store an answer under its key, and delete those that have expired."""
    delete_expired(connection, now_s)
    checksum = checksum_of(answer)
    values = (scope_hash, fingerprint, endpoint, submission_id, expires_at, answer, checksum)
    change_rows(connection, _ADD_OUTCOME, values)


def delete_expired(connection: Connection, now_s: int) -> int:
    """How many stored answers were deleted because their time is over."""
    is_due = col(IdempotencyRecord.expires_at) <= now_s
    return connection.execute(delete(IdempotencyRecord).where(is_due)).rowcount


def has_expired(connection: Connection, now_s: int) -> bool:
    """Whether the time of a stored answer is over."""
    is_due = col(IdempotencyRecord.expires_at) <= now_s
    due = select(col(IdempotencyRecord.scope_hash)).where(is_due).limit(1)
    return connection.execute(due).first() is not None


def forget_answers(connection: Connection, submission_id: int) -> None:
    """Delete the stored answers to requests about a document; a repeat gets its present state.

    The keys of results stay, so that a late repeat does not store the earlier document again.
    """
    of_it = col(IdempotencyRecord.submission_id) == submission_id
    is_follow_up = col(IdempotencyRecord.endpoint) == "follow-ups"
    connection.execute(delete(IdempotencyRecord).where(of_it, is_follow_up))
    connection.execute(update(IdempotencyRecord).where(of_it).values(**no_answer()))


_CONTRIBUTOR: Final = number_by("contributor", "token_hash")
_UNIT: Final = number_by("unit", "token_hash")
_BY_PUBLIC_ID: Final = number_by("submission", "public_id")
_BY_CONTENT: Final = number_by("submission", "content_hash")
_ADD_CONTRIBUTOR: Final = insert_statement(Contributor, ("token_hash", "key_id", "first_seen_day"))
_UNIT_WITHOUT_TOKEN: Final = number_by("unit", "document_hash")
_ADD_UNIT: Final = insert_statement(Unit, ("contributor_id", "token_hash", "document_hash"))
_ADD_SUBMISSION: Final = insert_statement(
    Submission,
    (
        "public_id",
        "chip_id",
        "unit_id",
        "received_day",
        "measured_month",
        "document",
        "document_checksum",
        "content_hash",
        "rules_version",
        "reading_ignored",
        "chip_conflict",
    ),
)
_ADD_SETTING: Final = insert_statement(
    SettingResult,
    (
        "submission_id",
        "ordinal",
        "domain",
        "pool_id",
        "unit_id",
        "conditions_id",
        "status",
        "status_by_rules",
        "decision",
        "reasons",
        "stable_steps",
        "unstable_steps",
        "early_stop_steps",
        "measured_month",
        "clock_mhz",
        "stock_mv",
    ),
)


@dataclass(frozen=True, slots=True)
class Known:
    """The numbers of the rows that a new document may belong to, None for each that is missing."""

    document: int | None
    """The same document of the same unit token."""
    contributor: int | None
    unit: int | None
    chip: int | None


def find_known(
    connection: Connection,
    *,
    contributor_hash: bytes,
    unit_hash: bytes | None,
    document_hash: bytes,
    chip_key: str,
) -> Known:
    """What is stored already of a document's rows."""
    content = None if unit_hash is None else document_hash
    finds = (
        (_BY_CONTENT, (content,)),
        (_CONTRIBUTOR, (contributor_hash,)),
        _unit_find(unit_hash, document_hash),
        (CHIP_NUMBER, (chip_key,)),
    )
    return Known(*find_firsts(connection, finds))


def _unit_find(unit_hash: bytes | None, document_hash: bytes) -> Find:
    if unit_hash is None:
        return _UNIT_WITHOUT_TOKEN, (document_hash,)
    return _UNIT, (unit_hash,)


def find_or_add_unit(
    connection: Connection,
    known: Known,
    *,
    contributor_hash: bytes,
    unit_hash: bytes | None,
    document_hash: bytes,
    key_id: str,
    today: date,
) -> UnitRow:
    """The unit of this token, else of an equal document; added with its contributor if new."""
    contributor_id, unit_id = known.contributor, known.unit
    if contributor_id is None:
        owner = _CONTRIBUTOR, (contributor_hash,)
        values = contributor_hash, key_id, today.isoformat()
        contributor_id = add_if_missing(connection, owner, _ADD_CONTRIBUTOR, values)
    if unit_id is None:
        unit = _unit_find(unit_hash, document_hash)
        hashes = (None, document_hash) if unit_hash is None else (unit_hash, None)
        unit_id = add_if_missing(connection, unit, _ADD_UNIT, (contributor_id, *hashes))
    return UnitRow(unit_id, contributor_id)


@dataclass(frozen=True, slots=True)
class NewSetting:
    """A screened setting that is to be stored."""

    domain: Domain
    pool: PoolKey
    conditions: ConditionsKey
    status: ScreeningStatus
    reasons: str
    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int
    clock_mhz: float | None
    stock_mv: float | None


@dataclass(frozen=True, slots=True)
class NewSubmission:
    """A screened document that is to be stored."""

    public_id: str
    chip_id: int
    unit: UnitRow
    received_day: date
    measured_month: str
    document: str
    content_hash: bytes | None
    rules_version: int
    settings: tuple[NewSetting, ...]
    locks: tuple[NewLock, ...] = ()
    readings: tuple[NewReading, ...] = ()
    reading_ignored: str = "[]"
    chip_conflict: str = ""


@dataclass(frozen=True, slots=True)
class StoredSetting:
    """A stored setting, with the decision about it."""

    place: EvidenceKey
    domain: Domain
    control: LimitControl
    domains: str
    status: ScreeningStatus
    reasons: str
    grade: Grade
    stable_steps: int | None
    unstable_steps: int | None
    decision: str
    """The curator's decision, empty where the rules decide."""
    decision_reason: str | None


@dataclass(frozen=True, slots=True)
class StoredSubmission:
    """A stored document, its settings in the order of the document."""

    unit: UnitRow
    settings: tuple[StoredSetting, ...]
    id: int
    public_id: str
    chip_id: int
    chip_key: str
    chip_name: str
    chip_kind: ChipKind
    series: str
    line: str
    line_id: int
    document: str
    measured_month: str
    rules_version: int
    reading_ignored: str
    chip_conflict: str
    contributor_hash: bytes
    has_unit_token: bool


def save_submission(
    connection: Connection, new: NewSubmission
) -> tuple[int, tuple[StoredSetting, ...]]:
    """The number of the saved document, and its settings as they are stored."""
    submission_id = add_row(
        connection,
        _ADD_SUBMISSION,
        (
            new.public_id,
            new.chip_id,
            new.unit.id,
            new.received_day.isoformat(),
            new.measured_month,
            new.document,
            checksum_of(new.document),
            new.content_hash,
            new.rules_version,
            new.reading_ignored,
            new.chip_conflict,
        ),
    )
    place = SavedDocument(submission_id, new.chip_id, new.unit.id, new.measured_month)
    keys, settings = _rows_of_settings(connection, place, new.settings)
    of = submission_id, new.chip_id, new.unit
    parts = (LOCK_ROWS.rows(*of, new.locks), READING_ROWS.rows(*of, new.readings), settings)
    add_parts(connection, parts)
    return submission_id, tuple(map(_as_stored, keys, new.settings))


def _as_stored(key: EvidenceKey, new: NewSetting) -> StoredSetting:
    return StoredSetting(
        place=key,
        domain=new.domain,
        control=new.pool.control,
        domains=new.pool.domains,
        status=new.status,
        reasons=new.reasons,
        grade=new.conditions.grade,
        stable_steps=new.stable_steps,
        unstable_steps=new.unstable_steps,
        decision="",
        decision_reason=None,
    )


@dataclass(frozen=True, slots=True)
class SavedDocument:
    """The document that settings belong to."""

    submission_id: int
    chip_id: int
    unit_id: int
    measured_month: str


def save_settings(
    connection: Connection, of: SavedDocument, settings: Sequence[NewSetting]
) -> list[EvidenceKey]:
    """The places where these settings belong, now that they are saved."""
    keys, rows = _rows_of_settings(connection, of, settings)
    add_parts(connection, [rows])
    return keys


def _rows_of_settings(
    connection: Connection, of: SavedDocument, settings: Sequence[NewSetting]
) -> tuple[list[EvidenceKey], Rows]:
    """The places where these settings belong, and their rows, to be added."""
    wanted = [(of.chip_id, setting.pool, setting.conditions) for setting in settings]
    keys = [
        EvidenceKey(pool_id, of.unit_id, conditions_id)
        for pool_id, conditions_id in find_or_add_places(connection, wanted)
    ]
    rows = [
        (
            of.submission_id,
            ordinal,
            setting.domain,
            key.pool_id,
            key.unit_id,
            key.conditions_id,
            setting.status,
            setting.status,
            "",
            setting.reasons,
            setting.stable_steps,
            setting.unstable_steps,
            setting.early_stop_steps,
            of.measured_month,
            setting.clock_mhz,
            setting.stock_mv,
        )
        for ordinal, (key, setting) in enumerate(zip(keys, settings, strict=True))
    ]
    return keys, (_ADD_SETTING, rows)


def replace_document(connection: Connection, submission_id: int, document: str) -> None:
    """Replace the text of a stored document."""
    with session_on(connection) as session:
        session.exec(
            update(Submission)
            .where(col(Submission.id) == submission_id)
            .values(document=document, document_checksum=checksum_of(document))
        )


def find_submission(connection: Connection, public_id: str) -> StoredSubmission | None:
    """The document with this id, unless it was withdrawn or never existed."""
    return _find_by(connection, _BY_PUBLIC_ID, public_id)


def find_by_content(connection: Connection, content_hash: bytes) -> StoredSubmission | None:
    """The document with this content by this contributor, if it is stored."""
    return _find_by(connection, _BY_CONTENT, content_hash)


def _find_by(connection: Connection, statement: str, known: str | bytes) -> StoredSubmission | None:
    found = find_number(connection, statement, (known,))
    return None if found is None else load_submission(connection, found)


def load_submission_of(connection: Connection, public_id: str) -> StoredSubmission:
    """The document with this id, which must exist."""
    found = find_submission(connection, public_id)
    if found is None:
        raise StorageBroken
    return found


# The columns are in the order of the fields of `StoredSubmission` and `StoredSetting`.
_STORED: Final = """
    SELECT unit.id, unit.contributor_id, submission.id, submission.public_id, submission.chip_id,
           chip.key, chip.name, chip.kind, chip.series, line.key, chip.line_id,
           submission.document, submission.measured_month, submission.rules_version,
           submission.reading_ignored, submission.chip_conflict,
           contributor.token_hash, unit.token_hash IS NOT NULL
    FROM submission
    JOIN chip ON chip.id = submission.chip_id
    JOIN line ON line.id = chip.line_id
    JOIN unit ON unit.id = submission.unit_id
    JOIN contributor ON contributor.id = unit.contributor_id
    WHERE submission.id = ?
    """
_STORED_SETTINGS: Final = """
    SELECT setting.pool_id, setting.unit_id, setting.conditions_id, setting.domain, pool.control,
           pool.domains, setting.status, setting.reasons, conditions.grade, setting.stable_steps,
           setting.unstable_steps, setting.decision,
           CASE setting.decision WHEN '' THEN NULL ELSE (
               SELECT reason_code FROM decision
               WHERE submission_id = setting.submission_id AND ordinal = setting.ordinal
               ORDER BY id DESC LIMIT 1
           ) END
    FROM setting_result AS setting
    JOIN pool ON pool.id = setting.pool_id
    JOIN conditions ON conditions.id = setting.conditions_id
    WHERE setting.submission_id = ?
    ORDER BY setting.ordinal
    """


def load_submission(connection: Connection, submission_id: int) -> StoredSubmission:
    """The document with this number, which must exist."""
    rows = find_rows(connection, _STORED_SETTINGS, (submission_id,))
    settings = tuple(StoredSetting(EvidenceKey(*one[:3]), *one[3:]) for one in rows)
    return load_with(connection, submission_id, settings)


def load_with(
    connection: Connection, submission_id: int, settings: tuple[StoredSetting, ...]
) -> StoredSubmission:
    """The document with this number, which must exist, with these settings of it."""
    row = find_row(connection, _STORED, (submission_id,))
    if row is None:
        raise StorageBroken
    return StoredSubmission(UnitRow(*row[:2]), settings, *row[2:])


def delete_submission(connection: Connection, submission_id: int) -> list[EvidenceKey]:
    """The places that the settings and follow-ups of the deleted document were merged into."""
    keys = [
        key
        for table in (SettingResult, FollowUp)
        for key in find_places(connection, table, submission_id)
    ]
    mark_withdrawn(connection, col(Submission.id) == submission_id)
    with session_on(connection) as session:
        session.exec(delete(Submission).where(col(Submission.id) == submission_id))
    return keys
