"""A check of an instance changes no byte and adds no file."""

import hashlib
import os
from pathlib import Path

import pytest

from kbapi.errors import InstanceInUse
from kbapi.instance.backup import make_backup
from kbapi.instance.check import Finding, check_instance
from kbapi.instance.file_locks import exclusive_lock
from kbapi.instance.instance import Instance
from kbapi.settings import Settings
from kbapi.storage.sqlite.whole_file import copy_whole
from tests.makers import HandMovedClock, a_submission, send


def state(home: Path) -> dict[str, tuple[str, int]]:
    """Content and time of change of every file; of an index only the name."""
    return {
        path.name: (
            "" if path.name.endswith("-shm") else hashlib.sha256(path.read_bytes()).hexdigest(),
            0 if path.name.endswith("-shm") else path.stat().st_mtime_ns,
        )
        for path in home.iterdir()
    }


def wrong(settings: Settings) -> list[Finding]:
    before = state(settings.home)
    found = check_instance(settings)
    assert state(settings.home) == before
    assert {one.subject for one in found} >= {"database", "integrity", "secret", "evidence"}
    return [one for one in found if not one.is_ok]


def test_check_changes_nothing_of_a_closed_instance(instance: Instance) -> None:
    send(instance, a_submission())
    instance.close()
    assert not [name for name in state(instance.settings.home) if name.endswith("-wal")]
    assert wrong(instance.settings) == []


def test_check_changes_nothing_of_an_open_instance(instance: Instance) -> None:
    send(instance, a_submission())
    assert (instance.settings.home / "kbapi.sqlite3-wal").stat().st_size > 0
    assert wrong(instance.settings) == []


def test_check_changes_nothing_after_a_killed_server(instance: Instance, tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "killed")
    settings.home.mkdir(mode=0o700)
    send(instance, a_submission())
    for path in instance.settings.home.iterdir():
        if path.is_file():
            (settings.home / path.name).write_bytes(path.read_bytes())
            (settings.home / path.name).chmod(0o600)
    assert (settings.home / "kbapi.sqlite3-wal").stat().st_size > 0
    assert wrong(settings) == []


def test_check_changes_nothing_of_a_copied_database_without_a_log(
    instance: Instance, tmp_path: Path
) -> None:
    send(instance, a_submission())
    settings = Settings(home=tmp_path / "copied")
    settings.home.mkdir(mode=0o700)
    copy_whole(instance.settings.database_path, settings.database_path)
    os.link(instance.settings.secret_path, settings.secret_path)
    assert settings.database_path.read_bytes()[18:20] == b"\x01\x01"
    assert wrong(settings) == []
    assert settings.database_path.read_bytes()[18:20] == b"\x01\x01"
    assert not settings.use_lock_path.exists()


def test_a_copied_backup_keeps_its_bytes(instance: Instance, tmp_path: Path) -> None:
    made = make_backup(instance.settings, tmp_path / "backups", None, HandMovedClock())
    before = state(made.file.parent)
    copy_whole(made.file, tmp_path / "copy.sqlite3")
    assert state(made.file.parent) == before


def test_check_is_refused_during_a_restore(instance: Instance) -> None:
    instance.close()
    with exclusive_lock(instance.settings.use_lock_path), pytest.raises(InstanceInUse):
        check_instance(instance.settings)
