"""An incomplete instance: a missing file is an error and is not created again."""

import shutil
from contextlib import closing
from pathlib import Path

import pytest

from kbapi.access.keys import give_key, list_keys
from kbapi.errors import StorageBroken, StorageUnwritable, UnsafeSetup
from kbapi.instance.instance import (
    Instance,
    create_or_open_instance,
    open_instance,
    upgrade_instance,
)
from kbapi.settings import Settings
from kbapi.storage import files
from kbapi.storage.sqlite.driver import dbapi2
from tests.makers import a_submission, send

pytestmark = pytest.mark.sqlite("its files")

WAYS_IN = open_instance, create_or_open_instance, upgrade_instance


def log_of(settings: Settings) -> Path:
    return settings.database_path.with_name(f"{settings.database_path.name}-wal")


def refused(settings: Settings, message: str) -> None:
    before = {path: path.read_bytes() for path in settings.home.iterdir() if path.is_file()}
    for way_in in WAYS_IN:
        with pytest.raises(UnsafeSetup, match=message):
            way_in(settings)
    for path, content in before.items():
        assert path.read_bytes() == content
    assert not settings.database_path.exists() or settings.database_path.stat().st_size == 0


def test_a_missing_database_with_a_secret_is_an_error_and_not_created(instance: Instance) -> None:
    instance.close()
    instance.settings.database_path.rename(instance.settings.home / "old.sqlite3")
    refused(instance.settings, r"kbapi\.sqlite3 is missing beside secret\.key")


def test_a_log_without_its_database_is_kept(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    settings.home.mkdir(0o700)
    log_of(settings).write_bytes(b"what was acknowledged")
    refused(settings, r"kbapi\.sqlite3 is missing beside kbapi\.sqlite3-wal")


def test_a_dangling_link_is_an_error_and_no_empty_folder(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    settings.home.mkdir(0o700)
    settings.database_path.symlink_to(tmp_path / "unplugged" / "kbapi.sqlite3")
    refused(settings, r"kbapi\.sqlite3 is missing\.")
    assert settings.database_path.is_symlink()


def test_an_emptied_database_is_an_error(instance: Instance) -> None:
    instance.close()
    instance.settings.database_path.write_bytes(b"")
    refused(instance.settings, "is empty beside")


def test_reads_never_create_an_empty_file_for_a_moved_database(instance: Instance) -> None:
    give_key(instance, "first", ("submit",))
    database, settings = instance.settings.database_path, instance.settings
    kept = database.rename(settings.home / "old.sqlite3")
    with pytest.raises(StorageBroken):
        instance.hot_reads.rows("SELECT 1", ())
    assert not database.exists()
    kept.rename(database)
    assert [key.name for key in list_keys(instance)] == ["first"]


@pytest.mark.parametrize("ended_after", ["the folder", "the file", "the tables"])
def test_an_interrupted_creation_is_continued(tmp_path: Path, ended_after: str) -> None:
    settings = Settings(home=tmp_path / "home")
    settings.home.mkdir(0o700)
    if ended_after == "the file":
        settings.database_path.touch(0o600)
    if ended_after == "the tables":
        create_or_open_instance(settings).close()
        settings.secret_path.unlink()
    with pytest.raises(UnsafeSetup):
        open_instance(settings)
    made = create_or_open_instance(settings)
    give_key(made, "first", ("submit",))
    made.close()
    assert settings.database_path.stat().st_mode & 0o077 == 0


def broken_off(instance: Instance, folder: Path) -> Settings:
    """The instance as after a kill within a transaction without a log."""
    instance.close()
    database = instance.settings.database_path
    copy = Settings(home=folder / "copy")
    copy.home.mkdir(0o700)
    with closing(dbapi2.connect(str(database), isolation_level=None)) as connection:
        for statement in ("journal_mode=DELETE", "cache_size=1", "secure_delete=OFF"):
            connection.execute(f"PRAGMA {statement}")
        connection.execute("BEGIN")
        connection.execute("DELETE FROM access_key")
        connection.execute("CREATE TABLE more (than, the_cache)")
        connection.executemany(
            "INSERT INTO more VALUES (zeroblob(9000), ?)", [(n,) for n in range(99)]
        )
        for file in (*instance.settings.home.glob("kbapi.sqlite3*"), instance.settings.secret_path):
            shutil.copy(file, copy.home)
        connection.execute("ROLLBACK")
    assert copy.database_path.with_name("kbapi.sqlite3-journal").stat().st_size > 0
    return copy


def test_a_killed_transaction_in_a_journal_is_rolled_back(
    instance: Instance, tmp_path: Path
) -> None:
    for number in range(8):
        send(instance, a_submission(number=number))
    give_key(instance, "first", ("submit",))
    copy = broken_off(instance, tmp_path)
    opened = open_instance(copy)
    with opened.reading() as connection:
        assert connection.exec_driver_sql("SELECT COUNT(*) FROM submission").scalar() == 8
    assert [key.name for key in list_keys(opened)] == ["first"]
    opened.close()


def test_the_last_connection_leaves_one_file(instance: Instance) -> None:
    other = open_instance(instance.settings)
    for label in ("one", "other"):
        give_key(instance, label, ("submit",))
    assert len(list_keys(other)) == 2
    instance.close()
    assert log_of(instance.settings).exists()
    other.close()
    assert not log_of(instance.settings).exists()


@pytest.mark.parametrize("log", [b"results", b""])
def test_an_unreadable_log_in_a_read_only_folder_is_reported(
    instance: Instance, monkeypatch: pytest.MonkeyPatch, log: bytes
) -> None:
    instance.close()
    log_of(instance.settings).write_bytes(log)
    log_of(instance.settings).with_name("kbapi.sqlite3-shm").unlink(missing_ok=True)
    monkeypatch.setattr(files, "is_read_only", lambda path: path == instance.settings.home)
    if log:
        with pytest.raises(StorageUnwritable, match="allow writing to the folder"):
            open_instance(instance.settings)
    else:
        assert open_instance(instance.settings).gate.is_read_only_medium
