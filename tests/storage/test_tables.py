"""CHECK, UNIQUE, NOT NULL and FOREIGN KEY stand beside the checks in Python: over all tables."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import Connection, Date, Engine, Integer, Table, UniqueConstraint, text
from sqlalchemy.exc import DBAPIError, IntegrityError

from kbapi.storage.columns import CHECKSUM_OF
from kbapi.storage.schema import METADATA
from tests.makers import an_engine

AS_TEXT = pytest.param(
    "h" * 32, marks=pytest.mark.sqlite("a column of PostgreSQL stores a text as its bytes")
)
SHORTENED = pytest.param(
    "2026-9-1", marks=pytest.mark.sqlite("a column of PostgreSQL stores the day that is meant")
)
TABLES: dict[str, Table] = dict(METADATA.tables)
HASH = b"h" * 32

# One sound row in each table; the numbers refer to each other.
ROWS: dict[str, dict[str, Any]] = {
    "line": {"id": 1, "key": "norvane-sable", "revision": 0},
    "chip": {
        "id": 1,
        "key": "norvane-sable-7-4820mx",
        "name": "Norvane Sable 7 4820MX",
        "kind": "cpu",
        "series": "norvane-sable-48-mx",
        "line_id": 1,
    },
    "contributor": {
        "id": 1,
        "token_hash": HASH,
        "key_id": "0a1b2c3d",
        "first_seen_day": "2026-09-15",
        "is_vouched": 1,
    },
    "unit": {"id": 1, "contributor_id": 1, "token_hash": HASH, "document_hash": HASH},
    "pool": {
        "id": 1,
        "chip_id": 1,
        "control": "voltage_offset",
        "domains": "core+ring",
        "clock_band_mhz": 0,
    },
    "conditions": {
        "id": 1,
        "loads": "all_core",
        "grade": "long",
        "firmware": "1.14",
        "microcode": "0x2b",
        "machine": "harbour-15",
        "cooling": "repasted",
        "supply": "mains",
    },
    "submission": {
        "id": 1,
        "public_id": "01a21000-8800-736b-8fa7-7e16bf7f60fd",
        "chip_id": 1,
        "unit_id": 1,
        "received_day": "2026-09-15",
        "measured_month": "2026-09",
        "document": "{}",
        "document_checksum": "c" * 32,
        "content_hash": HASH,
        "rules_version": 1,
        "reading_ignored": "[]",
        "chip_conflict": "",
    },
    "lock_report": {
        "id": 1,
        "submission_id": 1,
        "ordinal": 0,
        "chip_id": 1,
        "unit_id": 1,
        "contributor_id": 1,
        "domain": "core",
        "control": "voltage_offset",
        "status": "open",
        "found_by": "written_and_read_back",
        "changes": "firmware_setting",
        "measured_month": "2026-09",
        "machine": "harbour-15",
        "firmware": "1.14",
        "firmware_month": "2026-03",
        "microcode": "0x2b",
        "os": "linux-6",
        "virtualization": "unknown",
        "hypervisor": "unknown",
        "memory_integrity": "unknown",
        "kernel_lockdown": "unknown",
        "voltage_write_protection": "unknown",
    },
    "reading": {
        "id": 1,
        "submission_id": 1,
        "ordinal": 0,
        "chip_id": 1,
        "unit_id": 1,
        "contributor_id": 1,
        "state": "tuned",
        "is_below_stock": 1,
        "load": "vector_heavy",
        "runs": 3,
        "minutes": 25,
        "power_w": 60.0,
        "power_scope": "package",
        "power_cap_w": None,
        "clock_mhz": 2930,
        "clock_spread_mhz": 40,
        "clock_kind": "effective",
        "temp_avg_c": 84,
        "temp_max_c": 91,
        "temp_sensor": "package",
        "ambient_c": 22,
        "fan": "fixed",
        "noise_dba": 38,
        "performance": 44.6,
        "performance_low": 42.1,
        "performance_unit": "jobs_per_h",
    },
    "follow_up": {
        "id": 1,
        "submission_id": 1,
        "pool_id": 1,
        "unit_id": 1,
        "conditions_id": 1,
        "received_day": "2026-09-15",
        "measured_month": "2026-09",
        "outcome": "still_stable",
        "status": "counted",
        "reasons": "[]",
        "document": "{}",
        "document_checksum": "c" * 32,
        "days": 40,
        "steps": 80,
        "stable_steps": 80,
        "unstable_steps": None,
        "early_stop_steps": 0,
    },
    "setting_result": {
        "id": 1,
        "submission_id": 1,
        "ordinal": 0,
        "domain": "core",
        "pool_id": 1,
        "unit_id": 1,
        "conditions_id": 1,
        "status": "counted",
        "status_by_rules": "counted",
        "decision": "",
        "reasons": "[]",
        "stable_steps": 80,
        "unstable_steps": 90,
        "early_stop_steps": 0,
        "measured_month": "2026-09",
        "clock_mhz": 1800.5,
        "stock_mv": 905,
    },
    "access_key": {
        "id": 1,
        "name": "evening shift",
        "key_hash": HASH,
        "key_id": "0a1b2c3d",
        "scopes": "curate",
        "created_day": "2026-09-15",
        "revoked_day": None,
        "has_vouched": 1,
    },
    "decision": {
        "id": 1,
        "submission_id": 1,
        "ordinal": 0,
        "decision": "include",
        "reason_code": "depth_confirmed",
        "decided_by": 1,
        "decided_day": "2026-09-15",
    },
    "erasure": {
        "id": 1,
        "erased_day": "2026-09-15",
        "reason_code": "asked_by_sender",
        "results": 3,
        "decided_by": 1,
    },
    "outlier_unit": {"pool_id": 1, "unit_id": 1, "code": "outlier_deep"},
    "differing_contributor": {"pool_id": 1, "contributor_id": 1, "code": "contributor_differs"},
    "note": {
        "id": 1,
        "key": "drift-memory-mode",
        "state": "published",
        "subject_kind": "series",
        "subject": "ketterly-drift-23-u",
        "control": "",
        "domain": "",
        "source": "Tidewater Bench Club",
        "reviewed_month": "2026-09",
        "markdown": "The count is kept over a restart.",
    },
    "note_history": {
        "id": 1,
        "key": "drift-memory-mode",
        "source": "Tidewater Bench Club",
        "reviewed_month": "2026-08",
        "markdown": "The count is lost over a restart.",
        "replaced_day": "2026-09-15",
    },
    "pool_peers": {"pool_id": 1, "known": "[1]", "stable": "[1]", "day": "2026-09-15"},
    "pool_check": {
        "pool_id": 1,
        "revision": 3,
        "day": "2026-09-15",
        "has_start": 1,
        "codes": '["moved_by_one_contributor"]',
        "contributor_id": 1,
        "moves_by": -12.7,
        "evidence": "4f6be1b0c1a95e27",
        "settled": "",
        "reason_code": "",
        "decided_by": 1,
        "decided_day": "2026-09-15",
    },
    "stored_answer": {
        "id": 1,
        "question": "start|norvane-sable-7-4820mx",
        "line_id": 1,
        "chip_key": "norvane-sable-7-4820mx",
        "stamp_revision": 0,
        "stamp_version": "1.1",
        "stamp_day": "2026-09-15",
        "etag": "e" * 32,
        "body": b"{}",
    },
    "idempotency_record": {
        "scope_hash": HASH,
        "fingerprint": HASH,
        "submission_id": 1,
        "endpoint": "submissions",
        "expires_at": 1_800_000_000,
        "answer": "{}",
        "answer_checksum": "c" * 32,
    },
    "health_probe": {"id": 1, "value": 7},
}


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    with an_engine(tmp_path_factory.mktemp("promises")) as made:
        _add_rows(made)
        yield made


def _add_rows(engine: Engine) -> None:
    with engine.begin() as connection:
        for table in METADATA.sorted_tables:
            # Plain SQL, so that nothing but the database checks anything.
            columns = list(ROWS[table.name])
            connection.execute(
                text(
                    f"INSERT INTO {table.name} ({', '.join(columns)}) "
                    f"VALUES ({', '.join(':' + column for column in columns)})"
                ),
                ROWS[table.name],
            )


@contextmanager
def undone(engine: Engine) -> Iterator[Connection]:
    with engine.connect() as connection, connection.begin() as transaction:
        yield connection
        transaction.rollback()


def put(engine: Engine, table: str, column: str, value: Any) -> None:
    with undone(engine) as connection:
        changed = connection.execute(
            text(f"UPDATE {table} SET {column} = :value"), {"value": value}
        )
        assert changed.rowcount == 1


@contextmanager
def refused(how: str = "") -> Iterator[None]:
    """A block in which the database refuses a value: by a constraint, or by a column's type.

    `how` is the beginning of PostgreSQL's code, 23 for any constraint.
    """
    with pytest.raises(DBAPIError) as raised:
        yield
    code = getattr(raised.value.orig, "sqlstate", None)
    if code is None:
        assert isinstance(raised.value, IntegrityError)
        assert BY_SQLITE.get(how, "") in str(raised.value)
    else:
        assert code.startswith(how or "23") or (not how and code in OF_ANOTHER_TYPE)


OF_ANOTHER_TYPE = {"22P02", "22007", "22008", "42804"}
REFERENCE, TWICE = "23503", "23505"
BY_SQLITE = {REFERENCE: "FOREIGN KEY", TWICE: "UNIQUE constraint failed"}


def columns_where(fits: Any) -> list[tuple[str, str]]:
    return [
        (table.name, column.name)
        for table in TABLES.values()
        for column in table.columns
        if fits(column)
    ]


LISTED = [
    ("chip", "kind"),
    ("pool", "control"),
    ("conditions", "grade"),
    ("setting_result", "status"),
    ("setting_result", "domain"),
    ("conditions", "supply"),
    ("lock_report", "domain"),
    ("lock_report", "control"),
    ("lock_report", "status"),
    ("lock_report", "found_by"),
    ("lock_report", "voltage_write_protection"),
    ("reading", "state"),
    ("reading", "load"),
    ("reading", "power_scope"),
    ("reading", "clock_kind"),
    ("reading", "fan"),
    ("reading", "performance_unit"),
    ("follow_up", "outcome"),
    ("follow_up", "status"),
    ("note", "subject_kind"),
    ("note", "state"),
    ("setting_result", "status_by_rules"),
    ("setting_result", "decision"),
    ("access_key", "scopes"),
    ("decision", "decision"),
    ("decision", "reason_code"),
    ("erasure", "reason_code"),
]
EMPTY_IF_NOT_SENT = [
    ("conditions", "supply"),
    ("setting_result", "decision"),
    ("reading", "load"),
    ("reading", "power_scope"),
    ("reading", "clock_kind"),
    ("reading", "fan"),
    ("reading", "performance_unit"),
]
HASHES = columns_where(lambda column: column.name.endswith("_hash") or column.name == "fingerprint")
JSON_TEXTS = [
    ("submission", "document"),
    ("submission", "reading_ignored"),
    ("setting_result", "reasons"),
    ("follow_up", "document"),
    ("follow_up", "reasons"),
    ("pool_peers", "known"),
    ("pool_peers", "stable"),
    ("pool_check", "codes"),
    ("idempotency_record", "answer"),
]
RANGES = [
    ("line", "revision", -1),
    ("pool", "clock_band_mhz", -1),
    ("pool", "clock_band_mhz", 10_001),
    ("submission", "rules_version", 0),
    ("setting_result", "ordinal", -1),
    ("setting_result", "stable_steps", -1),
    ("setting_result", "unstable_steps", 0),
    ("setting_result", "unstable_steps", 1_001),
    ("setting_result", "unstable_steps", 80),
    ("setting_result", "early_stop_steps", -1),
    ("setting_result", "early_stop_steps", 1_001),
    ("lock_report", "ordinal", -1),
    ("reading", "is_below_stock", 2),
    ("reading", "runs", 0),
    ("reading", "power_w", -0.1),
    ("reading", "power_w", 1_000.1),
    ("reading", "power_cap_w", "banana"),
    ("reading", "clock_mhz", 9.9),
    ("reading", "temp_avg_c", 130.1),
    ("reading", "ambient_c", -20.1),
    ("reading", "noise_dba", 9),
    ("reading", "performance", 0),
    ("reading", "performance_low", "banana"),
    ("follow_up", "days", -1),
    ("follow_up", "days", 36_501),
    ("follow_up", "steps", -1),
    ("follow_up", "unstable_steps", 90),
    ("setting_result", "clock_mhz", 99.9),
    ("setting_result", "clock_mhz", 10_000.1),
    ("setting_result", "clock_mhz", "banana"),
    ("setting_result", "stock_mv", 399.9),
    ("setting_result", "stock_mv", 1_500.1),
    ("setting_result", "stock_mv", "banana"),
    ("stored_answer", "stamp_revision", -1),
    ("idempotency_record", "expires_at", -1),
    ("idempotency_record", "endpoint", "start"),
    # Only the record of a withdrawn batch item has no result, and it has no content.
    ("idempotency_record", "submission_id", None),
    ("decision", "ordinal", -1),
    ("erasure", "results", 0),
    ("erasure", "results", "banana"),
    ("contributor", "is_vouched", 2),
    ("access_key", "has_vouched", 2),
    ("pool_check", "revision", -1),
    ("pool_check", "has_start", 2),
    ("pool_check", "moves_by", "banana"),
    ("pool_check", "moves_by", -1_001),
    ("pool_check", "evidence", "0" * 17),
    ("pool_check", "settled", "0" * 17),
    ("pool_check", "reason_code", "r" * 41),
    ("health_probe", "id", 2),
    ("health_probe", "value", -1),
]
INSIDE = [
    ("line", "revision", 7),
    ("pool", "clock_band_mhz", 10_000),
    ("setting_result", "stable_steps", None),
    ("setting_result", "stable_steps", 0),
    ("setting_result", "unstable_steps", None),
    ("setting_result", "unstable_steps", 1_000),
    ("setting_result", "clock_mhz", None),
    ("setting_result", "stock_mv", 400),
    ("setting_result", "decision", "exclude"),
    ("access_key", "name", ""),
    ("access_key", "has_vouched", 0),
    ("contributor", "is_vouched", 0),
    ("decision", "decided_by", None),
    ("erasure", "decided_by", None),
    ("access_key", "scopes", "submit,curate"),
    ("conditions", "loads", ""),
    ("unit", "token_hash", None),
    ("unit", "document_hash", None),
    ("submission", "content_hash", None),
    ("submission", "received_day", "2028-02-29"),
    ("submission", "measured_month", "2026-12"),
    ("lock_report", "firmware_month", ""),
    ("follow_up", "days", None),
    ("reading", "load", ""),
    ("reading", "power_w", 0),
    ("reading", "performance", None),
    ("pool_check", "contributor_id", None),
    ("pool_check", "moves_by", None),
    ("pool_check", "evidence", ""),
    ("pool_check", "settled", "4f6be1b0c1a95e27"),
    ("pool_check", "decided_by", None),
    ("pool_check", "decided_day", None),
]


def test_each_value_is_in_an_index_or_has_a_checksum() -> None:
    """SQLite's integrity check compares indexes with rows; the other values need a checksum."""
    for table in METADATA.sorted_tables:
        whole = [index.columns for index in table.indexes if not index.dialect_kwargs]
        unique = [one.columns for one in table.constraints if isinstance(one, UniqueConstraint)]
        indexed = {column.name for columns in (*whole, *unique) for column in columns}
        # Each entry of an index names its row by the primary key.
        indexed |= {column.name for column in table.primary_key}
        has = {one.name: one.info[CHECKSUM_OF] for one in table.columns if CHECKSUM_OF in one.info}
        assert whole or unique, table.name
        assert set(table.columns.keys()) - indexed == {*has, *has.values()}, table.name


