"""Every table of the first schema."""

from alembic import op

revision = "0001"
down_revision = None
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
            CONSTRAINT ck_access_key_scopes CHECK (length(scopes) > 0 AND replace(replace(replace(replace(scopes || ',', 'submit,', ''), 'submit_for_members,', ''), 'curate,', ''), 'admin,', '') = ''),
            CONSTRAINT ck_access_key_created_day CHECK (created_day IS date(created_day)),
            CONSTRAINT ck_access_key_revoked_day CHECK (revoked_day IS date(revoked_day)),
            CONSTRAINT uq_access_key_key_hash UNIQUE (key_hash)
        )
        """
    )
    op.execute(
        """
        CREATE TABLE conditions (
            id INTEGER NOT NULL,
            loads VARCHAR NOT NULL,
            grade VARCHAR NOT NULL,
            firmware VARCHAR NOT NULL,
            microcode VARCHAR NOT NULL,
            machine VARCHAR NOT NULL,
            cooling VARCHAR NOT NULL,
            supply VARCHAR NOT NULL,
            CONSTRAINT pk_conditions PRIMARY KEY (id),
            CONSTRAINT ck_conditions_grade CHECK (grade IN ('short', 'quick', 'long', 'in_use_30_days')),
            CONSTRAINT ck_conditions_loads CHECK (typeof(loads) = 'text' AND length(loads) <= 200),
            CONSTRAINT ck_conditions_firmware CHECK (typeof(firmware) = 'text' AND length(firmware) <= 40),
            CONSTRAINT ck_conditions_microcode CHECK (typeof(microcode) = 'text' AND length(microcode) <= 40),
            CONSTRAINT ck_conditions_machine CHECK (typeof(machine) = 'text' AND length(machine) <= 60),
            CONSTRAINT ck_conditions_cooling CHECK (typeof(cooling) = 'text' AND length(cooling) <= 200),
            CONSTRAINT ck_conditions_supply CHECK (supply IN ('', 'mains', 'battery')),
            CONSTRAINT uq_conditions_loads_grade_firmware_microcode_machine_cooling_supply UNIQUE (loads, grade, firmware, microcode, machine, cooling, supply)
        )
        """
    )
    op.execute(
        """
        CREATE TABLE contributor (
            id INTEGER NOT NULL,
            token_hash BLOB NOT NULL,
            key_id VARCHAR NOT NULL,
            first_seen_day DATE NOT NULL,
            CONSTRAINT pk_contributor PRIMARY KEY (id),
            CONSTRAINT ck_contributor_token_hash CHECK (typeof(token_hash) = 'blob' AND length(token_hash) = 32),
            CONSTRAINT ck_contributor_key_id CHECK (typeof(key_id) = 'text' AND length(key_id) BETWEEN 1 AND 8),
            CONSTRAINT ck_contributor_first_seen_day CHECK (first_seen_day IS date(first_seen_day)),
            CONSTRAINT uq_contributor_token_hash UNIQUE (token_hash)
        )
        """
    )
    op.execute(
        """
        CREATE TABLE line (
            id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
            "key" VARCHAR NOT NULL,
            revision INTEGER NOT NULL,
            CONSTRAINT ck_line_key CHECK (typeof(key) = 'text' AND length(key) BETWEEN 1 AND 100),
            CONSTRAINT ck_line_revision CHECK (typeof(revision) = 'integer' AND revision >= 0),
            CONSTRAINT uq_line_key UNIQUE ("key")
        )
        """
    )
    op.execute(
        """
        CREATE TABLE note (
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
            CONSTRAINT ck_note_state CHECK (state IN ('draft', 'published')),
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
    op.execute("CREATE INDEX ix_note_subject ON note (subject)")
    op.execute(
        """
        CREATE TABLE note_history (
            id INTEGER NOT NULL,
            "key" VARCHAR NOT NULL,
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
    op.execute('CREATE INDEX ix_note_history_key ON note_history ("key")')
    op.execute(
        """
        CREATE TABLE chip (
            id INTEGER NOT NULL,
            "key" VARCHAR NOT NULL,
            name VARCHAR NOT NULL,
            kind VARCHAR NOT NULL,
            series VARCHAR NOT NULL,
            line_id INTEGER NOT NULL,
            CONSTRAINT pk_chip PRIMARY KEY (id),
            CONSTRAINT ck_chip_key CHECK (typeof(key) = 'text' AND length(key) BETWEEN 1 AND 100),
            CONSTRAINT ck_chip_name CHECK (typeof(name) = 'text' AND length(name) BETWEEN 1 AND 200),
            CONSTRAINT ck_chip_series CHECK (typeof(series) = 'text' AND length(series) BETWEEN 1 AND 100),
            CONSTRAINT ck_chip_kind CHECK (kind IN ('cpu', 'gpu')),
            CONSTRAINT uq_chip_key UNIQUE ("key"),
            CONSTRAINT fk_chip_line_id_line FOREIGN KEY(line_id) REFERENCES line (id)
        )
        """
    )
    op.execute("CREATE INDEX ix_chip_line_id ON chip (line_id)")
    op.execute("CREATE INDEX ix_chip_series ON chip (series)")
    op.execute(
        """
        CREATE TABLE stored_answer (
            question VARCHAR NOT NULL,
            line_id INTEGER NOT NULL,
            chip_key VARCHAR NOT NULL,
            stamp_revision INTEGER NOT NULL,
            stamp_version VARCHAR NOT NULL,
            stamp_day DATE NOT NULL,
            last_used INTEGER NOT NULL,
            etag VARCHAR NOT NULL,
            body BLOB NOT NULL,
            CONSTRAINT pk_stored_answer PRIMARY KEY (question),
            CONSTRAINT ck_stored_answer_question CHECK (typeof(question) = 'text' AND length(question) BETWEEN 1 AND 600),
            CONSTRAINT ck_stored_answer_stamp_revision CHECK (typeof(stamp_revision) = 'integer' AND stamp_revision >= 0),
            CONSTRAINT ck_stored_answer_stamp_day CHECK (stamp_day IS date(stamp_day)),
            CONSTRAINT ck_stored_answer_stamp_version CHECK (typeof(stamp_version) = 'text' AND length(stamp_version) BETWEEN 1 AND 20),
            CONSTRAINT ck_stored_answer_last_used CHECK (typeof(last_used) = 'integer' AND last_used >= 0),
            CONSTRAINT ck_stored_answer_chip_key CHECK (typeof(chip_key) = 'text' AND length(chip_key) BETWEEN 1 AND 100),
            CONSTRAINT fk_stored_answer_line_id_line FOREIGN KEY(line_id) REFERENCES line (id)
        )
         WITHOUT ROWID
        """
    )
    op.execute("CREATE INDEX ix_stored_answer_chip_used ON stored_answer (chip_key, last_used)")
    op.execute("CREATE INDEX ix_stored_answer_line_id ON stored_answer (line_id)")
    op.execute(
        """
        CREATE TABLE unit (
            id INTEGER NOT NULL,
            contributor_id INTEGER NOT NULL,
            token_hash BLOB,
            CONSTRAINT pk_unit PRIMARY KEY (id),
            CONSTRAINT ck_unit_token_hash CHECK (token_hash IS NULL OR (typeof(token_hash) = 'blob' AND length(token_hash) = 32)),
            CONSTRAINT fk_unit_contributor_id_contributor FOREIGN KEY(contributor_id) REFERENCES contributor (id),
            CONSTRAINT uq_unit_token_hash UNIQUE (token_hash)
        )
        """
    )
    op.execute("CREATE INDEX ix_unit_contributor_id ON unit (contributor_id)")
    op.execute(
        """
        CREATE TABLE pool (
            id INTEGER NOT NULL,
            chip_id INTEGER NOT NULL,
            control VARCHAR NOT NULL,
            domains VARCHAR NOT NULL,
            clock_band_mhz INTEGER NOT NULL,
            CONSTRAINT pk_pool PRIMARY KEY (id),
            CONSTRAINT ck_pool_control CHECK (control IN ('voltage_offset', 'count_offset', 'fixed_clock_voltage')),
            CONSTRAINT ck_pool_domains CHECK (typeof(domains) = 'text' AND length(domains) BETWEEN 1 AND 120),
            CONSTRAINT ck_pool_clock_band_mhz CHECK (typeof(clock_band_mhz) = 'integer' AND clock_band_mhz BETWEEN 0 AND 10000),
            CONSTRAINT uq_pool_chip_id_control_domains_clock_band_mhz UNIQUE (chip_id, control, domains, clock_band_mhz),
            CONSTRAINT fk_pool_chip_id_chip FOREIGN KEY(chip_id) REFERENCES chip (id)
        )
        """
    )
    op.execute(
        """
        CREATE TABLE submission (
            id INTEGER NOT NULL,
            public_id VARCHAR NOT NULL,
            chip_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            received_day DATE NOT NULL,
            measured_month VARCHAR NOT NULL,
            document VARCHAR NOT NULL,
            content_hash BLOB,
            rules_version INTEGER NOT NULL,
            grammar_version INTEGER DEFAULT '1' NOT NULL,
            reading_ignored VARCHAR DEFAULT '[]' NOT NULL,
            chip_conflict VARCHAR DEFAULT '' NOT NULL,
            CONSTRAINT pk_submission PRIMARY KEY (id),
            CONSTRAINT ck_submission_public_id CHECK (typeof(public_id) = 'text' AND length(public_id) BETWEEN 1 AND 36),
            CONSTRAINT ck_submission_received_day CHECK (received_day IS date(received_day)),
            CONSTRAINT ck_submission_measured_month CHECK (measured_month || '-01' IS date(measured_month || '-01')),
            CONSTRAINT ck_submission_content_hash CHECK (content_hash IS NULL OR (typeof(content_hash) = 'blob' AND length(content_hash) = 32)),
            CONSTRAINT ck_submission_rules_version CHECK (typeof(rules_version) = 'integer' AND rules_version BETWEEN 1 AND 1000000),
            CONSTRAINT ck_submission_grammar_version CHECK (typeof(grammar_version) = 'integer' AND grammar_version BETWEEN 1 AND 1000000),
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
    op.execute("CREATE INDEX ix_submission_chip_id ON submission (chip_id)")
    op.execute("CREATE INDEX ix_submission_unit_id ON submission (unit_id)")
    op.execute(
        """
        CREATE TABLE decision (
            id INTEGER NOT NULL,
            submission_id INTEGER NOT NULL,
            ordinal INTEGER NOT NULL,
            decision VARCHAR NOT NULL,
            reason_code VARCHAR NOT NULL,
            decided_by INTEGER NOT NULL,
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
    op.execute("CREATE INDEX ix_decision_decided_by ON decision (decided_by)")
    op.execute("CREATE INDEX ix_decision_submission_ordinal ON decision (submission_id, ordinal)")
    op.execute(
        """
        CREATE TABLE differing_contributor (
            pool_id INTEGER NOT NULL,
            contributor_id INTEGER NOT NULL,
            code VARCHAR NOT NULL,
            CONSTRAINT pk_differing_contributor PRIMARY KEY (pool_id, contributor_id),
            CONSTRAINT ck_differing_contributor_code CHECK (code IN ('contributor_differs')),
            CONSTRAINT fk_differing_contributor_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE,
            CONSTRAINT fk_differing_contributor_contributor_id_contributor FOREIGN KEY(contributor_id) REFERENCES contributor (id) ON DELETE CASCADE
        )
         WITHOUT ROWID
        """
    )
    op.execute(
        "CREATE INDEX ix_differing_contributor_contributor_id ON differing_contributor (contributor_id)"
    )
    op.execute(
        """
        CREATE TABLE evidence_row (
            pool_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            conditions_id INTEGER NOT NULL,
            stable_steps INTEGER NOT NULL,
            unstable_steps INTEGER NOT NULL,
            early_stop_steps INTEGER NOT NULL,
            contributor_id INTEGER NOT NULL,
            latest_month VARCHAR NOT NULL,
            confirmed_by_curator INTEGER DEFAULT '0' NOT NULL,
            CONSTRAINT pk_evidence_row PRIMARY KEY (pool_id, unit_id, conditions_id, stable_steps),
            CONSTRAINT ck_evidence_row_stable_steps CHECK (typeof(stable_steps) = 'integer' AND stable_steps BETWEEN 0 AND 1000),
            CONSTRAINT ck_evidence_row_unstable_steps CHECK (typeof(unstable_steps) = 'integer' AND unstable_steps BETWEEN 1 AND 1073741824),
            CONSTRAINT ck_evidence_row_early_stop_steps CHECK (typeof(early_stop_steps) = 'integer' AND early_stop_steps BETWEEN 0 AND 1000),
            CONSTRAINT ck_evidence_row_latest_month CHECK (latest_month || '-01' IS date(latest_month || '-01')),
            CONSTRAINT ck_evidence_row_confirmed_by_curator CHECK (typeof(confirmed_by_curator) = 'integer' AND confirmed_by_curator BETWEEN 0 AND 1),
            CONSTRAINT ck_evidence_row_order CHECK (unstable_steps > stable_steps),
            CONSTRAINT fk_evidence_row_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id),
            CONSTRAINT fk_evidence_row_unit_id_unit FOREIGN KEY(unit_id) REFERENCES unit (id),
            CONSTRAINT fk_evidence_row_conditions_id_conditions FOREIGN KEY(conditions_id) REFERENCES conditions (id),
            CONSTRAINT fk_evidence_row_contributor_id_contributor FOREIGN KEY(contributor_id) REFERENCES contributor (id)
        )
         WITHOUT ROWID
        """
    )
    op.execute(
        """
        CREATE TABLE follow_up (
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
    op.execute("CREATE INDEX ix_follow_up_conditions_id ON follow_up (conditions_id)")
    op.execute("CREATE INDEX ix_follow_up_pool_id ON follow_up (pool_id)")
    op.execute("CREATE INDEX ix_follow_up_submission_id ON follow_up (submission_id)")
    op.execute("CREATE INDEX ix_follow_up_unit_pool ON follow_up (unit_id, pool_id)")
    op.execute(
        """
        CREATE TABLE idempotency_record (
            scope_hash BLOB NOT NULL,
            fingerprint BLOB NOT NULL,
            submission_id INTEGER NOT NULL,
            expires_at INTEGER NOT NULL,
            answer VARCHAR NOT NULL,
            CONSTRAINT pk_idempotency_record PRIMARY KEY (scope_hash),
            CONSTRAINT ck_idempotency_record_scope_hash CHECK (typeof(scope_hash) = 'blob' AND length(scope_hash) = 32),
            CONSTRAINT ck_idempotency_record_fingerprint CHECK (typeof(fingerprint) = 'blob' AND length(fingerprint) = 32),
            CONSTRAINT ck_idempotency_record_expires_at CHECK (typeof(expires_at) = 'integer' AND expires_at >= 0),
            CONSTRAINT ck_idempotency_record_answer CHECK (json_valid(answer)),
            CONSTRAINT fk_idempotency_record_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE
        )
         WITHOUT ROWID
        """
    )
    op.execute("CREATE INDEX ix_idempotency_record_expires_at ON idempotency_record (expires_at)")
    op.execute(
        "CREATE INDEX ix_idempotency_record_submission_id ON idempotency_record (submission_id)"
    )
    op.execute(
        """
        CREATE TABLE lock_report (
            id INTEGER NOT NULL,
            submission_id INTEGER NOT NULL,
            ordinal INTEGER NOT NULL,
            chip_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            contributor_id INTEGER NOT NULL,
            domain VARCHAR NOT NULL,
            control VARCHAR NOT NULL,
            status VARCHAR NOT NULL,
            found_by VARCHAR NOT NULL,
            changes VARCHAR NOT NULL,
            measured_month VARCHAR NOT NULL,
            machine VARCHAR NOT NULL,
            firmware VARCHAR NOT NULL,
            firmware_month VARCHAR NOT NULL,
            microcode VARCHAR NOT NULL,
            os VARCHAR NOT NULL,
            virtualization VARCHAR NOT NULL,
            hypervisor VARCHAR NOT NULL,
            memory_integrity VARCHAR NOT NULL,
            kernel_lockdown VARCHAR NOT NULL,
            voltage_write_protection VARCHAR NOT NULL,
            CONSTRAINT pk_lock_report PRIMARY KEY (id),
            CONSTRAINT ck_lock_report_ordinal CHECK (typeof(ordinal) = 'integer' AND ordinal BETWEEN 0 AND 1000),
            CONSTRAINT ck_lock_report_domain CHECK (domain IN ('core', 'ecore_cluster', 'gpu_core', 'graphics', 'io', 'memory', 'ring', 'soc', 'system_agent')),
            CONSTRAINT ck_lock_report_control CHECK (control IN ('voltage_offset', 'count_offset', 'fixed_clock_voltage', 'power_limit', 'load_line')),
            CONSTRAINT ck_lock_report_status CHECK (status IN ('open', 'firmware_only', 'chip_locked', 'firmware_locked', 'hypervisor_blocked', 'os_blocked', 'not_exposed', 'unknown')),
            CONSTRAINT ck_lock_report_found_by CHECK (found_by IN ('written_and_read_back', 'documented', 'owner_says')),
            CONSTRAINT ck_lock_report_changes CHECK (typeof(changes) = 'text' AND length(changes) <= 200),
            CONSTRAINT ck_lock_report_measured_month CHECK (measured_month || '-01' IS date(measured_month || '-01')),
            CONSTRAINT ck_lock_report_machine CHECK (typeof(machine) = 'text' AND length(machine) <= 60),
            CONSTRAINT ck_lock_report_firmware CHECK (typeof(firmware) = 'text' AND length(firmware) <= 40),
            CONSTRAINT ck_lock_report_firmware_month CHECK (firmware_month = '' OR firmware_month || '-01' IS date(firmware_month || '-01')),
            CONSTRAINT ck_lock_report_microcode CHECK (typeof(microcode) = 'text' AND length(microcode) <= 40),
            CONSTRAINT ck_lock_report_os CHECK (typeof(os) = 'text' AND length(os) <= 40),
            CONSTRAINT ck_lock_report_virtualization CHECK (virtualization IN ('on', 'off', 'unknown')),
            CONSTRAINT ck_lock_report_hypervisor CHECK (hypervisor IN ('on', 'off', 'unknown')),
            CONSTRAINT ck_lock_report_memory_integrity CHECK (memory_integrity IN ('on', 'off', 'unknown')),
            CONSTRAINT ck_lock_report_kernel_lockdown CHECK (kernel_lockdown IN ('on', 'off', 'unknown')),
            CONSTRAINT ck_lock_report_voltage_write_protection CHECK (voltage_write_protection IN ('on', 'off', 'unknown')),
            CONSTRAINT uq_lock_report_submission_id_ordinal UNIQUE (submission_id, ordinal),
            CONSTRAINT fk_lock_report_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE,
            CONSTRAINT fk_lock_report_chip_id_chip FOREIGN KEY(chip_id) REFERENCES chip (id),
            CONSTRAINT fk_lock_report_unit_id_unit FOREIGN KEY(unit_id) REFERENCES unit (id),
            CONSTRAINT fk_lock_report_contributor_id_contributor FOREIGN KEY(contributor_id) REFERENCES contributor (id)
        )
        """
    )
    op.execute(
        "CREATE INDEX ix_lock_report_chip_domain_control ON lock_report (chip_id, domain, control)"
    )
    op.execute("CREATE INDEX ix_lock_report_contributor_id ON lock_report (contributor_id)")
    op.execute("CREATE INDEX ix_lock_report_unit_id ON lock_report (unit_id)")
    op.execute(
        """
        CREATE TABLE outlier_unit (
            pool_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            code VARCHAR NOT NULL,
            CONSTRAINT pk_outlier_unit PRIMARY KEY (pool_id, unit_id),
            CONSTRAINT ck_outlier_unit_code CHECK (code IN ('outlier_deep', 'outlier_shallow')),
            CONSTRAINT fk_outlier_unit_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE,
            CONSTRAINT fk_outlier_unit_unit_id_unit FOREIGN KEY(unit_id) REFERENCES unit (id) ON DELETE CASCADE
        )
         WITHOUT ROWID
        """
    )
    op.execute("CREATE INDEX ix_outlier_unit_unit_id ON outlier_unit (unit_id)")
    op.execute(
        """
        CREATE TABLE pool_outlier_check (
            pool_id INTEGER NOT NULL,
            checked_day DATE NOT NULL,
            rules_version INTEGER NOT NULL,
            deep_cutoff_steps INTEGER,
            shallow_cutoff_steps INTEGER,
            newcomer_weight_ppm INTEGER NOT NULL,
            excluded_weight_ppm INTEGER NOT NULL,
            is_young INTEGER NOT NULL,
            CONSTRAINT pk_pool_outlier_check PRIMARY KEY (pool_id),
            CONSTRAINT ck_pool_outlier_check_checked_day CHECK (checked_day IS date(checked_day)),
            CONSTRAINT ck_pool_outlier_check_rules_version CHECK (typeof(rules_version) = 'integer' AND rules_version BETWEEN 1 AND 1000000),
            CONSTRAINT ck_pool_outlier_check_deep_cutoff_steps CHECK (deep_cutoff_steps IS NULL OR (typeof(deep_cutoff_steps) = 'integer' AND deep_cutoff_steps BETWEEN 0 AND 10000)),
            CONSTRAINT ck_pool_outlier_check_shallow_cutoff_steps CHECK (shallow_cutoff_steps IS NULL OR (typeof(shallow_cutoff_steps) = 'integer' AND shallow_cutoff_steps BETWEEN -10000 AND 1000)),
            CONSTRAINT ck_pool_outlier_check_newcomer_weight_ppm CHECK (typeof(newcomer_weight_ppm) = 'integer' AND newcomer_weight_ppm BETWEEN 0 AND 1000000),
            CONSTRAINT ck_pool_outlier_check_excluded_weight_ppm CHECK (typeof(excluded_weight_ppm) = 'integer' AND excluded_weight_ppm BETWEEN 0 AND 1000000),
            CONSTRAINT ck_pool_outlier_check_is_young CHECK (typeof(is_young) = 'integer' AND is_young BETWEEN 0 AND 1),
            CONSTRAINT fk_pool_outlier_check_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE
        )
        """
    )
    op.execute(
        """
        CREATE TABLE pool_peers (
            pool_id INTEGER NOT NULL,
            known VARCHAR NOT NULL,
            stable VARCHAR NOT NULL,
            CONSTRAINT pk_pool_peers PRIMARY KEY (pool_id),
            CONSTRAINT ck_pool_peers_known CHECK (json_valid(known)),
            CONSTRAINT ck_pool_peers_stable CHECK (json_valid(stable)),
            CONSTRAINT fk_pool_peers_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE
        )
        """
    )
    op.execute(
        """
        CREATE TABLE reading (
            id INTEGER NOT NULL,
            submission_id INTEGER NOT NULL,
            ordinal INTEGER NOT NULL,
            chip_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            contributor_id INTEGER NOT NULL,
            state VARCHAR NOT NULL,
            is_below_stock INTEGER NOT NULL,
            load VARCHAR NOT NULL,
            runs INTEGER,
            minutes FLOAT,
            power_w FLOAT,
            power_scope VARCHAR NOT NULL,
            power_cap_w FLOAT,
            clock_mhz FLOAT,
            clock_spread_mhz FLOAT,
            clock_kind VARCHAR NOT NULL,
            temp_avg_c FLOAT,
            temp_max_c FLOAT,
            temp_sensor VARCHAR NOT NULL,
            ambient_c FLOAT,
            fan VARCHAR NOT NULL,
            noise_dba FLOAT,
            performance FLOAT,
            performance_low FLOAT,
            performance_unit VARCHAR NOT NULL,
            CONSTRAINT pk_reading PRIMARY KEY (id),
            CONSTRAINT ck_reading_ordinal CHECK (typeof(ordinal) = 'integer' AND ordinal BETWEEN 0 AND 1000),
            CONSTRAINT ck_reading_state CHECK (state IN ('stock', 'tuned')),
            CONSTRAINT ck_reading_is_below_stock CHECK (typeof(is_below_stock) = 'integer' AND is_below_stock BETWEEN 0 AND 1),
            CONSTRAINT ck_reading_load CHECK (load IN ('', 'all_core', 'cpu_gpu_mix', 'gpu_only', 'idle_resume', 'light_bursts', 'memory_heavy', 'vector_heavy')),
            CONSTRAINT ck_reading_runs CHECK (runs IS NULL OR (typeof(runs) = 'integer' AND runs BETWEEN 1 AND 10000)),
            CONSTRAINT ck_reading_minutes CHECK (minutes IS NULL OR (typeof(minutes) IN ('real', 'integer') AND minutes BETWEEN 0 AND 525600)),
            CONSTRAINT ck_reading_power_w CHECK (power_w IS NULL OR (typeof(power_w) IN ('real', 'integer') AND power_w BETWEEN 0 AND 1000)),
            CONSTRAINT ck_reading_power_scope CHECK (power_scope IN ('', 'package', 'core', 'board', 'wall')),
            CONSTRAINT ck_reading_power_cap_w CHECK (power_cap_w IS NULL OR (typeof(power_cap_w) IN ('real', 'integer') AND power_cap_w BETWEEN 0 AND 1000)),
            CONSTRAINT ck_reading_clock_mhz CHECK (clock_mhz IS NULL OR (typeof(clock_mhz) IN ('real', 'integer') AND clock_mhz BETWEEN 10 AND 10000)),
            CONSTRAINT ck_reading_clock_spread_mhz CHECK (clock_spread_mhz IS NULL OR (typeof(clock_spread_mhz) IN ('real', 'integer') AND clock_spread_mhz BETWEEN 0 AND 10000)),
            CONSTRAINT ck_reading_clock_kind CHECK (clock_kind IN ('', 'effective', 'requested')),
            CONSTRAINT ck_reading_temp_avg_c CHECK (temp_avg_c IS NULL OR (typeof(temp_avg_c) IN ('real', 'integer') AND temp_avg_c BETWEEN -20 AND 130)),
            CONSTRAINT ck_reading_temp_max_c CHECK (temp_max_c IS NULL OR (typeof(temp_max_c) IN ('real', 'integer') AND temp_max_c BETWEEN -20 AND 130)),
            CONSTRAINT ck_reading_temp_sensor CHECK (typeof(temp_sensor) = 'text' AND length(temp_sensor) <= 40),
            CONSTRAINT ck_reading_ambient_c CHECK (ambient_c IS NULL OR (typeof(ambient_c) IN ('real', 'integer') AND ambient_c BETWEEN -20 AND 130)),
            CONSTRAINT ck_reading_fan CHECK (fan IN ('', 'auto', 'fixed')),
            CONSTRAINT ck_reading_noise_dba CHECK (noise_dba IS NULL OR (typeof(noise_dba) IN ('real', 'integer') AND noise_dba BETWEEN 10 AND 120)),
            CONSTRAINT ck_reading_performance CHECK (performance IS NULL OR (typeof(performance) IN ('real', 'integer') AND performance > 0)),
            CONSTRAINT ck_reading_performance_low CHECK (performance_low IS NULL OR (typeof(performance_low) IN ('real', 'integer') AND performance_low > 0)),
            CONSTRAINT ck_reading_performance_unit CHECK (performance_unit IN ('', 'frames_per_s', 'jobs_per_h', 's_per_job', 'iterations_per_s', 'other')),
            CONSTRAINT uq_reading_submission_id_ordinal UNIQUE (submission_id, ordinal),
            CONSTRAINT fk_reading_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE,
            CONSTRAINT fk_reading_chip_id_chip FOREIGN KEY(chip_id) REFERENCES chip (id),
            CONSTRAINT fk_reading_unit_id_unit FOREIGN KEY(unit_id) REFERENCES unit (id),
            CONSTRAINT fk_reading_contributor_id_contributor FOREIGN KEY(contributor_id) REFERENCES contributor (id)
        )
        """
    )
    op.execute("CREATE INDEX ix_reading_chip_load ON reading (chip_id, load)")
    op.execute("CREATE INDEX ix_reading_contributor_id ON reading (contributor_id)")
    op.execute("CREATE INDEX ix_reading_unit_id ON reading (unit_id)")
    op.execute(
        """
        CREATE TABLE setting_result (
            id INTEGER NOT NULL,
            submission_id INTEGER NOT NULL,
            ordinal INTEGER NOT NULL,
            domain VARCHAR NOT NULL,
            pool_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            conditions_id INTEGER NOT NULL,
            status VARCHAR NOT NULL,
            status_by_rules VARCHAR DEFAULT 'counted' NOT NULL,
            decision VARCHAR DEFAULT '' NOT NULL,
            reasons VARCHAR NOT NULL,
            stable_steps INTEGER,
            unstable_steps INTEGER,
            early_stop_steps INTEGER NOT NULL,
            measured_month VARCHAR NOT NULL,
            clock_mhz FLOAT,
            stock_mv FLOAT,
            CONSTRAINT pk_setting_result PRIMARY KEY (id),
            CONSTRAINT ck_setting_result_ordinal CHECK (typeof(ordinal) = 'integer' AND ordinal BETWEEN 0 AND 1000),
            CONSTRAINT ck_setting_result_domain CHECK (domain IN ('core', 'ecore_cluster', 'gpu_core', 'graphics', 'io', 'memory', 'ring', 'soc', 'system_agent')),
            CONSTRAINT ck_setting_result_measured_month CHECK (measured_month || '-01' IS date(measured_month || '-01')),
            CONSTRAINT ck_setting_result_status CHECK (status IN ('counted', 'unverified', 'excluded')),
            CONSTRAINT ck_setting_result_status_by_rules CHECK (status_by_rules IN ('counted', 'unverified', 'excluded')),
            CONSTRAINT ck_setting_result_decision CHECK (decision IN ('', 'include', 'exclude', 'invalidate')),
            CONSTRAINT ck_setting_result_reasons CHECK (json_valid(reasons)),
            CONSTRAINT ck_setting_result_stable_steps CHECK (stable_steps IS NULL OR (typeof(stable_steps) = 'integer' AND stable_steps BETWEEN 0 AND 1000)),
            CONSTRAINT ck_setting_result_unstable_steps CHECK (unstable_steps IS NULL OR (typeof(unstable_steps) = 'integer' AND unstable_steps BETWEEN 1 AND 1000)),
            CONSTRAINT ck_setting_result_early_stop_steps CHECK (typeof(early_stop_steps) = 'integer' AND early_stop_steps BETWEEN 0 AND 1000),
            CONSTRAINT ck_setting_result_order CHECK (unstable_steps > stable_steps),
            CONSTRAINT ck_setting_result_clock_mhz CHECK (clock_mhz IS NULL OR (typeof(clock_mhz) IN ('real', 'integer') AND clock_mhz BETWEEN 100 AND 10000)),
            CONSTRAINT ck_setting_result_stock_mv CHECK (stock_mv IS NULL OR (typeof(stock_mv) IN ('real', 'integer') AND stock_mv BETWEEN 400 AND 1500)),
            CONSTRAINT uq_setting_result_submission_id_ordinal UNIQUE (submission_id, ordinal),
            CONSTRAINT fk_setting_result_submission_id_submission FOREIGN KEY(submission_id) REFERENCES submission (id) ON DELETE CASCADE,
            CONSTRAINT fk_setting_result_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id),
            CONSTRAINT fk_setting_result_unit_id_unit FOREIGN KEY(unit_id) REFERENCES unit (id),
            CONSTRAINT fk_setting_result_conditions_id_conditions FOREIGN KEY(conditions_id) REFERENCES conditions (id)
        )
        """
    )
    op.execute("CREATE INDEX ix_setting_result_conditions_id ON setting_result (conditions_id)")
    op.execute("CREATE INDEX ix_setting_result_pool_status ON setting_result (pool_id, status)")
    op.execute("CREATE INDEX ix_setting_result_unit_pool ON setting_result (unit_id, pool_id)")
    op.execute(
        "CREATE INDEX ix_setting_result_waiting ON setting_result (submission_id, ordinal) WHERE status = 'excluded' AND decision = ''"
    )
