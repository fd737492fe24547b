"""A batch that is sent again must not store a withdrawn result: its record stays without content."""

from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute("ALTER TABLE idempotency_record RENAME TO idempotency_record_before")
    for index in ("expires_at", "submission_id"):
        op.execute(f"DROP INDEX ix_idempotency_record_{index}")
    op.execute(
        """
        CREATE TABLE idempotency_record (
            scope_hash BLOB NOT NULL,
            fingerprint BLOB NOT NULL,
            endpoint VARCHAR NOT NULL,
            submission_id INTEGER,
            expires_at INTEGER NOT NULL,
            answer VARCHAR NOT NULL,
            CONSTRAINT pk_idempotency_record PRIMARY KEY (scope_hash),
            CONSTRAINT ck_idempotency_record_scope_hash CHECK (typeof(scope_hash) = 'blob' AND length(scope_hash) = 32),
            CONSTRAINT ck_idempotency_record_fingerprint CHECK (typeof(fingerprint) = 'blob' AND length(fingerprint) = 32),
            CONSTRAINT ck_idempotency_record_endpoint CHECK (endpoint IN ('submissions', 'batch', 'follow-ups', 'corrections')),
            CONSTRAINT ck_idempotency_record_mark CHECK (submission_id IS NOT NULL OR answer = 'null'),
            CONSTRAINT ck_idempotency_record_expires_at CHECK (typeof(expires_at) = 'integer' AND expires_at >= 0),
            CONSTRAINT ck_idempotency_record_answer CHECK (json_valid(answer)),
            CONSTRAINT fk_idempotency_record_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE
        )
        WITHOUT ROWID
        """
    )
    # Records live for a day. Those of results are kept as single ones: nothing tells a batch apart.
    op.execute(
        """
        INSERT INTO idempotency_record
        SELECT scope_hash, fingerprint,
               CASE WHEN json_extract(answer, '$.outcome') IS NULL THEN 'submissions'
                    ELSE 'follow-ups' END,
               submission_id, expires_at, answer
        FROM idempotency_record_before
        """
    )
    op.execute("DROP TABLE idempotency_record_before")
    for index in ("expires_at", "submission_id"):
        op.execute(f"CREATE INDEX ix_idempotency_record_{index} ON idempotency_record ({index})")
