"""Curated notes on platforms: drafts, published notes, and their earlier texts."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date
from typing import Literal

from sqlalchemy import Connection
from sqlmodel import Session, and_, col, or_, select, update

from kbapi.storage.sql import session_on
from kbapi.storage.tables import Line
from kbapi.storage.tables_reports import NoteHistory, NoteRow

State = Literal["draft", "published", "retired"]


@dataclass(frozen=True, slots=True)
class Note:
    """A note as it was written."""

    key: str
    subject_kind: str
    subject: str
    control: str
    domain: str
    source: str
    reviewed_month: str
    markdown: str


@dataclass(frozen=True, slots=True)
class KeptNote(Note):
    """A note and whether it is published."""

    state: State


@dataclass(frozen=True, slots=True)
class EarlierNote:
    """The text of a published note until a day."""

    source: str
    reviewed_month: str
    markdown: str
    replaced_day: date


def as_written(note: Note) -> Note:
    """The note alone, without the state in which it is kept."""
    return Note(**{part.name: getattr(note, part.name) for part in fields(Note)})


def save_drafts(connection: Connection, notes: Sequence[Note]) -> None:
    """Replace the drafts with the same keys by these; published notes stay."""
    with session_on(connection) as session:
        for note in notes:
            _replace(session, note, "draft")


def save_published(connection: Connection, notes: Sequence[Note], today: date) -> None:
    """Replace the published notes with the same keys; every stored answer becomes outdated."""
    with session_on(connection) as session:
        for note in notes:
            _remove(session, note.key, "retired")
            before = _replace(session, note, "published")
            if before is not None and before != note:
                session.add(_history_of(before, today))
        _outdate_answers(session)


def retire(connection: Connection, note: Note, today: date) -> None:
    """Keep a note for its key alone: no answer shows it, nor the one of the catalogue."""
    with session_on(connection) as session:
        before = _remove(session, note.key, "published")
        if before is not None:
            session.add(_history_of(before, today))
        _replace(session, note, "retired")
        _outdate_answers(session)


def _history_of(note: Note, today: date) -> NoteHistory:
    return NoteHistory(
        key=note.key,
        source=note.source,
        reviewed_month=note.reviewed_month,
        markdown=note.markdown,
        replaced_day=today,
    )


def _remove(session: Session, key: str, state: State) -> Note | None:
    """The note of this key and state, which is removed."""
    row = _find(session, key, state)
    if row is None:
        return None
    before = _note(row)
    session.delete(row)
    session.flush()
    return before


def _replace(session: Session, note: Note, state: State) -> Note | None:
    """The note of the same key and state that this one replaced."""
    row = _find(session, note.key, state)
    if row is None:
        session.add(NoteRow(**asdict(note), state=state))
        return None
    before = _note(row)
    row.sqlmodel_update(asdict(note))
    return before


def publish_draft(connection: Connection, key: str, today: date) -> bool:
    """Whether there was a draft; it replaces the note that was published before."""
    with session_on(connection) as session:
        row = _find(session, key, "draft")
        if row is None:
            return False
        draft = _note(row)
        session.delete(row)
    save_published(connection, [draft], today)
    return True


def note_review(connection: Connection, key: str, month: str) -> bool:
    """Whether there is such a published note; its month of review is this one now."""
    with session_on(connection) as session:
        row = _find(session, key, "published")
        if row is not None:
            row.reviewed_month = month
        _outdate_answers(session)
    return row is not None


def _outdate_answers(session: Session) -> None:
    # A machine's note belongs to the answers of any line.
    session.exec(update(Line).values(revision=col(Line.revision) + 1))


def _find(session: Session, key: str, state: State) -> NoteRow | None:
    return session.exec(
        select(NoteRow).where(NoteRow.key == key, NoteRow.state == state)
    ).one_or_none()


def load_notes(connection: Connection) -> list[KeptNote]:
    """Every note, in the order of keys, a draft before the published note."""
    with session_on(connection) as session:
        rows = session.exec(select(NoteRow).order_by(NoteRow.key, NoteRow.state))
        return [KeptNote(**row.model_dump(exclude={"id"})) for row in rows]


def _note(row: NoteRow) -> Note:
    return Note(**row.model_dump(exclude={"id", "state"}))


def load_history(connection: Connection, key: str) -> list[EarlierNote]:
    """The earlier texts of the note of this key, oldest first."""
    with session_on(connection) as session:
        rows = session.exec(
            select(NoteHistory).where(NoteHistory.key == key).order_by(col(NoteHistory.id))
        )
        return [
            EarlierNote(row.source, row.reviewed_month, row.markdown, row.replaced_day)
            for row in rows
        ]


def load_overruling(connection: Connection, keys: Sequence[str]) -> dict[str, Note | None]:
    """By key, the published notes with these keys; None for a retired one."""
    if not keys:
        return {}
    with session_on(connection) as session:
        rows = session.exec(
            select(NoteRow).where(col(NoteRow.key).in_(keys), NoteRow.state != "draft")
        )
        return {row.key: _note(row) if row.state == "published" else None for row in rows}


def load_notes_about(
    connection: Connection, chip_key: str, series: str, machines: Sequence[str]
) -> list[Note]:
    """The published notes about a chip, its series, or one of these machines, by their keys."""
    kind, subject = col(NoteRow.subject_kind), col(NoteRow.subject)
    about = or_(
        and_(kind == "chip", subject == chip_key),
        and_(kind == "series", subject == series),
        and_(kind == "machine", subject.in_(machines)),
    )
    with session_on(connection) as session:
        rows = session.exec(
            select(NoteRow).where(about, NoteRow.state == "published").order_by(NoteRow.key)
        )
        return [_note(row) for row in rows]
