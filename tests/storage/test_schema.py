"""Migrations: the head equals the tables, a failed one leaves nothing, others are recognised."""

from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from kbapi.errors import SchemaMismatch, StorageBroken
from kbapi.instance.instance import create_or_open_instance, open_instance, upgrade_instance
from kbapi.instance.secret import create_secret
from kbapi.settings import Settings
from kbapi.storage import schema as database_schema
from kbapi.storage.schema import METADATA
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.engine import make_writing_engine
from tests.makers import a_submission, an_instance, rows_of, send
from tests.storage.later_schema import CREATE_A_TABLE, REBUILD, later_migrations

pytestmark = pytest.mark.sqlite("its schema; test_postgres_engine.py is about the other one")


def add_migrations(folder: Path, monkeypatch: pytest.MonkeyPatch, *bodies: str) -> None:
    """Let the code find these migrations after the last one."""
    copy = later_migrations(folder, *bodies)
    monkeypatch.setattr(database_schema, "bundled_folder", lambda _name: copy)


def schema_of(database: Path) -> list[tuple[Any, ...]]:
    with closing(dbapi2.connect(database)) as connection:
        schema = connection.execute("SELECT type, name, tbl_name, rootpage, sql FROM sqlite_schema")
        version = connection.execute("SELECT * FROM alembic_version")
        return [*schema.fetchall(), *version.fetchall()]


def set_version(database: Path, revision: str) -> None:
    with closing(dbapi2.connect(database)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = ?", (revision,))


def test_the_head_has_the_tables_columns_and_indexes_of_the_code(tmp_path: Path) -> None:
    database_schema.upgrade_to_head(tmp_path / "migrated.sqlite3")
    engine = make_writing_engine(tmp_path / "migrated.sqlite3")
    with engine.begin() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, METADATA) == []
    engine.dispose()


def test_the_names_of_the_files_are_in_the_order_that_the_migrations_run() -> None:
    scripts = ScriptDirectory.from_config(database_schema.alembic_config())
    assert scripts.get_current_head() == database_schema.head_revision()
    in_order = [script.revision for script in scripts.walk_revisions()][::-1]
    assert in_order == database_schema._revisions()


def test_a_failed_migration_leaves_the_schema_byte_identical(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    instance = an_instance(tmp_path)
    send(instance, a_submission())
    database, rows = instance.settings.database_path, rows_of(instance)
    before = schema_of(database)
    half = CREATE_A_TABLE.format(name="second") + '\n    raise RuntimeError("half-way")'
    add_migrations(tmp_path, monkeypatch, CREATE_A_TABLE.format(name="first"), half)
    with pytest.raises(RuntimeError, match="half-way"):
        database_schema.upgrade_to_head(database)
    assert schema_of(database) == before
    assert rows_of(instance) == rows
    instance.close()


def test_missing_migrations_run_and_rows_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    instance = an_instance(tmp_path)
    send(instance, a_submission())
    rows = rows_of(instance)
    rebuild = REBUILD.format(name="submission")
    add_migrations(tmp_path, monkeypatch, CREATE_A_TABLE.format(name="first"), rebuild)
    instance.close()
    upgrade_instance(instance.settings)
    again = open_instance(instance.settings)
    assert rows_of(again) == rows
    assert database_schema.current_revision(again.settings.database_path) == "t2"
    again.close()


def test_a_migration_that_leaves_rows_without_their_parents_is_undone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings).close()
    before = schema_of(settings.database_path)
    orphan = 'op.execute("INSERT INTO unit (contributor_id) VALUES (99)")'
    add_migrations(tmp_path, monkeypatch, orphan)
    with pytest.raises(SchemaMismatch, match="rolled back"):
        upgrade_instance(settings)
    assert schema_of(settings.database_path) == before


def test_upgrading_twice_changes_nothing(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    upgrade_instance(settings)
    before = schema_of(settings.database_path)
    upgrade_instance(settings)
    assert schema_of(settings.database_path) == before


def test_an_older_database_is_not_opened_and_not_touched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings).close()
    before = schema_of(settings.database_path)
    add_migrations(tmp_path, monkeypatch, CREATE_A_TABLE.format(name="first"))
    for way_in in (open_instance, create_or_open_instance):
        with pytest.raises(SchemaMismatch, match="kbapi db upgrade"):
            way_in(settings)
    assert schema_of(settings.database_path) == before


def test_a_newer_database_is_not_opened(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings).close()
    set_version(settings.database_path, "9999")
    with pytest.raises(SchemaMismatch, match="newer than this program"):
        open_instance(settings)


def test_a_newer_database_is_not_upgraded_and_the_reason_is_reported(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings).close()
    set_version(settings.database_path, "9999")
    before = schema_of(settings.database_path)
    with pytest.raises(SchemaMismatch, match="newer than this program"):
        upgrade_instance(settings)
    assert schema_of(settings.database_path) == before


def test_a_database_without_a_version_is_not_opened(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings).close()
    settings.database_path.unlink()
    with closing(dbapi2.connect(settings.database_path)) as connection:
        connection.execute("CREATE TABLE of_something_else (id INTEGER)")
    with pytest.raises(StorageBroken):
        open_instance(settings)


def test_the_database_of_another_program_is_left_as_it_is(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    settings.home.mkdir()
    create_secret(settings.secret_path)
    with closing(dbapi2.connect(settings.database_path)) as foreign:
        foreign.execute("CREATE TABLE recipes (name TEXT)")
        foreign.commit()
    before = settings.database_path.read_bytes()
    for act in (upgrade_instance, open_instance):
        with pytest.raises(StorageBroken):
            act(settings)
    assert settings.database_path.read_bytes() == before
