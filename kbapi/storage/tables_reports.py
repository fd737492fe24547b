"""Tables of reports and decisions: readings, locks, follow-ups, access keys, decisions, notes."""

from datetime import date

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, UniqueConstraint
from sqlalchemy import text as literal
from sqlmodel import Field, SQLModel

from kbapi.storage.columns import (
    MAX_STEPS,
    checksum,
    checksum_column,
    day,
    integer,
    json_text,
    keyed_hash,
    month,
    number,
    one_of,
    optional_month,
    optional_text,
    positive,
    text,
    values_index,
)
from kbapi.vocabulary import (
    CLOCK_KINDS,
    CONTROLS,
    DECISION_REASONS,
    DECISIONS,
    DOMAINS,
    ERASURE_REASONS,
    FANS,
    FOLLOW_UP_OUTCOMES,
    FOLLOW_UP_STATUSES,
    LOADS,
    LOCK_STATUSES,
    LOCKS_FOUND_BY,
    PERFORMANCE_UNITS,
    POWER_SCOPES,
    PROTECTIONS,
    READING_STATES,
    SCOPES,
    SWITCHES,
)


class LockReport(SQLModel, table=True):
    """Whether a control could be used on a platform, how that was found, what was changed for it.

    Texts are empty where nothing was sent; a protection is then `unknown`.
    """

    __tablename__ = "lock_report"
    __table_args__ = (
        integer("ordinal", 0, 1_000),
        one_of("domain", *DOMAINS),
        one_of("control", *CONTROLS),
        one_of("status", *LOCK_STATUSES),
        one_of("found_by", *LOCKS_FOUND_BY),
        optional_text("changes", 200),
        month("measured_month"),
        optional_text("machine", 60),
        optional_text("firmware", 80),
        optional_month("firmware_month"),
        optional_text("microcode", 80),
        optional_text("os", 40),
        *(one_of(protection, *SWITCHES) for protection in PROTECTIONS),
        UniqueConstraint("submission_id", "ordinal"),
        Index("ix_lock_report_chip_domain_control", "chip_id", "domain", "control"),
        values_index(
            "lock_report",
            "unit_id",
            "status",
            "found_by",
            "changes",
            "measured_month",
            "machine",
            "firmware",
            "firmware_month",
            "microcode",
            "os",
            *PROTECTIONS,
        ),
    )
    id: int = Field(default=None, primary_key=True)
    submission_id: int = Field(
        sa_column=Column(ForeignKey("submission.id", ondelete="CASCADE"), nullable=False)
    )
    ordinal: int
    chip_id: int = Field(foreign_key="chip.id")
    unit_id: int = Field(foreign_key="unit.id")
    contributor_id: int = Field(foreign_key="contributor.id", index=True)
    domain: str
    control: str
    status: str
    found_by: str
    changes: str
    """Sorted values joined by ','."""
    measured_month: str
    machine: str
    firmware: str
    firmware_month: str
    microcode: str
    os: str
    virtualization: str
    hypervisor: str
    memory_integrity: str
    kernel_lockdown: str
    voltage_write_protection: str


