"""A contributor for whom an access key vouches is established; a key vouches once.

Of earlier keys and contributors nobody knows who used which, so no contributor is vouched and no
key has vouched. SQLite adds a column to a table in place.
"""

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _add_flag("contributor", "is_vouched", "key_id, first_seen_day")
    _add_flag("access_key", "has_vouched", "name, key_id, scopes, created_day, revoked_day")
    # Nothing is excluded as too shallow any more, and no sentence says that something was.
    op.execute("DELETE FROM outlier_unit WHERE code = 'outlier_shallow'")


def _add_flag(table: str, column: str, values: str) -> None:
    """Add a column of 0 or 1 to a table, and to the index of its values."""
    op.execute(
        f"ALTER TABLE {table} ADD COLUMN {column} INTEGER DEFAULT 0 NOT NULL "
        f"CONSTRAINT ck_{table}_{column} CHECK "
        f"(typeof({column}) = 'integer' AND {column} BETWEEN 0 AND 1)"
    )
    # Into every row, so that a later 1 takes its place: moved rows would show the order of vouching.
    op.execute(f"UPDATE {table} SET {column} = 0")  # noqa: S608 - two fixed names
    op.execute(f"DROP INDEX ix_{table}_values")
    op.execute(f"CREATE INDEX ix_{table}_values ON {table} ({values}, {column})")
