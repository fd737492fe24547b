"""A backup is a complete, checked copy of one state; no other file has such a name."""

import shutil
import stat
import threading
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from kbapi.errors import StorageBroken, StorageBusy, StorageFull, UnsafeSetup
from kbapi.instance.backup import BackupMade, back_up_secret, make_backup
from kbapi.instance.instance import Instance, open_instance
from kbapi.instance.manifest import load_manifest
from kbapi.instance.move import move_instance
from kbapi.instance.secret import create_secret, load_secret
from kbapi.settings import Settings
from kbapi.storage.files import log_of
from kbapi.storage.sqlite.database import write_lock_held
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.whole_file import look_through
from tests.makers import HandMovedClock, a_submission, row_counts, rows_of, send
from tests.postgres import an_empty_database


@pytest.fixture
def target(tmp_path: Path) -> Path:
    return tmp_path / "backups"


def back_up(
    instance: Instance, target: Path, keep: int | None = None, clock: HandMovedClock | None = None
) -> BackupMade:
    return make_backup(instance.settings, target, keep, clock or HandMovedClock())


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if not path.name.endswith(".lock"))


def with_manifests(*backups: str) -> set[str]:
    """The names of these backups and of their manifests."""
    return {*backups, *(f"{name}.manifest.json" for name in backups)}


def opened(file: Path, folder: Path) -> Instance:
    """An instance over a copy of a backup."""
    settings = Settings(home=folder / "copied")
    settings.home.mkdir()
    shutil.copy(file, settings.database_path)
    return Instance(settings, HandMovedClock())


def test_a_backup_has_every_row_and_only_its_owner_reads_it(
    instance: Instance, target: Path, tmp_path: Path
) -> None:
    for number in range(5):
        send(instance, a_submission(number=number), key=f"key-{number}")
    made = back_up(instance, target)
    copied = opened(made.file, tmp_path)
    assert rows_of(copied) == rows_of(instance)
    assert made.condition.rows_of("submission") == 5
    assert made.condition.is_sound
    assert stat.S_IMODE(made.file.stat().st_mode) == 0o600
    assert stat.S_IMODE(target.stat().st_mode) == 0o700
    assert set(names(target)) == with_manifests("kbapi-20260915T120000.000000Z.sqlite3")
    assert {stat.S_IMODE(path.stat().st_mode) for path in target.iterdir()} == {0o600}
    copied.close()


def test_a_backup_is_one_file_that_includes_the_log(instance: Instance, target: Path) -> None:
    send(instance, a_submission())
    log = instance.settings.database_path.with_name("kbapi.sqlite3-wal")
    assert log.stat().st_size > 0
    made = back_up(instance, target)
    # Bytes 18 and 19 of the header: 1 means without a log, 2 means with a log.
    assert made.file.read_bytes()[18:20] == b"\x01\x01"
    assert set(names(target)) == with_manifests(made.file.name)


def test_a_backup_during_writes_is_one_state_of_the_database(
    instance: Instance, target: Path, tmp_path: Path
) -> None:
    send(instance, a_submission(number=0))
    ended = threading.Event()

    def go_on() -> None:
        number = 0
        while not ended.is_set():
            number += 1
            send(instance, a_submission(number=number))

    writer = threading.Thread(target=go_on)
    writer.start()
    clock = HandMovedClock()
    try:
        for _ in range(5):
            clock.moment += timedelta(seconds=1)
            made = back_up(instance, target, clock=clock)
            assert made.condition.is_sound
            counted = made.condition.rows_of
            assert counted("submission") == counted("unit") == counted("setting_result")
    finally:
        ended.set()
        writer.join()
    assert row_counts(instance)["submission"] > made.condition.rows_of("submission") > 1


def test_the_newest_backups_stay_and_other_files_are_never_removed(
    instance: Instance, target: Path
) -> None:
    target.mkdir()
    others = ["kbapi-holiday.sqlite3", "notes.txt", "kbapi-20200101T000000.000000Z.sqlite3.old"]
    for name in others:
        (target / name).write_text("of somebody else")
    clock = HandMovedClock()
    for _ in range(4):
        clock.moment += timedelta(days=1)
        made = back_up(instance, target, 2, clock)
    assert [path.name for path in made.removed] == ["kbapi-20260917T120000.000000Z.sqlite3"]
    assert set(names(target)) == {
        *others,
        *with_manifests(
            "kbapi-20260918T120000.000000Z.sqlite3", "kbapi-20260919T120000.000000Z.sqlite3"
        ),
    }


def test_backups_from_the_future_are_neither_counted_nor_removed(
    instance: Instance, target: Path
) -> None:
    clock = HandMovedClock()
    wrong = []
    for _ in range(2):
        clock.moment += timedelta(days=150)
        wrong.append(back_up(instance, target, 2, clock).file)
    clock.moment -= timedelta(days=300)
    for _ in range(3):
        clock.moment += timedelta(days=1)
        made = back_up(instance, target, 2, clock)
        assert made.dated_later == tuple(wrong)
    # Of the backups with a past date, this one and that of yesterday stay.
    assert [path.name for path in made.removed] == ["kbapi-20260916T120000.000000Z.sqlite3"]
    assert set(names(target)) == with_manifests(
        "kbapi-20260917T120000.000000Z.sqlite3",
        "kbapi-20260918T120000.000000Z.sqlite3",
        *(path.name for path in wrong),
    )
    clock.moment += timedelta(days=400)
    made = back_up(instance, target, 1, clock)
    assert (made.dated_later, set(names(target))) == ((), with_manifests(made.file.name))


