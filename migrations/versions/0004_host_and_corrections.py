"""The host lists results by depth, decides without a key and erases; a batch remembers withdrawals.

A decision of a command on the folder has no key. A batch that is sent again must not store a
withdrawn result: its record stays without content. The answer to a repeat is kept to a full hour,
and a version has up to 80 characters. Curators retire notes. SQLite changes no column, so tables
are copied.
"""

from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute(
        "ALTER TABLE unit ADD COLUMN document_hash BLOB "
        "CONSTRAINT ck_unit_document_hash CHECK (document_hash IS NULL OR "
        "(typeof(document_hash) = 'blob' AND length(document_hash) = 32))"
    )
    op.execute("CREATE UNIQUE INDEX ix_unit_document_hash ON unit (document_hash)")
    op.execute(
        """
        CREATE TABLE pool_peers_copy (
            pool_id INTEGER NOT NULL,
            known VARCHAR NOT NULL,
            stable VARCHAR NOT NULL,
            day DATE NOT NULL,
            CONSTRAINT pk_pool_peers PRIMARY KEY (pool_id),
            CONSTRAINT ck_pool_peers_known CHECK (json_valid(known)),
            CONSTRAINT ck_pool_peers_stable CHECK (json_valid(stable)),
            CONSTRAINT ck_pool_peers_day CHECK (day IS date(day)),
            CONSTRAINT fk_pool_peers_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE
        )
        """
    )
    # Of a day long ago: the next answer computes them again.
    op.execute(
        "INSERT INTO pool_peers_copy SELECT pool_id, known, stable, '2000-01-01' FROM pool_peers"
    )
    op.execute("DROP TABLE pool_peers")
    op.execute("ALTER TABLE pool_peers_copy RENAME TO pool_peers")
    op.execute("CREATE INDEX ix_pool_peers_values ON pool_peers (day, known, stable)")
    _decide_without_a_key()
    _keep_records_of_withdrawn_items()
    _allow_longer_versions()
    _retire_notes()
    op.execute(
        "CREATE INDEX ix_setting_result_deepest ON setting_result "
        "(pool_id, stable_steps, submission_id) "
        "WHERE stable_steps IS NOT NULL"
    )
    op.execute(
        "CREATE INDEX ix_setting_result_shallowest ON setting_result "
        "(pool_id, unstable_steps, submission_id) "
        "WHERE unstable_steps IS NOT NULL"
    )
    op.execute(
        """
        CREATE TABLE erasure (
            id INTEGER NOT NULL,
            erased_day DATE NOT NULL,
            reason_code VARCHAR NOT NULL,
            results INTEGER NOT NULL,
            decided_by INTEGER,
            CONSTRAINT pk_erasure PRIMARY KEY (id),
            CONSTRAINT ck_erasure_erased_day CHECK (erased_day IS date(erased_day)),
            CONSTRAINT ck_erasure_reason_code CHECK (reason_code IN ('asked_by_sender', 'personal_data', 'false_results')),
            CONSTRAINT ck_erasure_results CHECK (typeof(results) = 'integer' AND results BETWEEN 1 AND 1000000000),
            CONSTRAINT fk_erasure_decided_by_access_key FOREIGN KEY(decided_by) REFERENCES access_key (id)
        )
        """
    )
    op.execute(
        "CREATE INDEX ix_erasure_values ON erasure (decided_by, erased_day, reason_code, results)"
    )


def _allow_longer_versions() -> None:
    connection = op.get_bind()
    for table in ("conditions", "lock_report"):
        statements = connection.exec_driver_sql(
            "SELECT type, sql FROM sqlite_master WHERE tbl_name = ? AND sql IS NOT NULL", (table,)
        ).all()
        (created,) = (sql for kind, sql in statements if kind == "table")
        copied = created.partition("(")[2]
        for column in ("firmware", "microcode"):
            copied = copied.replace(f"length({column}) <= 40", f"length({column}) <= 80")
        connection.exec_driver_sql(f"CREATE TABLE {table}_copy ({copied}")
        connection.exec_driver_sql(
            f"INSERT INTO {table}_copy SELECT * FROM {table}"  # noqa: S608 - two fixed names
        )
        connection.exec_driver_sql(f"DROP TABLE {table}")
        connection.exec_driver_sql(f"ALTER TABLE {table}_copy RENAME TO {table}")
        for kind, sql in statements:
            if kind == "index":
                connection.exec_driver_sql(sql)


def _decide_without_a_key() -> None:
    op.execute(
        """
        CREATE TABLE decision_copy (
            id INTEGER NOT NULL,
            submission_id INTEGER NOT NULL,
            ordinal INTEGER NOT NULL,
            decision VARCHAR NOT NULL,
            reason_code VARCHAR NOT NULL,
            decided_by INTEGER,
            decided_day DATE NOT NULL,
            CONSTRAINT pk_decision PRIMARY KEY (id),
            CONSTRAINT ck_decision_ordinal CHECK (typeof(ordinal) = 'integer' AND ordinal BETWEEN 0 AND 1000),
            CONSTRAINT ck_decision_decision CHECK (decision IN ('include', 'exclude', 'invalidate', 'undo')),
            CONSTRAINT ck_decision_reason_code CHECK (reason_code IN ('effect_confirmed', 'depth_confirmed', 'rule_does_not_fit', 'effect_doubted', 'testing_doubted', 'machine_doubted', 'unlike_other_results', 'wrong_units', 'wrong_chip', 'not_measured', 'script_error', 'decided_in_error', 'rules_apply')),
            CONSTRAINT ck_decision_decided_day CHECK (decided_day IS date(decided_day)),
            CONSTRAINT fk_decision_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE,
            CONSTRAINT fk_decision_decided_by_access_key FOREIGN KEY(decided_by) REFERENCES access_key (id)
        )
        """
    )
    op.execute(
        """
        INSERT INTO decision_copy
        SELECT id, submission_id, ordinal, decision, reason_code, decided_by, decided_day
        FROM decision
        """
    )
    op.execute("DROP TABLE decision")
    op.execute("ALTER TABLE decision_copy RENAME TO decision")
    op.execute(
        "CREATE INDEX ix_decision_values ON decision (decided_by, decision, reason_code, decided_day)"
    )
    op.execute("CREATE INDEX ix_decision_submission_ordinal ON decision (submission_id, ordinal)")


