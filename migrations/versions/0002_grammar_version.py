"""Each submission remembers which grammar read its chip's text."""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Written out: a batch copy would lose the table's CHECK constraints, which are not reflected.
    op.execute(
        "ALTER TABLE submission ADD COLUMN grammar_version INTEGER DEFAULT '1' NOT NULL "
        "CONSTRAINT ck_submission_grammar_version CHECK "
        "(typeof(grammar_version) = 'integer' AND grammar_version BETWEEN 1 AND 1000000)"
    )
