"""Tables of results. A SQLModel table class does not validate, so each promise is a constraint.

`id` has the type `int` because every stored row has one; a new row gets it when it is flushed.
"""

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
    optional_text,
    text,
    values_index,
)
from kbapi.vocabulary import (
    DOMAINS,
    GRADES,
    KEYED_ENDPOINTS,
    LIMIT_CONTROLS,
    SCREENING_STATUSES,
    STANDING_DECISIONS,
    SUPPLIES,
)


class Line(SQLModel, table=True):
    """A product line; its revision rises in every transaction that touches its evidence.

    Its number is random: a line that returns after its last result was withdrawn must not match
    old answers.
    """

    __tablename__ = "line"
    __table_args__ = (
        text("key", 100),
        CheckConstraint("typeof(revision) = 'integer' AND revision >= 0", name="revision"),
        values_index("line", "revision"),
    )
    id: int = Field(default=None, primary_key=True)
    key: str = Field(unique=True)
    revision: int = 0


class Chip(SQLModel, table=True):
    """A chip that a result or the catalogue names."""

    __tablename__ = "chip"
    __table_args__ = (
        text("key", 100),
        text("name", 200),
        text("series", 100),
        one_of("kind", "cpu", "gpu"),
        values_index("chip", "series", "name", "kind"),
    )
    id: int = Field(default=None, primary_key=True)
    key: str = Field(unique=True)
    name: str
    kind: str
    series: str
    line_id: int = Field(foreign_key="line.id", index=True)


class Contributor(SQLModel, table=True):
    """A sender, known only by a keyed hash."""

    __tablename__ = "contributor"
    __table_args__ = (
        keyed_hash("token_hash"),
        text("key_id", 8),
        day("first_seen_day"),
        integer("is_vouched", 0, 1),
        values_index("contributor", "key_id", "first_seen_day", "is_vouched"),
    )
    id: int = Field(default=None, primary_key=True)
    token_hash: bytes = Field(unique=True)
    key_id: str
    first_seen_day: date
    is_vouched: int = Field(default=0, sa_column_kwargs={"server_default": literal("0")})
    """Whether an access key vouched for it; which one is stored nowhere."""


class Unit(SQLModel, table=True):
    """One physical chip in one machine; without a token, equal documents are one unit."""

    __tablename__ = "unit"
    __table_args__ = (
        keyed_hash("token_hash", nullable=True),
        keyed_hash("document_hash", nullable=True),
        Index("ix_unit_document_hash", "document_hash", unique=True),
    )
    id: int = Field(default=None, primary_key=True)
    contributor_id: int = Field(foreign_key="contributor.id", index=True)
    token_hash: bytes | None = Field(default=None, unique=True)
    document_hash: bytes | None = None
    """Keyed hash of contributor and document; only for units without a token, so that equal
    documents are one unit."""


class Pool(SQLModel, table=True):
    """Results that may be counted together: chip, control, domains moved together, clock band."""

    __tablename__ = "pool"
    __table_args__ = (
        one_of("control", *LIMIT_CONTROLS),
        text("domains", 120),
        integer("clock_band_mhz", 0, 10_000),
        UniqueConstraint("chip_id", "control", "domains", "clock_band_mhz"),
    )
    id: int = Field(default=None, primary_key=True)
    chip_id: int = Field(foreign_key="chip.id")
    control: str
    domains: str
    """Sorted domains joined by '+': a joint failure counts for no single domain."""
    clock_band_mhz: int = 0
    """Lower end of the band for fixed_clock_voltage, 0 for the other controls."""


class Conditions(SQLModel, table=True):
    """The filter values that a result was found under."""

    __tablename__ = "conditions"
    __table_args__ = (
        one_of("grade", *GRADES),
        optional_text("loads", 200),
        optional_text("firmware", 80),
        optional_text("microcode", 80),
        optional_text("machine", 60),
        optional_text("cooling", 200),
        one_of("supply", "", *SUPPLIES),
        UniqueConstraint("loads", "grade", "firmware", "microcode", "machine", "cooling", "supply"),
    )
    id: int = Field(default=None, primary_key=True)
    loads: str
    """Sorted loads joined by ','; like the columns below, empty where nothing was sent."""
    grade: str
    firmware: str = ""
    """With the microcode, the firmware era: a change of either starts a new one."""
    microcode: str = ""
    machine: str = ""
    cooling: str = ""
    """Sorted values joined by ','."""
    supply: str = ""


class Submission(SQLModel, table=True):
    """One accepted document, without its tokens."""

    __tablename__ = "submission"
    __table_args__ = (
        text("public_id", 36),
        day("received_day"),
        month("measured_month"),
        keyed_hash("content_hash", nullable=True),
        integer("rules_version", 1, 1_000_000),
        json_text("document"),
        checksum("document_checksum"),
        json_text("reading_ignored"),
        optional_text("chip_conflict", 400),
        values_index(
            "submission",
            "unit_id",
            "received_day",
            "measured_month",
            "rules_version",
            "reading_ignored",
            "chip_conflict",
        ),
    )
    id: int = Field(default=None, primary_key=True)
    public_id: str = Field(unique=True)
    chip_id: int = Field(foreign_key="chip.id", index=True)
    unit_id: int = Field(foreign_key="unit.id")
    received_day: date
    measured_month: str
    document: str
    document_checksum: str = Field(sa_column_kwargs=checksum_column("document"))
    content_hash: bytes | None = Field(default=None, unique=True)
    """Keyed hash of contributor and document; only for documents that carry a unit token."""
    rules_version: int
    reading_ignored: str = Field(default="[]", sa_column_kwargs={"server_default": "[]"})
    """JSON array of the reading fields that could not be right, each with its rule's code."""
    chip_conflict: str = Field(default="", sa_column_kwargs={"server_default": literal("''")})
    """How the numbers beside the chip's name contradict it; empty where they agree."""


