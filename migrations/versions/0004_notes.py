"""Curated notes on platforms."""

from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute(
        """
        CREATE TABLE note (
            id INTEGER NOT NULL,
            key VARCHAR NOT NULL,
            subject_kind VARCHAR NOT NULL,
            subject VARCHAR NOT NULL,
            control VARCHAR NOT NULL,
            domain VARCHAR NOT NULL,
            source VARCHAR NOT NULL,
            reviewed_month VARCHAR NOT NULL,
            markdown VARCHAR NOT NULL,
            CONSTRAINT pk_note PRIMARY KEY (id),
            CONSTRAINT ck_note_key CHECK (typeof(key) = 'text' AND length(key) BETWEEN 1 AND 80),
            CONSTRAINT ck_note_subject_kind CHECK (subject_kind IN ('chip', 'series', 'machine')),
            CONSTRAINT ck_note_subject CHECK (typeof(subject) = 'text' AND length(subject) BETWEEN 1 AND 100),
            CONSTRAINT ck_note_control CHECK (typeof(control) = 'text' AND length(control) <= 40),
            CONSTRAINT ck_note_domain CHECK (typeof(domain) = 'text' AND length(domain) <= 40),
            CONSTRAINT ck_note_source CHECK (typeof(source) = 'text' AND length(source) BETWEEN 1 AND 200),
            CONSTRAINT ck_note_reviewed_month CHECK (reviewed_month || '-01' IS date(reviewed_month || '-01')),
            CONSTRAINT ck_note_markdown CHECK (typeof(markdown) = 'text' AND length(markdown) BETWEEN 1 AND 4000),
            CONSTRAINT uq_note_key UNIQUE (key)
        )
        """
    )
    op.execute("CREATE INDEX ix_note_subject ON note (subject)")
