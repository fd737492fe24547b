"""What root makes is the serving user's, and a file that may not be opened is not called damaged.

As root these tests become another user for a while; anybody else closes what is to be closed.
"""

import errno
import os
import resource
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from kbapi.errors import StorageBroken, StorageBusy, StorageUnwritable, UnsafeSetup
from kbapi.instance import instance as instances
from kbapi.instance import restore
from kbapi.instance.backup import back_up_secret, make_backup
from kbapi.instance.check import check_instance
from kbapi.instance.file_locks import exclusive_lock, shared_lock
from kbapi.instance.instance import (
    Instance,
    create_or_open_instance,
    open_instance,
    upgrade_instance,
)
from kbapi.instance.restore import restore_backup
from kbapi.instance.secret import load_secret
from kbapi.settings import Settings
from kbapi.storage import files
from kbapi.storage.files import is_copied_by_litestream
from kbapi.storage.sqlite.database import write_lock_held
from tests.makers import HandMovedClock, a_submission, send

pytestmark = pytest.mark.sqlite("the owner and the faults of its files")

IS_ROOT = os.geteuid() == 0
SERVING = (4_711, 4_712) if IS_ROOT else (os.geteuid(), os.getegid())


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that every user may enter, which belongs to the serving user."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        home = Path(name) / "home"
        home.mkdir(mode=0o700)
        os.chown(home, *SERVING)
        yield Path(name)


@pytest.fixture
def settings(folder: Path) -> Settings:
    return Settings(home=folder / "home")


@contextmanager
def a_user_without_access_to(*places: Path) -> Iterator[None]:
    """A user that may not open these: another one, or the owner of files without permissions."""
    modes = [place.stat().st_mode for place in places]
    if IS_ROOT:
        os.seteuid(4_713)
    else:
        for place in places:
            place.chmod(0)
    try:
        yield
    finally:
        if IS_ROOT:
            os.seteuid(0)
        for place, mode in zip(places, modes, strict=True):
            place.chmod(mode)


def owners_in(home: Path) -> set[tuple[int, int]]:
    found = [path.stat() for path in home.iterdir()]
    assert len(found) >= 4
    return {(one.st_uid, one.st_gid) for one in found}


def test_new_files_get_the_owner_of_the_folder(settings: Settings) -> None:
    create_or_open_instance(settings).close()
    assert owners_in(settings.home) == {SERVING}


def test_a_new_lock_gets_the_owner_of_the_folder(settings: Settings) -> None:
    create_or_open_instance(settings).close()
    settings.use_lock_path.unlink()
    open_instance(settings).close()
    assert owners_in(settings.home) == {SERVING}


