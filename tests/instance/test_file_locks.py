"""An open instance holds a shared lock; a restore needs the exclusive one."""

import errno
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from kbapi.errors import InstanceInUse, StorageFull, UnsafeSetup
from kbapi.instance.file_locks import acquire_shared_lock, exclusive_lock
from kbapi.instance.instance import create_or_open_instance, open_instance, upgrade_instance
from kbapi.settings import Settings
from tests.storage.plain_user import a_shared_folder, as_a_plain_user


def test_shared_locks_exclude_the_exclusive_lock(tmp_path: Path) -> None:
    lock = tmp_path / "use.lock"
    held = [acquire_shared_lock(lock), acquire_shared_lock(lock)]
    for descriptor in held:
        with pytest.raises(InstanceInUse), exclusive_lock(lock):
            raise AssertionError("exclusive while shared")
        assert descriptor is not None
        os.close(descriptor)
    with exclusive_lock(lock), pytest.raises(InstanceInUse):
        acquire_shared_lock(lock)
    assert lock.stat().st_mode & 0o777 == 0o600


def test_an_open_instance_holds_the_shared_lock_until_it_is_closed(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    first, second = create_or_open_instance(settings), open_instance(settings)
    first.close()
    with pytest.raises(InstanceInUse), exclusive_lock(settings.use_lock_path):
        raise AssertionError("the second is open")
    second.close()
    second.close()
    with exclusive_lock(settings.use_lock_path):
        for way_in in (open_instance, upgrade_instance):
            with pytest.raises(InstanceInUse):
                way_in(settings)


def test_an_open_instance_cannot_be_upgraded(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    opened = create_or_open_instance(settings)
    with pytest.raises(InstanceInUse, match="Stop the server"):
        upgrade_instance(settings)
    opened.close()
    upgrade_instance(settings)


def test_a_garbage_collected_instance_releases_its_lock(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings)
    with exclusive_lock(settings.use_lock_path):
        pass


def test_a_forked_process_holds_the_lock_too(tmp_path: Path) -> None:
    lock = tmp_path / "use.lock"
    descriptor = acquire_shared_lock(lock)
    assert descriptor is not None
    inherited = os.dup(descriptor)  # as fork does with every descriptor
    os.close(descriptor)
    with pytest.raises(InstanceInUse), exclusive_lock(lock):
        raise AssertionError("the child has it")
    os.close(inherited)


@pytest.fixture
def home() -> Iterator[Path]:
    with a_shared_folder() as folder:
        create_or_open_instance(Settings(home=folder / "home")).close()
        yield folder / "home"


def test_a_read_only_folder_without_a_lock_file_needs_no_lock(home: Path) -> None:
    lock = home / "use.lock"
    lock.unlink()
    home.chmod(0o500)
    with as_a_plain_user(home):
        assert acquire_shared_lock(lock) is None
        assert not lock.exists()


def test_an_existing_lock_file_in_a_read_only_folder_is_locked(home: Path) -> None:
    lock = home / "use.lock"
    home.chmod(0o500)
    with as_a_plain_user(home):
        descriptor = acquire_shared_lock(lock)
    assert descriptor is not None
    with pytest.raises(InstanceInUse), exclusive_lock(lock):
        raise AssertionError("whoever may write there after all must wait")
    os.close(descriptor)


@pytest.mark.parametrize("mode", [0o700, 0o500], ids=["writable", "read-only"])
def test_a_lock_file_that_cannot_be_opened_keeps_the_instance_closed(home: Path, mode: int) -> None:
    lock = home / "use.lock"
    lock.chmod(0)
    home.chmod(mode)
    with as_a_plain_user(home):
        with pytest.raises(UnsafeSetup, match=r"cannot be opened .*'chown \d+ /.*use\.lock'"):
            open_instance(Settings(home=home))
        with pytest.raises(UnsafeSetup, match=r"use\.lock"), exclusive_lock(lock):
            raise AssertionError("exclusive without a lock file")


def test_a_lock_file_that_does_not_fit_on_the_disk_is_reported(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (home / "use.lock").unlink()
    opened = os.open

    def full(path: Path, *how: int) -> int:
        if Path(path).name == "use.lock":
            raise OSError(errno.ENOSPC, "No space left on device")
        return opened(path, *how)

    monkeypatch.setattr(os, "open", full)
    with pytest.raises(StorageFull, match="cannot open the database"):
        open_instance(Settings(home=home))
