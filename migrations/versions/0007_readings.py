"""Readings of every result; those stored earlier are filled in by reading their documents again."""

from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
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
            is_lowered INTEGER NOT NULL,
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
            CONSTRAINT ck_reading_is_lowered CHECK (typeof(is_lowered) = 'integer' AND is_lowered BETWEEN 0 AND 1),
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
