"""Tables of access keys and of what curators decide with them."""

from datetime import date

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index
from sqlmodel import Field, SQLModel

from kbapi.storage.columns import day, integer, keyed_hash, one_of, optional_text, text
from kbapi.vocabulary import DECISION_REASONS, DECISIONS, SCOPES


def _only_words(column: str, *words: str) -> CheckConstraint:
    """The constraint to one or more words of a closed list, joined by ','."""
    left = f"{column} || ','"
    for word in words:
        left = f"replace({left}, '{word},', '')"
    return CheckConstraint(f"length({column}) > 0 AND {left} = ''", name=column)


class AccessKey(SQLModel, table=True):
    """An access key that the host issued; only its keyed hash is stored."""

    __tablename__ = "access_key"
    __table_args__ = (
        optional_text("name", 40),
        keyed_hash("key_hash"),
        text("key_id", 8),
        _only_words("scopes", *SCOPES),
        day("created_day"),
        day("revoked_day"),
    )
    id: int | None = Field(default=None, primary_key=True)
    name: str
    """Name that the host gave it; empty if it has none."""
    key_hash: bytes = Field(unique=True)
    key_id: str
    scopes: str
    """Words joined by ','."""
    created_day: date
    revoked_day: date | None = None


class Decision(SQLModel, table=True):
    """A curator's decision about one setting of a document; rows are only ever added."""

    __tablename__ = "decision"
    __table_args__ = (
        integer("ordinal", 0, 1_000),
        one_of("decision", *DECISIONS),
        one_of("reason_code", *DECISION_REASONS),
        day("decided_day"),
        Index("ix_decision_submission_ordinal", "submission_id", "ordinal"),
    )
    id: int | None = Field(default=None, primary_key=True)
    submission_id: int = Field(
        sa_column=Column(ForeignKey("submission.id", ondelete="CASCADE"), nullable=False)
    )
    ordinal: int
    """Which setting of the document: later rules make the rows of settings anew."""
    decision: str
    reason_code: str
    decided_by: int = Field(foreign_key="access_key.id", index=True)
    decided_day: date
