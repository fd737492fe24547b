"""Access keys, what curators decide, settings that stand by it, drafts and history of notes."""

from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute(
        """
        CREATE TABLE access_key (
            id INTEGER NOT NULL,
            name VARCHAR NOT NULL,
            key_hash BLOB NOT NULL,
            key_id VARCHAR NOT NULL,
            scopes VARCHAR NOT NULL,
            created_day DATE NOT NULL,
            revoked_day DATE,
            CONSTRAINT pk_access_key PRIMARY KEY (id),
            CONSTRAINT ck_access_key_name CHECK (typeof(name) = 'text' AND length(name) <= 40),
            CONSTRAINT ck_access_key_key_hash CHECK (typeof(key_hash) = 'blob' AND length(key_hash) = 32),
            CONSTRAINT ck_access_key_key_id CHECK (typeof(key_id) = 'text' AND length(key_id) BETWEEN 1 AND 8),
            CONSTRAINT ck_access_key_scopes CHECK (length(scopes) > 0 AND replace(replace(replace(replace(scopes || ',', 'submit,', ''), 'collect,', ''), 'curate,', ''), 'own,', '') = ''),
            CONSTRAINT ck_access_key_created_day CHECK (created_day IS date(created_day)),
            CONSTRAINT ck_access_key_revoked_day CHECK (revoked_day IS date(revoked_day)),
            CONSTRAINT uq_access_key_key_hash UNIQUE (key_hash)
        )
        """
    )
    op.execute(
        """
        CREATE TABLE decision (
            id INTEGER NOT NULL,
            submission_id INTEGER NOT NULL,
            ordinal INTEGER NOT NULL,
            word VARCHAR NOT NULL,
            reason_code VARCHAR NOT NULL,
            decided_by INTEGER NOT NULL,
            decided_day DATE NOT NULL,
            CONSTRAINT pk_decision PRIMARY KEY (id),
            CONSTRAINT ck_decision_ordinal CHECK (typeof(ordinal) = 'integer' AND ordinal BETWEEN 0 AND 1000),
            CONSTRAINT ck_decision_word CHECK (word IN ('count', 'keep_aside', 'reject', 'undo')),
            CONSTRAINT ck_decision_reason_code CHECK (reason_code IN ('effect_confirmed', 'depth_confirmed', 'rule_does_not_fit', 'effect_doubted', 'testing_doubted', 'machine_doubted', 'unlike_other_results', 'units_confused', 'chip_confused', 'not_measured', 'script_at_fault', 'decided_in_error', 'rules_suffice')),
            CONSTRAINT ck_decision_decided_day CHECK (decided_day IS date(decided_day)),
            CONSTRAINT fk_decision_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE,
            CONSTRAINT fk_decision_decided_by_access_key FOREIGN KEY(decided_by) REFERENCES access_key (id)
        )
        """
    )
    op.execute("CREATE INDEX ix_decision_decided_by ON decision (decided_by)")
    op.execute("CREATE INDEX ix_decision_submission_ordinal ON decision (submission_id, ordinal)")
    op.execute(
        """
        ALTER TABLE setting_result ADD COLUMN screened VARCHAR DEFAULT 'counted' NOT NULL
        CONSTRAINT ck_setting_result_screened CHECK (screened IN ('counted', 'claimed', 'set_aside'))
        """
    )
    op.execute("UPDATE setting_result SET screened = status")
    op.execute(
        """
        ALTER TABLE setting_result ADD COLUMN decided VARCHAR DEFAULT '' NOT NULL
        CONSTRAINT ck_setting_result_decided CHECK (decided IN ('', 'count', 'keep_aside', 'reject'))
        """
    )
    op.execute(
        "CREATE INDEX ix_setting_result_waiting ON setting_result (submission_id, ordinal) "
        "WHERE status = 'set_aside' AND decided = ''"
    )
    # SQLite drops no constraint: a key may now have a draft beside what is published.
    op.execute(
        """
        CREATE TABLE note_with_state (
            id INTEGER NOT NULL,
            key VARCHAR NOT NULL,
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
            CONSTRAINT ck_note_state CHECK (state IN ('draft', 'published')),
            CONSTRAINT ck_note_subject_kind CHECK (subject_kind IN ('chip', 'series', 'machine')),
            CONSTRAINT ck_note_subject CHECK (typeof(subject) = 'text' AND length(subject) BETWEEN 1 AND 100),
            CONSTRAINT ck_note_control CHECK (typeof(control) = 'text' AND length(control) <= 40),
            CONSTRAINT ck_note_domain CHECK (typeof(domain) = 'text' AND length(domain) <= 40),
            CONSTRAINT ck_note_source CHECK (typeof(source) = 'text' AND length(source) BETWEEN 1 AND 200),
            CONSTRAINT ck_note_reviewed_month CHECK (reviewed_month || '-01' IS date(reviewed_month || '-01')),
            CONSTRAINT ck_note_markdown CHECK (typeof(markdown) = 'text' AND length(markdown) BETWEEN 1 AND 4000),
            CONSTRAINT uq_note_key_state UNIQUE (key, state)
        )
        """
    )
    op.execute(
        """
        INSERT INTO note_with_state
        SELECT id, key, 'published', subject_kind, subject, control, domain, source,
               reviewed_month, markdown
        FROM note
        """
    )
    op.execute("DROP TABLE note")
    op.execute("ALTER TABLE note_with_state RENAME TO note")
    op.execute("CREATE INDEX ix_note_subject ON note (subject)")
    op.execute(
        """
        CREATE TABLE note_history (
            id INTEGER NOT NULL,
            key VARCHAR NOT NULL,
            source VARCHAR NOT NULL,
            reviewed_month VARCHAR NOT NULL,
            markdown VARCHAR NOT NULL,
            replaced_day DATE NOT NULL,
            CONSTRAINT pk_note_history PRIMARY KEY (id),
            CONSTRAINT ck_note_history_key CHECK (typeof(key) = 'text' AND length(key) BETWEEN 1 AND 80),
            CONSTRAINT ck_note_history_source CHECK (typeof(source) = 'text' AND length(source) BETWEEN 1 AND 200),
            CONSTRAINT ck_note_history_reviewed_month CHECK (reviewed_month || '-01' IS date(reviewed_month || '-01')),
            CONSTRAINT ck_note_history_markdown CHECK (typeof(markdown) = 'text' AND length(markdown) BETWEEN 1 AND 4000),
            CONSTRAINT ck_note_history_replaced_day CHECK (replaced_day IS date(replaced_day))
        )
        """
    )
    op.execute("CREATE INDEX ix_note_history_key ON note_history (key)")
