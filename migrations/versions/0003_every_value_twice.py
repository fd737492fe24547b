"""Each value is stored twice, so that a check finds a changed bit; readiness writes a row.

An index of each table repeats the values that no other index repeats. Documents and answers are too
long for an index: a checksum is beside them.
"""

import hashlib

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# Each table, the index that the new one replaces, and the columns of the new one.
_VALUES = (
    ("access_key", None, "name, key_id, scopes, created_day, revoked_day"),
    ("chip", "ix_chip_series", "series, name, kind"),
    ("contributor", None, "key_id, first_seen_day"),
    ("decision", "ix_decision_decided_by", "decided_by, decision, reason_code, decided_day"),
    (
        "differing_contributor",
        "ix_differing_contributor_contributor_id",
        "contributor_id, pool_id, code",
    ),
    ("health_probe", None, "value"),
    (
        "lock_report",
        "ix_lock_report_unit_id",
        "unit_id, status, found_by, changes, measured_month, machine, firmware, firmware_month, microcode, os, virtualization, hypervisor, memory_integrity, kernel_lockdown, voltage_write_protection",
    ),
    (
        "note",
        "ix_note_subject",
        "subject, subject_kind, control, domain, source, reviewed_month, markdown",
    ),
    (
        "note_history",
        "ix_note_history_key",
        '"key", source, reviewed_month, markdown, replaced_day',
    ),
    ("outlier_unit", "ix_outlier_unit_unit_id", "unit_id, pool_id, code"),
    ("pool_peers", None, "known, stable"),
    (
        "reading",
        "ix_reading_unit_id",
        "unit_id, state, is_below_stock, runs, minutes, power_w, power_scope, power_cap_w, clock_mhz, clock_spread_mhz, clock_kind, temp_avg_c, temp_max_c, temp_sensor, ambient_c, fan, noise_dba, performance, performance_low, performance_unit",
    ),
    (
        "setting_result",
        "ix_setting_result_unit_pool",
        "unit_id, pool_id, id, domain, status_by_rules, decision, reasons, stable_steps, unstable_steps, early_stop_steps, measured_month, clock_mhz, stock_mv",
    ),
    (
        "stored_answer",
        "ix_stored_answer_line_id",
        "line_id, stamp_revision, stamp_version, stamp_day",
    ),
)


def upgrade() -> None:
    op.get_bind().connection.driver_connection.create_function("checksum", 1, _checksum)
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
    for table, old, columns in _VALUES:
        if old is not None:
            op.execute(f"DROP INDEX {old}")
        op.execute(f"CREATE INDEX ix_{table}_values ON {table} ({columns})")
    _stop_counting_lines()
    _add_to_submissions()
    _add_to_follow_ups()
    _add_to_idempotency_records()


def _stop_counting_lines() -> None:
    """A new line gets a number by chance: SQLite's counter of numbers has no second copy."""
    op.execute(
        """
        CREATE TABLE line_copy (
            id INTEGER NOT NULL,
            "key" VARCHAR NOT NULL,
            revision INTEGER NOT NULL,
            CONSTRAINT pk_line PRIMARY KEY (id),
            CONSTRAINT ck_line_key CHECK (typeof(key) = 'text' AND length(key) BETWEEN 1 AND 100),
            CONSTRAINT ck_line_revision CHECK (typeof(revision) = 'integer' AND revision >= 0),
            CONSTRAINT uq_line_key UNIQUE ("key")
        )
        """
    )
    op.execute('INSERT INTO line_copy SELECT id, "key", revision FROM line')
    op.execute("DROP TABLE line")
    op.execute("ALTER TABLE line_copy RENAME TO line")
    op.execute("CREATE INDEX ix_line_values ON line (revision)")
    op.execute("DELETE FROM sqlite_sequence")


def _checksum(content: str) -> str:
    return hashlib.sha256(content.encode()).hexdigest()[:32]


