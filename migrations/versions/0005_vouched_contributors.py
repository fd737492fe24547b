"""A contributor for whom an access key vouches is established; a key vouches once.

No record says which earlier contributor used which key. So no contributor is vouched for, and no
key has vouched. SQLite adds a column to a table in place. Pools enter the queue of curators.
"""

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _add_flag("contributor", "is_vouched", "key_id, first_seen_day")
    _add_flag("access_key", "has_vouched", "name, key_id, scopes, created_day, revoked_day")
    _queue_pools()
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


def _queue_pools() -> None:
    op.execute(
        """
        CREATE TABLE pool_check (
            pool_id INTEGER NOT NULL,
            revision INTEGER NOT NULL,
            day DATE NOT NULL,
            has_start INTEGER NOT NULL,
            codes VARCHAR NOT NULL,
            contributor_id INTEGER,
            moves_by FLOAT,
            evidence VARCHAR NOT NULL,
            settled VARCHAR NOT NULL,
            reason_code VARCHAR NOT NULL,
            decided_by INTEGER,
            decided_day DATE,
            CONSTRAINT pk_pool_check PRIMARY KEY (pool_id),
            CONSTRAINT ck_pool_check_revision CHECK (typeof(revision) = 'integer' AND revision BETWEEN 0 AND 9007199254740992),
            CONSTRAINT ck_pool_check_day CHECK (day IS date(day)),
            CONSTRAINT ck_pool_check_has_start CHECK (typeof(has_start) = 'integer' AND has_start BETWEEN 0 AND 1),
            CONSTRAINT ck_pool_check_codes CHECK (json_valid(codes)),
            CONSTRAINT ck_pool_check_moves_by CHECK (moves_by IS NULL OR (typeof(moves_by) IN ('real', 'integer') AND moves_by BETWEEN -1000 AND 1000)),
            CONSTRAINT ck_pool_check_evidence CHECK (typeof(evidence) = 'text' AND length(evidence) <= 16),
            CONSTRAINT ck_pool_check_settled CHECK (typeof(settled) = 'text' AND length(settled) <= 16),
            CONSTRAINT ck_pool_check_reason_code CHECK (typeof(reason_code) = 'text' AND length(reason_code) <= 40),
            CONSTRAINT ck_pool_check_decided_day CHECK (decided_day IS date(decided_day)),
            CONSTRAINT fk_pool_check_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE,
            CONSTRAINT fk_pool_check_contributor_id_contributor FOREIGN KEY(contributor_id) REFERENCES contributor (id) ON DELETE SET NULL,
            CONSTRAINT fk_pool_check_decided_by_access_key FOREIGN KEY(decided_by) REFERENCES access_key (id)
        )
        """
    )
    op.execute(
        "CREATE INDEX ix_pool_check_values ON pool_check "
        "(contributor_id, revision, day, has_start, codes)"
    )
    op.execute(
        "CREATE INDEX ix_pool_check_decision ON pool_check "
        "(decided_by, decided_day, reason_code, settled, evidence, moves_by)"
    )
