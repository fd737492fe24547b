"""Derived state that saved less than a fifth of a request goes.

Pools are read from the results, so `evidence_row` goes, and an index holds the units of a pool.
No code read `pool_outlier_check` or which grammar had read a chip. Stored answers are numbered as
they come: the oldest of a chip is deleted first.
"""

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute("DROP TABLE evidence_row")
    op.execute("DROP TABLE pool_outlier_check")
    op.execute("DROP INDEX ix_setting_result_pool_status")
    op.execute(
        "CREATE INDEX ix_setting_result_pool_status ON setting_result (pool_id, status, unit_id)"
    )
    _number_stored_answers()
    _drop_grammar_version()


def _number_stored_answers() -> None:
    op.execute(
        """
        CREATE TABLE numbered_answer (
            id INTEGER NOT NULL,
            question VARCHAR NOT NULL,
            line_id INTEGER NOT NULL,
            chip_key VARCHAR NOT NULL,
            stamp_revision INTEGER NOT NULL,
            stamp_version VARCHAR NOT NULL,
            stamp_day DATE NOT NULL,
            etag VARCHAR NOT NULL,
            body BLOB NOT NULL,
            CONSTRAINT pk_stored_answer PRIMARY KEY (id),
            CONSTRAINT ck_stored_answer_question CHECK (typeof(question) = 'text' AND length(question) BETWEEN 1 AND 600),
            CONSTRAINT ck_stored_answer_stamp_revision CHECK (typeof(stamp_revision) = 'integer' AND stamp_revision >= 0),
            CONSTRAINT ck_stored_answer_stamp_day CHECK (stamp_day IS date(stamp_day)),
            CONSTRAINT ck_stored_answer_stamp_version CHECK (typeof(stamp_version) = 'text' AND length(stamp_version) BETWEEN 1 AND 20),
            CONSTRAINT ck_stored_answer_chip_key CHECK (typeof(chip_key) = 'text' AND length(chip_key) BETWEEN 1 AND 100),
            CONSTRAINT uq_stored_answer_question UNIQUE (question),
            CONSTRAINT fk_stored_answer_line_id_line FOREIGN KEY(line_id) REFERENCES line (id)
        )
        """
    )
    op.execute(
        """
        INSERT INTO numbered_answer (question, line_id, chip_key, stamp_revision, stamp_version,
                                     stamp_day, etag, body)
        SELECT question, line_id, chip_key, stamp_revision, stamp_version, stamp_day, etag, body
        FROM stored_answer ORDER BY last_used
        """
    )
    op.execute("DROP TABLE stored_answer")
    op.execute("ALTER TABLE numbered_answer RENAME TO stored_answer")
    op.execute("CREATE INDEX ix_stored_answer_chip_key ON stored_answer (chip_key)")
    op.execute("CREATE INDEX ix_stored_answer_line_id ON stored_answer (line_id)")


def _drop_grammar_version() -> None:
    # SQLite drops no column that a constraint names, so the table is copied.
    op.execute(
        """
        CREATE TABLE submission_copy (
            id INTEGER NOT NULL,
            public_id VARCHAR NOT NULL,
            chip_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            received_day DATE NOT NULL,
            measured_month VARCHAR NOT NULL,
            document VARCHAR NOT NULL,
            content_hash BLOB,
            rules_version INTEGER NOT NULL,
            reading_ignored VARCHAR DEFAULT '[]' NOT NULL,
            chip_conflict VARCHAR DEFAULT '' NOT NULL,
            CONSTRAINT pk_submission PRIMARY KEY (id),
            CONSTRAINT ck_submission_public_id CHECK (typeof(public_id) = 'text' AND length(public_id) BETWEEN 1 AND 36),
            CONSTRAINT ck_submission_received_day CHECK (received_day IS date(received_day)),
            CONSTRAINT ck_submission_measured_month CHECK (measured_month || '-01' IS date(measured_month || '-01')),
            CONSTRAINT ck_submission_content_hash CHECK (content_hash IS NULL OR (typeof(content_hash) = 'blob' AND length(content_hash) = 32)),
            CONSTRAINT ck_submission_rules_version CHECK (typeof(rules_version) = 'integer' AND rules_version BETWEEN 1 AND 1000000),
            CONSTRAINT ck_submission_document CHECK (json_valid(document)),
            CONSTRAINT ck_submission_reading_ignored CHECK (json_valid(reading_ignored)),
            CONSTRAINT ck_submission_chip_conflict CHECK (typeof(chip_conflict) = 'text' AND length(chip_conflict) <= 400),
            CONSTRAINT uq_submission_public_id UNIQUE (public_id),
            CONSTRAINT fk_submission_chip_id_chip FOREIGN KEY(chip_id) REFERENCES chip (id),
            CONSTRAINT fk_submission_unit_id_unit FOREIGN KEY(unit_id) REFERENCES unit (id),
            CONSTRAINT uq_submission_content_hash UNIQUE (content_hash)
        )
        """
    )
    op.execute(
        """
        INSERT INTO submission_copy
        SELECT id, public_id, chip_id, unit_id, received_day, measured_month, document,
               content_hash, rules_version, reading_ignored, chip_conflict
        FROM submission
        """
    )
    op.execute("DROP TABLE submission")
    op.execute("ALTER TABLE submission_copy RENAME TO submission")
    op.execute("CREATE INDEX ix_submission_chip_id ON submission (chip_id)")
    op.execute("CREATE INDEX ix_submission_unit_id ON submission (unit_id)")
