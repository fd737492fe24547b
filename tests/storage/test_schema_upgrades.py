"""Every schema that has been published can be upgraded, with its data and with every constraint."""

import math
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import create_engine, inspect
from sqlmodel import SQLModel

from kbapi.storage import schema as database_schema
from kbapi.storage import tables
from kbapi.storage.schema import (
    alembic_config,
    current_revision,
    head_revision,
    upgrade_to_head,
)
from kbapi.storage.sqlite.engine import make_writing_engine
from tests.storage.later_schema import REBUILD, later_migrations
from tests.storage.write_rows import DATA, TABLES, rows_of_today

pytestmark = pytest.mark.sqlite("a database on PostgreSQL begins with schema 0005")

DROPPED = (
    (
        "0002",
        "evidence_row",
        "pool_id unit_id conditions_id stable_steps unstable_steps early_stop_steps "
        "contributor_id latest_month confirmed_by_curator",
    ),
    (
        "0002",
        "pool_outlier_check",
        "pool_id checked_day rules_version deep_cutoff_steps shallow_cutoff_steps "
        "newcomer_weight_ppm excluded_weight_ppm is_young",
    ),
    ("0002", "stored_answer", "last_used"),
    ("0002", "submission", "grammar_version"),
)
"""Which migration dropped which columns; no other column may lose a value."""
MIGRATIONS = Path(__file__).parents[2] / "migrations" / "versions"


def checks_of(engine: object) -> dict[str, dict[str, str]]:
    seen = inspect(engine)
    return {
        table: {check["name"]: check["sqltext"] for check in seen.get_check_constraints(table)}
        for table in seen.get_table_names()
        if table != "alembic_version"
    }


def test_migrations_end_with_the_constraints_of_the_tables(tmp_path: Path) -> None:
    upgrade_to_head(tmp_path / "migrated.sqlite3")
    migrated = make_writing_engine(tmp_path / "migrated.sqlite3")
    created = create_engine("sqlite://")
    SQLModel.metadata.create_all(created)
    assert tables.MAX_STEPS
    assert checks_of(migrated) == checks_of(created)
    migrated.dispose()
    created.dispose()


def database_at(dump: str, path: Path) -> None:
    """A database with the rows of a dump, and the schema that its name begins with."""
    path.touch()
    engine = make_writing_engine(path, checks_foreign_keys=False)
    config = alembic_config()
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, dump[:4])
        for statement in (DATA / f"rows_{dump}.sql").read_text().split(";\n"):
            if statement.strip():
                connection.exec_driver_sql(statement)
    engine.dispose()


def dumps() -> list[str]:
    """Every schema that was published, and every further dump that is kept of one."""
    migrations = {file.name[:4] for file in MIGRATIONS.glob("[0-9]*.py")}
    kept = {file.stem.removeprefix("rows_") for file in DATA.glob("rows_*.sql")}
    return sorted({*migrations, *kept})


def at_full_hours(rows: Counter[tuple[Any, ...]], place: int) -> Counter[tuple[Any, ...]]:
    """The rows as the fourth migration changes them on purpose: no time finer than the hour."""
    return Counter(
        {
            (*row[:place], math.ceil(row[place] / 3600) * 3600, *row[place + 1 :]): times
            for row, times in rows.items()
        }
    )


@pytest.mark.parametrize("dump", dumps())
def test_a_database_with_data_goes_up_from_every_earlier_schema(tmp_path: Path, dump: str) -> None:
    path, fresh = tmp_path / "kbapi.sqlite3", tmp_path / "fresh.sqlite3"
    database_at(dump, path)
    before, columns = columns_of(path), kept_columns_of(path)
    rows = rows_of(path, columns)
    assert rows["submission"]
    upgrade_to_head(path)
    upgrade_to_head(fresh)
    if dump < "0004":
        rows["idempotency_record"] = at_full_hours(
            rows["idempotency_record"], columns["idempotency_record"].index("expires_at")
        )
    assert rows_of(path, columns) == rows
    assert current_revision(path) == head_revision()
    assert schema_of(path) == schema_of(fresh)
    assert {
        (table, name)
        for table, names in before.items()
        for name in names
        if name not in columns.get(table, ())
    } == dropped_since(dump[:4])