def test_there_is_a_sound_row_for_every_table() -> None:
    assert set(ROWS) == set(TABLES)
    assert {name: set(row) for name, row in ROWS.items()} == {
        name: set(table.columns.keys()) for name, table in TABLES.items()
    }


@pytest.mark.parametrize(("table", "column", "value"), INSIDE)
def test_a_value_just_inside_its_bound_is_stored(
    engine: Engine, table: str, column: str, value: Any
) -> None:
    put(engine, table, column, value)


@pytest.mark.parametrize("value", ["banana", 1.5])
@pytest.mark.parametrize(
    ("table", "column"), columns_where(lambda column: isinstance(column.type, Integer))
)
def test_no_whole_number_is_a_text_or_a_fraction(
    engine: Engine, table: str, column: str, value: Any
) -> None:
    if engine.dialect.name == "postgresql" and value == 1.5:
        value = "1.5"  # a number of another type is rounded to the column's own
    with refused():
        put(engine, table, column, value)


@pytest.mark.parametrize("value", ["banana", "2026-02-30", "2026-13-01", SHORTENED, "", 20260915])
@pytest.mark.parametrize(
    ("table", "column"), columns_where(lambda column: isinstance(column.type, Date))
)
def test_no_day_is_impossible(engine: Engine, table: str, column: str, value: Any) -> None:
    with refused():
        put(engine, table, column, value)


