"""Tables of derived state: evidence rows, outliers, stored answers.

No answer reads them: an answer checks its pool anew.
"""

from datetime import date

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, LargeBinary
from sqlmodel import Field, SQLModel

from kbapi.storage.columns import MAX_STEPS, day, integer, json_text, month, one_of, text


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


UNIT_CODES = ("outlier_deep", "outlier_shallow")
CONTRIBUTOR_CODES = ("contributor_differs",)


class PoolOutlierCheck(SQLModel, table=True):
    """The cutoffs and the weight of newcomers that the latest outlier check of a pool found."""

    __tablename__ = "pool_outlier_check"
    __table_args__ = (
        day("checked_day"),
        integer("rules_version", 1, 1_000_000),
        integer("deep_cutoff_steps", 0, 10 * MAX_STEPS, nullable=True),
        integer("shallow_cutoff_steps", -10 * MAX_STEPS, MAX_STEPS, nullable=True),
        integer("newcomer_weight_ppm", 0, 1_000_000),
        integer("excluded_weight_ppm", 0, 1_000_000),
        integer("is_young", 0, 1),
    )
    pool_id: int = Field(
        sa_column=Column(ForeignKey("pool.id", ondelete="CASCADE"), primary_key=True)
    )
    checked_day: date
    rules_version: int
    deep_cutoff_steps: int | None = None
    """A limit deeper than this is excluded; NULL where there is no cutoff."""
    shallow_cutoff_steps: int | None = None
    """A limit shallower than this is excluded; NULL where there is no cutoff."""
    newcomer_weight_ppm: int
    """The weight of contributors that are not established yet, 1,000,000 for full weight."""
    excluded_weight_ppm: int
    """Share of the pool's weight beyond the deep cutoff."""
    is_young: int
    """Whether the pool has too few established contributors to compare newcomers with."""


class OutlierUnit(SQLModel, table=True):
    """A unit beyond a cutoff of its pool."""

    __tablename__ = "outlier_unit"
    __table_args__ = (one_of("code", *UNIT_CODES), {"sqlite_with_rowid": False})
    pool_id: int = Field(
        sa_column=Column(ForeignKey("pool.id", ondelete="CASCADE"), primary_key=True)
    )
    unit_id: int = Field(
        sa_column=Column(ForeignKey("unit.id", ondelete="CASCADE"), primary_key=True, index=True)
    )
    code: str


class DifferingContributor(SQLModel, table=True):
    """A contributor whose units are alike and differ from those of the others."""

    __tablename__ = "differing_contributor"
    __table_args__ = (one_of("code", *CONTRIBUTOR_CODES), {"sqlite_with_rowid": False})
    pool_id: int = Field(
        sa_column=Column(ForeignKey("pool.id", ondelete="CASCADE"), primary_key=True)
    )
    contributor_id: int = Field(
        sa_column=Column(
            ForeignKey("contributor.id", ondelete="CASCADE"), primary_key=True, index=True
        )
    )
    code: str