def test_units_that_were_excluded_as_too_shallow_count_after_the_upgrade(tmp_path: Path) -> None:
    path = tmp_path / "kbapi.sqlite3"
    database_at("0004", path)
    engine = make_writing_engine(path)
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE outlier_unit SET code = 'outlier_shallow'")
    upgrade_to_head(path)
    with engine.begin() as connection:
        assert connection.exec_driver_sql("SELECT COUNT(*) FROM outlier_unit").scalar_one() == 0
    engine.dispose()


@pytest.mark.parametrize("dump", dumps())
def test_a_later_program_that_rebuilds_every_table_keeps_every_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dump: str
) -> None:
    path = tmp_path / "kbapi.sqlite3"
    database_at(dump, path)
    upgrade_to_head(path)
    columns = columns_of(path)
    before = rows_of(path, columns)
    rebuilds = [REBUILD.format(name=name) for name in columns]
    later = later_migrations(tmp_path, *rebuilds)
    monkeypatch.setattr(database_schema, "bundled_folder", lambda _name: later)
    upgrade_to_head(path)
    assert database_schema.current_revision(path) == f"t{len(columns)}"
    assert columns_of(path) == columns
    assert rows_of(path, columns) == before


def test_the_dump_of_the_newest_schema_fills_every_table(tmp_path: Path) -> None:
    path = tmp_path / "kbapi.sqlite3"
    database_at(database_schema.head_revision(), path)
    rows = rows_of(path, columns_of(path))
    assert set(rows) == set(TABLES)
    assert [name for name in TABLES if not rows[name]] == []


def test_the_command_that_writes_the_dump_fills_every_table(tmp_path: Path) -> None:
    written = rows_of_today(tmp_path)
    assert [name for name in TABLES if f"INSERT INTO {name} (" not in written] == []


def dropped_since(revision: str) -> set[tuple[str, str]]:
    """Every column that a later migration dropped on purpose."""
    return {
        (table, name)
        for after, table, names in DROPPED
        if revision < after
        for name in names.split()
    }


def kept_columns_of(path: Path) -> dict[str, list[str]]:
    """Its columns without those that a later migration drops on purpose."""
    dropped = {(table, name) for _, table, names in DROPPED for name in names.split()}
    kept = {
        table: [name for name in names if (table, name) not in dropped]
        for table, names in columns_of(path).items()
    }
    return {table: names for table, names in kept.items() if names}


def schema_of(path: Path) -> dict[str, str]:
    """The statement of each table and index, however its name is quoted."""
    engine = make_writing_engine(path)
    with engine.begin() as connection:
        rows = connection.exec_driver_sql(
            "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL"
        ).all()
    engine.dispose()
    return {name: " ".join(statement.replace('"', "").split()) for name, statement in rows}


def columns_of(path: Path) -> dict[str, list[str]]:
    engine = make_writing_engine(path)
    seen = inspect(engine)
    columns = {
        table: [column["name"] for column in seen.get_columns(table)]
        for table in seen.get_table_names()
        if table != "alembic_version"
    }
    engine.dispose()
    return columns


def rows_of(path: Path, columns: dict[str, list[str]]) -> dict[str, Counter[object]]:
    """What these columns of these tables hold, each table as a bag of rows."""
    engine = make_writing_engine(path)
    with engine.begin() as connection:
        assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
        rows = {
            table: Counter(
                map(tuple, connection.exec_driver_sql(f"SELECT {', '.join(names)} FROM {table}"))
            )
            for table, names in columns.items()
        }
    engine.dispose()
    return rows
