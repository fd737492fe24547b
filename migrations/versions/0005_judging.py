"""What the last judging of each pool found, and rows that a curator vouches for."""

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute(
        """
        ALTER TABLE evidence_row ADD COLUMN vouched INTEGER DEFAULT '0' NOT NULL
            CONSTRAINT ck_evidence_row_vouched
            CHECK (typeof(vouched) = 'integer' AND vouched BETWEEN 0 AND 1)
        """
    )
    op.execute(
        """
        CREATE TABLE pool_judgement (
            pool_id INTEGER NOT NULL,
            judged_day DATE NOT NULL,
            rules_version INTEGER NOT NULL,
            deepest_steps INTEGER,
            shallowest_steps INTEGER,
            newcomer_ppm INTEGER NOT NULL,
            flagged_ppm INTEGER NOT NULL,
            is_young INTEGER NOT NULL,
            CONSTRAINT pk_pool_judgement PRIMARY KEY (pool_id),
            CONSTRAINT ck_pool_judgement_judged_day CHECK (judged_day IS date(judged_day)),
            CONSTRAINT ck_pool_judgement_rules_version CHECK (typeof(rules_version) = 'integer' AND rules_version BETWEEN 1 AND 1000000),
            CONSTRAINT ck_pool_judgement_deepest_steps CHECK (deepest_steps IS NULL OR (typeof(deepest_steps) = 'integer' AND deepest_steps BETWEEN 0 AND 10000)),
            CONSTRAINT ck_pool_judgement_shallowest_steps CHECK (shallowest_steps IS NULL OR (typeof(shallowest_steps) = 'integer' AND shallowest_steps BETWEEN -10000 AND 1000)),
            CONSTRAINT ck_pool_judgement_newcomer_ppm CHECK (typeof(newcomer_ppm) = 'integer' AND newcomer_ppm BETWEEN 0 AND 1000000),
            CONSTRAINT ck_pool_judgement_flagged_ppm CHECK (typeof(flagged_ppm) = 'integer' AND flagged_ppm BETWEEN 0 AND 1000000),
            CONSTRAINT ck_pool_judgement_is_young CHECK (typeof(is_young) = 'integer' AND is_young BETWEEN 0 AND 1),
            CONSTRAINT fk_pool_judgement_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE
        )
        """
    )
    op.execute(
        """
        CREATE TABLE set_aside_unit (
            pool_id INTEGER NOT NULL,
            unit_id INTEGER NOT NULL,
            code VARCHAR NOT NULL,
            CONSTRAINT pk_set_aside_unit PRIMARY KEY (pool_id, unit_id),
            CONSTRAINT ck_set_aside_unit_code CHECK (code IN ('far_too_deep', 'far_too_shallow')),
            CONSTRAINT fk_set_aside_unit_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE,
            CONSTRAINT fk_set_aside_unit_unit_id_unit FOREIGN KEY(unit_id) REFERENCES unit (id) ON DELETE CASCADE
        )
         WITHOUT ROWID
        """
    )
    op.execute("CREATE INDEX ix_set_aside_unit_unit_id ON set_aside_unit (unit_id)")
    op.execute(
        """
        CREATE TABLE unlike_contributor (
            pool_id INTEGER NOT NULL,
            contributor_id INTEGER NOT NULL,
            code VARCHAR NOT NULL,
            CONSTRAINT pk_unlike_contributor PRIMARY KEY (pool_id, contributor_id),
            CONSTRAINT ck_unlike_contributor_code CHECK (code IN ('unlike_the_pool')),
            CONSTRAINT fk_unlike_contributor_pool_id_pool FOREIGN KEY(pool_id) REFERENCES pool (id) ON DELETE CASCADE,
            CONSTRAINT fk_unlike_contributor_contributor_id_contributor FOREIGN KEY(contributor_id) REFERENCES contributor (id) ON DELETE CASCADE
        )
         WITHOUT ROWID
        """
    )
    op.execute(
        "CREATE INDEX ix_unlike_contributor_contributor_id ON unlike_contributor (contributor_id)"
    )
