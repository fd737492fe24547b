"""Tables of derived state (outliers, counts by depth, stored answers) and the row of readiness.

A computed answer reads none of them: it reads the results and checks its pool itself.
"""

from datetime import date

from sqlalchemy import CheckConstraint, Column, ForeignKey, LargeBinary
from sqlmodel import Field, SQLModel

from kbapi.storage.columns import checksum_column, day, json_text, one_of, text, values_index


class PoolPeers(SQLModel, table=True):
    """How many units were known and stable at each depth when the pool was last fitted."""

    __tablename__ = "pool_peers"
    __table_args__ = (
        json_text("known"),
        json_text("stable"),
        day("day"),
        values_index("pool_peers", "day", "known", "stable"),
    )
    pool_id: int = Field(
        sa_column=Column(ForeignKey("pool.id", ondelete="CASCADE"), primary_key=True)
    )
    known: str
    """JSON array by depth in steps: units whose status there is known."""
    stable: str
    """JSON array by depth in steps: units stable there."""
    day: date
    """They change once a day, so that they do not show a single result."""


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
        text("chip_key", 100),
        values_index("stored_answer", "line_id", "stamp_revision", "stamp_version", "stamp_day"),
    )
    id: int | None = Field(default=None, primary_key=True)
    """Rises with each stored answer; the lowest of a chip is deleted first."""
    question: str = Field(unique=True)
    line_id: int = Field(foreign_key="line.id")
    chip_key: str = Field(index=True)
    """The chip of the question; it may have no results, but its line has."""
    stamp_revision: int
    stamp_version: str
    stamp_day: date
    etag: str = Field(sa_column_kwargs=checksum_column("body"))
    body: bytes = Field(sa_column=Column(LargeBinary, nullable=False))


UNIT_CODES = ("outlier_deep", "outlier_shallow")
"""The second one was written by earlier versions; nothing is excluded as too shallow any more."""
CONTRIBUTOR_CODES = ("contributor_differs",)


class OutlierUnit(SQLModel, table=True):
    """A unit beyond a cutoff of its pool."""

    __tablename__ = "outlier_unit"
    __table_args__ = (
        one_of("code", *UNIT_CODES),
        values_index("outlier_unit", "unit_id", "pool_id", "code"),
        {"sqlite_with_rowid": False},
    )
    pool_id: int = Field(
        sa_column=Column(ForeignKey("pool.id", ondelete="CASCADE"), primary_key=True)
    )
    unit_id: int = Field(
        sa_column=Column(ForeignKey("unit.id", ondelete="CASCADE"), primary_key=True)
    )
    code: str


class DifferingContributor(SQLModel, table=True):
    """A contributor whose units are alike and differ from those of the others."""

    __tablename__ = "differing_contributor"
    __table_args__ = (
        one_of("code", *CONTRIBUTOR_CODES),
        values_index("differing_contributor", "contributor_id", "pool_id", "code"),
        {"sqlite_with_rowid": False},
    )
    pool_id: int = Field(
        sa_column=Column(ForeignKey("pool.id", ondelete="CASCADE"), primary_key=True)
    )
    contributor_id: int = Field(
        sa_column=Column(ForeignKey("contributor.id", ondelete="CASCADE"), primary_key=True)
    )
    code: str


class HealthProbe(SQLModel, table=True):
    """The one row that readiness writes and reads back; no result depends on it."""

    __tablename__ = "health_probe"
    __table_args__ = (
        CheckConstraint("id = 1", name="id"),
        CheckConstraint("typeof(value) = 'integer' AND value >= 0", name="value"),
        values_index("health_probe", "value"),
    )
    id: int = Field(default=None, primary_key=True)
    value: int