class SettingResult(SQLModel, table=True):
    """One setting of a submission: what it adds to its pool, and how it was screened."""

    __tablename__ = "setting_result"
    __table_args__ = (
        integer("ordinal", 0, 1_000),
        one_of("domain", *DOMAINS),
        month("measured_month"),
        one_of("status", *SCREENING_STATUSES),
        one_of("status_by_rules", *SCREENING_STATUSES),
        one_of("decision", "", *STANDING_DECISIONS),
        json_text("reasons"),
        integer("stable_steps", 0, MAX_STEPS, nullable=True),
        integer("unstable_steps", 1, MAX_STEPS, nullable=True),
        integer("early_stop_steps", 0, MAX_STEPS),
        CheckConstraint("unstable_steps > stable_steps", name="order"),
        number("clock_mhz", 100, 10_000),
        number("stock_mv", 400, 1_500),
        UniqueConstraint("submission_id", "ordinal"),
        values_index(
            "setting_result",
            "unit_id",
            "pool_id",
            "id",  # the queue of curators reads it in this order
            "domain",
            "status_by_rules",
            "decision",
            "reasons",
            "stable_steps",
            "unstable_steps",
            "early_stop_steps",
            "measured_month",
            "clock_mhz",
            "stock_mv",
        ),
        Index("ix_setting_result_pool_status", "pool_id", "status", "unit_id"),
        # The queue of curators: a page of it costs the same however many results are decided.
        Index(
            "ix_setting_result_waiting",
            "submission_id",
            "ordinal",
            sqlite_where=literal("status = 'excluded' AND decision = ''"),
        ),
        # The results of a pool from the deepest or from the shallowest, for the host.
        Index(
            "ix_setting_result_deepest",
            "pool_id",
            "stable_steps",
            "submission_id",
            sqlite_where=literal("stable_steps IS NOT NULL"),
        ),
        Index(
            "ix_setting_result_shallowest",
            "pool_id",
            "unstable_steps",
            "submission_id",
            sqlite_where=literal("unstable_steps IS NOT NULL"),
        ),
    )
    id: int = Field(default=None, primary_key=True)
    submission_id: int = Field(
        sa_column=Column(ForeignKey("submission.id", ondelete="CASCADE"), nullable=False)
    )
    ordinal: int
    domain: str
    """The domain that the document named; its pool holds all that moved with it."""
    pool_id: int = Field(foreign_key="pool.id")
    unit_id: int = Field(foreign_key="unit.id")
    conditions_id: int = Field(foreign_key="conditions.id", index=True)
    status: str
    """How it counts now: by the decision, or by the rules where there is none."""
    status_by_rules: str = Field(default="counted", sa_column_kwargs={"server_default": "counted"})
    """Its status if no curator had decided about it."""
    decision: str = Field(default="", sa_column_kwargs={"server_default": literal("''")})
    """The latest decision, empty where the rules decide; the table `decision` says who and why."""
    reasons: str
    """JSON array of rule codes, the headline first."""
    stable_steps: int | None = None
    unstable_steps: int | None = None
    early_stop_steps: int = 0
    measured_month: str
    clock_mhz: float | None = None
    stock_mv: float | None = None
    """With clock_mhz: a point of the pool's stock line, for fixed_clock_voltage."""


class IdempotencyRecord(SQLModel, table=True):
    """The answer to a request, under a keyed hash of endpoint, contributor and Idempotency-Key.

    The record of a batch item stays after the withdrawal of its result, without content: the batch
    may be sent again, and must not store the result again.
    """

    __tablename__ = "idempotency_record"
    __table_args__ = (
        keyed_hash("scope_hash"),
        keyed_hash("fingerprint"),
        one_of("endpoint", *KEYED_ENDPOINTS),
        CheckConstraint("submission_id IS NOT NULL OR answer = 'null'", name="mark"),
        CheckConstraint(
            "typeof(expires_at) = 'integer' AND expires_at >= 0 AND expires_at % 3600 = 0",
            name="expires_at",
        ),
        json_text("answer"),
        checksum("answer_checksum"),
        values_index("idempotency_record", "expires_at", "fingerprint", "endpoint"),
        {"sqlite_with_rowid": False},
    )
    scope_hash: bytes = Field(primary_key=True)
    fingerprint: bytes
    endpoint: str
    submission_id: int | None = Field(
        default=None,
        sa_column=Column(ForeignKey("submission.id", ondelete="CASCADE"), index=True),
    )
    """NULL where the result of a batch item was withdrawn."""
    expires_at: int
    """Unix seconds, on the full hour: a finer time would show when a person sent the request."""
    answer: str
    """The answer without its receipt, which is never stored; 'null' after a correction or a
    withdrawal."""
    answer_checksum: str = Field(sa_column_kwargs=checksum_column("answer"))