def test_without_keep_every_backup_stays(instance: Instance, target: Path) -> None:
    clock = HandMovedClock()
    for _ in range(3):
        clock.moment += timedelta(hours=1)
        assert back_up(instance, target, clock=clock).removed == ()
    assert len(names(target)) == 6


def test_a_damaged_database_gives_no_backup_and_removes_none(
    instance: Instance, target: Path
) -> None:
    for number in range(40):
        send(instance, a_submission(number=number))
    kept = back_up(instance, target)
    instance.overwrite_withdrawn()
    path = instance.settings.database_path
    with closing(dbapi2.connect(path)) as connection:
        page = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'setting_result'"
        ).fetchone()[0]
    content = bytearray(path.read_bytes())
    content[(page - 1) * 4096 + 100 : page * 4096] = b"\xff" * 3996
    path.write_bytes(content)
    later = HandMovedClock()
    later.moment += timedelta(days=1)
    with pytest.raises(StorageBroken):
        back_up(instance, target, 1, later)
    assert set(names(target)) == with_manifests(kept.file.name)


def test_a_damaged_log_gives_no_backup(instance: Instance, target: Path) -> None:
    for number in range(3):
        send(instance, a_submission(number=number))
    log = log_of(instance.settings.database_path)
    content = bytearray(log.read_bytes())
    content[5_000] ^= 1
    log.write_bytes(content)
    with pytest.raises(StorageBroken, match="of the log fails its checksum"):
        back_up(instance, target)
    assert names(target) == []


def test_a_backup_gets_its_name_after_its_manifest(
    instance: Instance, target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    renamed = []
    replace = Path.replace

    def noted(path: Path, other: Path) -> Path:
        renamed.append(other.name)
        return replace(path, other)

    monkeypatch.setattr(Path, "replace", noted)
    made = back_up(instance, target)
    assert renamed == [f"{made.file.name}.manifest.json", made.file.name]


def test_files_of_a_killed_backup_are_removed_by_the_next(instance: Instance, target: Path) -> None:
    target.mkdir()
    (target / ".kbapi-20260101T000000.000000Z.partial").write_bytes(b"half")
    (target / ".kbapi-20260101T000000.000000Z.partial-wal").write_bytes(b"half")
    (target / ".kbapi-20260101T000000.000000Z.partial.manifest.json").write_bytes(b"half")
    made = back_up(instance, target)
    assert set(names(target)) == with_manifests(made.file.name)


def test_one_backup_at_a_time_in_a_folder(instance: Instance, target: Path) -> None:
    target.mkdir()
    with write_lock_held(target / ".kbapi-backup.lock"), pytest.raises(StorageBusy):
        back_up(instance, target)


def test_a_backup_never_uses_the_reserved_space_of_the_instance(
    instance: Instance, target: Path
) -> None:
    tight = Settings(home=instance.settings.home, min_free_bytes=1 << 60)
    with pytest.raises(StorageFull, match="older backups are kept"):
        make_backup(tight, target, 1)
    assert names(target) == []


def test_an_unsuitable_folder_is_refused(instance: Instance, tmp_path: Path) -> None:
    file = tmp_path / "a-file"
    file.write_text("")
    home = instance.settings.home
    for wrong in (file, home, home / "backups", home / "a" / ".." / "b" / "c"):
        with pytest.raises(UnsafeSetup):
            back_up(instance, wrong)
    with pytest.raises(UnsafeSetup, match="no instance"):
        make_backup(Settings(home=tmp_path / "nowhere"), tmp_path / "backups", None)


def test_the_secret_is_written_to_a_separate_file(
    instance: Instance, target: Path, tmp_path: Path
) -> None:
    settings, place = instance.settings, tmp_path / "safe" / "secret"
    for _ in range(2):
        back_up_secret(settings, place, target)
        assert load_secret(place) == instance.secret
    assert stat.S_IMODE(place.stat().st_mode) == 0o600
    assert names(place.parent) == ["secret"]
    link = tmp_path / "link"
    link.symlink_to(target)
    for beside in (
        target / "secret",
        target / "deep" / "er" / "secret",
        link / "deep" / "secret",
        tmp_path / "safe" / ".." / "backups" / "x" / "secret",
        settings.home / "copy",
        settings.home / "deep" / "copy",
    ):
        with pytest.raises(UnsafeSetup, match="Name a file elsewhere with --secret"):
            back_up_secret(settings, beside, target)
    other = tmp_path / "other"
    create_secret(other)
    before = other.read_bytes()
    with pytest.raises(UnsafeSetup, match="not overwritten"):
        back_up_secret(settings, other, target)
    assert other.read_bytes() == before


def test_a_backup_can_be_checked_in_a_read_only_folder(
    instance: Instance, target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import os

    made = back_up(instance, target)
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path) != target)
    assert look_through(made.file) == made.condition


def test_a_backup_of_a_database_on_a_server_is_the_same_file_with_a_manifest(
    instance: Instance, target: Path, tmp_path: Path
) -> None:
    for number in range(3):
        send(instance, a_submission(number=number), key=f"key-{number}")
    rows, from_file = rows_of(instance), back_up(instance, target)
    with an_empty_database() as url:
        move_instance(instance.settings, url)
        served = open_instance(instance.settings.model_copy(update={"database": url}))
        made = back_up(served, tmp_path / "of the server")
        # A writer meanwhile is not in the snapshot, and does not disturb it.
        send(served, a_submission(number=9))
        served.close()
    assert made.condition == from_file.condition
    assert load_manifest(made.file).tables == load_manifest(from_file.file).tables
    assert rows_of(opened(made.file, tmp_path)) == rows
    assert stat.S_IMODE(made.file.stat().st_mode) == 0o600
