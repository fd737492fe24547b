"""The table of curated notes."""

from sqlmodel import Field, SQLModel

from kbapi.storage.columns import month, one_of, text, told_text


class NoteRow(SQLModel, table=True):
    """A note about a chip, a series or a machine class."""

    __tablename__ = "note"
    __table_args__ = (
        text("key", 80),
        one_of("subject_kind", "chip", "series", "machine"),
        text("subject", 100),
        told_text("control", 40),
        told_text("domain", 40),
        text("source", 200),
        month("reviewed_month"),
        text("markdown", 4_000),
    )
    id: int | None = Field(default=None, primary_key=True)
    key: str = Field(unique=True)
    subject_kind: str
    subject: str = Field(index=True)
    control: str
    """Empty where the note is about all of them."""
    domain: str
    """Empty where the note is about all of them."""
    source: str
    reviewed_month: str
    markdown: str