class Reading(SQLModel, table=True):
    """Measurements of one unit at stock or tuned, without numbers that cannot be right.

    Texts are empty and numbers NULL where nothing was sent.
    """

    __tablename__ = "reading"
    __table_args__ = (
        integer("ordinal", 0, 1_000),
        one_of("state", *READING_STATES),
        integer("is_below_stock", 0, 1),
        one_of("load", "", *LOADS),
        integer("runs", 1, 10_000, nullable=True),
        number("minutes", 0, 525_600),
        number("power_w", 0, 1_000),
        one_of("power_scope", "", *POWER_SCOPES),
        number("power_cap_w", 0, 1_000),
        number("clock_mhz", 10, 10_000),
        number("clock_spread_mhz", 0, 10_000),
        one_of("clock_kind", "", *CLOCK_KINDS),
        number("temp_avg_c", -20, 130),
        number("temp_max_c", -20, 130),
        optional_text("temp_sensor", 40),
        number("ambient_c", -20, 130),
        one_of("fan", "", *FANS),
        number("noise_dba", 10, 120),
        positive("performance"),
        positive("performance_low"),
        one_of("performance_unit", "", *PERFORMANCE_UNITS),
        UniqueConstraint("submission_id", "ordinal"),
        Index("ix_reading_chip_load", "chip_id", "load"),
        values_index(
            "reading",
            "unit_id",
            "state",
            "is_below_stock",
            "runs",
            "minutes",
            "power_w",
            "power_scope",
            "power_cap_w",
            "clock_mhz",
            "clock_spread_mhz",
            "clock_kind",
            "temp_avg_c",
            "temp_max_c",
            "temp_sensor",
            "ambient_c",
            "fan",
            "noise_dba",
            "performance",
            "performance_low",
            "performance_unit",
        ),
    )
    id: int = Field(default=None, primary_key=True)
    submission_id: int = Field(
        sa_column=Column(ForeignKey("submission.id", ondelete="CASCADE"), nullable=False)
    )
    ordinal: int
    chip_id: int = Field(foreign_key="chip.id")
    unit_id: int = Field(foreign_key="unit.id")
    contributor_id: int = Field(foreign_key="contributor.id", index=True)
    state: str
    is_below_stock: int
    """Whether a setting below stock was in force, a power limit apart."""
    load: str
    runs: int | None = None
    minutes: float | None = None
    power_w: float | None = None
    power_scope: str
    power_cap_w: float | None = None
    clock_mhz: float | None = None
    clock_spread_mhz: float | None = None
    clock_kind: str
    temp_avg_c: float | None = None
    temp_max_c: float | None = None
    temp_sensor: str
    ambient_c: float | None = None
    fan: str
    noise_dba: float | None = None
    performance: float | None = None
    performance_low: float | None = None
    performance_unit: str


class FollowUp(SQLModel, table=True):
    """A later report on a setting, and what it adds to its pool."""

    __tablename__ = "follow_up"
    __table_args__ = (
        day("received_day"),
        month("measured_month"),
        one_of("outcome", *FOLLOW_UP_OUTCOMES),
        one_of("status", *FOLLOW_UP_STATUSES),
        json_text("document"),
        checksum("document_checksum"),
        json_text("reasons"),
        integer("days", 0, 36_500, nullable=True),
        integer("steps", 0, MAX_STEPS),
        integer("stable_steps", 0, MAX_STEPS, nullable=True),
        integer("unstable_steps", 1, MAX_STEPS, nullable=True),
        integer("early_stop_steps", 0, MAX_STEPS),
        CheckConstraint("unstable_steps IS NULL OR stable_steps IS NULL", name="one_end"),
        values_index(
            "follow_up",
            "unit_id",
            "pool_id",
            "received_day",
            "measured_month",
            "outcome",
            "status",
            "reasons",
            "days",
            "steps",
            "stable_steps",
            "unstable_steps",
            "early_stop_steps",
        ),
    )
    id: int = Field(default=None, primary_key=True)
    submission_id: int = Field(
        sa_column=Column(
            ForeignKey("submission.id", ondelete="CASCADE"), nullable=False, index=True
        )
    )
    pool_id: int = Field(foreign_key="pool.id", index=True)
    unit_id: int = Field(foreign_key="unit.id")
    conditions_id: int = Field(foreign_key="conditions.id", index=True)
    received_day: date
    measured_month: str
    outcome: str
    status: str
    reasons: str
    document: str
    document_checksum: str = Field(sa_column_kwargs=checksum_column("document"))
    days: int | None = None
    steps: int
    """The setting that was followed, in grid steps below stock."""
    stable_steps: int | None = None
    unstable_steps: int | None = None
    early_stop_steps: int = 0


def _only_values(column: str, *values: str) -> CheckConstraint:
    """The constraint to one or more values of a closed list, joined by ','."""
    left = f"{column} || ','"
    for value in values:
        left = f"replace({left}, '{value},', '')"
    return CheckConstraint(f"length({column}) > 0 AND {left} = ''", name=column)


