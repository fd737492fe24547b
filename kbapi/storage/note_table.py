"""The tables of curated notes."""

from datetime import date

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, SQLModel

from kbapi.storage.columns import day, month, one_of, optional_text, text


class NoteRow(SQLModel, table=True):
    """A note about a chip, a series or a machine class."""

    __tablename__ = "note"
    __table_args__ = (
        text("key", 80),
        one_of("state", "draft", "published"),
        one_of("subject_kind", "chip", "series", "machine"),
        text("subject", 100),
        optional_text("control", 40),
        optional_text("domain", 40),
        text("source", 200),
        month("reviewed_month"),
        text("markdown", 4_000),
        UniqueConstraint("key", "state"),
    )
    id: int | None = Field(default=None, primary_key=True)
    key: str
    state: str
    """A draft may stand beside what is published, and is never answered."""
    subject_kind: str
    subject: str = Field(index=True)
    control: str
    """Empty where the note is about all of them."""
    domain: str
    """Empty where the note is about all of them."""
    source: str
    reviewed_month: str
    markdown: str


class NoteHistory(SQLModel, table=True):
    """What a published note said before."""

    __tablename__ = "note_history"
    __table_args__ = (
        text("key", 80),
        text("source", 200),
        month("reviewed_month"),
        text("markdown", 4_000),
        day("replaced_day"),
    )
    id: int | None = Field(default=None, primary_key=True)
    key: str = Field(index=True)
    source: str
    reviewed_month: str
    markdown: str
    replaced_day: date
