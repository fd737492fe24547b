"""The host lists results by depth, decides without a key, and erases results.

A decision of a command on the folder has no key. SQLite changes no column, so `decision` is copied.
"""

from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _decide_without_a_key()
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
