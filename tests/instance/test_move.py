"""A move copies an instance whole, and closes the old place; interrupted, it changes nothing."""

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest

from kbapi.access.keys import find_holder, give_key
from kbapi.app import create_app
from kbapi.curation.notes import store_notes
from kbapi.demo.members import note_texts
from kbapi.errors import (
    BEING_MOVED,
    MOVED,
    InstanceInUse,
    InstanceReadOnly,
    StorageBroken,
    StorageBusy,
    UnsafeSetup,
)
from kbapi.instance import move
from kbapi.instance.backup import make_backup
from kbapi.instance.check import check_instance
from kbapi.instance.instance import (
    Instance,
    create_or_open_instance,
    open_instance,
    upgrade_instance,
)
from kbapi.instance.move import find_place_moved_to, move_instance, undo_move
from kbapi.instance.restore import restore_backup
from kbapi.intake.my_submissions import read_own_result, withdraw_own_result
from kbapi.intake.responses import Accepted
from kbapi.settings import Settings
from kbapi.storage.postgres import whole_database
from kbapi.storage.schema import save_moved_to, writing_once
from kbapi.storage.sqlite.database import write_lock_held
from kbapi.storage.sqlite.driver import dbapi2
from tests.makers import CHIP, HandMovedClock, a_setting, a_submission, an_instance, rows_of, send
from tests.postgres import an_empty_database, execute

pytestmark = pytest.mark.sqlite("moves begin from its file, and run on both databases here")

QUESTIONS = (
    f"/v1/start?chip={CHIP}",
    f"/v1/stability?chip={CHIP}",
    f"/v1/locks?chip={CHIP}",
    f"/v1/chips/{CHIP}",
)


@pytest.fixture
def url() -> Iterator[str]:
    with an_empty_database() as made:
        yield made


@pytest.fixture
def sent(instance: Instance) -> list[Accepted]:
    """Results of many kinds, notes and stored answers; the instance goes on."""
    store_notes(instance, note_texts())
    limits = [-60, -70, -75, -80, -85, -90, -95, -100, -110]
    found = [
        send(
            instance, a_submission(a_setting(stable_at=at, unstable_at=at - 10), number=n), f"k{n}"
        )
        for n, at in enumerate(limits)
    ]
    answers_of(instance)
    return found


def on_server(instance: Instance, url: str) -> Settings:
    return instance.settings.model_copy(update={"database": url})


@contextmanager
def opened(settings: Settings) -> Iterator[Instance]:
    found = open_instance(settings, HandMovedClock())
    try:
        yield found
    finally:
        found.close()


def answers_of(instance: Instance) -> list[tuple[int, bytes, str | None]]:
    client = create_app(instance).test_client()
    replies = [client.get(path) for path in QUESTIONS]
    return [(reply.status_code, reply.data, reply.headers.get("ETag")) for reply in replies]


def dump_of(database: Path) -> list[Any]:
    with closing(sqlite3.connect(database)) as connection:
        marks = [
            connection.execute(f"PRAGMA {name}").fetchone()
            for name in ("user_version", "application_id")
        ]
        return [*marks, *connection.iterdump()]


def test_there_and_back_gives_the_same_bytes_answers_receipts_and_keys(
    instance: Instance, sent: list[Accepted], url: str, tmp_path: Path
) -> None:
    key = give_key(instance, "club", ("submit",)).key
    scopes = find_holder(instance, key).scopes
    rows, answers = rows_of(instance), answers_of(instance)
    instance.close()
    dump = dump_of(instance.settings.database_path)
    there = move_instance(instance.settings, url)
    assert (there.place, there.kept) == (whole_database.name_of_url(url), ())
    assert there.rows_of("submission") == len(sent)
    with opened(on_server(instance, url)) as moved:
        assert rows_of(moved) == rows
        assert answers_of(moved) == answers
        assert find_holder(moved, key).scopes == scopes
        assert [read_own_result(moved, one.id, one.receipt).id for one in sent] == ids_of(sent)
    back = move_instance(on_server(instance, url), str(tmp_path / "back"))
    assert (back.tables, back.kept) == (there.tables, ())
    returned = instance.settings.model_copy(update={"home": tmp_path / "back"})
    assert dump_of(returned.database_path) == dump
    assert returned.database_path.stat().st_mode & 0o077 == 0
    with opened(returned) as again:
        assert answers_of(again) == answers
        assert find_holder(again, key).scopes == scopes
        assert [read_own_result(again, one.id, one.receipt).id for one in sent] == ids_of(sent)
    assert check_instance(returned, now=HandMovedClock())[0].is_ok


