"""Locked, full, read-only, wrong, missing: each a clear error, nothing lost, reads go on."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy.exc import IntegrityError

from kbapi.advice.start.answer import advise_start
from kbapi.errors import StorageBroken, StorageBusy, StorageFull, StorageUnwritable
from kbapi.instance.instance import Instance, create_or_open_instance, open_instance
from kbapi.settings import Settings
from kbapi.storage.notes import Note, load_notes, save_drafts
from kbapi.storage.sqlite import engine
from kbapi.storage.sqlite.driver import dbapi2
from tests.makers import (
    HandMovedClock,
    a_fixed_clock_setting,
    a_question,
    a_submission,
    an_instance,
    row_counts,
    rows_of,
    send,
)

pytestmark = pytest.mark.sqlite("its faults")


def reopened(
    instance: Instance, monkeypatch: pytest.MonkeyPatch, *further: str, wait_ms: int = 5_000
) -> Instance:
    """The same instance on connections with further pragmas."""
    pragmas = (f"PRAGMA busy_timeout={wait_ms}", *engine._PRAGMAS[1:], *further)
    monkeypatch.setattr(engine, "_PRAGMAS", pragmas)
    return Instance(instance.settings, HandMovedClock())


@contextmanager
def another_program_holding(database: Path, begin: str) -> Iterator[None]:
    with closing(dbapi2.connect(database, isolation_level=None)) as other:
        other.execute(begin)
        yield


def test_a_file_that_another_program_holds_is_busy_and_reads_go_on(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    send(instance, a_submission(number=1))
    before = rows_of(instance)
    held = reopened(instance, monkeypatch, wait_ms=20)
    with another_program_holding(instance.settings.database_path, "BEGIN IMMEDIATE"):
        with pytest.raises(StorageBusy):
            send(held, a_submission(number=2))
        assert rows_of(held) == before
        assert b'"units":1' in advise_start(held, a_question(held)).body
    send(held, a_submission(number=2))
    held.close()


def test_a_full_disk_refuses_the_result_whole_and_reads_go_on(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    send(instance, a_submission(number=1))
    # Migrations leave free pages.
    with closing(dbapi2.connect(instance.settings.database_path)) as connection:
        connection.execute("VACUUM")
    with instance.reading() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    full = reopened(instance, monkeypatch, f"PRAGMA max_page_count={pages}")
    before = rows_of(full)
    settings = [a_fixed_clock_setting(clock_mhz=1_000 + number) for number in range(32)]
    with pytest.raises(StorageUnwritable):
        send(full, a_submission(*settings, number=2, chip="osmer-kestrel-660-laptop"))
    assert rows_of(full) == before
    assert b'"units":1' in advise_start(full, a_question(full)).body
    full.close()


def a_note(name: str, **changes: str) -> Note:
    fields = {
        "key": name,
        "subject_kind": "machine",
        "subject": "harbour-15",
        "control": "",
        "domain": "",
        "source": "Tidewater Bench Club, bench note 3",
        "reviewed_month": "2026-06",
        "markdown": "The entry shows only after a cold start. " * 90,
    }
    return Note(**(fields | changes))


def test_a_full_disk_under_a_session_is_reported_as_such_and_nothing_is_stored(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    with instance.reading() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    full = reopened(instance, monkeypatch, f"PRAGMA max_page_count={pages}")
    notes = [a_note(f"note-{number}") for number in range(100)]
    with pytest.raises(StorageFull), full.writing() as connection:
        save_drafts(connection, notes)
    with full.reading() as connection:
        assert load_notes(connection) == []
    full.close()


def test_a_session_that_breaks_a_constraint_undoes_its_own_part_alone(instance: Instance) -> None:
    with pytest.raises(IntegrityError) as broken, instance.writing() as connection:
        save_drafts(connection, [a_note("first"), a_note("second", subject_kind="planet")])
    assert "cold start" not in str(broken.value)
    with instance.writing() as connection:
        save_drafts(connection, [a_note("third")])
    with instance.reading() as connection:
        assert [note.key for note in load_notes(connection)] == ["third"]


def test_a_read_only_file_refuses_results_and_reads_go_on(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    send(instance, a_submission(number=1))
    # The super-user may write any file: so that the library is made to refuse it.
    closed = reopened(instance, monkeypatch, "PRAGMA query_only=ON")
    before = rows_of(closed)
    with pytest.raises(StorageUnwritable):
        send(closed, a_submission(number=2))
    assert b'"units":1' in advise_start(closed, a_question(closed)).body
    assert rows_of(closed) == before
    closed.close()


def test_a_write_lock_that_cannot_be_made_is_unwritable_and_reads_go_on(
    instance: Instance,
) -> None:
    send(instance, a_submission(number=1))
    instance.settings.write_lock_path.unlink()
    instance.settings.write_lock_path.mkdir()
    with pytest.raises(StorageUnwritable):
        send(instance, a_submission(number=2))
    assert b'"units":1' in advise_start(instance, a_question(instance)).body
    assert row_counts(instance)["submission"] == 1


def test_a_file_that_is_no_database_is_broken_and_left_alone(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings).close()
    wrong = b"a shopping list, no database\n" * 400
    settings.database_path.write_bytes(wrong)
    with pytest.raises(StorageBroken):
        open_instance(settings)
    assert settings.database_path.read_bytes() == wrong


def test_a_damaged_file_is_broken(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    send(instance, a_submission())
    instance.close()
    path = instance.settings.database_path
    with closing(dbapi2.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        first_leaf = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'submission'"
        ).fetchone()[0]
    content = bytearray(path.read_bytes())
    content[(first_leaf - 1) * 4096 : first_leaf * 4096] = b"\xff" * 4096
    path.write_bytes(content)
    damaged = Instance(instance.settings, HandMovedClock())
    with pytest.raises(StorageBroken):
        rows_of(damaged)
    damaged.close()


def test_a_file_that_went_away_is_broken(tmp_path: Path) -> None:
    instance = Instance(Settings(home=tmp_path / "nowhere"), HandMovedClock())
    with pytest.raises(StorageBroken), instance.reading():
        pass


def test_a_broken_constraint_is_not_reported_as_a_fault_of_the_host(
    instance: Instance,
) -> None:
    with pytest.raises(IntegrityError), instance.writing() as connection:
        connection.exec_driver_sql("INSERT INTO line (key, revision) VALUES ('', 0)")


def test_a_connection_is_opened_no_sooner_than_it_is_needed(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    assert not {"_writing_engine", "_reading_engine"} & set(vars(instance))
    instance.close()
