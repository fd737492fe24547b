"""Curated notes on platforms."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from sqlalchemy import Connection, delete, insert, select, update

from kbapi.storage.tables import Line, NoteRow


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


def save_notes(connection: Connection, notes: Sequence[Note]) -> None:
    """Put these notes in the place of those with the same keys; every stored answer goes stale."""
    keys = [note.key for note in notes]
    connection.execute(delete(NoteRow).where(NoteRow.key.in_(keys)))
    connection.execute(insert(NoteRow), [asdict(note) for note in notes])
    # A machine's note belongs to the answers of any line.
    connection.execute(update(Line).values(revision=Line.revision + 1))


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


def load_notes(connection: Connection) -> list[Note]:
    """Every note, in the order of keys."""
    return [Note(*row) for row in connection.execute(select(*_COLUMNS).order_by(NoteRow.key))]


def load_notes_about(
    connection: Connection, chip_key: str, series: str, machines: Sequence[str]
) -> list[Note]:
    """The notes about a chip, its series, or one of these machines, in the order of keys."""
    about = (
        ((NoteRow.subject_kind == "chip") & (NoteRow.subject == chip_key))
        | ((NoteRow.subject_kind == "series") & (NoteRow.subject == series))
        | ((NoteRow.subject_kind == "machine") & NoteRow.subject.in_(machines))
    )
    rows = connection.execute(select(*_COLUMNS).where(about).order_by(NoteRow.key))
    return [Note(*row) for row in rows]
