"""Access keys, what curators decide, and what each setting stands as beside what rules made of it."""

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