def _keep_records_of_withdrawn_items() -> None:
    op.execute(
        """
        CREATE TABLE idempotency_record_copy (
            scope_hash BLOB NOT NULL,
            fingerprint BLOB NOT NULL,
            endpoint VARCHAR NOT NULL,
            submission_id INTEGER,
            expires_at INTEGER NOT NULL,
            answer VARCHAR NOT NULL,
            answer_checksum VARCHAR NOT NULL,
            CONSTRAINT pk_idempotency_record PRIMARY KEY (scope_hash),
            CONSTRAINT ck_idempotency_record_scope_hash CHECK (typeof(scope_hash) = 'blob' AND length(scope_hash) = 32),
            CONSTRAINT ck_idempotency_record_fingerprint CHECK (typeof(fingerprint) = 'blob' AND length(fingerprint) = 32),
            CONSTRAINT ck_idempotency_record_endpoint CHECK (endpoint IN ('submissions', 'batch', 'follow-ups', 'corrections')),
            CONSTRAINT ck_idempotency_record_mark CHECK (submission_id IS NOT NULL OR answer = 'null'),
            CONSTRAINT ck_idempotency_record_expires_at CHECK (typeof(expires_at) = 'integer' AND expires_at >= 0 AND expires_at % 3600 = 0),
            CONSTRAINT ck_idempotency_record_answer CHECK (json_valid(answer)),
            CONSTRAINT ck_idempotency_record_answer_checksum CHECK (typeof(answer_checksum) = 'text' AND length(answer_checksum) = 32),
            CONSTRAINT fk_idempotency_record_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE
        )
        WITHOUT ROWID
        """
    )
    # Records live for a day. Those of results are kept as single ones: nothing tells a batch apart.
    op.execute(
        """
        INSERT INTO idempotency_record_copy
        SELECT scope_hash, fingerprint,
               CASE WHEN json_extract(answer, '$.outcome') IS NULL THEN 'submissions'
                    ELSE 'follow-ups' END,
               submission_id, (expires_at + 3599) / 3600 * 3600, answer, answer_checksum
        FROM idempotency_record
        """
    )
    op.execute("DROP TABLE idempotency_record")
    op.execute("ALTER TABLE idempotency_record_copy RENAME TO idempotency_record")
    op.execute(
        "CREATE INDEX ix_idempotency_record_submission_id ON idempotency_record (submission_id)"
    )
    op.execute(
        "CREATE INDEX ix_idempotency_record_values ON idempotency_record (expires_at, fingerprint, endpoint)"
    )


def _retire_notes() -> None:
    op.execute(
        """
        CREATE TABLE note_copy (
            id INTEGER NOT NULL,
            "key" VARCHAR NOT NULL,
            state VARCHAR NOT NULL,
            subject_kind VARCHAR NOT NULL,
            subject VARCHAR NOT NULL,
            control VARCHAR NOT NULL,
            domain VARCHAR NOT NULL,
            source VARCHAR NOT NULL,
            reviewed_month VARCHAR NOT NULL,
            markdown VARCHAR NOT NULL,
            CONSTRAINT pk_note PRIMARY KEY (id),
            CONSTRAINT ck_note_key CHECK (typeof(key) = 'text' AND length(key) BETWEEN 1 AND 80),
            CONSTRAINT ck_note_state CHECK (state IN ('draft', 'published', 'retired')),
            CONSTRAINT ck_note_subject_kind CHECK (subject_kind IN ('chip', 'series', 'machine')),
            CONSTRAINT ck_note_subject CHECK (typeof(subject) = 'text' AND length(subject) BETWEEN 1 AND 100),
            CONSTRAINT ck_note_control CHECK (typeof(control) = 'text' AND length(control) <= 40),
            CONSTRAINT ck_note_domain CHECK (typeof(domain) = 'text' AND length(domain) <= 40),
            CONSTRAINT ck_note_source CHECK (typeof(source) = 'text' AND length(source) BETWEEN 1 AND 200),
            CONSTRAINT ck_note_reviewed_month CHECK (reviewed_month || '-01' IS date(reviewed_month || '-01')),
            CONSTRAINT ck_note_markdown CHECK (typeof(markdown) = 'text' AND length(markdown) BETWEEN 1 AND 4000),
            CONSTRAINT uq_note_key_state UNIQUE ("key", state)
        )
        """
    )
    op.execute("INSERT INTO note_copy SELECT * FROM note")
    op.execute("DROP TABLE note")
    op.execute("ALTER TABLE note_copy RENAME TO note")
    op.execute(
        "CREATE INDEX ix_note_values ON note (subject, subject_kind, control, domain, source, reviewed_month, markdown)"
    )
