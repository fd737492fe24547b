"""Curated notes on platforms: drafts, what is published, and what it said before."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Literal

from sqlalchemy import Connection, delete, insert, select, update

from kbapi.storage.tables import Line, NoteHistory, NoteRow

State = Literal["draft", "published"]


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
    """A note and whether it is answered."""

    state: State


@dataclass(frozen=True, slots=True)
class EarlierNote:
    """What a published note said until a day."""

    source: str
    reviewed_month: str
    markdown: str
    replaced_day: date


_COLUMNS = (
    NoteRow.key,
    NoteRow.subject_kind,
    NoteRow.subject,
    NoteRow.control,
    NoteRow.domain,
    NoteRow.source,
    NoteRow.reviewed_month,
    NoteRow.markdown,
)


def save_drafts(connection: Connection, notes: Sequence[Note]) -> None:
    """Put these drafts in the place of those with the same keys; what is published stays."""
    keys = [note.key for note in notes]
    connection.execute(delete(NoteRow).where(NoteRow.key.in_(keys), NoteRow.state == "draft"))
    connection.execute(insert(NoteRow), [{**asdict(note), "state": "draft"} for note in notes])


def save_published(connection: Connection, notes: Sequence[Note], today: date) -> None:
    """Put these notes in the place of those with the same keys; every stored answer goes stale."""
    for note in notes:
        _put_into_history(connection, note, today)
    connection.execute(insert(NoteRow), [{**asdict(note), "state": "published"} for note in notes])
    _outdate_answers(connection)


def _put_into_history(connection: Connection, new: Note, today: date) -> None:
    before = find_note(connection, new.key, "published")
    connection.execute(delete(NoteRow).where(NoteRow.key == new.key, NoteRow.state == "published"))
    if before is not None and before != new:
        connection.execute(
            insert(NoteHistory).values(
                key=before.key,
                source=before.source,
                reviewed_month=before.reviewed_month,
                markdown=before.markdown,
                replaced_day=today,
            )
        )


def publish_draft(connection: Connection, key: str, today: date) -> bool:
    """Whether there was a draft: it stands in the place of what was published before."""
    draft = find_note(connection, key, "draft")
    if draft is None:
        return False
    connection.execute(delete(NoteRow).where(NoteRow.key == key, NoteRow.state == "draft"))
    save_published(connection, [draft], today)
    return True


def note_review(connection: Connection, key: str, month: str) -> bool:
    """Whether there is such a published note: somebody has looked at it in this month."""
    published = (NoteRow.key == key) & (NoteRow.state == "published")
    changed = connection.execute(update(NoteRow).where(published).values(reviewed_month=month))
    _outdate_answers(connection)
    return changed.rowcount == 1


def _outdate_answers(connection: Connection) -> None:
    # A machine's note belongs to the answers of any line.
    connection.execute(update(Line).values(revision=Line.revision + 1))


def find_note(connection: Connection, key: str, state: State) -> Note | None:
    """The note of this key and state."""
    row = connection.execute(
        select(*_COLUMNS).where(NoteRow.key == key, NoteRow.state == state)
    ).one_or_none()
    return None if row is None else Note(*row)


def load_notes(connection: Connection) -> list[KeptNote]:
    """Every note, in the order of keys, a draft before what is published."""
    rows = connection.execute(select(*_COLUMNS, NoteRow.state).order_by(NoteRow.key, NoteRow.state))
    return [KeptNote(*row) for row in rows]


def load_history(connection: Connection, key: str) -> list[EarlierNote]:
    """What the note of this key said before, oldest first."""
    rows = connection.execute(
        select(
            NoteHistory.source,
            NoteHistory.reviewed_month,
            NoteHistory.markdown,
            NoteHistory.replaced_day,
        )
        .where(NoteHistory.key == key)
        .order_by(NoteHistory.id)
    )
    return [EarlierNote(*row) for row in rows]


def load_notes_about(
    connection: Connection, chip_key: str, series: str, machines: Sequence[str]
) -> list[Note]:
    """The published notes about a chip, its series, or one of these machines, by their keys."""
    about = (
        ((NoteRow.subject_kind == "chip") & (NoteRow.subject == chip_key))
        | ((NoteRow.subject_kind == "series") & (NoteRow.subject == series))
        | ((NoteRow.subject_kind == "machine") & NoteRow.subject.in_(machines))
    )
    rows = connection.execute(
        select(*_COLUMNS).where(about, NoteRow.state == "published").order_by(NoteRow.key)
    )
    return [Note(*row) for row in rows]
