"""Constraints of single columns as CHECKs: SQLite itself does not enforce types."""

from typing import Any, Final

from sqlalchemy import CheckConstraint, Index
from sqlmodel import SQLModel

from kbapi.storage.sql import CHECKSUM_DIGITS

# Named before the first migration, so that every later one can name what it changes.
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}

MAX_STEPS: Final = 1_000
"""No control's hard bound lies deeper than this many grid steps."""

_HASH_BYTES: Final = 32
CHECKSUM_OF: Final = "checksum_of"
"""In a column's `info`: which column of its row it is the checksum of."""


def checksum_column(content: str) -> dict[str, Any]:
    """The arguments of a column that has the checksum of another one."""
    return {"info": {CHECKSUM_OF: content}}


def checksum(column: str) -> CheckConstraint:
    """The constraint to what `checksum_of` returns."""
    return CheckConstraint(
        f"typeof({column}) = 'text' AND length({column}) = {CHECKSUM_DIGITS}", name=column
    )


def values_index(table: str, *columns: str) -> Index:
    """The index that repeats each value of a table that no other index repeats.

    SQLite's integrity check compares every index with its table, so it finds a changed bit.
    """
    return Index(f"ix_{table}_values", *columns)


def integer(column: str, low: int, high: int, *, nullable: bool = False) -> CheckConstraint:
    """The constraint to a whole number in a range."""
    # SQLite stores the text "banana" in an INTEGER column unless a CHECK refuses it.
    held = f"typeof({column}) = 'integer' AND {column} BETWEEN {low} AND {high}"
    return CheckConstraint(f"{column} IS NULL OR ({held})" if nullable else held, name=column)


def number(column: str, low: int, high: int) -> CheckConstraint:
    """The constraint to a number in a range, or nothing."""
    held = f"typeof({column}) IN ('real', 'integer') AND {column} BETWEEN {low} AND {high}"
    return CheckConstraint(f"{column} IS NULL OR ({held})", name=column)


def positive(column: str) -> CheckConstraint:
    """The constraint to a number above zero, or nothing."""
    held = f"typeof({column}) IN ('real', 'integer') AND {column} > 0"
    return CheckConstraint(f"{column} IS NULL OR ({held})", name=column)


def text(column: str, longest: int, *, nullable: bool = False) -> CheckConstraint:
    """The constraint to a text that is neither empty nor over-long."""
    held = f"typeof({column}) = 'text' AND length({column}) BETWEEN 1 AND {longest}"
    return CheckConstraint(f"{column} IS NULL OR ({held})" if nullable else held, name=column)


def optional_text(column: str, longest: int) -> CheckConstraint:
    """The constraint to a text that is empty where nothing was sent."""
    return CheckConstraint(
        f"typeof({column}) = 'text' AND length({column}) <= {longest}", name=column
    )


def keyed_hash(column: str, *, nullable: bool = False) -> CheckConstraint:
    """The constraint to a keyed hash, never of what it was made from."""
    held = f"typeof({column}) = 'blob' AND length({column}) = {_HASH_BYTES}"
    return CheckConstraint(f"{column} IS NULL OR ({held})" if nullable else held, name=column)


def one_of(column: str, *values: str) -> CheckConstraint:
    """The constraint to a value of a closed list."""
    listed = ", ".join(f"'{value}'" for value in values)
    return CheckConstraint(f"{column} IN ({listed})", name=column)


def day(column: str) -> CheckConstraint:
    """The constraint to a day of the calendar."""
    # IS, not =: an impossible date is NULL, and a CHECK that is NULL passes.
    return CheckConstraint(f"{column} IS date({column})", name=column)


def month(column: str) -> CheckConstraint:
    """The constraint to a month of the calendar."""
    return CheckConstraint(f"{column} || '-01' IS date({column} || '-01')", name=column)


def optional_month(column: str) -> CheckConstraint:
    """The constraint to a month of the calendar, empty where none was sent."""
    held = f"{column} || '-01' IS date({column} || '-01')"
    return CheckConstraint(f"{column} = '' OR {held}", name=column)


def json_text(column: str) -> CheckConstraint:
    """The constraint to a text that is JSON."""
    return CheckConstraint(f"json_valid({column})", name=column)