class AccessKey(SQLModel, table=True):
    """An access key that the host issued; only its keyed hash is stored."""

    __tablename__ = "access_key"
    __table_args__ = (
        optional_text("name", 40),
        keyed_hash("key_hash"),
        text("key_id", 8),
        _only_values("scopes", *SCOPES),
        day("created_day"),
        day("revoked_day"),
        integer("has_vouched", 0, 1),
        values_index(
            "access_key",
            "name",
            "key_id",
            "scopes",
            "created_day",
            "revoked_day",
            "has_vouched",
        ),
    )
    id: int = Field(default=None, primary_key=True)
    name: str
    """Name that the host gave it; empty if it has none."""
    key_hash: bytes = Field(unique=True)
    key_id: str
    scopes: str
    """Values joined by ','."""
    created_day: date
    revoked_day: date | None = None
    has_vouched: int = Field(default=0, sa_column_kwargs={"server_default": literal("0")})
    """Whether it vouched for a contributor; for which one and when is stored nowhere."""


class Decision(SQLModel, table=True):
    """A curator's decision about one setting of a document; rows are only ever added."""

    __tablename__ = "decision"
    __table_args__ = (
        integer("ordinal", 0, 1_000),
        one_of("decision", *DECISIONS),
        one_of("reason_code", *DECISION_REASONS),
        day("decided_day"),
        Index("ix_decision_submission_ordinal", "submission_id", "ordinal"),
        values_index("decision", "decided_by", "decision", "reason_code", "decided_day"),
    )
    id: int = Field(default=None, primary_key=True)
    submission_id: int = Field(
        sa_column=Column(ForeignKey("submission.id", ondelete="CASCADE"), nullable=False)
    )
    ordinal: int
    """Which setting of the document: rescreening replaces the rows of settings."""
    decision: str
    reason_code: str
    decided_by: int | None = Field(default=None, foreign_key="access_key.id")
    """NULL for a decision of a command on the folder."""
    decided_day: date


class Erasure(SQLModel, table=True):
    """That the host erased results, without anything of their content or sender."""

    __tablename__ = "erasure"
    __table_args__ = (
        day("erased_day"),
        one_of("reason_code", *ERASURE_REASONS),
        integer("results", 1, 1_000_000_000),
        values_index("erasure", "decided_by", "erased_day", "reason_code", "results"),
    )
    id: int = Field(default=None, primary_key=True)
    erased_day: date
    reason_code: str
    results: int
    """How many results were erased."""
    decided_by: int | None = Field(default=None, foreign_key="access_key.id")
    """NULL for a command on the folder."""


class NoteRow(SQLModel, table=True):
    """A note about a chip, a series or a machine class."""

    __tablename__ = "note"
    __table_args__ = (
        text("key", 80),
        one_of("state", "draft", "published", "retired"),
        one_of("subject_kind", "chip", "series", "machine"),
        text("subject", 100),
        optional_text("control", 40),
        optional_text("domain", 40),
        text("source", 200),
        month("reviewed_month"),
        text("markdown", 4_000),
        UniqueConstraint("key", "state"),
        values_index(
            "note",
            "subject",
            "subject_kind",
            "control",
            "domain",
            "source",
            "reviewed_month",
            "markdown",
        ),
    )
    id: int = Field(default=None, primary_key=True)
    key: str
    state: str
    """A key may have one of each; drafts and retired notes are in no answer."""
    subject_kind: str
    subject: str
    control: str
    """Empty where the note is about all of them."""
    domain: str
    """Empty where the note is about all of them."""
    source: str
    reviewed_month: str
    markdown: str


class NoteHistory(SQLModel, table=True):
    """An earlier text of a published note."""

    __tablename__ = "note_history"
    __table_args__ = (
        text("key", 80),
        text("source", 200),
        month("reviewed_month"),
        text("markdown", 4_000),
        day("replaced_day"),
        values_index("note_history", "key", "source", "reviewed_month", "markdown", "replaced_day"),
    )
    id: int = Field(default=None, primary_key=True)
    key: str
    source: str
    reviewed_month: str
    markdown: str
    replaced_day: date
