"""Every field of a submission: conditions with their era, lock reports, follow-ups."""

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# Written out: a batch copy would lose the tables' CHECK constraints, which are not reflected.
_CONDITIONS = """
CREATE TABLE conditions_0003 (
    id INTEGER NOT NULL,
    loads VARCHAR NOT NULL,
    grade VARCHAR NOT NULL,
    firmware VARCHAR NOT NULL,
    microcode VARCHAR NOT NULL,
    machine VARCHAR NOT NULL,
    cooling VARCHAR NOT NULL,
    supply VARCHAR NOT NULL,
    CONSTRAINT pk_conditions PRIMARY KEY (id),
    CONSTRAINT ck_conditions_grade CHECK (grade IN ('short', 'quick', 'session', 'lasting')),
    CONSTRAINT ck_conditions_loads CHECK (typeof(loads) = 'text' AND length(loads) <= 200),
    CONSTRAINT ck_conditions_firmware CHECK (typeof(firmware) = 'text' AND length(firmware) <= 40),
    CONSTRAINT ck_conditions_microcode CHECK (typeof(microcode) = 'text' AND length(microcode) <= 40),
    CONSTRAINT ck_conditions_machine CHECK (typeof(machine) = 'text' AND length(machine) <= 60),
    CONSTRAINT ck_conditions_cooling CHECK (typeof(cooling) = 'text' AND length(cooling) <= 200),
    CONSTRAINT ck_conditions_supply CHECK (supply IN ('', 'mains', 'battery')),
    CONSTRAINT uq_conditions_loads_grade_firmware_microcode_machine_cooling_supply UNIQUE (loads, grade, firmware, microcode, machine, cooling, supply)
)
"""

_LOCK_REPORT = """
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

_FOLLOW_UP = """
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
    CONSTRAINT ck_follow_up_status CHECK (status IN ('counted', 'claimed', 'noted')),
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

_INDEXES = (
    "CREATE INDEX ix_lock_report_chip_domain_control ON lock_report (chip_id, domain, control)",
    "CREATE INDEX ix_lock_report_contributor_id ON lock_report (contributor_id)",
    "CREATE INDEX ix_lock_report_unit_id ON lock_report (unit_id)",
    "CREATE INDEX ix_follow_up_conditions_id ON follow_up (conditions_id)",
    "CREATE INDEX ix_follow_up_pool_id ON follow_up (pool_id)",
    "CREATE INDEX ix_follow_up_submission_id ON follow_up (submission_id)",
    "CREATE INDEX ix_follow_up_unit_pool ON follow_up (unit_id, pool_id)",
)

_OF_SUBMISSION = (
    "reading_ignored VARCHAR DEFAULT '[]' NOT NULL "
    "CONSTRAINT ck_submission_reading_ignored CHECK (json_valid(reading_ignored))",
    "chip_conflict VARCHAR DEFAULT '' NOT NULL "
    "CONSTRAINT ck_submission_chip_conflict CHECK "
    "(typeof(chip_conflict) = 'text' AND length(chip_conflict) <= 400)",
)


def upgrade() -> None:
    op.execute(_CONDITIONS)
    op.execute(
        "INSERT INTO conditions_0003 "
        "(id, loads, grade, firmware, microcode, machine, cooling, supply) "
        "SELECT id, loads, grade, '', '', '', '', '' FROM conditions"
    )
    op.execute("DROP TABLE conditions")
    op.execute("ALTER TABLE conditions_0003 RENAME TO conditions")
    for column in _OF_SUBMISSION:
        op.execute(f"ALTER TABLE submission ADD COLUMN {column}")
    op.execute(_LOCK_REPORT)
    op.execute(_FOLLOW_UP)
    for index in _INDEXES:
        op.execute(index)