def test_a_lock_whose_owner_cannot_be_changed_does_not_prevent_reading(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    create_or_open_instance(settings).close()

    def refuse(*_told: object) -> None:
        raise OSError(errno.EROFS, "read-only file system")

    monkeypatch.setattr(files.os, "chown", refuse)
    open_instance(settings).close()  # all are whose they should be
    monkeypatch.setattr(files.os, "geteuid", lambda: 0)
    monkeypatch.setattr(instances, "owner_at", lambda _path: files.Owner(4_714, 4_714))
    open_instance(settings).close()


def test_an_upgrade_gives_new_files_the_owner_of_the_database(settings: Settings) -> None:
    create_or_open_instance(settings).close()
    settings.use_lock_path.unlink()
    settings.write_lock_path.unlink()
    upgrade_instance(settings)
    assert owners_in(settings.home) == {SERVING}


def test_a_restore_keeps_the_owner_of_what_it_replaces(settings: Settings, folder: Path) -> None:
    instance = create_or_open_instance(settings)
    made = make_backup(settings, folder / "backups", None, HandMovedClock())
    back_up_secret(settings, folder / "safe" / "secret", folder / "backups")
    send(instance, a_submission())
    instance.close()
    settings.secret_path.unlink()
    for path in (settings.use_lock_path, settings.write_lock_path):
        path.unlink()
    restore_backup(settings, made.file, folder / "safe" / "secret")
    assert owners_in(settings.home) == {SERVING}
    # So too in an empty folder, and where an earlier one left root's files.
    for path in settings.home.iterdir():
        path.unlink()
    restore_backup(settings, made.file, folder / "safe" / "secret")
    assert owners_in(settings.home) == {SERVING}
    os.chown(settings.database_path, os.geteuid(), os.getegid())
    restore_backup(settings, made.file)
    assert settings.database_path.stat().st_uid == SERVING[0]


def test_backups_and_locks_get_the_owner_of_their_folder(settings: Settings, folder: Path) -> None:
    create_or_open_instance(settings).close()
    target = folder / "backups"
    target.mkdir(mode=0o700)
    os.chown(target, *SERVING)
    make_backup(settings, target, None, HandMovedClock())
    with write_lock_held(target / "another.lock"):
        pass
    back_up_secret(settings, settings.home.parent / "secret", target)
    found = {path.name: path.stat() for path in target.iterdir()}
    assert len(found) == 4
    assert {(one.st_uid, one.st_gid) for one in found.values()} == {SERVING}


def test_a_restore_that_the_owner_could_not_read_is_refused(
    settings: Settings, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    create_or_open_instance(settings).close()
    made = make_backup(settings, folder / "backups", None, HandMovedClock())
    before = {path.name: path.read_bytes() for path in settings.home.iterdir()}
    monkeypatch.setattr(files.os, "geteuid", lambda: SERVING[0] + 1)
    with pytest.raises(UnsafeSetup, match="sudo -u"):
        restore_backup(settings, made.file)
    monkeypatch.undo()
    assert {path.name: path.read_bytes() for path in settings.home.iterdir()} == before


def test_a_root_that_may_not_change_owners_restores_nothing(
    settings: Settings, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    instance = create_or_open_instance(settings)
    made = make_backup(settings, folder / "backups", None, HandMovedClock())
    send(instance, a_submission())
    instance.close()
    before = {path.name: path.read_bytes() for path in settings.home.iterdir()}

    def refuse(*_told: object) -> None:
        raise PermissionError

    monkeypatch.setattr(files.os, "geteuid", lambda: 0)
    monkeypatch.setattr(files, "owner_at", lambda _path: files.Owner(4_714, 4_714))
    monkeypatch.setattr(restore, "owner_at", lambda _path: files.Owner(4_714, 4_714))
    monkeypatch.setattr(files.os, "chown", refuse)
    with pytest.raises(UnsafeSetup, match="may not give a file"):
        restore_backup(settings, made.file)
    monkeypatch.undo()
    assert {path.name: path.read_bytes() for path in settings.home.iterdir()} == before


def ways_in(settings: Settings, folder: Path) -> list[object]:
    return [
        lambda: open_instance(settings),
        lambda: create_or_open_instance(settings),
        lambda: upgrade_instance(settings),
        lambda: check_instance(settings),
        lambda: make_backup(settings, folder / "others", None),
        lambda: restore_backup(settings, folder / "backup"),
    ]


@pytest.mark.parametrize("closed", ["home", "database"])
def test_a_file_that_may_not_be_opened_is_reported_with_its_owner(
    settings: Settings, folder: Path, closed: str
) -> None:
    create_or_open_instance(settings).close()
    place = settings.home if closed == "home" else settings.database_path
    if closed == "database":
        settings.home.chmod(0o755)
    for way_in in ways_in(settings, folder):
        with (
            a_user_without_access_to(place),
            pytest.raises(UnsafeSetup, match="may not open") as error,
        ):
            way_in()
        assert place.name in error.value.detail
        assert "damaged" not in error.value.detail
        assert files._name_of(SERVING[0]) in error.value.detail
    assert not (folder / "others").exists()


def test_a_secret_or_a_backup_that_may_not_be_opened_is_named(
    settings: Settings, folder: Path
) -> None:
    create_or_open_instance(settings).close()
    made = make_backup(settings, folder / "backups", None, HandMovedClock())
    with (
        a_user_without_access_to(settings.home),
        pytest.raises(UnsafeSetup, match="may not open home"),
    ):
        load_secret(settings.secret_path)
    elsewhere = Settings(home=folder / "elsewhere")
    with (
        a_user_without_access_to(made.file.parent),
        pytest.raises(UnsafeSetup, match="may not open backups"),
    ):
        restore_backup(elsewhere, made.file)
    assert not elsewhere.home.exists()


def test_a_folder_of_backups_that_may_not_be_written_is_named(
    instance: Instance, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "backups"
    target.mkdir()
    monkeypatch.setattr(os, "access", lambda path, *_mode, **_more: Path(path) != target)
    with pytest.raises(StorageUnwritable, match=r"This user may not write to .*backups"):
        make_backup(instance.settings, target, None)


def test_a_file_that_is_closed_while_it_is_served_is_not_called_damaged(
    settings: Settings,
) -> None:
    create_or_open_instance(settings).close()
    served = Instance(settings, HandMovedClock())
    with (
        a_user_without_access_to(settings.home),
        pytest.raises(StorageBroken) as error,
        served.reading(),
    ):
        pass
    assert "damaged" not in error.value.detail
    assert "may not open" in error.value.detail
    with served.reading():
        pass
    served.close()


def test_too_many_open_files_are_a_matter_of_waiting(instance: Instance) -> None:
    send(instance, a_submission())
    served = Instance(instance.settings, HandMovedClock())
    _, hard = before = resource.getrlimit(resource.RLIMIT_NOFILE)
    with Path("/dev/null").open() as lowest:
        resource.setrlimit(resource.RLIMIT_NOFILE, (lowest.fileno(), hard))
        try:
            errors = []
            for act in (served.reading, served.writing):
                with pytest.raises(StorageBusy) as caught, act():
                    pass
                errors.append(caught.value.detail)
        finally:
            resource.setrlimit(resource.RLIMIT_NOFILE, before)
    assert all("Too many files" in one for one in errors)
    with served.reading() as connection:
        assert connection.exec_driver_sql("SELECT COUNT(*) FROM unit").scalar_one() == 1
    served.close()


def test_a_lock_that_root_makes_first_belongs_to_the_serving_user(settings: Settings) -> None:
    with shared_lock(settings.use_lock_path):
        there = settings.use_lock_path.stat()
    assert (there.st_uid, there.st_gid) == SERVING
    settings.use_lock_path.unlink()
    with exclusive_lock(settings.use_lock_path):
        there = settings.use_lock_path.stat()
    assert (there.st_uid, there.st_gid) == SERVING


def a_look_that_finds(monkeypatch: pytest.MonkeyPatch, becomes: Path | None) -> list[Path]:
    """Files change between two looks: the first finds one, later ones find none, or the reverse."""
    looks: list[Path] = []
    access = os.access

    def look(path: Path, mode: int, **options: bool) -> bool:
        looks.append(path)
        found = access(path, mode, **options)
        if path.is_dir():
            return found
        if becomes is None:
            path.unlink(missing_ok=True)
        else:
            path.write_bytes(becomes.read_bytes())
        return found and becomes is not None

    monkeypatch.setattr(os, "access", look)
    return looks


def test_a_file_that_goes_between_two_looks_is_a_missing_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_look_that_finds(monkeypatch, None)
    for look in (files.is_withheld, files.is_read_only):
        log = tmp_path / "kbapi.sqlite3-wal"
        log.write_bytes(b"log")
        assert not look(log)
        assert not log.exists()


def test_a_file_that_comes_between_two_looks_is_not_withheld(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "kept"
    kept.write_bytes(b"log")
    looks = a_look_that_finds(monkeypatch, kept)
    assert not files.is_withheld(tmp_path / "kbapi.sqlite3-wal")
    files.require_may_open(tmp_path / "kbapi.sqlite3")
    assert looks


def test_a_file_that_goes_after_it_was_seen_costs_no_error(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "exists", lambda _path: True)
    gone = settings.home / "kbapi.sqlite3-wal"
    assert files.size_of(gone) == 0
    assert not files.is_withheld(gone)
    assert not files.is_read_only_medium(settings.database_path)
    assert files.owner_at(gone) == files.Owner(*SERVING)
    files.require_may_replace(gone)
    files.give_files(settings, files.Owner(*SERVING))
    with shared_lock(settings.use_lock_path, makes_file=False):
        assert not list(settings.home.iterdir())


def test_an_io_error_of_a_look_is_an_error_of_the_disk(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    create_or_open_instance(settings).close()
    served = Instance(settings, HandMovedClock())

    def fail(_path: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "statvfs", fail)
    assert served.present_health().writes == "disk_error"
    (writing,) = [one for one in check_instance(settings) if one.subject == "writing"]
    assert (writing.is_ok, "Input/output error" in writing.detail) == (False, True)
    with pytest.raises(StorageUnwritable):
        send(served, a_submission())
    served.close()


@pytest.mark.parametrize("beside", ["link", "file"])
def test_the_folder_of_litestream_is_found_beside_a_link_and_beside_its_target(
    tmp_path: Path, beside: str
) -> None:
    target, link = tmp_path / "disk" / "some.sqlite3", tmp_path / "kbapi.sqlite3"
    target.parent.mkdir()
    target.touch()
    link.symlink_to(target)
    assert not is_copied_by_litestream(link)
    named = link if beside == "link" else target
    named.with_name(f".{named.name}-litestream").mkdir()
    assert is_copied_by_litestream(link)
