"""Tables of what the last judging of each pool found: for telling, never for answering.

An answer judges its pool from scratch; these rows say to senders and curators what that was.
"""

from datetime import date

from sqlalchemy import Column, ForeignKey
from sqlmodel import Field, SQLModel

from kbapi.storage.columns import MAX_STEPS, day, integer, one_of

UNIT_CODES = ("outlier_deep", "outlier_shallow")
CONTRIBUTOR_CODES = ("contributor_differs",)


class PoolOutlierCheck(SQLModel, table=True):
    """The cuts and the factor that a pool was last judged to have."""

    __tablename__ = "pool_outlier_check"
    __table_args__ = (
        day("checked_day"),
        integer("rules_version", 1, 1_000_000),
        integer("deepest_steps", 0, 10 * MAX_STEPS, nullable=True),
        integer("shallowest_steps", -10 * MAX_STEPS, MAX_STEPS, nullable=True),
        integer("newcomer_ppm", 0, 1_000_000),
        integer("flagged_ppm", 0, 1_000_000),
        integer("is_young", 0, 1),
    )
    pool_id: int = Field(
        sa_column=Column(ForeignKey("pool.id", ondelete="CASCADE"), primary_key=True)
    )
    checked_day: date
    rules_version: int
    deepest_steps: int | None = None
    """A limit beyond this depth is set aside; nothing where there is no fence."""
    shallowest_steps: int | None = None
    """A limit short of this depth is set aside."""
    newcomer_ppm: int
    """What is left of the weight of contributors that are not established."""
    flagged_ppm: int
    """Share of the pool's weight that was set aside on the deep side."""
    is_young: int
    """Whether too few established contributors are in it to hold newcomers against."""


class OutlierUnit(SQLModel, table=True):
    """A unit that lies outside the fence of its pool."""

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
    """A contributor whose units lie together where those of the others do not."""

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