def _add_to_submissions() -> None:
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
            document_checksum VARCHAR NOT NULL,
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
            CONSTRAINT ck_submission_document_checksum CHECK (typeof(document_checksum) = 'text' AND length(document_checksum) = 32),
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
               checksum(document), content_hash, rules_version, reading_ignored, chip_conflict
        FROM submission
        """
    )
    op.execute("DROP TABLE submission")
    op.execute("ALTER TABLE submission_copy RENAME TO submission")
    op.execute("CREATE INDEX ix_submission_chip_id ON submission (chip_id)")
    op.execute(
        "CREATE INDEX ix_submission_values ON submission (unit_id, received_day, measured_month, rules_version, reading_ignored, chip_conflict)"
    )


def _add_to_follow_ups() -> None:
    op.execute(
        """
        CREATE TABLE follow_up_copy (
            id INTEGER NOT NULL,
            submission_id INTEGER NOT NULL,
            pool_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            conditions_id INTEGER NOT NULL,
            received_day DATE NOT NULL,
            measured_month VARCHAR NOT NULL,
            outcome VARCHAR NOT NULL,
            status VARCHAR NOT NULL,
            reasons VARCHAR NOT NULL,
            document VARCHAR NOT NULL,
            document_checksum VARCHAR NOT NULL,
            days INTEGER,
            steps INTEGER NOT NULL,
            stable_steps INTEGER,
            unstable_steps INTEGER,
            early_stop_steps INTEGER NOT NULL,
            CONSTRAINT pk_follow_up PRIMARY KEY (id),
            CONSTRAINT ck_follow_up_received_day CHECK (received_day IS date(received_day)),
            CONSTRAINT ck_follow_up_measured_month CHECK (measured_month || '-01' IS date(measured_month || '-01')),
            CONSTRAINT ck_follow_up_outcome CHECK (outcome IN ('still_stable', 'failed_later', 'locked_later', 'fails_at_stock_too', 'given_up', 'machine_gone')),
            CONSTRAINT ck_follow_up_status CHECK (status IN ('counted', 'unverified', 'recorded')),
            CONSTRAINT ck_follow_up_document CHECK (json_valid(document)),
            CONSTRAINT ck_follow_up_document_checksum CHECK (typeof(document_checksum) = 'text' AND length(document_checksum) = 32),
            CONSTRAINT ck_follow_up_reasons CHECK (json_valid(reasons)),
            CONSTRAINT ck_follow_up_days CHECK (days IS NULL OR (typeof(days) = 'integer' AND days BETWEEN 0 AND 36500)),
            CONSTRAINT ck_follow_up_steps CHECK (typeof(steps) = 'integer' AND steps BETWEEN 0 AND 1000),
            CONSTRAINT ck_follow_up_stable_steps CHECK (stable_steps IS NULL OR (typeof(stable_steps) = 'integer' AND stable_steps BETWEEN 0 AND 1000)),
            CONSTRAINT ck_follow_up_unstable_steps CHECK (unstable_steps IS NULL OR (typeof(unstable_steps) = 'integer' AND unstable_steps BETWEEN 1 AND 1000)),
            CONSTRAINT ck_follow_up_early_stop_steps CHECK (typeof(early_stop_steps) = 'integer' AND early_stop_steps BETWEEN 0 AND 1000),
            CONSTRAINT ck_follow_up_one_end CHECK (unstable_steps IS NULL OR stable_steps IS NULL),
            CONSTRAINT fk_follow_up_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE,
            CONSTRAINT fk_follow_up_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id),
            CONSTRAINT fk_follow_up_unit_id_unit FOREIGN KEY(unit_id) REFERENCES unit (id),
            CONSTRAINT fk_follow_up_conditions_id_conditions FOREIGN KEY(conditions_id) REFERENCES conditions (id)
        )
        """
    )
    op.execute(
        """
        INSERT INTO follow_up_copy
        SELECT id, submission_id, pool_id, unit_id, conditions_id, received_day, measured_month,
               outcome, status, reasons, document, checksum(document), days, steps, stable_steps,
               unstable_steps, early_stop_steps
        FROM follow_up
        """
    )
    op.execute("DROP TABLE follow_up")
    op.execute("ALTER TABLE follow_up_copy RENAME TO follow_up")
    op.execute("CREATE INDEX ix_follow_up_conditions_id ON follow_up (conditions_id)")
    op.execute("CREATE INDEX ix_follow_up_pool_id ON follow_up (pool_id)")
    op.execute("CREATE INDEX ix_follow_up_submission_id ON follow_up (submission_id)")
    op.execute(
        "CREATE INDEX ix_follow_up_values ON follow_up (unit_id, pool_id, received_day, measured_month, outcome, status, reasons, days, steps, stable_steps, unstable_steps, early_stop_steps)"
    )


def _add_to_idempotency_records() -> None:
    op.execute(
        """
        CREATE TABLE idempotency_record_copy (
            scope_hash BLOB NOT NULL,
            fingerprint BLOB NOT NULL,
            submission_id INTEGER NOT NULL,
            expires_at INTEGER NOT NULL,
            answer VARCHAR NOT NULL,
            answer_checksum VARCHAR NOT NULL,
            CONSTRAINT pk_idempotency_record PRIMARY KEY (scope_hash),
            CONSTRAINT ck_idempotency_record_scope_hash CHECK (typeof(scope_hash) = 'blob' AND length(scope_hash) = 32),
            CONSTRAINT ck_idempotency_record_fingerprint CHECK (typeof(fingerprint) = 'blob' AND length(fingerprint) = 32),
            CONSTRAINT ck_idempotency_record_expires_at CHECK (typeof(expires_at) = 'integer' AND expires_at >= 0),
            CONSTRAINT ck_idempotency_record_answer CHECK (json_valid(answer)),
            CONSTRAINT ck_idempotency_record_answer_checksum CHECK (typeof(answer_checksum) = 'text' AND length(answer_checksum) = 32),
            CONSTRAINT fk_idempotency_record_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE
        )
         WITHOUT ROWID
        """
    )
    op.execute(
        """
        INSERT INTO idempotency_record_copy
        SELECT scope_hash, fingerprint, submission_id, expires_at, answer, checksum(answer)
        FROM idempotency_record
        """
    )
    op.execute("DROP TABLE idempotency_record")
    op.execute("ALTER TABLE idempotency_record_copy RENAME TO idempotency_record")
    op.execute(
        "CREATE INDEX ix_idempotency_record_submission_id ON idempotency_record (submission_id)"
    )
    op.execute(
        "CREATE INDEX ix_idempotency_record_values ON idempotency_record (expires_at, fingerprint)"
    )
