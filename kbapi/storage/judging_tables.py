"""Tables of what the latest outlier check of each pool found, for senders and curators.

No answer reads them: an answer checks its pool anew.
"""

from datetime import date

from sqlalchemy import Column, ForeignKey
from sqlmodel import Field, SQLModel

from kbapi.storage.columns import MAX_STEPS, day, integer, one_of

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