@pytest.mark.parametrize("value", ["banana", "2026-13", "2026-00", "2026-9", "2026-09-01"])
@pytest.mark.parametrize(
    ("table", "column"), columns_where(lambda column: column.name.endswith("_month"))
)
def test_no_month_is_impossible(engine: Engine, table: str, column: str, value: str) -> None:
    with refused():
        put(engine, table, column, value)


@pytest.mark.parametrize(("table", "column"), LISTED)
def test_no_value_is_outside_its_list(engine: Engine, table: str, column: str) -> None:
    with refused():
        put(engine, table, column, "banana")


@pytest.mark.parametrize(
    ("table", "column"),
    [
        *(place for place in LISTED if place not in EMPTY_IF_NOT_SENT),
        ("submission", "measured_month"),
        ("setting_result", "measured_month"),
    ],
)
def test_no_required_value_or_month_is_empty(engine: Engine, table: str, column: str) -> None:
    with refused():
        put(engine, table, column, "")


@pytest.mark.parametrize("value", [b"h" * 31, b"h" * 33, AS_TEXT, b""])
@pytest.mark.parametrize(("table", "column"), HASHES)
def test_no_hash_has_another_length(engine: Engine, table: str, column: str, value: Any) -> None:
    with refused():
        put(engine, table, column, value)


