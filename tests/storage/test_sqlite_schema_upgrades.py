"""Every schema that has been published can be upgraded, with its data and with every constraint."""

from collections import Counter
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import create_engine, inspect
from sqlmodel import SQLModel

from kbapi.storage import tables
from kbapi.storage.sqlite import schema as database_schema
from kbapi.storage.sqlite.engine import make_writing_engine
from kbapi.storage.sqlite.schema import (
    alembic_config,
    current_revision,
    head_revision,
    upgrade_to_head,
)
from tests.storage.later_schema import REBUILD, later_migrations
from tests.storage.write_rows import DATA, TABLES, rows_of_today

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


@pytest.mark.parametrize("dump", dumps())
def test_a_database_with_data_goes_up_from_every_earlier_schema(tmp_path: Path, dump: str) -> None:
    path = tmp_path / "kbapi.sqlite3"
    database_at(dump, path)
    columns = columns_of(path)
    before = rows_of(path, columns)
    assert before["submission"]
    upgrade_to_head(path)
    assert rows_of(path, columns) == before
    assert current_revision(path) == head_revision()


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
