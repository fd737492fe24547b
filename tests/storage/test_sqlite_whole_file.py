"""A check of a whole file names what was changed, and reports its progress."""

import hashlib
from contextlib import closing
from pathlib import Path

import orjson
import pytest

from kbapi.instance.instance import Instance
from kbapi.storage.schema import upgrade_to_head
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.whole_file import ChangedRows, copy_whole, digest_tables, look_through
from tests.makers import a_submission, send
from tests.storage.test_schema_upgrades import database_at, dumps
from tests.storage.write_rows import TABLES

pytestmark = pytest.mark.sqlite("its file")


@pytest.fixture
def closed(instance: Instance) -> tuple[Path, list[str]]:
    """The database of two results, and their ids."""
    ids = [send(instance, a_submission(number=number), key=f"k{number}").id for number in (1, 2)]
    instance.close()
    return instance.settings.database_path, ids


def change(database: Path, table: str, old: bytes, new: bytes) -> None:
    """Replace bytes of the first page of a table without the indexes taking part."""
    with closing(dbapi2.connect(database)) as connection:
        statement = "SELECT rootpage FROM sqlite_schema WHERE name = ?"
        ((page,),) = connection.execute(statement, (table,)).fetchall()
    content = database.read_bytes()
    begin, end = (page - 1) * 4096, page * 4096
    assert old in content[begin:end]
    changed = content[begin:end].replace(old, new, 1)
    database.write_bytes(content[:begin] + changed + content[end:])


def test_a_changed_document_is_named_with_its_result(closed: tuple[Path, list[str]]) -> None:
    database, ids = closed
    # The cells of a page begin at its end: the later result is first.
    change(database, "submission", b'"settings"', b'"settingz"')
    assert look_through(database).changed == (ChangedRows("submission", 1, (ids[1],)),)


def test_a_changed_setting_is_named_with_its_result(closed: tuple[Path, list[str]]) -> None:
    database, ids = closed
    change(database, "setting_result", b"2026-", b"2027-")
    found = look_through(database)
    assert found.changed == (ChangedRows("setting_result", 1, (ids[1],)),)
    assert not found.is_sound


def test_a_changed_answer_under_a_key_is_named_without_the_key(
    closed: tuple[Path, list[str]],
) -> None:
    database, _ = closed
    change(database, "idempotency_record", b'"id"', b'"ie"')
    assert look_through(database).changed == (ChangedRows("idempotency_record", 1, ()),)


def test_a_changed_definition_is_named(closed: tuple[Path, list[str]]) -> None:
    database, _ = closed
    with closing(dbapi2.connect(database)) as connection, connection:
        connection.execute("DROP INDEX ix_chip_line_id")
        connection.execute("CREATE INDEX ix_chip_line_id ON chip (line_id, kind)")
    assert look_through(database).changed_definitions == ("ix_chip_line_id",)


def test_tables_of_a_program_for_continuous_copies_are_no_damage(
    closed: tuple[Path, list[str]],
) -> None:
    database, _ = closed
    with closing(dbapi2.connect(database)) as connection, connection:
        connection.execute("CREATE TABLE _litestream_seq (id INTEGER PRIMARY KEY, seq INTEGER)")
        connection.execute("CREATE TABLE _litestream_lock (id INTEGER)")
    assert look_through(database).is_sound
    with closing(dbapi2.connect(database)) as connection, connection:
        connection.execute("CREATE TABLE other (id INTEGER)")
    assert look_through(database).changed_definitions == ("other",)


@pytest.mark.parametrize("dump", dumps())
def test_an_upgraded_database_is_sound(tmp_path: Path, dump: str) -> None:
    database = tmp_path / "kbapi.sqlite3"
    database_at(dump, database)
    upgrade_to_head(database)
    found = look_through(database)
    assert (found.damage, found.changed, found.changed_definitions) == ((), (), ())
    assert found.is_sound


def test_the_digest_of_a_table_is_that_of_its_rows_in_order(
    closed: tuple[Path, list[str]],
) -> None:
    database, _ = closed
    digests = {one.table: one for one in digest_tables(database)}
    assert set(digests) == {*TABLES, "alembic_version"}
    with closing(dbapi2.connect(database)) as connection:
        rows = connection.execute("SELECT * FROM unit ORDER BY id").fetchall()
    lines = [
        orjson.dumps([one.hex() if isinstance(one, bytes) else one for one in row]) + b"\n"
        for row in rows
    ]
    assert digests["unit"].sha256 == hashlib.sha256(b"".join(lines)).hexdigest()
    assert digests["unit"].rows == len(rows) == 2


def test_a_copy_reports_every_step_to_its_end(
    closed: tuple[Path, list[str]], tmp_path: Path
) -> None:
    database, _ = closed
    steps: dict[str, list[tuple[int, int]]] = {}

    def note(step: str, done: int, total: int) -> None:
        steps.setdefault(step, []).append((done, total))

    copy_whole(database, tmp_path / "copy.sqlite3", note)
    digest_tables(tmp_path / "copy.sqlite3", note)
    assert list(steps) == [
        "copied pages",
        "pages and indexes",
        "checksums of idempotency_record",
        "checksums of submission",
        "rows",
    ]
    assert all(reports[-1][0] == reports[-1][1] > 0 for reports in steps.values())
