"""Pragmas, transactions and isolation, as far as their effect can be seen."""

import os
from collections.abc import Callable
from contextlib import closing
from importlib.util import find_spec
from pathlib import Path

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError, OperationalError

from kbapi.storage.sqlite import engine as sqlite_engine
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.engine import (
    is_wal_reset_affected,
    make_reading_engine,
    make_writing_engine,
)

pytestmark = pytest.mark.sqlite("its engines")

ON_EVERY_CONNECTION = {
    "busy_timeout": 5_000,
    "journal_mode": "wal",
    "synchronous": 2,
    "foreign_keys": 1,
    "trusted_schema": 0,
    "cell_size_check": 1,
    "mmap_size": 0,
    "journal_size_limit": 64 * 1024 * 1024,
    "secure_delete": 1,
}


def a_database(folder: Path) -> Path:
    path = folder / "some.sqlite3"
    with closing(dbapi2.connect(path)) as connection:
        connection.executescript(
            "CREATE TABLE parent (id INTEGER PRIMARY KEY);"
            "CREATE TABLE child (parent_id INTEGER REFERENCES parent(id));"
            "INSERT INTO parent VALUES (1);"
        )
    return path


def value_of(engine: Engine, pragma: str) -> object:
    with engine.begin() as connection:
        return connection.exec_driver_sql(f"PRAGMA {pragma}").scalar_one()


def can_begin_immediate(path: Path) -> bool:
    with closing(dbapi2.connect(path, timeout=0, isolation_level=None)) as other:
        try:
            other.execute("BEGIN IMMEDIATE")
        except dbapi2.OperationalError:
            return False
        return True


@pytest.mark.parametrize("make_engine", [make_writing_engine, make_reading_engine])
@pytest.mark.parametrize("pragma", ON_EVERY_CONNECTION)
def test_the_pragma_is_in_effect(
    tmp_path: Path, make_engine: Callable[[Path], Engine], pragma: str
) -> None:
    engine = make_engine(a_database(tmp_path))
    # An old SQLite takes our CHECK constraints only in a schema that it trusts.
    trusts = pragma == "trusted_schema" and not sqlite_engine.has_strict_checks()
    assert value_of(engine, pragma) == (1 if trusts else ON_EVERY_CONNECTION[pragma])
    engine.dispose()


def test_the_wait_is_set_before_anything_that_can_meet_a_lock() -> None:
    names = [pragma.removeprefix("PRAGMA ").split("=")[0] for pragma in sqlite_engine._PRAGMAS]
    assert names == list(ON_EVERY_CONNECTION)


def test_only_reading_connections_refuse_to_write(tmp_path: Path) -> None:
    path = a_database(tmp_path)
    writer, reader = make_writing_engine(path), make_reading_engine(path)
    assert (value_of(writer, "query_only"), value_of(reader, "query_only")) == (0, 1)
    with pytest.raises(OperationalError, match="readonly"), reader.begin() as connection:
        connection.exec_driver_sql("INSERT INTO parent VALUES (2)")
    writer.dispose()
    reader.dispose()


def test_a_writer_holds_the_lock_from_its_first_moment(tmp_path: Path) -> None:
    path = a_database(tmp_path)
    engine = make_writing_engine(path)
    with engine.begin():
        assert not can_begin_immediate(path)
    assert can_begin_immediate(path)
    engine.dispose()


def test_a_reader_holds_no_lock_against_writers(tmp_path: Path) -> None:
    path = a_database(tmp_path)
    engine = make_reading_engine(path)
    with engine.begin() as connection:
        connection.exec_driver_sql("SELECT * FROM parent").all()
        assert can_begin_immediate(path)
    engine.dispose()


def test_a_reader_sees_one_state_while_others_write(tmp_path: Path) -> None:
    path = a_database(tmp_path)
    writer, reader = make_writing_engine(path), make_reading_engine(path)
    with reader.begin() as reading:
        before = reading.exec_driver_sql("SELECT count(*) FROM parent").scalar_one()
        with writer.begin() as writing:
            writing.exec_driver_sql("INSERT INTO parent VALUES (2)")
        after = reading.exec_driver_sql("SELECT count(*) FROM parent").scalar_one()
    assert (before, after) == (1, 1)
    writer.dispose()
    reader.dispose()


def test_a_failed_transaction_leaves_nothing_not_even_a_table(tmp_path: Path) -> None:
    engine = make_writing_engine(a_database(tmp_path))

    def write_and_fail() -> None:
        with engine.begin() as connection:
            connection.exec_driver_sql("INSERT INTO parent VALUES (2)")
            connection.exec_driver_sql("CREATE TABLE half_done (id INTEGER)")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        write_and_fail()
    with engine.begin() as connection:
        assert connection.exec_driver_sql("SELECT id FROM parent").scalars().all() == [1]
        names = connection.exec_driver_sql("SELECT name FROM sqlite_schema").scalars().all()
    assert sorted(names) == ["child", "parent"]
    engine.dispose()


def test_only_a_migration_may_leave_references_unchecked(tmp_path: Path) -> None:
    path = a_database(tmp_path)
    usual, migrating = (
        make_writing_engine(path),
        make_writing_engine(path, checks_foreign_keys=False),
    )
    with pytest.raises(IntegrityError), usual.begin() as connection:
        connection.exec_driver_sql("INSERT INTO child VALUES (99)")
    with migrating.begin() as connection:
        connection.exec_driver_sql("INSERT INTO child VALUES (99)")
    usual.dispose()
    migrating.dispose()


@pytest.mark.parametrize(
    ("version", "affected"),
    [
        ((3, 6, 23), False),
        ((3, 7, 0), True),
        ((3, 40, 1), True),
        ((3, 43, 9), True),
        ((3, 44, 5), True),
        ((3, 44, 6), False),
        ((3, 44, 7), False),
        ((3, 45, 0), True),
        ((3, 49, 9), True),
        ((3, 50, 6), True),
        ((3, 50, 7), False),
        ((3, 51, 0), True),
        ((3, 51, 2), True),
        ((3, 51, 3), False),
        ((3, 52, 0), False),
        ((4, 0, 0), False),
    ],
)
def test_the_versions_that_can_corrupt_are_known(
    version: tuple[int, int, int], affected: bool
) -> None:
    assert is_wal_reset_affected(version) is affected


def test_an_affected_library_is_used_only_where_pysqlite3_is_not(tmp_path: Path) -> None:
    engine = make_reading_engine(a_database(tmp_path))
    with engine.begin() as connection:
        reported = connection.exec_driver_sql("SELECT sqlite_version()").scalar_one()
    assert reported == ".".join(map(str, sqlite_engine.library_version()))
    if dbapi2.__name__ == "pysqlite3.dbapi2":
        assert not is_wal_reset_affected(sqlite_engine.library_version())
        assert sqlite_engine.has_strict_checks()
    else:
        assert os.environ["KBAPI_SQLITE_MODULE"] == "standard" or find_spec("pysqlite3") is None
        assert dbapi2.__name__ == "sqlite3"
    engine.dispose()
