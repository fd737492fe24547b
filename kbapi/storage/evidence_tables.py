"""Tables of what is made from results: merged evidence, counts by depth, finished answers."""

from datetime import date

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, LargeBinary
from sqlmodel import Field, SQLModel

from kbapi.storage.columns import MAX_STEPS, day, integer, json_text, month, text


class EvidenceRow(SQLModel, table=True):
    """A pass level of a unit in a pool under its conditions, with the shallowest failure there.

    Rows are merged results, written only by `evidence/merge.py`'s rule. The table is its own
    covering index: its b-tree is ordered by pool and unit and holds every column a pool needs.
    """

    __tablename__ = "evidence_row"
    __table_args__ = (
        integer("stable_steps", 0, MAX_STEPS),
        integer("unstable_steps", 1, 1 << 30),
        integer("early_stop_steps", 0, MAX_STEPS),
        month("latest_month"),
        integer("confirmed_by_curator", 0, 1),
        CheckConstraint("unstable_steps > stable_steps", name="order"),
        {"sqlite_with_rowid": False},
    )
    pool_id: int = Field(foreign_key="pool.id", primary_key=True)
    unit_id: int = Field(foreign_key="unit.id", primary_key=True)
    conditions_id: int = Field(foreign_key="conditions.id", primary_key=True)
    stable_steps: int = Field(primary_key=True)
    unstable_steps: int
    """`NEVER_FAILED` where no failure was seen."""
    early_stop_steps: int
    contributor_id: int = Field(foreign_key="contributor.id")
    latest_month: str
    confirmed_by_curator: int = Field(default=0, sa_column_kwargs={"server_default": "0"})
    """1 where a curator included it: no outlier check excludes it."""


class PoolPeers(SQLModel, table=True):
    """How many units were known and stable at each depth when the pool was last fitted."""

    __tablename__ = "pool_peers"
    __table_args__ = (
        json_text("known"),
        json_text("stable"),
    )
    pool_id: int = Field(
        sa_column=Column(ForeignKey("pool.id", ondelete="CASCADE"), primary_key=True)
    )
    known: str
    """JSON array by depth in steps: units whose status there is known."""
    stable: str
    """JSON array by depth in steps: units stable there."""


class StoredAnswer(SQLModel, table=True):
    """An answer's bytes, with the revision, version and day that they were computed for."""

    __tablename__ = "stored_answer"
    __table_args__ = (
        text("question", 600),
        CheckConstraint(
            "typeof(stamp_revision) = 'integer' AND stamp_revision >= 0", name="stamp_revision"
        ),
        day("stamp_day"),
        text("stamp_version", 20),
        CheckConstraint("typeof(last_used) = 'integer' AND last_used >= 0", name="last_used"),
        text("chip_key", 100),
        Index("ix_stored_answer_chip_used", "chip_key", "last_used"),
        {"sqlite_with_rowid": False},
    )
    question: str = Field(primary_key=True)
    line_id: int = Field(foreign_key="line.id", index=True)
    chip_key: str
    """The chip that was asked about; it may have no results, but its line has."""
    stamp_revision: int
    stamp_version: str
    stamp_day: date
    last_used: int
    """Rises with each recorded use; the lowest of a chip is dropped first."""
    etag: str
    body: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