def ids_of(sent: list[Accepted]) -> list[str]:
    return [one.id for one in sent]


def test_new_rows_are_numbered_behind_the_moved_ones(
    instance: Instance, sent: list[Accepted], url: str
) -> None:
    move_instance(instance.settings, url)
    with opened(on_server(instance, url)) as moved:
        send(moved, a_submission(number=99))
        withdraw_own_result(moved, sent[0].id, sent[0].receipt)
        send(moved, a_submission(number=98))
        assert len(rows_of(moved)["submission"]) == len(sent) + 1


def test_the_old_file_answers_questions_only_until_the_move_is_undone(
    instance: Instance, sent: list[Accepted], url: str, tmp_path: Path
) -> None:
    answers = answers_of(instance)
    move_instance(instance.settings, url)
    assert_closed(instance, MOVED)
    assert answers_of(instance) == answers
    assert find_place_moved_to(instance.settings) == whole_database.name_of_url(url)
    backup = make_backup(instance.settings, tmp_path / "backups", None).file
    instance.close()
    with pytest.raises(UnsafeSetup, match="move --undo"):
        restore_backup(instance.settings, backup)
    with pytest.raises(InstanceReadOnly, match="moved this instance"):
        upgrade_instance(instance.settings)
    assert undo_move(instance.settings) == whole_database.name_of_url(url)
    assert undo_move(instance.settings) is None
    with opened(instance.settings) as again:
        assert send(again, a_submission(number=50)).id not in ids_of(sent)
        assert again.present_health().writes == "accepted"


def test_the_old_database_answers_questions_only_until_the_move_is_undone(
    instance: Instance, sent: list[Accepted], url: str, tmp_path: Path
) -> None:
    move_instance(instance.settings, url)
    settings = on_server(instance, url)
    with opened(settings) as served:
        answers = answers_of(served)
        move_instance(settings, str(tmp_path / "back"))
        assert_closed(served, MOVED)
        assert answers_of(served) == answers
        assert find_place_moved_to(settings) == str(tmp_path / "back")
        assert undo_move(settings) == str(tmp_path / "back")
        assert send(served, a_submission(number=50)).id not in ids_of(sent)
        assert_accepts_again(served)


def assert_accepts_again(served: Instance) -> None:
    """Health knows it from the result that was stored."""
    assert served._health.writes == "accepted"


def assert_closed(served: Instance, detail: str) -> None:
    """Results, decisions and dry runs are refused at once, and health says why."""
    with pytest.raises(InstanceReadOnly) as refused:
        send(served, a_submission(number=77))
    assert refused.value.detail == detail
    with pytest.raises(InstanceReadOnly), served.writing(takes_back=True):
        pass
    with pytest.raises(InstanceReadOnly), served.dry_run():
        pass
    assert served.present_health().writes == "read_only"
    reply = create_app(served).test_client().post("/v1/submissions", json=a_submission(number=77))
    assert (reply.status_code, reply.json["type"]) == (503, "/problems/read_only")
    assert int(reply.headers["Retry-After"]) > 0


@pytest.mark.parametrize("direction", ["from a file", "from a server"])
def test_results_are_refused_and_questions_answered_during_a_move(
    direction: str, instance: Instance, sent: list[Accepted], url: str, tmp_path: Path
) -> None:
    settings, target = instance.settings, url
    if direction == "from a server":
        move_instance(settings, url)
        settings, target = on_server(instance, url), str(tmp_path / "back")
    with opened(settings) as served:
        answers = answers_of(served)
        seen = []

        def look(step: str, _done: int, _total: int) -> None:
            if step == "rows copied" and not seen:
                seen.append(step)
                assert_closed(served, BEING_MOVED)
                assert answers_of(served) == answers
                if not settings.database:
                    with pytest.raises(StorageBusy, match="Another move"):
                        undo_move(settings)

        moved = move_instance(settings, target, progress=look)
        assert seen
        assert moved.rows_of("submission") == len(sent)


