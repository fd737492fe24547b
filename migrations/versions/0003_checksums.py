"""Readiness writes a row of its own."""

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute(
        """
        CREATE TABLE health_probe (
            id INTEGER NOT NULL,
            value INTEGER NOT NULL,
            CONSTRAINT pk_health_probe PRIMARY KEY (id),
            CONSTRAINT ck_health_probe_id CHECK (id = 1),
            CONSTRAINT ck_health_probe_value CHECK (typeof(value) = 'integer' AND value >= 0)
        )
        """
    )