@pytest.mark.parametrize(("table", "column"), JSON_TEXTS)
def test_no_json_is_broken(engine: Engine, table: str, column: str) -> None:
    with refused():
        put(engine, table, column, "{")


@pytest.mark.parametrize(("table", "column", "value"), RANGES)
def test_no_number_is_outside_its_range(
    engine: Engine, table: str, column: str, value: Any
) -> None:
    with refused():
        put(engine, table, column, value)


@pytest.mark.parametrize(
    ("table", "column"),
    columns_where(lambda column: not column.nullable and column.name != "id"),
)
def test_no_required_column_is_null(engine: Engine, table: str, column: str) -> None:
    with refused():
        put(engine, table, column, None)


@pytest.mark.parametrize(
    ("table", "column"), columns_where(lambda column: bool(column.foreign_keys))
)
def test_no_reference_is_dangling(engine: Engine, table: str, column: str) -> None:
    with refused(REFERENCE):
        put(engine, table, column, 999_999)


# What another row has instead, so that only the columns in question come twice.
OTHERWISE: dict[str, Any] = {
    "id": 2,
    "key": "other",
    "token_hash": b"o" * 32,
    "document_hash": b"o" * 32,
    "clock_band_mhz": 100,
    "grade": "quick",
    "public_id": "other",
    "content_hash": b"o" * 32,
    "ordinal": 1,
}


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        (table.name, tuple(column.name for column in constraint.columns))
        for table in TABLES.values()
        for constraint in table.constraints
        if isinstance(constraint, UniqueConstraint) or constraint is table.primary_key
    ],
)
def test_a_unique_value_is_stored_once(
    engine: Engine, table: str, columns: tuple[str, ...]
) -> None:
    sound = ROWS[table].items()
    again = {n: v if n in columns else OTHERWISE.get(n, v) for n, v in sound}
    with refused(TWICE), undone(engine) as connection:
        connection.execute(
            text(f"INSERT INTO {table} ({', '.join(again)}) VALUES (:{', :'.join(again)})"), again
        )