def test_a_writer_that_waits_for_its_turn_looks_again_for_a_move(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the second look, a result that waited through a move would be in the old place."""
    settings, has_passed = instance.settings, Event()
    pass_gate = instance.gate.require_open

    def require_open(*, takes_back: bool = False) -> None:
        pass_gate(takes_back=takes_back)
        has_passed.set()

    monkeypatch.setattr(instance.gate, "require_open", require_open)
    outcome: list[object] = []

    def write() -> None:
        try:
            outcome.append(send(instance, a_submission()))
        except InstanceReadOnly as refused:
            outcome.append(refused.detail)

    writer = Thread(target=write)
    with write_lock_held(settings.write_lock_path):
        writer.start()
        assert has_passed.wait(60)
        settings.move_lock_path.write_text("elsewhere")
    writer.join()
    assert outcome == [MOVED]
    assert rows_of(instance)["submission"] == []


class Interrupted(Exception):
    """In place of a kill: nothing catches it."""


def interrupt_copy(monkeypatch: pytest.MonkeyPatch) -> None:
    write, tables = whole_database._write_rows, []

    def write_some(connection: Any, name: str, *rest: Any) -> None:
        write(connection, name, *rest)
        tables.append(name)
        if name == "submission":
            raise Interrupted

    monkeypatch.setattr(whole_database, "_write_rows", write_some)


def interrupt_before_closing(monkeypatch: pytest.MonkeyPatch) -> None:
    for source in (move._FileSource, move._ServerSource):
        monkeypatch.setattr(source, "close", interrupt)


def interrupt_before_finishing(monkeypatch: pytest.MonkeyPatch) -> None:
    for target in (move._FileTarget, move._ServerTarget):
        monkeypatch.setattr(target, "finish", interrupt)


def interrupt(*_: object) -> None:
    raise Interrupted


@pytest.mark.parametrize("direction", ["to a server", "to a file"])
@pytest.mark.parametrize(
    ("interrupts", "is_closed"),
    [
        (interrupt_copy, False),
        (interrupt_before_closing, False),
        (interrupt_before_finishing, True),
    ],
)
def test_an_interrupted_move_leaves_one_place_to_serve_and_can_be_run_again(
    direction: str,
    interrupts: Callable[[pytest.MonkeyPatch], None],
    is_closed: bool,
    instance: Instance,
    url: str,
    tmp_path: Path,
) -> None:
    first = send(instance, a_submission(number=1))
    settings, target = instance.settings, url
    new = on_server(instance, url)
    if direction == "to a file":
        move_instance(settings, url)
        settings, target = new, str(tmp_path / "back")
        new = instance.settings.model_copy(update={"home": tmp_path / "back"})
    with pytest.MonkeyPatch.context() as patched:
        interrupts(patched)
        with pytest.raises(Interrupted):
            move_instance(settings, target)
    with pytest.raises((StorageBroken, UnsafeSetup)):
        open_instance(new)
    with opened(settings) as old:
        assert len(rows_of(old)["submission"]) == 1
        if is_closed:
            assert_closed(old, MOVED)
        else:
            send(old, a_submission(number=2))
    expected = 1 if is_closed else 2
    moved = move_instance(settings, target)
    # The unfinished copy was never served: it is not kept.
    assert (moved.rows_of("submission"), moved.kept) == (expected, ())
    with opened(new) as served:
        assert read_own_result(served, first.id, first.receipt).id == first.id
        send(served, a_submission(number=3))


@pytest.mark.parametrize("direction", ["to a server", "to a file"])
def test_a_complete_move_that_is_run_again_says_where_the_instance_is(
    direction: str, instance: Instance, url: str, tmp_path: Path
) -> None:
    """A command that is killed at its very end has told nothing."""
    send(instance, a_submission(number=1))
    settings, target, new = instance.settings, url, on_server(instance, url)
    if direction == "to a file":
        move_instance(settings, url)
        settings, target = new, str(tmp_path / "back")
        new = instance.settings.model_copy(update={"home": tmp_path / "back"})
    place = move_instance(settings, target).place
    with opened(new) as served:
        send(served, a_submission(number=2))
    with pytest.raises(UnsafeSetup, match=f"{place} is complete: start the servers there"):
        move_instance(settings, target)
    with opened(new) as served:
        assert len(rows_of(served)["submission"]) == 2


def test_what_was_kept_before_an_interrupted_move_is_named_by_the_next_one(
    instance: Instance, url: str
) -> None:
    send(instance, a_submission(number=1))
    instance.close()
    move_instance(instance.settings, url)
    move_instance(on_server(instance, url), str(instance.settings.home))
    with pytest.MonkeyPatch.context() as patched:
        interrupt_before_finishing(patched)
        with pytest.raises(Interrupted):
            move_instance(instance.settings, url)
    (kept,) = move_instance(instance.settings, url).kept
    assert kept.startswith("schema before_")


def test_a_catalogue_that_was_copied_in_part_is_copied_again(
    instance: Instance, url: str, tmp_path: Path
) -> None:
    own, copy = instance.settings.catalogue_path, tmp_path / "back" / "catalogue"
    move_instance(instance.settings, url)

    def copy_one(folder: Path, new: Path) -> None:
        new.mkdir()
        shutil.copy(min(folder.iterdir()), new)
        raise Interrupted

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(shutil, "copytree", copy_one)
        with pytest.raises(Interrupted):
            move_instance(on_server(instance, url), str(tmp_path / "back"))
    assert not copy.exists()
    move_instance(on_server(instance, url), str(tmp_path / "back"))
    assert {path.name: path.read_bytes() for path in copy.iterdir()} == {
        path.name: path.read_bytes() for path in own.iterdir()
    }


def test_a_machine_that_lost_its_power_during_a_move_does_not_close_the_database_for_hours(
    url: str,
) -> None:
    """The server itself asks whether the machine is there: 20 s after its last word it is gone."""
    with whole_database.held_for_move(url) as connection:
        found = {
            name: connection.exec_driver_sql(f"SHOW tcp_keepalives_{name}").scalar_one()
            for name in ("idle", "interval", "count")
        }
    assert found == {"idle": "10", "interval": "5", "count": "2"}


def test_an_instance_moves_from_one_server_to_another_database(
    instance: Instance, sent: list[Accepted], url: str
) -> None:
    rows, answers = rows_of(instance), answers_of(instance)
    move_instance(instance.settings, url)
    with an_empty_database() as elsewhere, opened(on_server(instance, url)) as old:
        moved = move_instance(on_server(instance, url), elsewhere)
        assert moved.rows_of("submission") == len(sent)
        assert_closed(old, MOVED)
        with opened(on_server(instance, elsewhere)) as new:
            assert rows_of(new) == rows
            assert answers_of(new) == answers
            assert [read_own_result(new, one.id, one.receipt).id for one in sent] == ids_of(sent)
            send(new, a_submission(number=99))
            new.close()
            # The old database takes it back, and keeps what it had.
            old.close()
            (kept,) = move_instance(on_server(instance, elsewhere), url).kept
    assert kept.startswith("schema before_")
    with opened(on_server(instance, url)) as back:
        assert len(rows_of(back)["submission"]) == len(sent) + 1


def test_another_schema_of_the_same_database_is_refused(instance: Instance, url: str) -> None:
    move_instance(instance.settings, url)
    execute(url, "CREATE SCHEMA other")
    for to in (url, f"{url}?options=-csearch_path%3Dother"):
        with pytest.raises(UnsafeSetup, match="Create another database"):
            move_instance(on_server(instance, url), to)
    assert find_place_moved_to(on_server(instance, url)) is None


def test_a_server_does_not_create_an_instance_in_an_unfinished_database(
    instance: Instance, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    send(instance, a_submission(number=1))
    with monkeypatch.context() as patched:
        interrupt_copy(patched)
        with pytest.raises(Interrupted):
            move_instance(instance.settings, url)
    with pytest.raises(StorageBroken, match="did not finish"):
        create_or_open_instance(on_server(instance, url))
    with pytest.raises(StorageBroken, match="did not finish"):
        upgrade_instance(on_server(instance, url))


def test_a_copy_that_differs_in_one_value_is_no_move(
    instance: Instance, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    send(instance, a_submission(number=1))
    write = whole_database._write_rows

    def write_another_value(connection: Any, name: str, columns: Any, rows: Any) -> None:
        place = columns.index("early_stop_steps") if name == "setting_result" else None
        write(connection, name, columns, changed(rows, place))

    def changed(rows: Iterator[Any], place: int | None) -> Iterator[Any]:
        for row in rows:
            yield row if place is None else (*row[:place], row[place] + 1, *row[place + 1 :])

    with monkeypatch.context() as patched:
        patched.setattr(whole_database, "_write_rows", write_another_value)
        with pytest.raises(StorageBroken, match="differs"):
            move_instance(instance.settings, url)
    send(instance, a_submission(number=2))
    assert move_instance(instance.settings, url).rows_of("submission") == 2


def test_moving_back_to_the_folder_keeps_the_old_file_and_then_the_old_tables(
    instance: Instance, url: str
) -> None:
    send(instance, a_submission(number=1))
    instance.close()
    move_instance(instance.settings, url)
    with opened(on_server(instance, url)) as moved:
        send(moved, a_submission(number=2))
    (kept,) = move_instance(on_server(instance, url), str(instance.settings.home)).kept
    assert kept.startswith("kbapi.sqlite3.before-")
    with opened(instance.settings) as back:
        assert len(rows_of(back)["submission"]) == 2
        send(back, a_submission(number=3))
    (schema,) = move_instance(instance.settings, url).kept
    kept_schema = schema.removeprefix("schema ")
    with whole_database.reading_once(url) as connection:
        count = f"SELECT count(*) FROM {kept_schema}.submission"
        assert connection.exec_driver_sql(count).scalar_one() == 2
    with opened(on_server(instance, url)) as moved:
        assert len(rows_of(moved)["submission"]) == 3


def test_a_new_place_with_something_in_it_is_refused(
    instance: Instance, url: str, tmp_path: Path
) -> None:
    send(instance, a_submission(number=1))
    other = an_instance(tmp_path / "other")
    send(other, a_submission(number=9))
    other.close()
    with an_empty_database() as elsewhere:
        execute(elsewhere, "CREATE TABLE ledger (id BIGINT)")
        with pytest.raises(StorageBroken, match="another program"):
            move_instance(instance.settings, elsewhere)
    move_instance(other.settings, url)
    with pytest.raises(UnsafeSetup, match="instance of its own"):
        move_instance(instance.settings, url)
    move_instance(on_server(other, url), str(other.settings.home))
    with pytest.raises(UnsafeSetup, match="another instance"):
        move_instance(instance.settings, url)
    with pytest.raises(UnsafeSetup, match="in a folder already"):
        move_instance(instance.settings, str(tmp_path / "copy"))
    send(instance, a_submission(number=2))


def test_a_folder_with_something_in_it_is_refused(
    instance: Instance, url: str, tmp_path: Path
) -> None:
    other = an_instance(tmp_path / "other")
    other.close()
    move_instance(instance.settings, url)
    settings = on_server(instance, url)
    with pytest.raises(UnsafeSetup, match="instance of its own"):
        move_instance(settings, str(other.settings.home))
    other.settings.database_path.unlink()
    with pytest.raises(UnsafeSetup, match="secret of another"):
        move_instance(settings, str(other.settings.home))
    with opened(settings) as served, pytest.raises(InstanceInUse):
        # The server holds the folder, although it does not use the file.
        move_instance(settings, str(served.settings.home))
    assert find_place_moved_to(settings) is None


def test_a_server_that_uses_the_new_place_is_reported(
    instance: Instance, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    move_instance(instance.settings, url)
    undo_move(instance.settings)
    monkeypatch.setattr(whole_database, "_TRIES", 2)
    with opened(on_server(instance, url)) as served:
        move._ServerSource(served.settings)
        with writing_once(url) as connection:
            save_moved_to(connection, "elsewhere")
        assert rows_of(served)["submission"] == []
        with pytest.raises(InstanceInUse, match="Stop its servers"):
            move_instance(instance.settings, url)


def test_an_instance_that_was_moved_is_moved_again_to_the_same_place_only(
    instance: Instance, url: str
) -> None:
    move_instance(instance.settings, url)
    with an_empty_database() as third, pytest.raises(UnsafeSetup, match="was moved to"):
        move_instance(instance.settings, third)


def test_a_damaged_database_is_not_moved(instance: Instance, url: str) -> None:
    send(instance, a_submission(number=1))
    instance.close()
    with closing(dbapi2.connect(instance.settings.database_path)) as connection, connection:
        connection.execute("UPDATE submission SET document = replace(document, '-80', '-81')")
    with pytest.raises(StorageBroken, match="changed values in submission"):
        move_instance(instance.settings, url)
    assert find_place_moved_to(instance.settings) is None


def test_the_catalogue_of_the_host_goes_along(instance: Instance, url: str, tmp_path: Path) -> None:
    move_instance(instance.settings, url)
    move_instance(on_server(instance, url), str(tmp_path / "back"))
    own = instance.settings.catalogue_path
    assert names_in(tmp_path / "back" / "catalogue") == names_in(own) != []


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())
